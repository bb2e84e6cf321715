// The field book: what is due, a button for each thing that can be written down, what was written lately.

import { h, longDay, shortDay, t } from "./dom.js";
import { countForm } from "./record_count.js";
import { dueOn } from "./record_due.js";
import { allRows, holding, localDay } from "./record_entries.js";
import { rateSentence, rowForm, shown } from "./record_forms.js";

const LATELY = 12, DUE = 6;
const ORDER = ["sown", "stand", "up", "weeded", "flower", "ended", "ready", "planted", "cleared", "loss", "sample", "rain", "watered", "decided", "verdict"];
const QUIET = new Set(["what", "date", "block_id", "gap_id", "cover_id", "visit", "entry_id", "record_id", "written", "who", "corrects", "holds", "waits", "why"]); // said elsewhere in a line

/** What a row says, besides day and place. */
export function rowWords(book, row) {
  const parts = [];
  if (row.cover_id && (row.what === "sown" || row.what === "decided")) parts.push(book.covers[row.cover_id]?.name || row.cover_id);
  const kind = book.kinds[row.what], order = kind ? [...new Set(["frame", ...kind.required, ...kind.optional])] : Object.keys(row);
  for (const column of order) {
    const value = row[column];
    if (value === undefined || QUIET.has(column)) continue;
    const spec = book.columns[column], label = t("rec_" + column);
    if (column === "species") parts.push(book.covers[row.cover_id]?.species.find((s) => s.id === value)?.name || value);
    else if (typeof value === "boolean") parts.push(label + ": " + t(value ? "said_yes" : "said_no"));
    else if (spec?.type === "number") parts.push(label.toLowerCase() + " " + shown(value / spec.factor) + (spec.unit ? " " + spec.unit : ""));
    else if (spec?.type === "choice" || column === "choice") parts.push(t("said_" + String(value).replaceAll(" ", "_")));
    else if (column === "frame") parts.push(t("book_frame_n", { n: value }));
    else parts.push(column === "lot" ? label + " " + value : String(value));
  }
  return parts.join(", ");
}

/**
 * @param {{book, entries, state: () => {words: string, kind: string}, changed: () => void, hand: Node[], place: () => Object}} given
 *   `state` says whether entries are with the farm; `changed` is called when something was written; `hand` is what
 *   stands under the list for handing over; `place` gives block and gap that are chosen elsewhere on the page.
 */
