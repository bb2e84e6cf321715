// The map screen: drawing tools, the date under the map, layers, legend.

import { DAY, areaBoth, button, dayOf, h, isoOf, longDay, s, say, t, upper } from "./dom.js";
import { Corners, Edge, Merging, Pen } from "./draw.js";
import { farm } from "./farm.js";
import { Ground, standsOn, swatch } from "./ground.js";

export function mapScreen(page) {
  const plate = h("div", { class: "ground", role: "application", "aria-label": t("map_label"), tabindex: "0" });
  const tools = h("div", { class: "tools", role: "group", "aria-label": t("tools") });
  const bar = h("div", { class: "bar-spot" });
  const legend = h("div", { class: "legend", role: "region", "aria-label": t("legend") });
  const underNote = h("p", { class: "under-note" });
  const first = h("div", { class: "first" }, ["first_1", "first_2", "first_3"].map((key) => h("p", {}, t(key))));
  const slider = h("input", { type: "range", step: 1 });
  const said = h("output", {});
  const typed = h("input", { type: "date", class: "day", "aria-label": t("on_day") });
  const node = h("section", { class: "plate", "aria-label": t("screen_map") }, tools, bar, h("div", { class: "ground-box" }, plate, first), h("div", { class: "under-map" }));
  const below = node.querySelector(".under-map");
  let ground, tool = null, playing = null;

  function range() {
    const dates = farm.state.crops.flatMap((c) => [c.start, c.end]).sort();
    const year = Number((dates[0] || isoOf(Math.floor(Date.now() / DAY))).slice(0, 4));
    const last = Number((dates.at(-1) || year + "-12-31").slice(0, 4));
    return [dayOf(year + "-01-01"), dayOf(last + "-12-31")];
  }
  function setDay(day) {
    const [low, high] = range();
    day = Math.min(Math.max(day, low), high);
    slider.min = low; slider.max = high; slider.value = day;
    typed.min = isoOf(low); typed.max = isoOf(high);
    const iso = isoOf(day);
    page.day = iso;
    if (typed.value !== iso) typed.value = iso;
    said.textContent = longDay(iso);
    slider.setAttribute("aria-valuetext", longDay(iso));
    ground.day = iso;
    ground.repaint();
    drawLegend();
  }
  slider.addEventListener("input", () => setDay(Number(slider.value)));
  typed.addEventListener("change", () => { if (typed.value) setDay(dayOf(typed.value)); });
  const play = h("button", { type: "button", onclick: () => {
    if (playing) { clearInterval(playing); playing = null; play.textContent = t("play"); return; }
    play.textContent = t("pause");
    playing = setInterval(() => {
      const [, high] = range();
      if (Number(slider.value) >= high) { clearInterval(playing); playing = null; play.textContent = t("play"); return; }
      setDay(Number(slider.value) + 4);
    }, 120);
  } }, t("play"));

  function drawLegend() {
    const found = new Map();
    for (const b of farm.blocks()) {
      const stands = standsOn(b.id, page.day);
      const key = stands.kind === "crop" ? "crop" : stands.kind === "cover" || stands.kind === "bloom" ? stands.kind + stands.cover : "bare";
      const held = found.get(key) || { stands, m2: 0, n: 0 };
      held.m2 += b.properties.area_m2; held.n += 1;
      found.set(key, held);
    }
    const row = ({ stands, m2 }) => h("li", {},
      stands.kind === "crop" ? swatch("#c9cfc2") : stands.cover ? swatch("url(#" + (stands.kind === "bloom" ? "bloom-" : "hatch-") + stands.cover + ")") : swatch("#fdfdfb"),
      h("span", {}, h("b", {}, stands.kind === "crop" ? t("legend_vegetable") : stands.cover ? upper(stands.words) : t("legend_bare")), h("i", {}, areaBoth(m2))));
    legend.replaceChildren(h("ul", {}, [...found.values()].map(row)));
  }

  // ---- tools ------------------------------------------------------------------------------------
  function start(kind) {
    if (tool) tool.end();
    const block = page.block;
    if (["reshape", "split", "cut", "merge", "beds", "buffer"].includes(kind) && !block) { say(t("draw_choose_first"), "trouble"); return; }
    const done = () => { tool = null; bar.replaceChildren(); drawTools(); plate.focus({ preventScroll: true }); };
    tool = kind === "reshape" ? new Corners(ground, block, done) : kind === "merge" ? new Merging(ground, block, done) : kind === "buffer" ? new Edge(ground, block, done) : new Pen(ground, kind, block, done);
    tool.onKept = (name, fresh) => page.go({ block: name, gap: null, crop: null, fresh });
    bar.replaceChildren(tool.bar);
    if (kind !== "draw" && kind !== "measure") ground.choose(block, true);
    drawTools();
    first.hidden = true;
    ground.map.invalidateSize();
    if (kind === "reshape") ground.map.fitBounds(ground.shapes.get(block).getBounds(), { padding: [36, 36], maxZoom: 21, animate: false });
    if (kind === "draw" || kind === "measure") plate.focus({ preventScroll: true });
  }
  function drawTools() {
    tools.replaceChildren(...["draw", "reshape", "split", "cut", "merge", "beds", "buffer", "measure"].map((kind) =>
      button("tool_" + kind, () => (tool?.kind === kind ? tool.end() : start(kind)), { "aria-pressed": String(tool?.kind === kind), "data-tool": kind })),
      h("button", { type: "button", class: "quiet-button", onclick: () => ground.fit() }, t("whole_farm")));
    first.hidden = farm.blocks().length > 0 || tool !== null;
  }
  const under = h("select", { "aria-label": t("layers"), onchange: () => { page.under = under.value; ground.showUnder(under.value, underNote); } });
  function drawUnder() {
    const keys = ["none", ...(farm.state.settings.underlay ? ["underlay"] : []), ...farm.state.soil_layers.map((k) => "soil_" + k), "weather"];
    under.replaceChildren(...keys.map((k) => h("option", { value: k }, t("layer_" + k))));
    under.value = keys.includes(page.under) ? page.under : "none";
  }

  below.append(
    h("div", { class: "date-row" }, h("label", { class: "date-label" }, h("span", {}, t("on_day")), slider), typed, play,
      h("label", { class: "under-label" }, h("span", {}, t("layers")), under)),
    underNote, legend);

  const off = [];
  return {
    node,
    shown() {
      ground = new Ground(plate, { onChoose: (name) => page.go({ block: name, gap: null, crop: null }) });
      page.ground = ground;
      drawTools(); drawUnder();
      setDay(dayOf(page.day || isoOf(Math.floor(Date.now() / DAY))));
      ground.choose(page.block, false);
      if (under.value !== "none") ground.showUnder(under.value, underNote);
      const resize = new ResizeObserver(() => ground.map.invalidateSize({ animate: false }));
      resize.observe(plate);
      off.push(() => resize.disconnect());
      let had = farm.blocks().length;
      off.push(farm.on("state", () => {
        ground.draw(); ground.scale(); drawUnder(); setDay(Number(slider.value)); drawTools();
        if (!had && farm.blocks().length > 1) ground.fit();
        if (page.under === "underlay" || !had) ground.showUnder(under.value, underNote);
        had = farm.blocks().length;
        if (tool && tool.block && !farm.block(tool.block)) tool.end();
      }));
      off.push(farm.on("plan", () => { ground.repaint(); drawLegend(); }));
    },
    chosen() { ground.choose(page.block, true); if (tool?.kind === "reshape" && tool.block !== page.block) tool.end(); },
    gone() { clearInterval(playing); if (tool) tool.end(); off.forEach((f) => f()); ground.remove(); page.ground = null; },
  };
}
