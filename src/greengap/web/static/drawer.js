// The drawer for what is chosen: a block, a crop, a gap.

import { areaBoth, between, button, complain, field, h, longDay, say, shortDay, t, unique, upper } from "./dom.js";
import { farm, inWords } from "./farm.js";
import { gapDrawer } from "./gap.js";
import { groundOf, setForm, withSet } from "./block_water.js";
import { holesIn, reasonFields } from "./holes.js";
import { usableWords } from "./screen_calendar.js";

const DIRECTIONS = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];
const CROP_FIELDS = ["start_early", "start", "start_late", "end_early", "end", "end_late"];

export function drawer(page) {
  const node = document.getElementById("drawer");
  let alive = null; // the gap that is shown, to let it go

  function head(title, ...more) {
    return h("div", { class: "drawer-head" }, h("h2", { tabindex: "-1" }, title), more,
      h("button", { type: "button", class: "close", "aria-label": t("close"), onclick: () => page.go({ block: null, gap: null, crop: null }) }, "×"));
  }

  function show() {
    alive?.gone?.();
    alive = null;
    const block = page.block && farm.block(page.block);
    node.hidden = !block;
    document.body.classList.toggle("with-drawer", Boolean(block));
    if (!block) { node.replaceChildren(); return; }
    if (page.crop) node.replaceChildren(...cropForm(block).filter(Boolean));
    else if (page.gap) { alive = gapDrawer(page, head); node.replaceChildren(alive.node); }
    else node.replaceChildren(...blockSheet(block).filter(Boolean));
    node.setAttribute("aria-label", page.block);
    node.scrollTop = 0;
    if (page.moveFocus) node.querySelector("h2")?.focus({ preventScroll: true });
  }

  function gapLine(gap) {
    const what = gap.sow ? farm.coverName(gap.cover) + ": " + t("block_covered", { date: shortDay(gap.sow_from || gap.sow) + (gap.sow_until && gap.sow_until !== gap.sow_from ? " – " + shortDay(gap.sow_until) : "") }) : t("no_cover");
    return h("li", {}, h("button", { type: "button", onclick: () => page.go({ gap: gap.id, crop: null, moveFocus: true }) },
      h("b", {}, between(gap.start, gap.end)), h("span", {}, usableWords(gap)), h("i", {}, upper(what))));
  }

  function blockSheet(feature) {
    const name = feature.id, crops = farm.cropsOf(name), gaps = farm.gapsOf(name);
    const problem = farm.progress?.problems?.[name];
    const title = h("input", { value: name, maxlength: 60 }), within = h("input", { value: feature.properties.field, maxlength: 60 });
    const rename = async () => {
      try {
        const done = await farm.edit({ kind: "rename", block: name, name: title.value, field: within.value });
        page.go({ block: done.words[1].name });
      } catch (error) { complain(title, inWords(error)); }
    };
    const sure = h("div", { hidden: true, class: "sure" }, h("p", {}, t("remove_sure", { block: name })),
      h("div", { class: "row" }, button("remove_yes", async () => { try { await farm.edit({ kind: "remove", block: name }); page.go({ block: null, gap: null, crop: null }); } catch (e) { say(inWords(e), "trouble"); } }, { class: "main" }),
        button("cancel", () => { sure.hidden = true; })));
    const others = farm.blocks().filter((b) => b.id !== name);
    const ticks = others.map((b) => h("label", { class: "tick" }, h("input", { type: "checkbox", value: b.id }), b.id));
    const renameForm = h("form", { class: "row", onsubmit: (e) => { e.preventDefault(); rename(); } }, field("name_new", title), field("name_field", within),
      h("button", { type: "submit" }, t("rename")));
    if (page.fresh) setTimeout(() => { title.focus(); title.select(); }, 50);
    page.fresh = false;
    return [
      head(name, h("p", { class: "quiet" }, t("block_area", { area: areaBoth(feature.properties.area_m2), field: feature.properties.field }))),
      problem && h("p", { class: "wrong", role: "alert" }, t("clash", { late: farm.cropName(problem.late), comes: farm.cropName(problem.comes), last: longDay(problem.last), first: longDay(problem.first) })),
      h("section", {}, h("h3", {}, t("block_gaps")), gaps.length ? h("ul", { class: "lines" }, gaps.map(gapLine)) : h("p", { class: "quiet" }, crops.length ? t("no_gaps_here") : t("no_crops_here"))),
      h("section", {}, h("h3", {}, t("block_crops")),
        h("ul", { class: "lines" }, crops.map((c) => h("li", {}, h("button", { type: "button", onclick: () => page.go({ crop: c.key, moveFocus: true }) }, h("b", {}, upper(farm.cropName(c.crop))), h("span", {}, between(c.start, c.end)), h("i", {}, t(c.establishment)))))),
        h("div", { class: "row" }, button("add_crop", () => page.go({ crop: "new", moveFocus: true }), { class: "main" }),
          crops.length > 0 && button("next_year", async () => { try { await farm.edit({ kind: "next_year", blocks: [name] }); } catch (e) { say(inWords(e), "trouble"); } })),
        farm.sameFamily(name).map(([first, second, family]) => h("p", { class: "quiet" }, "! " + t("rotation", { first: farm.cropName(first.crop), second: farm.cropName(second.crop), date: longDay(second.start), family }))),
        (farm.state.before[name]?.kin || []).map((k) => h("p", { class: "quiet" }, "! " + t(k.of ? "rotation_part" : "rotation_before", { ...k, date: longDay(k.date) }))),
        crops.length > 0 && others.length > 0 && h("details", {}, h("summary", {}, t("copy_to")), h("p", { class: "quiet" }, t("copy_to_note")), h("div", { class: "many" }, ticks),
          button("copy_now", async () => {
            const to = ticks.map((l) => l.firstChild).filter((i) => i.checked).map((i) => i.value);
            try { await farm.edit({ kind: "copy_crops", block: name, to }); } catch (e) { say(inWords(e), "trouble"); }
          }))),
      holesOf(feature),
      beforeOf(name),
      factsOf(feature),
      h("section", {}, h("h3", {}, t("block_outline")), renameForm, h("div", { class: "row" }, button("remove_block", () => { sure.hidden = false; sure.querySelector("button").focus(); })), sure),
    ];
  }

  /** Holes of the block, with the reason why each is left out. */
  function holesOf(feature) {
    const found = holesIn(feature);
    if (!found.length) return null;
    return h("section", { id: "holes" }, h("h3", {}, t("holes_title")), found.map((hole, n) => {
      const own = hole.said || {}, { reason, note, parts } = reasonFields(own);
      return h("form", { class: "hole", "aria-label": t("hole_number", { n: n + 1 }), onsubmit: async (e) => {
        e.preventDefault();
        try { await farm.edit({ kind: "hole_reason", block: feature.id, lon: hole.at[0], lat: hole.at[1], reason: reason.value, note: note.value }); complain(reason, ""); } catch (error) { complain(reason, inWords(error)); reason.focus(); }
      } }, h("p", { class: "quiet" }, t("hole_number", { n: n + 1 }) + ": " + areaBoth(hole.area)), h("div", { class: "pair" }, parts), h("button", { type: "submit" }, t("hole_keep")));
    }));
  }

  /** What the block came of, and what was written down for that ground. */
  function beforeOf(name) {
    const told = farm.state.before[name];
    if (!told) return null;
    return h("section", { id: "before" }, h("h3", {}, t("before_title")),
      told.came.length > 0 && h("ul", { class: "plain" }, told.came.map((c) => h("li", {}, t("before_" + c.way.replace(" ", "_"), { parent: c.parent, block: c.block, date: longDay(c.date) })))),
      told.rows.length > 0 && h("details", { open: told.rows.length < 6 }, h("summary", {}, t("before_rows", { n: told.rows.length + told.more })),
        h("ul", { class: "plain" }, told.rows.map((r) => h("li", {}, h("b", {}, longDay(r.date)), " " + r.what, r.part_of && h("span", { class: "quiet" }, " · " + t("before_part_of", { parent: r.part_of }))))),
        told.more > 0 && h("p", { class: "quiet" }, t("before_more", { n: told.more }))));
  }

  /** What is known of the block besides its outline: water, sown ground, and the grower's word over the map. */
  function factsOf(feature) {
    const name = feature.id, own = farm.state.settings;
    const keep = async (values, control) => { try { await farm.edit({ kind: "settings", values }); if (control) complain(control, ""); } catch (e) { if (control) complain(control, inWords(e)); else say(inWords(e), "trouble"); } };
    // What is watered at once comes and goes with the tick, which keeps its place.
    const again = async (kept) => { await kept; const at = node.scrollTop; show(); node.scrollTop = at; document.getElementById("fact-watered")?.focus({ preventScroll: true }); };
    const wet = own.irrigation === true ? farm.blocks().map((b) => b.id) : own.irrigation || [];
    const water = h("label", { class: "tick" }, h("input", { type: "checkbox", id: "fact-watered", checked: wet.includes(name), onchange: (e) => again(keep({ irrigation: e.target.checked ? [...wet, name] : wet.filter((w) => w !== name), ...(!e.target.checked && own.irrigation_set?.blocks?.[name] ? { irrigation_set: withSet(own, name, null) } : {}) })) }), t("fact_watered"));
    const share = h("input", { type: "number", min: 1, max: 100, step: "any", inputmode: "decimal", value: Number((100 * feature.properties.sown_share).toFixed(2)), onchange: async () => {
      try { await farm.edit({ kind: "sown_share", block: name, share: Number(share.value) / 100 }); complain(share, ""); share.parentElement.querySelector(".quiet").textContent = t("fact_share_note", { area: areaBoth((feature.properties.area_m2 * Number(share.value)) / 100) }); } catch (e) { complain(share, inWords(e)); }
    } });
    const degree = farm.units === "us" ? 1.8 : 1, offset = own.cold_offset_degc?.[name];
    const cold = h("input", { type: "number", min: -15 * degree, max: 15 * degree, step: "any", inputmode: "decimal", value: offset === undefined ? "" : Number((offset * degree).toFixed(2)), onchange: () => {
      const rest = { ...(own.cold_offset_degc || {}) };
      if (cold.value === "" || Number(cold.value) === 0) delete rest[name]; else rest[name] = Number((Number(cold.value) / degree).toFixed(3));
      keep({ cold_offset_degc: rest }, cold);
    } });
    const word = own.growers_word?.[name] || {};
    const three = (key) => { const s = h("select", {}, ["", "yes", "no"].map((k) => h("option", { value: k }, t("word_" + (k || "map"))))); s.value = word[key] === true ? "yes" : word[key] === false ? "no" : ""; return s; };
    const ponds = three("ponds"), crusts = three("crusts");
    const faces = h("select", {}, ["", ...DIRECTIONS].map((k) => h("option", { value: k }, k || t("word_map"))));
    faces.value = word.faces || "";
    const numbers = Object.fromEntries(["organic_matter_percent", "ph", "slope_percent"].map((k) => [k, h("input", { type: "number", step: "any", inputmode: "decimal", value: word[k] ?? "" })]));
    const reason = h("input", { maxlength: 120, value: word.reason || "" }), by = h("input", { maxlength: 40, autocomplete: "name", value: word.by || "" });
    return h("section", {}, h("h3", {}, t("block_facts")), groundOf(name), water, wet.includes(name) && setForm(name, own, keep),
      h("div", { class: "pair" }, field("fact_share", share, t("fact_share_note", { area: areaBoth(feature.properties.area_m2 * feature.properties.sown_share) })), field(farm.units === "us" ? "fact_cold_us" : "fact_cold", cold, t("fact_cold_note"))),
      h("details", { open: Boolean(word.reason) }, h("summary", {}, t("word_title")), h("p", { class: "quiet" }, t("word_note")),
        h("form", { onsubmit: (e) => {
          e.preventDefault();
          const rest = { ...(own.growers_word || {}) }, mine = {};
          for (const [k, s] of [["ponds", ponds], ["crusts", crusts]]) if (s.value) mine[k] = s.value === "yes";
          for (const [k, c] of Object.entries(numbers)) if (c.value !== "") mine[k] = Number(c.value);
          if (faces.value) mine.faces = faces.value;
          if (!Object.keys(mine).length) delete rest[name];
          else if (!reason.value.trim()) { complain(reason, t("problem_cell_empty")); reason.focus(); return; }
          else rest[name] = { ...Object.fromEntries(Object.entries(word).filter(([k]) => !(k in numbers) && !["ponds", "crusts", "faces", "reason", "by"].includes(k))), ...mine, reason: reason.value.trim(), ...(by.value.trim() ? { by: by.value.trim() } : {}) };
          keep({ growers_word: rest }, reason);
        } }, h("div", { class: "pair" }, field("word_ponds", ponds), field("word_crusts", crusts), ...Object.entries(numbers).map(([k, c]) => field("word_" + k, c)), field("word_faces", faces), field("word_reason", reason), field("read_by", by)),
        h("button", { type: "submit" }, t("word_keep")))));
  }

  function cropForm(feature) {
    const block = feature.id;
    const own = page.crop === "new" ? null : farm.state.crops.find((c) => c.key === page.crop);
    if (page.crop !== "new" && !own) { page.crop = null; return blockSheet(feature); }
    const list = unique("vegetables");
    const crop = h("input", { list, value: own ? farm.cropName(own.crop) : "", autocomplete: "off", maxlength: 60 });
    const establishment = h("select", {}, ["transplanted", "seeded", "planted"].map((k) => h("option", { value: k }, t(k))));
    establishment.value = own ? own.establishment : "transplanted";
    const dates = Object.fromEntries(CROP_FIELDS.map((k) => [k, h("input", { type: "date", value: own ? own[k] || "" : "", min: "1900-01-01", max: "2200-12-31" })]));
    const wrong = h("p", { class: "complaint", role: "alert" });
    const all = { crop, establishment, ...dates };
    async function keep() {
      for (const control of Object.values(all)) complain(control, "");
      wrong.textContent = "";
      const row = { block, crop: farm.catalogue.vegetables.find((v) => v.name.toLowerCase() === crop.value.trim().toLowerCase())?.id || crop.value.trim(), establishment: establishment.value };
      for (const k of CROP_FIELDS) row[k] = dates[k].value;
      try {
        await farm.edit({ kind: "set_crop", key: own ? own.key : null, row });
        page.go({ crop: null });
      } catch (error) {
        const control = all[error.problem?.field];
        if (control) { complain(control, inWords(error)); control.focus(); } else wrong.textContent = inWords(error);
      }
    }
    return [
      head(own ? t("edit_crop", { crop: upper(farm.cropName(own.crop)), block }) : t("new_crop", { block })),
      h("form", { class: "crop-form", novalidate: true, onsubmit: (e) => { e.preventDefault(); keep(); } },
        field("crop", crop), h("datalist", { id: list }, farm.catalogue.vegetables.map((v) => h("option", { value: v.name }))),
        field("establishment", establishment), field("starts", dates.start), field("ends", dates.end),
        h("details", { open: Boolean(own && CROP_FIELDS.some((k) => k.includes("_") && own[k])) }, h("summary", {}, t("soft")),
          h("div", { class: "pair" }, ["start_early", "start_late", "end_early", "end_late"].map((k) => field(k, dates[k])))),
        wrong,
        h("div", { class: "row" }, h("button", { type: "submit", class: "main" }, t("save")), button("cancel", () => page.go({ crop: null })),
          own && button("remove_crop", async () => { try { await farm.edit({ kind: "remove_crop", key: own.key }); page.go({ crop: null }); } catch (e) { wrong.textContent = inWords(e); } }))),
    ];
  }

  const busy = () => node.contains(document.activeElement) && /^(INPUT|SELECT|TEXTAREA)$/.test(document.activeElement.tagName);
  farm.on("state", () => { if (page.block && !farm.block(page.block)) { page.go({ block: null, gap: null, crop: null }); return; } if (!page.crop && !page.gap && !busy()) show(); });
  farm.on("plan", () => { if (alive) alive.replanned(); else if (!page.crop && !busy()) show(); });
  return { show };
}
