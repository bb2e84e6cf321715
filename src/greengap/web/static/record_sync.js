// Sends what waits on this device whenever the farm's program answers; on every screen of the page.

import { t } from "./dom.js";
import { Entries } from "./record_entries.js";
import { ask } from "./farm.js";

const STANDS_EVERY = 2500; // while stands are worked out
const EVERY = 4000; // milliseconds between two tries; plain http has no background sending
const AT_ONCE = 200;

export const sync = {
  entries: null, book: null, reach: "", timer: null, standTimer: null, busy: false, again: false, listeners: new Set(),

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
    book.stands.by_gap = { ...this.keptStands(book), ...book.stands.by_gap };
    this.book = this.book && this.book.file === book.file ? Object.assign(this.book, book) : book;
    this.keepStands();
    this.followStands();
    this.reach = "";
    this.go();
    return this.book;
  },
  // ---- stands worked out beforehand: fetched as they come, kept on the device -----------------------
  /** Those of an earlier visit, for as long as the program has not made them anew. */
  keptStands(book) {
    if (book.stands.state === "done") return {};
    try {
      const kept = JSON.parse(this.entries.said("stands") || "{}");
      return Object.fromEntries(Object.entries(kept).filter(([gap]) => book.gaps.some((g) => g.id === gap)));
    } catch {
      return {};
    }
  },
  keepStands() {
    this.entries.remember("stands", JSON.stringify(this.book.stands.by_gap));
  },
  followStands(soon = STANDS_EVERY) {
    clearTimeout(this.standTimer);
    if (this.book.stands.state !== "done") this.standTimer = setTimeout(() => this.readStands(), soon);
  },
  async readStands() {
    const before = this.book.stands;
    try {
      const got = await ask("api/stands?serial=" + before.serial);
      if (got.file !== this.book.file) return;
      this.book.stands = { ...got, by_gap: got.by_gap ? { ...(got.state === "done" ? {} : before.by_gap), ...got.by_gap } : before.by_gap };
      if (got.by_gap) this.keepStands();
      if (got.by_gap || got.state !== before.state || got.done !== before.done) this.tell();
    } catch { /* what waits is tried again too, and says that nobody answers */ }
    this.followStands();
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
        this.book.stands.state = "waiting"; // a row may have changed what stands
        this.followStands(200);
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
