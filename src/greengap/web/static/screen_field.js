// The screen Field book: what is due, writing down, handing over.

import { h, say, t } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";
import { handOver, recordBook } from "./record_book.js";
import { sync } from "./record_sync.js";

/** Take in the file of a record page, or an exported record. */
export async function takeRecordFile(file) {
  const done = await ask("api/record/file?" + new URLSearchParams({ name: file.name }), undefined, {
    method: "POST", headers: { "X-Greengap": "1", "Content-Type": "application/octet-stream" }, body: file,
  });
  if (sync.book) sync.book.record = done.rows;
  sync.tell();
  say(t("book_taken_in", { added: done.added, there: done.there }) + " " + done.notes.join(" "));
  return done;
}

export function fieldScreen(page) {
  const node = h("div", { class: "paper book" });
  const off = [];
  let view = null, gone = false;
  // The record page is made when every stand is worked out, since it cannot fetch what is missing; or at once, if asked.
  const waits = h("div", { class: "waits-for", role: "status" });
  let saving = null;
  function savePage(event) {
    if (sync.book.stands.state === "done") return;
    event.preventDefault();
    saving = event.currentTarget;
    tellWait();
    sync.followStands(0);
  }
  function tellWait() {
    if (!saving) return;
    const { state, done, total } = sync.book.stands, link = saving;
    if (state === "done") { saving = null; waits.replaceChildren(); link.click(); return; }
    const words = state === "running" ? t("book_stands_wait", { done, total }) : t("book_stands_plan");
    waits.replaceChildren(h("p", {}, words), h("progress", { max: total || 1, value: done || 0, "aria-label": words }),
      h("p", {}, h("a", { href: "api/record/page", download: "", onclick: () => { saving = null; waits.replaceChildren(); } }, t("book_save_anyway"))));
  }
  function hand() {
    const file = h("input", { type: "file", accept: ".json,.csv,application/json,text/csv", id: "record-file", onchange: async () => {
      try { if (file.files.length) await takeRecordFile(file.files[0]); } catch (error) { say(inWords(error), "trouble"); }
      file.value = "";
    } });
    return [
      h("section", { class: "hand" }, h("h3", {}, t("book_take_along")), h("p", {}, t("book_limit_open")), h("p", {}, t("book_limit_page")),
        h("p", {}, h("a", { href: "api/record/page", download: "", class: "button", "data-act": "page", onclick: savePage }, t("book_save_page"))), waits,
        h("h3", {}, t("book_files")), h("div", { class: "entry" }, h("label", { for: "record-file" }, t("book_take_in")), file),
        h("p", {}, h("a", { href: "api/record/csv", download: "season_record.csv" }, t("book_csv"))),
        h("details", { class: "more" }, h("summary", {}, t("book_give_waiting")), handOver(sync.book, sync.entries, () => {}))),
    ];
  }
  async function open() {
    try {
      await sync.open();
    } catch (error) {
      if (!sync.book) { node.replaceChildren(h("h2", { tabindex: "-1" }, t("book_title")), h("p", { class: "wrong" }, inWords(error))); return; }
    }
    if (gone) return;
    if (!view) {
      const place = () => (page.block ? { block_id: page.block, ...(page.gap ? { gap_id: page.gap } : {}) } : {});
      view = recordBook({ book: sync.book, entries: sync.entries, state: () => sync.state(), changed: () => { sync.go(); sync.tell(); }, hand: hand(), place });
      node.replaceChildren(view.node);
      view.home(false);
    } else view.refresh();
  }
  return {
    node,
    shown() {
      node.replaceChildren(h("h2", { tabindex: "-1" }, t("book_title")), h("p", {}, t("book_opening")));
      open();
      off.push(sync.on(() => { view?.refresh(); tellWait(); }), farm.on("progress", (p) => { if (p.state === "done") open(); }));
    },
    chosen() {},
    gone() { gone = true; off.forEach((f) => f()); },
  };
}
