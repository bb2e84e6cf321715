// Rows that were written on this device: kept here first, sent when the farm's program answers, merged without loss.

/** A random number for a row (RFC 4122, version 4). Plain http has no crypto.randomUUID, but it has random bytes. */
export function newId() {
  const b = crypto.getRandomValues(new Uint8Array(16));
  b[6] = (b[6] & 0x0f) | 0x40;
  b[8] = (b[8] & 0x3f) | 0x80;
  const hex = [...b].map((n) => n.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}
export const nowText = () => new Date().toISOString().slice(0, 19) + "Z";
/** The day on this device's own calendar. */
export function localDay() {
  const d = new Date();
  return d.getFullYear() + "-" + String(d.getMonth() + 1).padStart(2, "0") + "-" + String(d.getDate()).padStart(2, "0");
}

/** What a browser remembers of one farm; every entry under a key of its own, so that two windows do not overwrite. */
export class Entries {
  constructor(file) {
    this.stem = "greengap/" + file + "/";
    this.held = new Map();
    this.kept = true; // whether this browser keeps anything at all
    this.load();
  }
  load() {
    try {
      const found = new Map();
      for (let i = 0; i < localStorage.length; i++) {
        const key = localStorage.key(i);
        if (key.startsWith(this.stem + "row/")) {
          const entry = JSON.parse(localStorage.getItem(key));
          found.set(entry.row.entry_id, entry);
        }
      }
      this.held = found;
      localStorage.setItem(this.stem + "try", "1");
    } catch {
      this.kept = false;
    }
  }
  put(entry) {
    this.held.set(entry.row.entry_id, entry);
    if (!this.kept) return;
    try {
      localStorage.setItem(this.stem + "row/" + entry.row.entry_id, JSON.stringify(entry));
    } catch {
      this.kept = false;
    }
  }
  /** Write a row down: it gets its number and its time here; a correction is written after its row, whatever the clocks say. */
  add(row, old = null) {
    let written = nowText();
    if (old && old.written >= written) written = new Date(Date.parse(old.written) + 1000).toISOString().slice(0, 19) + "Z";
    const full = { ...row, entry_id: newId(), written };
    if (this.who()) full.who = this.who();
    this.put({ row: full, why: "" });
    return full;
  }
  drop(id) {
    this.held.delete(id);
    try {
      localStorage.removeItem(this.stem + "row/" + id);
    } catch {
      this.kept = false;
    }
  }
  refuse(id, why) {
    const entry = this.held.get(id);
    if (entry) this.put({ ...entry, why });
  }
  list() {
    return [...this.held.values()].sort((a, b) => (a.row.written < b.row.written ? -1 : 1));
  }
  waiting() {
    return this.list().filter((e) => !e.why);
  }
  said(name) {
    try {
      return localStorage.getItem(this.stem + name) || "";
    } catch {
      return "";
    }
  }
  remember(name, value) {
    try {
      localStorage.setItem(this.stem + name, value);
    } catch {
      this.kept = false;
    }
  }
  who() {
    return this.whoNow ?? this.said("who");
  }
  setWho(name) {
    this.whoNow = name.trim();
    this.remember("who", this.whoNow);
  }
  /** The file that this device gives: `greengap record FARM merge` reads it, and so does the page. */
  file(book) {
    return JSON.stringify({ kind: "greengap season record", version: 1, farm: book.farm, rows: this.list().map((e) => e.row) }, null, 1) + "\n";
  }
}

/** All rows, those of this device too, each once. */
export function allRows(book, entries) {
  const there = new Set(book.record.map((r) => r.entry_id));
  return [...book.record, ...entries.list().filter((e) => !there.has(e.row.entry_id)).map((e) => ({ ...e.row, waits: !e.given, why: e.why }))];
}

/** What holds: of a row and all that corrects it the one written last, nothing of what was struck out. */
export function holding(rows) {
  const named = new Map();
  for (const row of rows) for (const id of [row.record_id, row.entry_id]) if (id) named.set(id, row);
  const own = (row) => row.record_id || row.entry_id;
  const last = new Map();
  for (const row of rows) {
    let root = own(row), at = row;
    for (let deep = 0; at?.corrects && deep < 1000; deep++) {
      const next = named.get(at.corrects);
      root = next ? own(next) : at.corrects; // what it corrects may come later, from another device
      at = next;
    }
    const before = last.get(root);
    if (!before || before.written < row.written || (before.written === row.written && own(before) < own(row))) last.set(root, row);
  }
  return [...last.values()].filter((row) => row.what !== "struck").sort((a, b) => (a.date + a.written < b.date + b.written ? -1 : 1));
}
