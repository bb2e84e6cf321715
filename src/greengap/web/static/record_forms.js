// A form for each kind of row, filled in as far as the plan and earlier rows go: only what differs is typed.

import { h, longDay, shortDay, t, unique } from "./dom.js";
import { coverIn, gapFor, lastOf } from "./record_due.js";
import { localDay } from "./record_entries.js";

// What stands open in a form, in this order; the rest of a kind is under More.
const FIRST = {
  sown: ["cover_id", "seed_kg", "area_m2", "method", "lot", "tag_kept", "depth_mm", "soil_state"],
  stand: ["plants", "frame_area_m2", "weed_plants", "weed_level"], up: [], loss: ["cause", "lost_fraction"], weeded: ["hours", "area_m2", "tool"], flower: ["species"],
  sample: ["frame_area_m2", "fresh_g", "dry_g"], ended: ["tool", "height_mm", "seed_seen"], ready: ["days_lost"], planted: ["days_lost"], cleared: [],
  rain: ["water_mm"], watered: ["water_mm", "hours"], decided: ["choice", "cover_id"], verdict: ["choice", "days_lost"],
};
const word = (value) => t("said_" + value.replaceAll(" ", "_"));

/** A number as it is typed, with point or comma; NaN for what is none. */
export function typed(text) {
  const plain = text.trim().replace(",", ".");
  return /^\d{1,9}(\.\d{1,6})?$/.test(plain) ? Number(plain) : NaN;
}
/** A number without the dust of a conversion. */
export const tidy = (value) => Number(value.toPrecision(10));

function labelled(label, control, note = "") {
  const id = unique("entry");
  control.id = id;
  return h("div", { class: "entry" }, h("label", { for: id }, label), control, note && h("p", { class: "hint" }, note));
}
/** A few words of which one is chosen by thumb. */
export function choices(label, name, options, chosen = "") {
  const group = unique(name);
  const node = h("fieldset", { class: "choices", "data-column": name }, h("legend", {}, label),
    options.map(([value, said]) => h("label", {}, h("input", { type: "radio", name: group, value, checked: value === chosen }), h("span", {}, said))));
  return { node, value: () => node.querySelector("input:checked")?.value || "" };
}

/** The block, the day, and the gap that follows from them. */
export function placeAndDay(book, rows, what, from, changed) {
  const whole = !book.kinds[what].needs_block;
  const block = h("select", { "data-column": "block_id" }, whole ? h("option", { value: "" }, t("book_whole_farm")) : h("option", { value: "" }, t("book_choose_block")),
    book.blocks.map((b) => h("option", { value: b.id, selected: b.id === from.block_id }, b.id)));
  const day = h("input", { type: "date", value: from.date || localDay(), max: book.kinds[what].may_be_ahead ? null : localDay(), "data-column": "date" });
  const gapLine = h("p", { class: "hint" });
  let gap = book.gaps.find((g) => g.id === from.gap_id) || null, asked = Boolean(gap);
  const look = () => {
    if (!asked) gap = block.value && day.value ? gapFor(book, rows, block.value, day.value, what) : null;
    gapLine.textContent = !block.value ? "" : gap ? t(gap.next ? "book_gap" : "book_gap_open", { from: shortDay(gap.start), to: longDay(gap.end), next: gap.next }) : t("book_no_gap");
    changed();
  };
  block.addEventListener("change", () => { asked = false; look(); });
  day.addEventListener("change", () => { asked = false; look(); });
  return {
    nodes: [labelled(t("rec_block_id"), block), gapLine, labelled(t("rec_date"), day)],
    look, block, day,
    gap: () => gap,
    row: () => ({ date: day.value, ...(block.value ? { block_id: block.value } : {}), ...(gap ? { gap_id: gap.id } : {}) }),
  };
}

