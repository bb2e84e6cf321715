// The stand counted by tapping: a frame, plants by species, weeds, and what the frames so far say.

import { h, isoOf, dayOf, longDay, t, unique } from "./dom.js";
import { coverIn, lastOf } from "./record_due.js";
import { NotTyped, choices, placeAndDay, shown, tidy, typed } from "./record_forms.js";
import { localDay, newId } from "./record_entries.js";
import { choiceCards, choiceWords, countedWords, fromTo, groundUnit, judged, perGround, shortly, verdictWords } from "./stand_verdict.js";

const MOST = 9999;
const LEVELS = ["below", "level", "above"];

/** A count with a large + and a small -; it can also be typed. */
function counter(name, hint = "") {
  const id = unique("count");
  const input = h("input", { id, type: "text", inputmode: "numeric", autocomplete: "off", value: "0", "aria-label": name });
  const read = () => Math.min(MOST, Math.max(0, Math.round(typed(input.value) || 0)));
  const set = (n) => { input.value = String(Math.min(MOST, Math.max(0, n))); };
  input.addEventListener("focus", () => input.select());
  const node = h("div", { class: "counter", role: "group", "aria-label": name },
    h("div", { class: "counter-name" }, h("b", {}, name), hint && h("span", { class: "hint" }, hint)),
    h("button", { type: "button", class: "less", "aria-label": t("book_less", { what: name }), onclick: () => set(read() - 1) }, "−"), input,
    h("button", { type: "button", class: "plus", "aria-label": t("book_plus", { what: name }), onclick: () => set(read() + 1) }, "+"));
  return { node, read, set };
}

/**
 * The counting of one look at a stand. Every frame is written down as it is kept; a pause loses nothing.
 * @param {{book, rows, from: Object, entries, add: (row) => Object, takeBack: (rows) => void, back: () => void}} asked
 */
