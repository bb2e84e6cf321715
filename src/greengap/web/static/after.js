// What stands in the drawer besides odds and ranking: the ladder, the four clocks, single years, and the time after the end.

import { clocksChart, nitrogenChart, yearStrip, yearTicks } from "./charts.js";
import { field, h, isoOf, dayOf, longDay, shortDay, t, upper } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";

/** Until when this, until when that, from when it is left. */
export function ladderPart(data) {
  if (data.rungs.length < 2) return null;
  const first = Number(data.start.slice(0, 4));
  return h("section", { class: "ladder" }, h("h3", {}, t("ladder_title")), h("ol", {}, data.rungs.map((r, i) => h("li", {},
    h("b", {}, r.until ? t(i && r.from === r.until ? "rung_on" : "rung_until", { date: shortDay(r.until, first) }) : t("rung_from", { date: shortDay(r.from, first) })), " ",
    r.cover === "no_cover" ? t("rung_leave") : upper(farm.coverName(r.cover)), r.years > 0 && h("span", { class: "quiet" }, " " + t(r.below ? "rung_odds_below" : "rung_odds", { holds: r.holds, years: r.years }))))),
    h("p", { class: "quiet" }, t("ladder_note")));
}

/** Days to spare on each clock. */
export function clocksPart(cover) {
  return h("section", { class: "clocks-part" }, h("h3", {}, t("clocks_title")), clocksChart(cover.clocks),
    h("p", { class: "quiet" }, t("clocks_note", { date: longDay(cover.sow) })),
    h("ul", { class: "plain quiet" }, cover.clocks.filter((c) => c.holds < c.years).map((c) => h("li", {}, t("clock_in_time", { clock: upper(c.words), holds: c.holds, years: c.years })))));
}

/** One weather year after the other: which hold, and what happened in the one that is picked. */
export function yearsPart(id, cover, at, data) {
  if (!at.by_year?.length) return null;
  const spot = h("div", {}, h("p", { class: "quiet", role: "status" }, t("years_reading")));
  const next = data.after ? isoOf(dayOf(data.end) + 1) : null;
  let asked = false;
  const part = h("details", { class: "years", ontoggle: async () => {
    if (!part.open || asked) return;
    asked = true;
    try {
      const { years } = await ask("api/years?" + new URLSearchParams({ gap: id, cover: cover.cover, sow: at.sow }));
      let picked = Math.max(years.findIndex((y) => y.miss), 0);
      const slide = h("input", { type: "range", min: 0, max: years.length - 1, step: 1, value: picked, oninput: () => { picked = Number(slide.value); shown(); } });
      const seen = h("div", {}), slideField = field("years_pick", slide);
      const shown = () => {
        const y = years[picked];
        slide.setAttribute("aria-valuetext", y.year + ": " + (y.miss || t("years_holds")));
        seen.replaceChildren(yearTicks(years, picked), h("p", { class: "verdict" }, t("years_said", { year: y.year, what: y.miss || t("years_holds") }), ". ", t("years_mass", { mass: y.mass })), yearStrip(y, at.sow, next));
      };
      shown();
      spot.replaceChildren(h("p", { class: "quiet" }, t("years_note")), slideField, seen,
        h("details", {}, h("summary", {}, t("years_table")), h("div", { class: "scroll", tabindex: "0" }, h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, t("years_year")), h("th", { scope: "col" }, t("years_result")), h("th", { scope: "col", class: "number" }, t("fact_growth")))),
          h("tbody", {}, years.map((y) => h("tr", {}, h("th", { scope: "row" }, y.year), h("td", {}, y.miss || h("b", {}, t("years_holds"))), h("td", { class: "number" }, y.mass))))))));
    } catch (error) { asked = false; spot.replaceChildren(h("p", { class: "wrong" }, inWords(error))); }
  } }, h("summary", {}, t("years_title")), spot);
  return part;
}

const held = new Map(); // gap and cover -> answer, while the plan is the same
farm.on("state", () => held.clear());

/** The time after the end; run when it is opened, since each change is the season run anew. */
export function afterPart(id, cover, whyButton) {
  if (!cover.sow) return null;
  const spot = h("div", {}, h("p", { class: "quiet", role: "status" }, t("after_reading")));
  const key = id + "\0" + cover.cover;
  let begun = false;
  async function read() {
    if (begun) return;
    begun = true;
    try {
      if (!held.has(key)) held.set(key, await ask("api/after?" + new URLSearchParams({ gap: id, cover: cover.cover })));
      spot.replaceChildren(...told(held.get(key), cover, whyButton).flat().filter(Boolean));
    } catch (error) { begun = false; spot.replaceChildren(h("p", { class: "wrong" }, inWords(error))); }
  }
  const part = h("details", { class: "after", open: held.has(key) || afterPart.open, ontoggle: () => { afterPart.open = part.open; if (part.open) read(); } }, h("summary", {}, h("b", {}, t("after_title"))), spot);
  if (part.open) read();
  return part;
}

function told(a, cover, whyButton) {
  if (!a.fits) return [h("p", {}, t("after_short", { n: a.usable_d }))];
  const n = a.nitrogen, cell = (tag, words, cls) => h(tag, { class: cls, scope: tag === "th" ? "row" : null }, words);
  const heads = (...keys) => h("thead", {}, h("tr", {}, keys.map((k) => h("th", { scope: "col" }, t(k)))));
  return [
    h("p", { class: "quiet" }, t("after_note", { date: longDay(a.sow) })),
    a.refusal && h("p", { class: "wrong" }, a.refusal),
    h("p", {}, a.ending), h("p", {}, a.seed), a.waiting && h("p", {}, a.waiting, " ", whyButton(cover.cover, "waiting")),
    h("h4", {}, t("nitrogen_title")), nitrogenChart(n), h("p", { class: "quiet" }, t("nitrogen_note", { n: n.years })),
    a.by_date.length > 0 && h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("nitrogen_title") }, h("table", {}, heads("nitrogen_when", "nitrogen_middle", "nitrogen_span", "nitrogen_took"),
      h("tbody", {}, a.by_date.map((d) => h("tr", {}, cell("th", d.weeks ? t("nitrogen_weeks", { n: d.weeks }) : t("nitrogen_planting")), cell("td", d.middle), cell("td", d.span.join(" – ")), cell("td", d.uptake || t("not_in_model"))))))),
    h("p", { class: "caution" }, a.caution),
    a.left.map((words) => h("p", {}, words)),
    a.changes.length > 1 && [h("h4", {}, t("changes_title")), h("p", {}, a.change),
      h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("changes_title") }, h("table", {}, heads("changes_if", "changes_holds", "changes_spare", "changes_nitrogen"),
        h("tbody", {}, a.changes.map((c) => h("tr", {}, cell("th", upper(c.words)), cell("td", c.years ? t("odds_short", { holds: c.holds, years: c.years }) : t("changes_none")), cell("td", c.margin_d ?? "–", "number"), cell("td", c.nitrogen))))))],
  ];
}
afterPart.open = false;
