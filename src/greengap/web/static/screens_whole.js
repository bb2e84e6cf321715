// The farm as a whole: operations by date, seed order, and what the farm says of itself.

import { MONTHS, between, button, complain, dayOf, field, h, isoOf, known, longDay, s, say, shortDay, t, upper } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";
import { whyDialog } from "./gap.js";
import { sync } from "./record_sync.js";
import { weekPart } from "./week.js";

const allGaps = () => [...farm.gaps.values()].flat();
const sown = () => allGaps().filter((g) => g.sow);
const labelled = (heads, rows) => rows.map((row) => { [...row.children].forEach((cell, i) => { if (heads[i]) cell.dataset.label = t(heads[i][0]); }); return row; });
const table = (caption, heads, rows, cls = "") => h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption }, h("table", { class: cls },
  h("caption", {}, caption), h("thead", {}, h("tr", {}, heads.map(([key, c]) => h("th", { scope: "col", class: c }, t(key))))), h("tbody", {}, labelled(heads, rows))));
const stale = () => farm.plan && farm.plan.version !== farm.state.version && h("p", { class: "quiet", role: "status" }, t("order_stale"));
const printButton = () => button("print", () => print(), { class: "no-print" });

function follow(node, draw, off) {
  off.push(farm.on("plan", () => draw()), farm.on("state", () => draw()));
}
const simple = (build) => (page) => {
  const node = h("section", { class: "paper" }), off = [];
  const draw = () => { if (!node.contains(document.activeElement) || document.activeElement.tagName === "BUTTON") node.replaceChildren(...build(page).flat().filter(Boolean)); };
  return { node, shown() { draw(); follow(node, draw, off); }, chosen() {}, gone() { off.forEach((f) => f()); } };
};

// ---- operations by date --------------------------------------------------------------------------
function operations() {
  const out = [];
  for (const gap of sown()) {
    const cover = farm.coverName(gap.cover), base = { gap, block: gap.block };
    const addDays = (iso, n) => isoOf(dayOf(iso) + n);
    out.push({ ...base, date: addDays(gap.sow, -gap.seedbed_d - gap.clean_up_d), what: t("op_clear"), until: addDays(gap.sow, -1) });
    out.push({ ...base, date: gap.sow, what: t("op_sow", { cover }), from: gap.sow_from, until: gap.sow_until, strong: true, odds: true });
    out.push({ ...base, date: addDays(gap.sow, 7), what: t("op_look", { cover }), until: addDays(gap.sow, 21) });
    if (gap.flower?.[0]) out.push({ ...base, date: gap.flower[0], what: t("op_flower", { cover }), until: gap.flower[1] });
    out.push({ ...base, date: gap.end_from && gap.end_from < gap.end_by ? gap.end_from : gap.end_by, what: t("op_end", { cover }), until: gap.end_by, strong: true });
    if (gap.after) out.push({ ...base, date: addDays(gap.end, 1), what: t("op_crop", { crop: upper(farm.cropName(gap.after)) }) });
  }
  return out.sort((a, b) => (a.date < b.date ? -1 : a.date > b.date ? 1 : a.block < b.block ? -1 : 1));
}
export const workScreen = simple((page) => {
  const list = operations();
  if (!list.length) return [h("h2", {}, t("work_title")), h("p", {}, t("work_none"))];
  const months = new Map();
  for (const op of list) { const key = op.date.slice(0, 7); months.set(key, [...(months.get(key) || []), op]); }
  if (page.weekOf !== farm.plan?.version) { page.weekOf = farm.plan?.version; page.week = weekPart(list.map((op) => op.date)); }
  return [
    h("div", { class: "paper-head" }, h("h2", {}, t("work_title")), printButton()), h("p", { class: "quiet" }, t("work_note")), stale(),
    page.week,
    [...months].map(([key, ops]) => table(MONTHS()[Number(key.slice(5)) - 1] + " " + key.slice(0, 4), [["col_date"], ["col_block"], ["col_what"], ["col_window"], ["col_odds"]],
      ops.map((op) => h("tr", { class: op.strong ? "strong" : "" }, h("th", { scope: "row" }, shortDay(op.date)), h("td", {}, h("button", { type: "button", class: "link", onclick: () => page.go({ block: op.block, gap: op.gap.id, crop: null, moveFocus: true }) }, op.block)),
        h("td", {}, op.what), h("td", {}, op.from && op.from !== op.until ? between(op.from, op.until) : op.until && op.until !== op.date ? t("op_until", { date: shortDay(op.until) }) : ""),
        h("td", {}, op.odds ? t("odds_short", { holds: op.gap.holds, years: op.gap.years }) : ""))), "ops")),
  ];
});