export function countForm({ book, rows, from = {}, entries, add, takeBack, back }) {
  const visit = newId(), frames = [];
  const head = h("h2", { tabindex: "-1" }, t("kind_stand"));
  const counters = h("div", { class: "counters" }), sentence = h("p", { class: "verdict", role: "status", "aria-live": "polite" });
  const means = h("div", { class: "means" }), todo = h("div", { class: "what-now" }), wrong = h("p", { class: "wrong", role: "alert" });
  const size = h("select", { "data-column": "frame_area_m2" }, book.frames.map((f) => h("option", { value: f.area_m2 }, f.name)), h("option", { value: "own" }, t("book_frame_own")));
  const own = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", "aria-label": t("rec_frame_area_m2") + " (" + book.columns.frame_area_m2.unit + ")", placeholder: book.columns.frame_area_m2.unit, hidden: true });
  const remembered = entries.said("frame");
  if (remembered && [...size.options].some((o) => o.value === remembered)) size.value = remembered;
  size.addEventListener("change", () => { own.hidden = size.value !== "own"; if (!own.hidden) own.focus(); else entries.remember("frame", size.value); draw(); });
  own.addEventListener("change", () => draw());
  const frameM2 = () => (size.value === "own" ? typed(own.value) * book.columns.frame_area_m2.factor : Number(size.value));
  const level = choices(t("rec_weed_level"), "weed_level", LEVELS.map((v) => [v, t("said_" + v)]));
  const details = ["height_mm", "weed_height_mm", "weed_cover_fraction", "cover_fraction"].map((column) => {
    const id = unique(column), input = h("input", { id, type: "text", inputmode: "decimal", autocomplete: "off", "data-column": column });
    return { column, input, node: h("div", { class: "entry" }, h("label", { for: id }, t("rec_" + column) + " (" + book.columns[column].unit + ")"), input) };
  });
  const weeds = counter(t("rec_weed_plants"));
  let species = [], plants = {}, coverNow = null, found = null, decided = null, stopped = false, shownNow = "";
  const place = placeAndDay(book, rows, "stand", from, () => draw());
  const where = h("div", { class: "entries where" }, ...place.nodes, h("div", { class: "entry" }, h("label", { for: (size.id = unique("frame")) }, t("book_frame")), size, own));
  const whereFolded = h("details", { class: "more", open: !from.gap_id }, h("summary", {}, ""), where);
  const keep = h("button", { type: "submit", class: "main" }, "");
  const undo = h("button", { type: "button", hidden: true, onclick: takeLastBack }, t("book_frame_back"));
  const node = h("form", { class: "one-form", novalidate: true, onsubmit: (e) => { e.preventDefault(); keepFrame(); } },
    h("div", { class: "form-head" }, h("button", { type: "button", class: "back", onclick: back }, "‹ " + t("book_back")), head),
    whereFolded, todo, counters, level.node,
    h("details", { class: "more" }, h("summary", {}, t("book_heights")), h("div", { class: "entries" }, details.map((d) => d.node))),
    wrong, means, undo,
    h("div", { class: "form-foot" }, sentence, keep, h("button", { type: "button", class: "done", onclick: back }, t("book_done"))));

  function draw() {
    const gap = place.gap(), cover = coverIn(book, rows, gap), unit = frameM2();
    const signature = cover + "|" + (gap?.id || "") + "|" + unit;
    if (signature !== coverNow) {
      const parts = book.covers[cover]?.species || [];
      const kept = coverNow?.split("|")[0] === cover ? Object.fromEntries(Object.entries(plants).map(([id, c]) => [id, c.read()])) : {};
      species = parts.length ? parts : [{ id: "", name: t("book_the_cover") }];
      plants = Object.fromEntries(species.map((s) => [s.id, counter(s.name, hint(gap, s.id, unit))]));
      for (const [id, n] of Object.entries(kept)) plants[id]?.set(n);
      counters.replaceChildren(...species.map((s) => plants[s.id].node), weeds.node);
      coverNow = signature;
    }
    const block = place.block.value;
    whereFolded.firstChild.textContent = block ? t("book_where", { block, frame: size.value === "own" ? shown(unit / book.columns.frame_area_m2.factor || 0) + " " + book.columns.frame_area_m2.unit : size.selectedOptions[0].textContent }) : t("book_choose_block");
    head.textContent = block ? t("book_count_on", { block }) : t("kind_stand");
    keep.textContent = t("book_keep_frame", { n: frames.length + 1 });
    undo.hidden = !frames.length;
    if (frames.length) { place.block.disabled = place.day.disabled = size.disabled = own.disabled = true; } else { place.block.disabled = place.day.disabled = size.disabled = own.disabled = false; }
    means.replaceChildren(...(frames.length ? [meansTable(unit), h("p", { class: "hint" }, countedWords({ book, gap, species, frames, frameM2: unit }))] : []));
    judge();
  }
  /** The verdict on the frames so far; its table is kept for those to come. */
  function judge() {
    const gap = place.gap(), sown = gap && lastOf(rows, "sown", gap.id), day = place.day.value;
    if (!frames.length) found = null;
    const said = judged({ book, gap, sown, day, frames, frameM2: frameM2(), held: frames.length ? found : null });
    found = said.found;
    if (!frames.length) sentence.textContent = said.why;
    else sentence.textContent = said.verdict ? verdictWords(book, said.verdict) : countedWords({ book, gap, species, frames, frameM2: frameM2() }) + " " + said.why;
    stopped = Boolean(said.verdict) && said.verdict.stop.side !== "go on";
    keep.className = stopped ? "" : "main";
    const now = JSON.stringify([stopped && said.verdict, decided?.row.entry_id]);
    if (now === shownNow) return; // what has the focus keeps it
    shownNow = now;
    if (!stopped) { todo.replaceChildren(); return; }
    if (decided) { todo.replaceChildren(decidedNote()); return; }
    const pullOn = isoOf(dayOf(day) + book.judged_by.pull_after_d), seenUp = rows.some((r) => r.what === "up" && r.gap_id === gap.id && !r.species && r.date >= sown.date);
    todo.replaceChildren(choiceCards({ book, verdict: said.verdict, found, day, pullOn, seenUp, species, decide }));
  }
  function decide(choice) {
    const row = { what: "decided", ...place.row(), date: localDay(), choice: choice.choice, ...(choice.choice === "resow" || choice.choice === "switch" ? { cover_id: choice.cover } : {}) };
    decided = { row: add(row), words: choiceWords(book, choice.choice, choice.cover) };
    judge();
    todo.querySelector("button")?.focus({ preventScroll: true });
  }
  function decidedNote() {
    const { row, words } = decided;
    return h("div", { class: "decided", role: "status" }, h("p", { class: "told" }, t("book_decided", { what: words, date: longDay(row.date), who: row.who ? ", " + row.who : "" })),
      h("button", { type: "button", "data-act": "undecide", onclick: () => { takeBack([row]); decided = null; judge(); todo.querySelector("button")?.focus({ preventScroll: true }); } }, t("book_decided_back")));
  }
  function hint(gap, id, unit) {
    const [low, high] = gap?.expect_m2?.[id] || [];
    return low === undefined || !unit ? "" : t("book_expect", { range: fromTo(low * unit, high * unit) });
  }
  function meansTable(unit) {
    const per = (sum) => shortly(perGround(sum / (frames.length * unit), book.units));
    const line = (name, of, key) => h("tr", { "data-of": key }, h("th", { scope: "row" }, name), h("td", {}, frames.map(of).join(", ")), h("td", {}, per(frames.reduce((sum, f) => sum + of(f), 0))));
    return h("table", {}, h("caption", {}, t(frames.length === 1 ? "book_frame_one" : "book_frames", { n: frames.length })),
      h("thead", {}, h("tr", {}, h("th", { scope: "col" }, t("book_what")), h("th", { scope: "col" }, t("book_each")), h("th", { scope: "col" }, t("book_mean", { unit: groundUnit(book.units) })))),
      h("tbody", {}, species.map((s) => line(s.name, (f) => f.plants[s.id], s.id || "cover")), line(t("rec_weed_plants"), (f) => f.weeds, "weeds")));
  }
  function keepFrame() {
    wrong.textContent = "";
    const unit = frameM2();
    if (!place.block.value) { whereFolded.open = true; wrong.textContent = t("book_no_block"); place.block.focus(); return; }
    if (!(unit > 0)) { whereFolded.open = true; wrong.textContent = t("book_no_number", { what: t("rec_frame_area_m2") }); (own.hidden ? size : own).focus(); return; }
    const extra = {};
    try {
      for (const d of details) {
        if (!d.input.value.trim()) continue;
        const n = typed(d.input.value);
        if (Number.isNaN(n)) throw new NotTyped(d.input, t("book_no_number", { what: t("rec_" + d.column) }));
        extra[d.column] = tidy(n * book.columns[d.column].factor);
      }
    } catch (error) {
      if (!(error instanceof NotTyped)) throw error;
      wrong.textContent = error.message;
      error.at.focus();
      return;
    }
    const cover = coverNow.split("|")[0], counted = Object.fromEntries(species.map((s) => [s.id, plants[s.id].read()]));
    const written = species.map((s, n) => add({
      what: "stand", ...place.row(), visit, frame: frames.length + 1, frame_area_m2: tidy(unit), plants: counted[s.id],
      ...(cover ? { cover_id: cover } : {}), ...(species.length > 1 ? { species: s.id } : {}),
      ...(n === 0 ? { weed_plants: weeds.read(), ...(level.value() ? { weed_level: level.value() } : {}), ...extra } : {}), // weeds stand once a frame
    }));
    frames.push({ plants: counted, weeds: weeds.read(), level: level.value(), said: extra, written });
    for (const c of Object.values(plants)) c.set(0);
    weeds.set(0);
    for (const d of details) d.input.value = "";
    whereFolded.open = false;
    draw();
    node.scrollIntoView({ block: "start" });
    if (stopped) todo.querySelector("h3")?.focus({ preventScroll: true });
  }
  function takeLastBack() {
    const last = frames.pop();
    takeBack(last.written);
    for (const s of species) plants[s.id].set(last.plants[s.id]);
    weeds.set(last.weeds);
    draw();
  }
  place.look();
  return { node, news: judge };
}
