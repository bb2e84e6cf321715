// Sends what waits on this device whenever the farm's program answers; on every screen of the page.

import { t } from "./dom.js";
import { Entries } from "./record_entries.js";
import { ask } from "./farm.js";

const EVERY = 4000; // milliseconds between two tries; plain http has no background sending
const AT_ONCE = 200;

export const sync = {
  entries: null, book: null, reach: "", timer: null, busy: false, again: false, listeners: new Set(),

  on(act) {
    this.listeners.add(act);
    return () => this.listeners.delete(act);
  },
  tell() {
    for (const act of this.listeners) act();
  },
  /** The field book of the open farm, read anew; what waits is kept. */
  async open() {
    const book = await ask("api/field-book");
    if (!this.entries || this.book?.file !== book.file) this.entries = new Entries(book.file);
    this.book = this.book && this.book.file === book.file ? Object.assign(this.book, book) : book;
    this.reach = "";
    this.go();
    return this.book;
  },
  /** Try now, and again as long as something waits. */
  go() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.send(), 20);
  },
  async send() {
    if (this.busy) this.again = true; // what was written meanwhile goes right after
    if (this.busy || !this.entries) return;
    this.busy = true;
    this.again = false;
    const before = this.reach;
    if (this.entries.kept) this.entries.load(); // what another window has written, or sent
    const some = this.entries.waiting().slice(0, AT_ONCE);
    let changed = false;
    try {
      if (some.length) {
        for (const entry of some) if (!entry.tried) this.entries.put({ ...entry, tried: true }); // it may arrive though no answer comes back
        const answer = await ask("api/record", { file: this.book.file, rows: some.map((e) => e.row) });
        for (const id of answer.taken) this.entries.drop(id);
        for (const one of answer.refused) this.entries.refuse(one.entry_id, one.sentence);
        this.book.record = answer.rows;
        changed = true;
      } else if (this.reach) {
        this.book.record = (await ask("api/record")).rows;
        changed = true;
      }
      this.reach = "";
    } catch (error) {
      const kind = error.problem?.kind;
      this.reach = kind === "token" ? "moved" : kind === "other_farm" || kind === "not_there" ? "other" : kind === "gone" ? "gone" : "fault";
    }
    this.busy = false;
    if (changed || before !== this.reach) this.tell();
    if (!this.reach && (this.again || this.entries.waiting().length)) this.go();
    else if (this.reach) this.timer = setTimeout(() => this.send(), EVERY);
  },
  /** Where the entries are, in a sentence. */
  state() {
    const n = this.entries.waiting().length;
    const waits = n === 1 ? t("book_one_waits") : t("book_n_wait", { n });
    const kept = this.entries.kept ? "" : " " + t("book_not_kept");
    if (this.reach) return { words: (n ? waits + " " : "") + t("book_reach_" + this.reach) + (n ? kept : ""), kind: n ? "waiting" : "away" };
    return n ? { words: waits + kept, kind: "waiting" } : { words: t("book_all_sent"), kind: "sent" };
  },
};
addEventListener("online", () => sync.go());
addEventListener("visibilitychange", () => { if (!document.hidden) sync.go(); });
