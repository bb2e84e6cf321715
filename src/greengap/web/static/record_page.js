// The record page by itself: the field book in one file, which gives its entries back as a small file.

import { h, longDay, setWords, t } from "./dom.js";
import { Entries } from "./record_entries.js";
import { handOver, recordBook } from "./record_book.js";

const read = (id) => JSON.parse(document.getElementById(id).textContent);
setWords(read("words"));
const book = read("book");
const entries = new Entries(book.file);
let forgetting = false;

function state() {
  const list = entries.list(), open = list.filter((e) => !e.given).length;
  const kept = entries.kept ? "" : " " + t("book_not_kept");
  if (!list.length) return { words: t("book_alone_none") + kept, kind: entries.kept ? "sent" : "waiting" };
  return open ? { words: (open === 1 ? t("book_alone_one") : t("book_alone_n", { n: open })) + kept, kind: "waiting" } : { words: t("book_alone_given", { n: list.length }), kind: "sent" };
}
function given() {
  for (const entry of entries.list()) entries.put({ ...entry, given: true });
  view.refresh();
}
const forget = h("button", { type: "button", onclick: () => {
  if (!forgetting) { forgetting = true; forget.textContent = t("book_forget_sure"); return; }
  for (const entry of entries.list()) if (entry.given) entries.drop(entry.row.entry_id);
  forgetting = false;
  forget.textContent = t("book_forget");
  view.refresh();
} }, t("book_forget"));
const hand = [h("section", { class: "hand" }, h("h3", {}, t("book_hand_over")), h("p", {}, t("book_alone_how")), handOver(book, entries, given), h("p", { class: "acts" }, forget),
  h("p", { class: "hint" }, t("book_alone_made", { farm: book.farm, date: longDay(book.made) })))];
const view = recordBook({ book, entries, state, changed: () => view?.refresh(), hand });
document.getElementById("work").append(h("h1", {}, book.farm), view.node);
view.home(false);
