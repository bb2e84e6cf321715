// Flowers over the season: what is open when, until when it may stand, the order of mowing, and sprays near it.

import { DAY, MONTHS, between, button, complain, dayOf, field, h, isoOf, s, say, shortDay, t } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";

const ROW = 26, HEAD = 94;
const inFlower = () => [...farm.gaps.values()].flat().filter((g) => g.sow && g.bloom?.length).sort((a, b) => (a.bloom[0][0] < b.bloom[0][0] ? -1 : 1));

/** Blocks in flower over the days: lines that thicken with the odds, notches to mow by, marks for sprays. */
function chart(gaps, told) {
  const sprays = told?.sprays || [], by = new Map((told?.windows || []).map((w) => [w.gap, w]));
  const days = [...gaps.flatMap((g) => g.bloom.flat()), ...sprays.flatMap((p) => [p.first, p.last])].map(dayOf);
  const first = Math.min(...days) - 10, last = Math.max(...days) + 24, L = innerWidth < 760 ? 92 : 150;
  const W = Math.max(Math.min(innerWidth - 62, 680), Math.min((last - first) * 3, 2400)), rows = gaps.length + (sprays.length ? 1 : 0);
  const x = (day) => L + ((day - first) / (last - first)) * (W - L - 10);
  const months = [];
  for (let day = first; day <= last; day++) if ([1, 15].includes(new Date(day * DAY).getUTCDate())) {
    const d = new Date(day * DAY), m = d.getUTCMonth(), begins = d.getUTCDate() === 1;
    months.push(s("path", { d: "M" + x(day) + " 78V" + (HEAD + rows * ROW), class: "month" }), s("text", { x: x(day) + 3, y: 90 }, last - first > 250 ? (begins ? MONTHS()[m] + (m === 0 ? " " + d.getUTCFullYear() : "") : "") : shortDay(isoOf(day))));
  }
  const count = new Array(last - first + 1).fill(0);
  for (const g of gaps) if (g.flower?.[0]) for (let d = dayOf(g.flower[0]); d <= dayOf(g.flower[1]); d++) count[d - first] += 1;
  const top = Math.max(...count, 1);
  const curve = "M" + x(first) + " 70" + count.map((n, i) => "L" + x(first + i).toFixed(1) + " " + (70 - (n / top) * 52).toFixed(1)).join("") + "L" + x(last) + " 70";
  const mark = (p, y, number, lift = 0) => [s("path", { d: "M" + x(dayOf(p.first)) + " " + (y - 11) + "V" + (y + 11) + "M" + x(dayOf(p.last) + 1) + " " + (y - 11) + "V" + (y + 11), class: "spray-mark" }),
    number && s("text", { x: x(dayOf(p.last) + 1) + 3, y: y + 4 + lift, class: "spray-number" }, p.number)];
  const lines = gaps.map((g, i) => {
    const y = HEAD + i * ROW + 13, parts = [], all = g.bloom.flat().map(dayOf), w = by.get(g.id);
    for (let d = Math.min(...all); d <= Math.max(...all); d++) {
      const share = g.bloom.filter(([a, b]) => dayOf(a) <= d && d <= dayOf(b)).length / g.years;
      parts.push(s("rect", { x: x(d), y: y - share * 9, width: x(d + 1) - x(d) + 0.4, height: share * 18, fill: "#6a2358" }));
    }
    const end = w && !w.frost ? w.mow_by : null, met = sprays.filter((p) => p.met.some((c) => c.gap === g.id));
    return [s("text", { x: 0, y: y + 4, class: "flower-name" }, g.block), parts,
      end && [s("path", { d: "M" + x(dayOf(end)) + " " + (y - 10) + "v20", class: "end-notch" }), s("text", { x: x(dayOf(end)) + 5, y: y + 4 }, t("flowers_mow_by", { date: shortDay(end) }))],
      met.map((p) => mark(p, y, false))];
  });
  const low = HEAD + gaps.length * ROW + 13;
  return h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("flowers_title") },
    s("svg", { class: "chart flowers", width: W, height: 100 + rows * ROW, role: "img", "aria-label": t("flowers_title") },
      s("text", { x: L, y: 10 }, t("flowers_count")), s("text", { x: L - 6, y: 22, "text-anchor": "end" }, top), s("text", { x: L - 6, y: 72, "text-anchor": "end" }, 0),
      s("path", { d: curve, class: "band" }), s("path", { d: curve, class: "curve own" }), months, lines,
      sprays.length > 0 && [s("text", { x: 0, y: low + 4, class: "flower-name" }, t("sprays_row")), sprays.map((p, i) => mark(p, low, true, i % 2 ? 8 : -4))]));
}