// ---- seed order -----------------------------------------------------------------------------------------
const download = (name, words) => h("a", { class: "button", href: "api/export/" + name, download: name }, words);
export const orderScreen = simple(() => {
  const order = farm.plan?.order;
  if (!order?.lots.length) return [h("h2", {}, t("order_title")), h("p", {}, t("order_none"))];
  return [
    h("div", { class: "paper-head" }, h("h2", {}, t("order_title") + ": " + farm.state.settings.name), h("div", { class: "row no-print" }, download("seed_order.csv", t("order_download")), printButton())),
    farm.state.settings.note && h("p", { class: "quiet" }, farm.state.settings.note), stale(),
    table(t("order_title"), [["order_seed"], ["order_amount", "number"], ["order_by"], ["order_pls", "number"], ["col_area", "number"], ["order_blocks"], ["order_inoculant"], ["order_price"]],
      [...order.lots.map((l) => h("tr", {}, h("th", { scope: "row" }, upper(l.name)), h("td", { class: "number big" }, l.seed), h("td", {}, longDay(l.needed_by)), h("td", { class: "number" }, l.pls), h("td", { class: "number" }, l.area),
        h("td", {}, l.blocks, l.below && h("div", { class: "quiet" }, t("order_below", { seed: l.below }))), h("td", {}, l.inoculant || "–"), h("td", {}, l.price ?? t("order_price_none")))),
      h("tr", { class: "sum" }, h("th", { scope: "row" }, t("order_total")), h("td", { class: "number big" }, order.total), h("td", { colspan: 6 }))], "stack"),
    table(t("order_loads"), [["col_date"], ["col_block"], ["order_seed"], ["order_amount", "number"], ["order_rate", "number"], ["order_depth", "number"], ["col_area", "number"], ["why"]],
      order.loads.map((l) => h("tr", {}, h("td", {}, longDay(l.sow)), h("th", { scope: "row" }, l.block), h("td", {}, upper(l.species) + ", " + t("method_" + l.method)), h("td", { class: "number" }, l.seed), h("td", { class: "number" }, l.rate), h("td", { class: "number" }, l.depth), h("td", { class: "number" }, l.area), h("td", { class: "no-print" }, h("button", { type: "button", class: "why-button", "aria-label": t("why") + " " + l.species + ", " + l.block, onclick: () => whyDialog(l.gap, l.cover, "seed " + l.species.toLowerCase()) }, t("why"))))), "stack"),
    h("section", { class: "cautions" }, h("h3", {}, t("about_cautions")), farm.plan.cautions.map((c) => h("p", { class: "caution" }, h("b", {}, upper(c.hazard) + ". "), c.text + " ", h("i", {}, t("ask", { who: c.defers_to }))))),
    h("p", { class: "quiet" }, farm.plan.caveat),
  ];
});