function control(book, rows, column, what, place, from) {
  const spec = book.columns[column];
  const gap = place.gap(), cover = from.cover_id || coverIn(book, rows, gap);
  if (column === "cover_id") {
    const select = h("select", { "data-column": column }, h("option", { value: "" }, t("book_choose_cover")),
      Object.entries(book.covers).map(([id, c]) => h("option", { value: id, selected: id === cover && what === "sown" }, c.name)));
    return { node: labelled(t("rec_cover_id"), select, gap?.cover && what === "sown" ? t("book_planned_cover", { cover: book.covers[gap.cover]?.name || gap.cover }) : ""), value: () => select.value, focus: select };
  }
  if (column === "species") {
    const parts = book.covers[cover]?.species || [];
    if (parts.length < 2) return null;
    const select = h("select", { "data-column": column }, h("option", { value: "" }, t("book_whole_stand")), parts.map((s) => h("option", { value: s.id, selected: s.id === from.species }, s.name)));
    return { node: labelled(t("rec_species"), select), value: () => select.value };
  }
  const of = column === "choice" ? book.choices[what] : spec.of;
  if (of) {
    const given = from[column] || (column === "method" ? book.method : "");
    if (of.length <= 4) return choices(t("rec_" + column), column, of.map((v) => [v, word(v)]), given);
    const select = h("select", { "data-column": column }, h("option", { value: "" }, "–"), of.map((v) => h("option", { value: v, selected: v === given }, word(v))));
    return { node: labelled(t("rec_" + column), select), value: () => select.value };
  }
  if (spec.type === "yes") {
    const made = choices(t("rec_" + column), column, [["yes", t("said_yes")], ["no", t("said_no")]], from[column] === true ? "yes" : from[column] === false ? "no" : "");
    return { node: made.node, value: () => ({ yes: true, no: false })[made.value()] ?? "" };
  }
  if (spec.type === "text") {
    const lot = column === "lot" && what === "sown" ? rows.filter((r) => r.what === "sown" && r.cover_id === cover && r.lot).at(-1)?.lot : "";
    const input = h("input", { type: "text", maxlength: 200, autocomplete: "off", value: from[column] || lot || "", "data-column": column });
    return { node: labelled(t("rec_" + column), input), value: () => input.value.trim() };
  }
  return numberField(book, rows, column, what, place, from);
}

function numberField(book, rows, column, what, place, from) {
  const { unit, factor } = book.columns[column], gap = place.gap();
  let given = from[column], note = "";
  if (given === undefined && column === "area_m2" && what === "sown") given = book.blocks.find((b) => b.id === place.block.value)?.area_m2;
  if (given === undefined && column === "frame_area_m2") given = book.frames[0].area_m2;
  if (what === "sown" && gap?.cover) {
    const depths = [...new Set(Object.values(gap.depth_mm || {}))];
    if (column === "depth_mm" && depths.length) note = t("book_planned_depth", { depth: depths.map((d) => (d / factor).toFixed(1)).join(", "), unit });
    if (column === "seed_kg" && gap.seed_kg) note = t("book_planned_seed", { seed: shown(gap.seed_kg / factor), unit });
  }
  const input = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", value: given === undefined ? "" : shown(given / factor), "data-column": column });
  const node = labelled(t("rec_" + column) + (unit ? " (" + unit + ")" : ""), input, note);
  // What was filled in and not touched is given back as it was, without the rounding of its display.
  const filled = input.value;
  return { node, input, value: () => {
    const text = input.value.trim();
    if (!text) return "";
    if (text === filled && given !== undefined) return given;
    const number = typed(text);
    if (Number.isNaN(number)) throw new NotTyped(input, t("book_no_number", { what: t("rec_" + column) }));
    return tidy(number * factor);
  } };
}
export const shown = (value) => String(Number(value.toPrecision(4)));

export class NotTyped extends Error {
  constructor(at, sentence) {
    super(sentence);
    this.at = at;
  }
}