export function recordBook({ book, entries, state, changed, hand, place = () => ({}) }) {
  const node = h("div", { class: "book-inner" });
  let view = "home", told = "", counting = null;
  const rows = () => holding(allRows(book, entries));

  function show(name, content, focus) {
    view = name;
    if (name === "home") counting = null;
    node.replaceChildren(content);
    const at = focus && node.querySelector("h2");
    if (at) at.focus({ preventScroll: true });
    if (focus) (node.closest(".book") || node).scrollTo?.(0, 0);
    if (focus) scrollTo(0, 0);
  }
  const add = (row, old = null) => {
    const full = entries.add(row, old);
    changed();
    return full;
  };
  function open(what, from = {}) {
    told = "";
    const given = { ...place(), ...from };
    if (what === "stand") {
      counting = countForm({ book, rows: rows(), from: given, entries, add, takeBack, back: () => home(true) });
      show("form", counting.node, true);
    } else show("form", rowForm({ book, rows: rows(), what, from: given, save: (row) => written(row), back: () => home(true) }).node, true);
  }
  function written(row, old = null) {
    add(row, old);
    told = t("book_written", { kind: t("kind_" + row.what), where: row.block_id || t("book_whole_farm") }) + " " + rateSentence(book, row);
    home(true);
  }
  /** Rows that are taken back: gone if they surely never left this device, else struck out, and they stay readable. */
  function takeBack(list) {
    for (const row of list) {
      const entry = entries.held.get(row.entry_id);
      if (entry && !entry.tried && !entry.given) entries.drop(row.entry_id);
      else add({ what: "struck", date: row.date, ...(row.block_id ? { block_id: row.block_id } : {}), corrects: row.entry_id }, row);
    }
    changed();
  }
  function correct(row) {
    const from = { ...row };
    for (const own of ["entry_id", "record_id", "written", "who", "corrects", "holds", "waits", "why"]) delete from[own];
    const save = (next) => {
      for (const kept of ["visit", "frame"]) if (row[kept] !== undefined) next[kept] = row[kept];
      if (row.why) entries.drop(row.entry_id); // was refused: it never was in the record
      written(next, row);
    };
    show("form", rowForm({ book, rows: rows(), what: row.what, from, corrects: row.why ? "" : row.record_id || row.entry_id, save, back: () => home(true) }).node, true);
  }

  // ---- the first page ------------------------------------------------------------------------------
  function dueList() {
    const due = dueOn(book, rows(), localDay());
    const line = (job) => {
      const cover = book.covers[job.cover]?.name || "", into = { cover, date: shortDay(job.by), n: Math.abs(job.left), sown: job.sown ? shortDay(job.sown.date) : "", next: job.gap.next, crop: job.gap.before };
      const words = t(job.what === "ended" ? (job.frost ? "book_due_frost" : job.seed ? "book_due_seed" : "book_due_ended") : "book_due_" + job.what, into);
      const when = job.left < 0 ? t(job.left === -1 ? "book_was_due_1" : "book_was_due", into) : job.left === 0 ? t("book_today") : t(job.left === 1 ? "book_left_1" : "book_left", into);
      return h("li", {}, h("button", { type: "button", class: job.left < 0 ? "job late" : "job", "data-job": job.what + " " + job.gap.id, onclick: () => open(job.what, { block_id: job.gap.block, gap_id: job.gap.id }) },
        h("b", {}, t("book_job_" + job.what, { block: job.gap.block })), h("span", {}, words), h("span", { class: "when" }, when)));
    };
    const first = due.now.slice(0, DUE), rest = due.now.slice(DUE);
    return h("section", { class: "due" }, h("h3", {}, t("book_due")),
      !book.planned ? h("p", {}, t("book_no_plan")) : !due.now.length ? h("p", {}, t("book_nothing_due")) : h("ol", {}, first.map(line)),
      rest.length > 0 && h("details", { class: "more" }, h("summary", {}, t("book_due_more", { n: rest.length })), h("ol", {}, rest.map(line))),
      due.next && h("p", { class: "hint" }, t("book_next", { what: t("book_job_" + due.next.what, { block: due.next.gap.block }), date: longDay(due.next.from) })));
  }
  function lately() {
    const everything = allRows(book, entries), held = rows();
    const refused = everything.filter((r) => r.why);
    const list = [...refused, ...held.filter((r) => !r.why)].sort((a, b) => (a.written > b.written ? -1 : 1));
    const before = (row) => everything.find((r) => row.corrects && (r.record_id === row.corrects || r.entry_id === row.corrects));
    const line = (row) => {
      const old = before(row);
      const acts = h("div", { class: "acts" }, h("button", { type: "button", onclick: () => correct(row) }, t("book_correct")), h("button", { type: "button", onclick: () => strike(row, acts) }, t("book_strike")));
      return h("li", { "data-entry": row.entry_id }, h("p", {}, h("b", {}, t("kind_" + row.what) + ", " + (row.block_id || t("book_whole_farm"))), " ", longDay(row.date) + (row.who ? ", " + row.who : "")),
        h("p", {}, rowWords(book, row)), old && h("p", { class: "hint" }, t("book_before", { words: rowWords(book, old) || longDay(old.date) })),
        row.why ? h("p", { class: "wrong" }, t("book_refused", { why: row.why })) : row.waits && h("p", { class: "waits" }, t(book.made ? "book_waits_here" : "book_waits")), acts);
    };
    // The frames of one look are one line, opened to correct a single one.
    const looks = new Map();
    for (const row of list) {
      const key = row.visit ? row.what + row.visit : row.entry_id;
      looks.set(key, [...(looks.get(key) || []), row]);
    }
    const look = (some) => {
      const one = some[0], waits = some.filter((r) => r.waits && !r.why).length;
      const frames = [...some].sort((a, b) => (a.frame || 0) - (b.frame || 0) || (a.species || "").localeCompare(b.species || ""));
      const of = (species) => frames.filter((r) => (r.species || "") === species);
      const counted = [...new Set(frames.map((r) => r.species || ""))].map((s) => (s ? book.covers[one.cover_id]?.species.find((x) => x.id === s)?.name || s : t("rec_plants")) + " " + of(s).map((r) => shown(r.plants)).join(", "));
      const weeds = frames.filter((r) => r.weed_plants !== undefined).map((r) => shown(r.weed_plants));
      return h("li", {}, h("p", {}, h("b", {}, t("kind_stand") + ", " + one.block_id), " ", longDay(one.date) + (one.who ? ", " + one.who : "")),
        h("p", {}, counted.join("; ") + (weeds.length ? "; " + t("rec_weed_plants").toLowerCase() + " " + weeds.join(", ") : "")),
        waits > 0 && h("p", { class: "waits" }, t(book.made ? "book_waits_here" : "book_waits")),
        h("details", { class: "more", open: frames.some((r) => r.why) }, h("summary", {}, t("book_frames_list", { n: new Set(frames.map((r) => r.frame)).size })), h("ol", { class: "frames" }, frames.map(line))));
    };
    const shownLooks = [...looks.values()].slice(0, LATELY);
    return h("section", { class: "lately" }, h("h3", {}, t("book_lately")), shownLooks.length ? h("ol", {}, shownLooks.map((some) => (some.length > 1 && some[0].what === "stand" ? look(some) : some.map(line)))) : h("p", {}, t("book_nothing_yet")));
  }
  function strike(row, acts) {
    const why = h("input", { type: "text", maxlength: 200, "aria-label": t("book_strike_why"), placeholder: t("book_strike_why") });
    const yes = h("button", { type: "button", class: "main", onclick: () => {
      if (row.why) entries.drop(row.entry_id);
      else entries.add({ what: "struck", date: row.date, ...(row.block_id ? { block_id: row.block_id } : {}), corrects: row.record_id || row.entry_id, ...(why.value.trim() ? { note: why.value.trim() } : {}) }, row);
      changed();
      told = t("book_struck");
      home(true);
    } }, t("book_strike_yes"));
    acts.replaceChildren(why, yes, h("button", { type: "button", onclick: () => home(false) }, t("cancel")));
    why.focus();
  }
  function home(focus) {
    const now = state();
    const who = h("input", { type: "text", maxlength: 60, autocomplete: "name", value: entries.who(), id: "book-who", onchange: (e) => entries.setWho(e.target.value) });
    show("home", h("div", {},
      h("div", { class: "book-head" }, h("h2", { tabindex: "-1" }, t("book_title")), h("div", { class: "entry who" }, h("label", { for: "book-who" }, t("book_who")), who)),
      h("p", { class: "reach " + now.kind, role: "status" }, now.words), told && h("p", { class: "told", role: "status" }, told),
      dueList(),
      h("section", { class: "write" }, h("h3", {}, t("book_write")), h("div", { class: "kinds" }, ORDER.filter((k) => book.kinds[k]).map((k) => h("button", { type: "button", "data-kind": k, onclick: () => open(k) }, t("kind_" + k))))),
      lately(), ...hand), focus);
  }
  return {
    node, open, home,
    /** Something outside has changed: the list follows, a form that is being filled in is left alone. */
    refresh() {
      const now = state();
      const line = node.querySelector(".reach");
      if (view !== "home") { counting?.news(); return; }
      const typing = node.contains(document.activeElement) && /^(INPUT|SELECT|TEXTAREA)$/.test(document.activeElement.tagName);
      if (typing) { if (line) { line.textContent = now.words; line.className = "reach " + now.kind; } return; }
      const at = document.activeElement, held = node.contains(at) ? [...node.querySelectorAll("button, a, summary")].indexOf(at) : -1;
      const top = (node.closest(".book") || node).scrollTop, folds = [...node.querySelectorAll("details")].map((d) => d.open);
      home(false);
      [...node.querySelectorAll("details")].forEach((d, i) => { d.open = folds[i] || false; });
      (node.closest(".book") || node).scrollTop = top;
      if (held >= 0) node.querySelectorAll("button, a, summary")[held]?.focus({ preventScroll: true });
    },
  };
}