// ---- the farm itself: settings, files, what it rests on -----------------------------------------------
const KINDS = ["any", "blocks", "crops", "weather", "this_season", "soil", "seed_stock", "seed_prices", "herbicides", "noxious_names", "planned_sprays", "catalogue", "history", "record", "underlay"];
export function farmScreen(page) {
  const node = h("section", { class: "paper farm" });
  const site = h("div", {}), off = [];
  const tryEdit = async (values, control) => {
    try { await farm.edit({ kind: "settings", values }); if (control) complain(control, ""); } catch (e) {
      if (control?.id) complain(control, inWords(e)); else say(inWords(e), "trouble");
    }
  };
  function settings() {
    const own = farm.state.settings;
    const name = h("input", { value: own.name || "", maxlength: 80, onchange: (e) => tryEdit({ name: e.target.value.trim() }, e.target) });
    const odds = h("input", { type: "number", min: 1, max: 100, step: 1, value: Math.round(100 * (own.wanted_odds ?? 0.8)), onchange: (e) => tryEdit({ wanted_odds: Number(e.target.value) / 100 }, e.target) });
    const units = h("select", { onchange: (e) => tryEdit({ units: e.target.value }) }, ["metric", "us"].map((k) => h("option", { value: k }, t(k))));
    units.value = farm.units;
    const tick = (key, checked, act) => h("label", { class: "tick" }, h("input", { type: "checkbox", checked, onchange: (e) => act(e.target.checked) }), key);
    const wet = own.irrigation === true ? farm.blocks().map((b) => b.id) : own.irrigation || [];
    const machines = own.equipment || { spreader: true, mower: true, tillage: true };
    return h("section", {}, h("h3", {}, t("farm_settings")),
      h("div", { class: "pair" }, field("farm_name", name), field("start_units", units), field("farm_odds", odds)),
      tick(t("farm_organic"), own.organic === true, (v) => tryEdit({ organic: v })), tick(t("farm_eaten"), own.animals_eat_cover === true, (v) => tryEdit({ animals_eat_cover: v })),
      h("fieldset", {}, h("legend", {}, t("farm_equipment")), h("div", { class: "many" }, farm.catalogue.equipment.map((k) => tick(t("equipment_" + k), machines[k] === true, (v) => tryEdit({ equipment: { ...machines, [k]: v } }))))),
      farm.blocks().length > 0 && h("fieldset", {}, h("legend", {}, t("farm_irrigation")), h("div", { class: "many" }, farm.blocks().map((b) => tick(b.id, wet.includes(b.id), (v) => tryEdit({ irrigation: v ? [...wet, b.id] : wet.filter((w) => w !== b.id) }))))));
  }
  function bring() {
    const kind = h("select", { onchange: () => shown() }, KINDS.map((k) => h("option", { value: k }, t("import_" + k))));
    kind.value = page.bringKind || "any";
    const file = h("input", { type: "file" });
    const property = h("select", {}, ["clay", "sand", "organic_matter", "ph", "available_water", "drainage"].map((k) => h("option", { value: k }, t("layer_soil_" + k).replace(/^.*: /, ""))));
    const unit = h("select", {}, ["", "percent", "fraction", "pH", "class"].map((k) => h("option", { value: k }, k || "–")));
    const elevation = h("input", { type: "number", min: -500, max: 9000 });
    const view = page.lastView;
    const bounds = h("input", { value: view ? view.map((v) => v.toFixed(6)).join(", ") : "" });
    const height = field("import_elevation", elevation);
    const extra = { soil: h("div", { class: "pair" }, field("import_property", property), field("import_unit", unit)), weather: height, this_season: height, underlay: field("import_bounds", bounds, t("import_bounds_note")) };
    const spot = h("div", {}), wrong = h("p", { class: "complaint", role: "alert" });
    const shown = () => { page.bringKind = kind.value; spot.replaceChildren(...(extra[kind.value] ? [extra[kind.value]] : [])); };
    shown();
    return h("section", { id: "bring" }, h("h3", {}, t("farm_import")), h("p", { class: "quiet" }, t("import_drop")),
      h("form", { onsubmit: async (e) => {
        e.preventDefault();
        wrong.textContent = "";
        if (!file.files.length) { wrong.textContent = t("problem_cell_empty"); file.focus(); return; }
        try {
          const k = kind.value;
          await bringIn(page, k, file.files[0], k === "soil" ? { property: property.value, unit: unit.value } : k === "weather" || k === "this_season" ? { elevation_m: elevation.value } : k === "underlay" ? { bounds: bounds.value.replace(/\s/g, "") } : {});
        } catch (error) { wrong.textContent = inWords(error); }
      } }, h("div", { class: "pair" }, field("import_kind", kind), field("import_file", file)), spot, wrong, h("button", { type: "submit", class: "main" }, t("import_now"))));
  }
  /** What came in and can be taken out again. */
  function holds() {
    const held = farm.state.lists;
    const out = (one) => h("button", { type: "button", class: "quiet-button", "data-list": one.key, "aria-label": t("holds_out") + ": " + t("import_" + one.key), onclick: async () => { try { await farm.edit({ kind: "drop_list", name: one.key }); } catch (e) { say(inWords(e), "trouble"); } } }, t("holds_out"));
    const row = (one) => h("tr", {}, h("th", { scope: "row" }, upper(t("import_" + one.key)), one.named && h("div", { class: "quiet" }, one.named)), h("td", { class: "number" }, t("holds_" + (["weather", "this_season"].includes(one.key) ? "day" : one.key === "catalogue" || one.key === "learned" ? "entry" : "row") + (one.rows === 1 ? "" : "_more"), { n: one.rows.toLocaleString("en") })),
      h("td", {}, one.since ? longDay(one.since) : ["weather", "record"].includes(one.key) ? "–" : t("holds_from_folder")), h("td", {}, one.out ? out(one) : h("span", { class: "quiet" }, t("holds_stays_" + one.key))));
    return h("section", { id: "holds" }, h("h3", {}, t("holds_title")),
      held.length ? [h("p", { class: "quiet" }, t("holds_note")), table(t("holds_title"), [["holds_what"], ["holds_how_many", "number"], ["holds_since"], ["holds_out"]], held.map(row), "stack untitled")] : h("p", { class: "quiet" }, t("holds_nothing")));
  }
  async function exportsList() {
    const got = await ask("api/exports");
    const row = (f) => h("li", {}, h("a", { href: "api/export/" + f.name, download: f.saved_as || f.name }, f.saved_as || f.name), " ", h("span", { class: "quiet" }, known("export_" + f.name) ? t("export_" + f.name) : f.words));
    const groups = [...new Set(got.files.map((f) => f.group))];
    const of = (g) => got.files.filter((f) => f.group === g);
    return h("section", {}, h("h3", {}, t("farm_exports")), h("p", { class: "quiet" }, t("export_note")),
      groups.map((g) => (g === "table" ? h("details", {}, h("summary", {}, t("export_group_table", { n: of(g).length })), h("ul", { class: "files" }, of(g).map(row)))
        : [h("h4", {}, known("export_group_" + g) ? t("export_group_" + g) : upper(g)), h("ul", { class: "files" }, of(g).map(row))])));
  }
  async function phone() {
    const got = await ask("api/address");
    if (!got.address) return h("section", {}, h("h3", {}, t("farm_phone")), h("p", {}, t("phone_off")));
    const n = got.modules.length + 8;
    const path = got.modules.flatMap((row, y) => row.map((on, x) => (on ? "M" + (x + 4) + " " + (y + 4) + "h1v1h-1z" : ""))).join("");
    return h("section", {}, h("h3", {}, t("farm_phone")), h("p", {}, t("phone_on")), h("p", { class: "address" }, got.address),
      s("svg", { class: "qr", viewBox: "0 0 " + n + " " + n, role: "img", "aria-label": t("phone_qr", { address: got.address }), "shape-rendering": "crispEdges" }, s("rect", { width: n, height: n, fill: "#fff" }), s("path", { d: path, fill: "#000" })));
  }
  async function rests() {
    const got = await ask("api/site");
    if (!got.soil.length) return null;
    const plan = farm.plan;
    return h("section", {}, h("h3", {}, t("site_title")),
      h("p", {}, t("site_weather", { first: got.years[0], last: got.years[1], source: farm.state.weather || "–" }) + ". " + (plan ? plan.freeze.map(upper).join(". ") + "." : "")),
      table(t("site_title"), [["site_block"], ["site_texture"], ["site_drainage"], ["site_clay", "number"], ["site_om", "number"], ["site_ph", "number"]],
        got.soil.map((r) => h("tr", {}, h("th", { scope: "row" }, r.block), h("td", {}, r.texture), h("td", {}, r.drainage), h("td", { class: "number" }, (100 * r.clay).toFixed(1)), h("td", { class: "number" }, (100 * r.organic_matter).toFixed(1)), h("td", { class: "number" }, r.ph.toFixed(1))))),
      plan && [h("h3", {}, t("about_title")), h("p", {}, plan.holds), plan.assumptions.length > 0 && [h("h4", {}, t("about_assumed")), h("ul", { class: "plain" }, plan.assumptions.map((a) => h("li", {}, a)))],
        h("h4", {}, t("about_limits")), h("ul", { class: "plain" }, [plan.caveat, ...plan.limits].map((l) => h("li", {}, l)))]);
  }
  async function draw() {
    if (node.contains(document.activeElement) && /^(INPUT|SELECT)$/.test(document.activeElement.tagName) && document.activeElement.type !== "checkbox") return;
    const held = [...node.querySelectorAll("input, select, a, button")].indexOf(document.activeElement);
    const parts = await Promise.all([exportsList(), phone(), rests()]);
    node.replaceChildren(h("h2", {}, farm.state.settings.name || t("screen_farm")), settings(), bring(), holds(), ...parts.filter(Boolean));
    if (held >= 0) node.querySelectorAll("input, select, a, button")[held]?.focus({ preventScroll: true });
  }
  return {
    node,
    shown() { draw(); off.push(farm.on("state", draw), farm.on("plan", () => { if (farm.progress?.state === "done") draw(); })); },
    chosen() {},
    gone() { off.forEach((f) => f()); },
  };
}