/** A form for one planned spray. */
function sprayForm(done) {
  const text = (most, more = {}) => h("input", { maxlength: most, ...more });
  const ground = h("select", {}, h("option", { value: "" }, t("spray_neighbour")), farm.blocks().map((b) => h("option", { value: b.id }, b.id)));
  const whose = text(80), far = h("input", { type: "number", min: 0, max: 10000, step: "any", inputmode: "decimal" });
  const first = h("input", { type: "date" }), last = h("input", { type: "date" });
  const product = text(200), label = text(500), call = text(200);
  const harms = h("select", {}, ["not known", "yes", "no"].map((k) => h("option", { value: k }, t("spray_harms_" + k.replace(" ", "_")))));
  ground.value = farm.blocks()[0]?.id || "";
  const next = h("div", { class: "pair" }, field("spray_whose", whose), field(farm.units === "us" ? "spray_far_ft" : "spray_far_m", far));
  const shown = () => { next.hidden = ground.value !== ""; };
  ground.addEventListener("change", shown);
  shown();
  const wrong = h("p", { class: "complaint", role: "alert" });
  const row = () => ({
    block: ground.value, neighbour: ground.value ? "" : whose.value.trim(), first: first.value, last: last.value, product: product.value.trim(),
    label_on_bees: label.value.trim(), harms_bees: harms.value, call: call.value.trim(),
    ...(ground.value || far.value === "" ? {} : { [farm.units === "us" ? "distance_ft" : "distance_m"]: Number(far.value) }),
  });
  const at = { block: whose, from: first, until: last };
  return h("form", { class: "spray-form", onsubmit: async (e) => {
    e.preventDefault();
    wrong.textContent = "";
    Object.values(at).forEach((c) => complain(c, ""));
    if (!ground.value && !whose.value.trim()) { complain(whose, t("problem_spray_ground")); whose.focus(); return; }
    if (!first.value) { complain(first, t("problem_cell_empty")); first.focus(); return; }
    try { await farm.edit({ kind: "plan_spray", row: row() }); done(); } catch (error) {
      const spot = at[error.problem?.field];
      if (spot) { complain(spot, inWords(error)); spot.focus(); } else wrong.textContent = inWords(error);
    }
  } },
    h("p", { class: "quiet" }, t("spray_note")),
    h("div", { class: "pair" }, field("spray_ground", ground), field("spray_from", first), field("spray_until", last)), next,
    h("div", { class: "pair" }, field("spray_product", product), field("spray_harms", harms), field("spray_call", call)), field("spray_label", label),
    wrong, h("button", { type: "submit", class: "main" }, t("spray_add")));
}

function sprayLine(p) {
  const said = t("spray_line", { number: p.number, dates: between(p.first, p.last), ground: p.ground, product: p.product || t("spray_no_product"), harms: t("spray_said_" + p.harms) });
  const more = [p.label_on_bees && t("spray_label_says", { text: p.label_on_bees }), p.call ? t("spray_calls", { who: p.call }) : t("spray_no_call")].filter(Boolean).join(" ");
  return h("li", {}, h("b", {}, said), " ", more, " ",
    p.at === null ? h("span", { class: "quiet" }, t("spray_in_file", { place: p.place }))
      : h("button", { type: "button", class: "link no-print", "aria-label": t("spray_remove_this", { number: p.number, ground: p.ground }), onclick: async () => {
        try { await farm.edit({ kind: "remove_spray", at: p.at }); } catch (error) { say(inWords(error), "trouble"); }
      } }, t("spray_remove")),
    p.met.length ? h("ul", { class: "plain" }, p.met.map((c) => h("li", {}, c.words))) : h("p", { class: "quiet" }, t("spray_meets_none")));
}

export function flowersScreen(page) {
  const node = h("section", { class: "paper" }), off = [];
  const form = h("div", { class: "no-print" });
  let told = null, asked = 0;
  const fresh = () => form.replaceChildren(h("details", {}, h("summary", {}, t("spray_new")), sprayForm(() => { fresh(); form.querySelector("summary").focus(); })));
  const link = (gap, block, text) => h("button", { type: "button", class: "link", onclick: () => page.go({ block, gap, crop: null, moveFocus: true }) }, text);
  const list = (key, items) => items.length > 0 && h("section", {}, h("h3", {}, t(key)), h("ul", { class: "plain" }, items.map((one) => h("li", {}, one))));
  function draw() {
    const gaps = inFlower(), sprays = told?.sprays || [], old = farm.plan && farm.plan.version !== farm.state.version;
    const held = form.contains(document.activeElement) ? document.activeElement : null;
    const parts = [
      h("div", { class: "paper-head" }, h("h2", {}, t("flowers_title")), h("div", { class: "row no-print" }, told?.windows && h("a", { class: "button", href: "api/export/spray-sheet.zip", download: "spray-sheet.zip" }, t("spray_sheet")), button("print", () => print()))),
      h("p", { class: "quiet" }, t(gaps.length ? "flowers_note" : "flowers_none")), old && h("p", { class: "quiet", role: "status" }, t("order_stale")),
      gaps.length + sprays.length > 0 && chart(gaps, told),
      h("section", {}, h("h3", {}, t("sprays_title")), sprays.length ? h("ul", { class: "plain sprays" }, sprays.map(sprayLine)) : h("p", {}, t("sprays_none")), form),
      told?.windows && [
        list("flowers_windows", told.windows.map((w) => [link(w.gap, w.block, w.block), w.words.slice(w.block.length)])),
        told.mowing.length > 0 && h("section", {}, h("h3", {}, t("flowers_mowing")), h("p", {}, told.gain), h("ul", { class: "plain" }, told.mowing.map((m) => h("li", {}, m.words)))),
        list("flowers_stretches", told.stretches), list("flowers_periods", told.periods),
        h("section", { class: "cautions" }, h("h3", {}, t("about_cautions")), told.cautions.map((c) => h("p", { class: "caution" }, c)))],
    ];
    node.replaceChildren(...parts.flat(Infinity).filter(Boolean));
    held?.focus({ preventScroll: true });
  }
  async function look() {
    const mine = ++asked;
    try {
      const got = await ask("api/flowers");
      if (mine === asked) { told = got; draw(); }
    } catch (error) { if (mine === asked && error.status !== 409) say(inWords(error), "trouble"); }
  }
  return {
    node,
    shown() { fresh(); draw(); look(); off.push(farm.on("plan", () => { draw(); if (farm.progress?.state === "done") look(); }), farm.on("state", draw)); },
    chosen() {},
    gone() { asked += 1; off.forEach((f) => f()); },
  };
}
