// Two plans side by side: a kept copy, or other weights, against the plan as it is. Differences only, as a table and on the map.

import { between, button, complain, dayOf, field, h, isoOf, longDay, say, shortDay, t, unique, upper } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";
import { Ground, standsOn } from "./ground.js";

const WEIGHTS = "\0weights";

export function compareScreen(page) {
  const node = h("section", { class: "paper compare" }), off = [];
  const what = h("select", { onchange: () => { page.comparing = what.value; shown(); } });
  const side = h("div", {}), result = h("div", { class: "compare-result", "aria-live": "polite" });
  let ground = null, timer = null, number = 0, weights = null;

  const name = h("input", { maxlength: 60, autocomplete: "off" });
  const keep = h("form", { class: "row", onsubmit: async (e) => {
    e.preventDefault();
    const before = page.comparing;
    page.comparing = name.value.replace(/\s+/g, " ").trim().slice(0, 60);
    try { await farm.edit({ kind: "keep_plan", name: name.value }); name.value = ""; complain(name, ""); } catch (error) { page.comparing = before; complain(name, inWords(error)); }
  } }, field("keep_name", name), h("button", { type: "submit", class: "main" }, t("keep_now")));

  function sliders() {
    const own = farm.state.settings.purposes || { weed_suppression: { weight: 1 }, organic_matter: { weight: 1 } };
    weights = weights || Object.fromEntries(farm.catalogue.purposes.map((p) => [p.id, own[p.id] ? own[p.id].weight ?? 1 : 0]));
    return [h("p", { class: "quiet" }, t("compare_weights_note")), farm.catalogue.purposes.map((p) => {
      const slide = h("input", { type: "range", min: 0, max: 5, step: 0.5, value: weights[p.id], oninput: (e) => { weights[p.id] = Number(e.target.value); out.textContent = e.target.value; } });
      const out = h("output", {}, weights[p.id]);
      slide.id = unique("weight");
      return h("div", { class: "weight" }, h("label", { for: slide.id }, upper(p.words)), slide, out);
    }), h("div", { class: "row" }, button("compare_run", async () => {
      try { await ask("api/compare/weights", { weights }); look(); } catch (error) { result.replaceChildren(h("p", { class: "wrong" }, inWords(error))); }
    }, { class: "main" }))];
  }
  function shown() {
    clearTimeout(timer);
    const keys = farm.state.kept.map((k) => k.name);
    what.replaceChildren(...keys.map((k) => h("option", { value: k }, t("compare_kept", { name: k }))), h("option", { value: WEIGHTS }, t("compare_weights")));
    what.value = keys.includes(page.comparing) ? page.comparing : page.comparing === WEIGHTS || !keys.length ? WEIGHTS : keys.at(-1);
    page.comparing = what.value;
    side.replaceChildren(...(what.value === WEIGHTS ? sliders().flat() : [h("div", { class: "row" }, button("keep_drop", async () => { try { await farm.edit({ kind: "drop_plan", name: what.value }); } catch (e) { say(inWords(e), "trouble"); } }))]));
    result.replaceChildren();
    look();
  }
  async function look() {
    clearTimeout(timer);
    const mine = ++number, trial = what.value === WEIGHTS;
    try {
      const got = await ask("api/compare" + (trial ? "" : "?" + new URLSearchParams({ kept: what.value })));
      if (mine !== number) return;
      if (got.state === "running") {
        const words = t("compare_running", { share: got.total ? Math.round((100 * got.done) / got.total) : 0 });
        result.replaceChildren(h("p", { class: "status" }, words, h("progress", { max: got.total || 1, value: got.done, "aria-label": words }), button("stop", () => ask("api/compare/stop", {}), { class: "quiet-button" })));
        timer = setTimeout(look, 300);
      } else if (got.state === "done") tell(got, trial ? [t("compare_now"), t("compare_other")] : [what.value, t("compare_now")], trial);
      else result.replaceChildren(h("p", { class: got.state === "problem" ? "wrong" : "quiet" }, got.sentence || t(got.state === "stopped" ? "compare_stopped" : got.state === "waiting" ? "compare_waiting" : "compare_none")));
    } catch (error) {
      if (mine !== number) return;
      result.replaceChildren(h("p", { class: "quiet" }, inWords(error)));
    }
  }

  function difference(row) {
    if (!row.before || !row.now) return t(row.now ? "differs_new" : "differs_gone");
    const out = [];
    if (row.gap_differs) out.push(t("differs_gap"));
    if (row.cover_differs) out.push(t("differs_cover"));
    if (row.sow_later_d) out.push(t(row.sow_later_d > 0 ? "differs_later" : "differs_sooner", { n: Math.abs(row.sow_later_d) }));
    const held = (row.now.holds ?? 0) - (row.before.holds ?? 0);
    if (row.before.sow && row.now.sow && held) out.push(t(held > 0 ? "differs_more" : "differs_less", { n: Math.abs(held), years: row.now.years }));
    if (row.before.seed !== row.now.seed && !row.cover_differs) out.push(t("differs_seed"));
    if (!out.length) out.push(t("differs_end"));
    return upper(out.join(", "));
  }
  const told = (gap) => (!gap ? "–" : !gap.sow ? upper(t("no_cover")) : [h("b", {}, upper(farm.coverName(gap.cover))), h("div", {}, t("compare_dates", { sow: shortDay(gap.sow), end: shortDay(gap.end_by) })), h("div", { class: "quiet" }, t("odds_short", gap) + (gap.seed ? ", " + gap.seed : ""))]);

  function tell(got, [a, b], trial) {
    const all = got.rows.length + got.same, sums = got.sums;
    if (!got.rows.length) { result.replaceChildren(h("p", { class: "verdict" }, t("compare_same", { n: all }))); return; }
    const line = (key, value) => h("tr", {}, h("th", { scope: "row" }, t(key)), h("td", { class: "number" }, value(sums.before)), h("td", { class: "number" }, value(sums.now)));
    const percent = (v) => (v === null ? "–" : Math.round(100 * v) + " %");
    const plate = h("div", { class: "ground", role: "application", "aria-label": t("map_label"), tabindex: "0" });
    const slide = h("input", { type: "range", step: 1 }), shownDay = h("output", { class: "slide-date" });
    const pick = h("select", { "aria-label": t("compare_side"), onchange: () => repaint() }, h("option", { value: "now" }, b), h("option", { value: "before" }, a));
    result.replaceChildren(
      h("p", { class: "verdict" }, t("compare_verdict", { n: got.rows.length, of: all, blocks: new Set(got.rows.map((r) => r.block)).size })),
      h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("compare_sums") }, h("table", {}, h("caption", {}, t("compare_sums")), h("thead", {}, h("tr", {}, h("td", {}), h("th", { scope: "col", class: "number" }, a), h("th", { scope: "col", class: "number" }, b))),
        h("tbody", {}, line("sum_sown", (s) => s.sown), line("sum_left", (s) => s.left), line("sum_mean", (s) => percent(s.mean)), line("sum_weak", (s) => s.weak), line("sum_seed", (s) => s.seed), line("sum_species", (s) => s.species), (sums.before.cost || sums.now.cost) && line("sum_cost", (s) => s.cost || t("order_price_none"))))),
      h("div", { class: "compare-map" }, h("div", { class: "ground-box" }, plate), h("div", { class: "date-row" }, h("label", { class: "under-label" }, h("span", {}, t("compare_side")), pick), h("label", { class: "date-label" }, h("span", {}, t("on_day")), slide), shownDay), h("p", { class: "quiet" }, t("compare_map_note"))),
      h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("compare_gaps") }, h("table", { class: "stack" }, h("caption", {}, t("compare_gaps")), h("thead", {}, h("tr", {}, h("th", { scope: "col" }, t("col_block")), h("th", { scope: "col" }, a), h("th", { scope: "col" }, b), h("th", { scope: "col" }, t("compare_difference")))),
        h("tbody", {}, got.rows.map((r) => h("tr", {}, h("th", { scope: "row" }, h("button", { type: "button", class: "link", onclick: () => page.go({ block: r.block, gap: farm.gap(r.gap) ? r.gap : null, crop: null, moveFocus: true }) }, r.block), h("div", { class: "quiet" }, between((r.now || r.before).start, (r.now || r.before).end))),
          h("td", { "data-label": a }, h("div", {}, told(r.before))), h("td", { "data-label": b }, h("div", {}, told(r.now))), h("td", { "data-label": t("compare_difference") }, difference(r))))))),
      got.seed.length ? h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("compare_seed") }, h("table", {}, h("caption", {}, t("compare_seed")), h("thead", {}, h("tr", {}, h("th", { scope: "col" }, t("order_seed")), h("th", { scope: "col", class: "number" }, a), h("th", { scope: "col", class: "number" }, b), h("th", { scope: "col", class: "number" }, t("compare_difference")))),
        h("tbody", {}, got.seed.map((s) => h("tr", {}, h("th", { scope: "row" }, upper(s.name)), h("td", { class: "number" }, s.before), h("td", { class: "number" }, s.now), h("td", { class: "number" }, t(s.more ? "compare_more" : "compare_less", { seed: s.change }))))))) : "");
    drawMap();

    function gapsOf(block) {
      const mine = trial ? "before" : "now";
      const moved = new Set(got.rows.map((r) => r[mine]?.gap));
      return [...farm.gapsOf(block).filter((g) => !moved.has(g.id)), ...got.rows.filter((r) => r.block === block && r[pick.value]).map((r) => r[pick.value])];
    }
    function repaint() { ground.day = isoOf(Number(slide.value)); shownDay.textContent = longDay(ground.day); slide.setAttribute("aria-valuetext", longDay(ground.day)); ground.repaint(); }
    function drawMap() {
      ground?.remove();
      const sown = got.rows.flatMap((r) => [r.before?.sow, r.now?.sow]).filter(Boolean).map(dayOf).sort((x, y) => x - y);
      slide.min = (sown[0] ?? dayOf(got.rows[0].now?.start || got.rows[0].before.start)) - 14;
      slide.max = (sown.at(-1) ?? Number(slide.min)) + 90;
      slide.value = (sown[Math.floor(sown.length / 2)] ?? Number(slide.min)) + 21;
      ground = new Ground(plate, { onChoose: (block) => page.go({ block, gap: null, crop: null }), stands: (block, iso) => standsOn(block, iso, gapsOf(block)) });
      ground.many = new Set(got.rows.map((r) => r.block));
      slide.addEventListener("input", repaint);
      repaint();
    }
  }

  return {
    node,
    shown() {
      node.replaceChildren(h("div", { class: "paper-head" }, h("h2", {}, t("compare_title")), button("print", () => print(), { class: "no-print" })), h("p", { class: "quiet" }, t("compare_note")), h("div", { class: "compare-acts no-print" }, keep, h("div", {}, field("compare_with", what), side)), result);
      shown();
      let version = farm.state.version;
      off.push(farm.on("state", () => { if (farm.state.version !== version) { version = farm.state.version; shown(); } }), farm.on("plan", () => { if (farm.progress?.state === "done" && farm.plan?.version === farm.state.version && !result.querySelector("table")) look(); }));
    },
    chosen() {},
    gone() { clearTimeout(timer); number++; off.forEach((f) => f()); ground?.remove(); },
  };
}