/** Ask what a file is that may be several things; null if nobody says. */
function whichKind(name, kinds) {
  return new Promise((chosen) => {
    const pick = (kind) => { chosen(kind); dialog.close(); };
    const dialog = h("dialog", { class: "why", "aria-label": t("import_which", { name }) },
      h("div", { class: "drawer-head" }, h("h2", {}, t("import_which", { name })), h("button", { type: "button", class: "close", "aria-label": t("close"), onclick: () => dialog.close() }, "×")),
      h("div", { class: "why-body" }, h("p", { class: "quiet" }, t("import_which_note")), h("ul", { class: "lines" }, kinds.map((k) => h("li", {}, h("button", { type: "button", "data-kind": k, onclick: () => pick(k) }, h("b", {}, upper(t("import_" + k)))))))));
    dialog.addEventListener("close", () => { chosen(null); dialog.remove(); });
    document.body.append(dialog);
    dialog.showModal();
  });
}

/** Take a file in, and show what became of every row of it. */
export async function bringIn(page, kind, file, extra) {
  let done;
  try {
    done = await farm.bring(kind, file, extra);
  } catch (error) {
    if (error.problem?.key !== "which_list") throw error;
    const said = await whichKind(file.name, error.problem.words.kinds);
    return said ? bringIn(page, said, file, extra) : null;
  }
  if (done.words[0] === "did_import_record" && sync.book) { sync.book.record = (await ask("api/record")).rows; sync.tell(); }
  if (kind === "blocks" && page.ground) page.ground.fit();
  const lines = done.report || [];
  const dialog = h("dialog", { class: "why", "aria-label": t("import_report", { name: file.name }) },
    h("div", { class: "drawer-head" }, h("h2", {}, t("import_report", { name: file.name })), h("button", { type: "button", class: "close", "aria-label": t("close"), onclick: () => dialog.close() }, "×")),
    h("div", { class: "why-body", tabindex: "0" }, h("p", { class: "top" }, upper(t(done.words[0], farm.named(done.words[1]))) + "."),
      lines.filter((l) => l.fate === "counts").map((l) => h("p", {}, l.place + ": " + l.what)),
      lines.some((l) => l.fate !== "counts") ? h("ul", { class: "plain" }, lines.filter((l) => l.fate !== "counts").map((l) => h("li", {}, h("b", {}, l.fate + ": "), (l.fate === "assumed" ? "" : l.place + ": ") + l.what))) : h("p", {}, t("import_clean"))));
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
  return done;
}
