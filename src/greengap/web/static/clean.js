// A gap without a cover: ways of leaving it beside the cover, which is better, and the first flush of weeds by date.

import { dateAxis, LINES, W } from "./charts.js";
import { dayOf, h, longDay, s, shortDay, t, upper } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";

const held = new Map(); // gap -> answer, while the plan is the same
farm.on("state", () => held.clear());

/** Folded; run when it is opened. */
export function cleanPart(id) {
  const spot = h("div", {}, h("p", { class: "quiet", role: "status" }, t("clean_reading")));
  let begun = false;
  async function read() {
    if (begun) return;
    begun = true;
    try {
      if (!held.has(id)) held.set(id, await ask("api/clean?" + new URLSearchParams({ gap: id })));
      spot.replaceChildren(...told(held.get(id)).flat().filter(Boolean));
    } catch (error) { begun = false; spot.replaceChildren(h("p", { class: "wrong" }, inWords(error))); }
  }
  const part = h("details", { class: "clean", open: cleanPart.open, ontoggle: () => { cleanPart.open = part.open; if (part.open) read(); } }, h("summary", {}, h("b", {}, t("clean_title"))), spot);
  if (part.open) read();
  return part;
}
cleanPart.open = false;

function told(c) {
  const row = (key, cells, more) => h("tr", {}, h("th", { scope: "row" }, t(key, more)), c.ways.map((w) => h("td", { class: "number" + (w.better ? " better" : "") }, cells(w))));
  return [
    h("p", { class: "verdict" }, c.verdict),
    c.ways.length > 0 && h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("clean_table") }, h("table", { class: "ways" },
      h("caption", {}, t("clean_caption", { days: c.days, n: c.years })),
      h("thead", {}, h("tr", {}, h("td", {}), c.ways.map((w) => h("th", { scope: "col", class: "number" + (w.better ? " better" : "") }, w.way === "cover" ? w.name : t("clean_way_" + w.way), w.partly && h("div", {}, t("clean_partly")), w.better && h("div", {}, t("clean_better")))))),
      h("tbody", {},
        row("clean_served", (w) => w.served),
        row("clean_bare", (w) => [w.bare, w.bare_spread && h("div", { class: "quiet" }, w.bare_spread)]),
        row("clean_up", (w) => w.up), row("clean_standing", (w) => w.standing),
        row("clean_free", (w) => t("odds_short", { holds: w.free, years: w.years })),
        row("clean_water", (w) => w.water, { unit: c.water_unit }),
        row("clean_lost", (w) => w.lost, { unit: c.nitrogen_unit }), row("clean_nitrate", (w) => w.nitrate, { unit: c.nitrogen_unit }),
        row("clean_passes", (w) => w.passes), row("clean_work", (w) => w.work),
        c.priced && row("clean_cost", (w) => w.cost || "–")))),
    c.limits.length > 0 && h("ul", { class: "plain" }, c.limits.map((words) => h("li", {}, words))),
    h("h4", {}, t("stale_title")), h("p", {}, c.stale.sentence),
    c.flush.length > 1 && [flushChart(c), h("p", { class: "quiet" }, t("flush_note", { n: c.years })), flushTable(c)],
    h("p", { class: "quiet" }, c.note), h("p", { class: "caution" }, c.care),
  ];
}

/** Share of the flush that is up: middle year, and the early and late year between which eight of ten lie. */
function flushChart(c) {
  const H = 178, box = { l: 38, r: W - 104, t: 26, b: H - 26 };
  const first = dayOf(c.flush[0].date), last = dayOf(c.flush.at(-1).date);
  const x = (day) => box.l + ((day - first) / (last - first || 1)) * (box.r - box.l), y = (share) => box.b - share * (box.b - box.t);
  const at = (f, q) => x(dayOf(f.date)).toFixed(1) + " " + y(f[q]).toFixed(1);
  const line = (q) => "M" + c.flush.map((f) => at(f, q)).join("L");
  const ends = [["p90", "flush_early", LINES[2]], ["p50", "flush_middle", LINES[0]], ["p10", "flush_late", LINES[1]]].map(([q, key, dash]) => ({ q, key, dash, from: y(c.flush.at(-1)[q]) }));
  ends.forEach((e, i) => { e.y = Math.max(e.from, i ? ends[i - 1].y + 15 : box.t); });
  const over = Math.max(0, ends.at(-1).y - box.b);
  if (over) ends.forEach((e, i) => { e.y = Math.min(e.y, box.b - 15 * (ends.length - 1 - i)); });
  const kill = c.stale.kill && dayOf(c.stale.kill), right = kill && x(kill) > (box.l + box.r) / 2;
  return s("svg", { class: "chart", viewBox: "0 0 " + W + " " + H, role: "img", "aria-label": t("flush_title") + ". " + c.stale.sentence },
    s("text", { x: 0, y: 11 }, t("flush_axis")),
    s("path", { d: line("p90") + "L" + [...c.flush].reverse().map((f) => at(f, "p10")).join("L") + "Z", class: "band" }),
    s("path", { d: "M" + box.l + " " + y(c.most) + "H" + box.r, class: "wanted" }), s("text", { x: box.r + 8, y: y(c.most) + 4, class: "quiet" }, ends.some((e) => Math.abs(e.y - y(c.most)) < 13) ? "" : t("flush_most")),
    ends.map((e) => [s("path", { d: line(e.q), class: e.q === "p50" ? "curve own" : "curve", "stroke-dasharray": e.dash }),
      s("path", { d: "M" + (box.r + 1) + " " + e.from + "L" + (box.r + 6) + " " + e.y, class: "leader" }), s("text", { x: box.r + 8, y: e.y + 4, class: e.q === "p50" ? "own" : "" }, t(e.key))]),
    s("path", { d: "M" + box.l + " " + box.b + "H" + box.r, class: "tick" }), dateAxis(first, last, x, box.b),
    s("text", { x: box.l - 5, y: box.t + 4, "text-anchor": "end" }, "100%"), s("text", { x: box.l - 5, y: box.b + 4, "text-anchor": "end" }, "0"),
    kill && [s("path", { d: "M" + x(kill) + " " + box.t + "V" + box.b, class: "date-line" }), s("text", { x: x(kill) + (right ? -5 : 5), y: box.b - 6, "text-anchor": right ? "end" : "start", class: "on-line" }, t("flush_kill", { date: shortDay(c.stale.kill) }))]);
}

function flushTable(c) {
  const heads = ["flush_day", "flush_middle", "flush_span", "flush_up", "flush_fit"], percent = (v) => Math.round(100 * v) + "%";
  return h("details", {}, h("summary", {}, t("flush_table")), h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("flush_title") }, h("table", {},
    h("thead", {}, h("tr", {}, heads.map((k) => h("th", { scope: "col" }, upper(t(k)))))),
    h("tbody", {}, c.flush.map((f) => h("tr", {}, h("th", { scope: "row" }, longDay(f.date)), h("td", { class: "number" }, percent(f.p50)), h("td", { class: "number" }, percent(f.p10) + " – " + percent(f.p90)),
      h("td", { class: "number" }, t("odds_short", { holds: f.up, years: f.years })), h("td", { class: "number" }, t("odds_short", { holds: f.killed, years: f.years }))))))));
}
