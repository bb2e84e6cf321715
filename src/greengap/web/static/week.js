// The week ahead: sentences of the program, and fit days week by week as brackets.

import { complain, field, h, isoOf, DAY, s, shortDay, t } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";

const W = 380, H = 92, TOP = 16, FOOT = 66, LEFT = 26, WEEK = 7;

/** Fit days of some blocks that are alike: a bracket from one year in ten to nine in ten, a dot in the middle year. */
function fitChart(group) {
  const step = (W - LEFT) / group.weeks.length;
  const x = (i) => LEFT + step * (i + 0.5), y = (days) => FOOT - (days / WEEK) * (FOOT - TOP);
  const told = group.weeks.map((w) => t("week_fit_said", { date: shortDay(w.first), p10: w.p10, p50: w.p50, p90: w.p90, some: w.any, years: w.years })).join("; ");
  const marks = group.weeks.map((w, i) => [
    s("path", { d: "M" + (x(i) - 5) + " " + y(w.p10) + "h10M" + (x(i) - 5) + " " + y(w.p90) + "h10M" + x(i) + " " + y(w.p10) + "V" + y(w.p90), class: "tick" }),
    s("circle", { cx: x(i), cy: y(w.p50), r: 3.5, class: "fit-dot" }),
    s("text", { x: x(i) + 9, y: y(w.p50) + 4 }, w.p50),
    s("text", { x: x(i), y: FOOT + 14, "text-anchor": "middle" }, shortDay(w.first)),
    s("text", { x: x(i), y: FOOT + 26, "text-anchor": "middle", class: "fit-some" }, t("week_fit_some", { some: w.any, years: w.years })),
  ]);
  return h("figure", { class: "fit" }, h("figcaption", {}, group.blocks.join(", ")),
    s("svg", { class: "chart", viewBox: "0 0 " + W + " " + H, role: "img", "aria-label": group.blocks.join(", ") + ": " + told },
      s("path", { d: "M" + LEFT + " " + FOOT + "H" + W, class: "tick" }), s("path", { d: "M" + LEFT + " " + TOP + "H" + W, class: "faint" }),
      s("text", { x: LEFT - 6, y: FOOT + 4, "text-anchor": "end" }, 0), s("text", { x: LEFT - 6, y: TOP + 4, "text-anchor": "end" }, WEEK), marks));
}

/** The part of the work screen that is asked for a day. */
export function weekPart(dates) {
  const today = isoOf(Math.floor(Date.now() / DAY));
  const inside = dates.length && today >= dates[0] && today <= dates.at(-1);
  const day = h("input", { type: "date", value: inside ? today : dates[0] || today, required: true });
  const rain = h("input", { inputmode: "decimal", maxlength: 200, placeholder: "0, 0, 4" });
  const spot = h("div", { class: "week", "aria-live": "polite" });
  const go = h("button", { type: "submit", class: "main" }, t("week_show"));
  let asked = 0;
  async function show(event) {
    event.preventDefault();
    const number = ++asked;
    complain(rain, "");
    go.disabled = true;
    spot.replaceChildren(h("p", { class: "quiet" }, t("week_wait")));
    try {
      const got = await ask("api/week?" + new URLSearchParams({ as_of: day.value, rain: rain.value.trim() }));
      if (number === asked) spot.replaceChildren(...told(got));
    } catch (error) {
      if (number === asked) { spot.replaceChildren(); complain(rain, inWords(error)); rain.focus(); }
    }
    go.disabled = false;
  }
  const told = (got) => [
    ...got.notes.map((note) => h("p", { class: "quiet" }, note)),
    ...got.sections.map((part) => h("section", {}, h("h4", {}, part.heading), part.chart && [h("p", { class: "quiet" }, t("week_fit_note")), h("div", { class: "fits" }, got.fit.map(fitChart))],
      (part.chart ? part.lines.slice(1) : part.lines).map((line) => h("p", {}, line)))),
  ];
  return h("section", { class: "week-ahead" }, h("h3", {}, t("week_title")), h("p", { class: "quiet no-print" }, t("week_note")),
    h("form", { class: "no-print", onsubmit: show }, h("div", { class: "pair" }, field("week_day", day), field(farm.units === "us" ? "week_rain_in" : "week_rain_mm", rain)), go), spot);
}