/** The entries of this device as a file: to download, to share where the device can, or to copy as text. */
export function handOver(book, entries, given) {
  const name = () => "season-record-" + book.file.replace(/\.gpkg$/, "").replace(/[^A-Za-z0-9-]+/g, "-") + "-" + localDay() + ".json";
  const blob = () => new Blob([entries.file(book)], { type: "application/json" });
  const text = h("textarea", { readonly: true, rows: 6, "aria-label": t("book_as_text") });
  const save = h("button", { type: "button", class: "main", "data-act": "give", onclick: () => {
    const link = h("a", { href: URL.createObjectURL(blob()), download: name() });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    given();
  } }, t("book_give"));
  const files = () => [new File([blob()], name(), { type: "application/json" })];
  let share = null;
  try {
    if (navigator.canShare?.({ files: files() })) share = h("button", { type: "button", onclick: () => navigator.share({ files: files(), title: name() }).then(given, () => {}) }, t("book_share"));
  } catch { /* a device that cannot share says so by throwing */ }
  return h("div", {}, h("div", { class: "acts" }, save, share),
    h("details", { class: "more", ontoggle: (e) => { if (e.target.open) text.value = entries.file(book); } }, h("summary", {}, t("book_as_text")), h("p", { class: "hint" }, t("book_as_text_note")), text));
}