/** The true rate of a sowing, as a sentence; empty where seed or area are not said. */
export function rateSentence(book, row) {
  if (row.what !== "sown" || !row.seed_kg || !row.area_m2) return "";
  const parts = (book.covers[row.cover_id]?.species || []).filter((s) => !row.species || s.id === row.species);
  const planned = parts.length && parts.every((s) => s.rate) ? parts.reduce((sum, s) => sum + s.rate, 0) : 0;
  const us = book.units === "us", factor = us ? 0.45359237 / 4046.8564224 * 10000 : 1, unit = us ? "lb/ac" : "kg/ha";
  const rate = row.seed_kg / (row.area_m2 / 10000);
  const into = { rate: shown(rate / factor), planned: shown(planned / factor), unit };
  if (!planned) return t("book_rate_alone", into);
  const off = rate / planned - 1;
  into.off = Math.round(Math.abs(off) * 100);
  return t(off < 0 ? "book_rate_below" : "book_rate_above", into) + (Math.abs(off) > book.rate_off ? " " + t("book_rate_off", { most: Math.round(100 * book.rate_off) }) : "");
}

/**
 * A form that gives one row.
 * @param {{book, rows, what: string, from: Object, corrects: string, save: (row) => void, back: () => void}} asked
 */
export function rowForm({ book, rows, what, from = {}, corrects = "", save, back }) {
  const kind = book.kinds[what], wrong = h("p", { class: "wrong", role: "alert" });
  const open = h("div", { class: "entries" }), more = h("div", { class: "entries" });
  const folded = h("details", { class: "more" }, h("summary", {}, t("book_more")), more);
  let fields = {};
  const fill = () => {
    fields = {};
    const columns = [...kind.required, ...kind.optional];
    const first = FIRST[what].filter((c) => columns.includes(c));
    for (const column of [...first, ...columns.filter((c) => !first.includes(c) && c !== "visit" && c !== "frame")]) {
      const made = column === "note" ? note() : control(book, rows, column, what, place, from);
      if (made) fields[column] = made;
    }
    open.replaceChildren(...first.filter((c) => fields[c]).map((c) => fields[c].node));
    more.replaceChildren(...Object.keys(fields).filter((c) => !first.includes(c)).map((c) => fields[c].node));
    if (corrects && Object.keys(fields).some((c) => !first.includes(c) && from[c] !== undefined)) folded.open = true;
  };
  const note = () => {
    const input = h("input", { type: "text", maxlength: 400, value: from.note || "", "data-column": "note" });
    return { node: labelled(t("rec_note"), input), value: () => input.value.trim() };
  };
  const place = placeAndDay(book, rows, what, from, () => fill());
  place.look();
  const node = h("form", { class: "one-form", novalidate: true, onsubmit: (e) => {
    e.preventDefault();
    wrong.textContent = "";
    try {
      save(take());
    } catch (error) {
      if (!(error instanceof NotTyped)) throw error;
      wrong.textContent = error.message;
      error.at.focus();
    }
  } },
    h("div", { class: "form-head" }, h("button", { type: "button", class: "back", onclick: back }, "‹ " + t("book_back")), h("h2", { tabindex: "-1" }, t(corrects ? "book_correct_kind" : "book_one_kind", { kind: t("kind_" + what) }))),
    ...place.nodes, open, folded, wrong,
    h("div", { class: "form-foot" }, h("button", { type: "submit", class: "main" }, t("book_write_down"))));
  function take() {
    const row = { what, ...place.row(), ...(corrects ? { corrects } : {}) };
    if (!row.date) throw new NotTyped(place.day, t("book_no_day"));
    if (kind.needs_block && !row.block_id) throw new NotTyped(place.block, t("book_no_block"));
    for (const [column, made] of Object.entries(fields)) {
      const value = made.value();
      if (value !== "") row[column] = value;
      else if (kind.required.includes(column)) throw new NotTyped(made.focus || made.node.querySelector("input, select"), t("book_missing", { what: t("rec_" + column) }));
    }
    if (what !== "sown" && what !== "decided") {
      const sown = row.gap_id && lastOf(rows, "sown", row.gap_id);
      if (sown?.cover_id && (kind.optional.includes("species") || what === "ended")) row.cover_id = sown.cover_id;
    }
    return row;
  }
  return { node };
}
