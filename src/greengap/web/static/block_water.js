// Facts of the ground of a block, and what is watered at once on it.

import { complain, field, h, t } from "./dom.js";
import { farm } from "./farm.js";

const METHODS = ["", "sprinkler", "drip", "furrow"];
const AREAS = ["area_m2", "area_ha", "area_ac"], FLOWS = ["flow_m3_h", "flow_l_min", "flow_gpm"];

/** Slope, the way it faces, ponding and crusting, each with where it comes from. */
export function groundOf(name) {
  const found = farm.plan?.ground?.[name];
  if (!found) return null;
  const line = (key, value, from) => [h("dt", {}, t("ground_" + key)), h("dd", {}, value, from && h("span", { class: "quiet" }, " · " + from))];
  const said = (value) => t(value === null ? "ground_not_said" : value ? "word_yes" : "word_no");
  return h("dl", { class: "ground-facts" },
    line("slope", found.slope || t("ground_not_known"), found.slope_from), found.faces && line("faces", found.faces, found.faces_from),
    line("ponds", said(found.ponds), found.ponds !== null && found.said), line("crusts", said(found.crusts), found.crusts !== null && found.said),
    found.sets && line("sets", t("ground_sets_of", { n: found.sets, area: found.set_area })));
}

/** The settings of irrigation sets with another one for a block, or none. */
export function withSet(own, name, set) {
  const { blocks, ...all } = own.irrigation_set || {};
  const rest = { ...(blocks || {}) };
  if (set) rest[name] = set; else delete rest[name];
  const out = { ...all, ...(Object.keys(rest).length ? { blocks: rest } : {}) };
  return Object.keys(out).length ? out : null;
}

/** What is watered at once on a block, in the unit in which it is typed. */
export function setForm(name, own, keep) {
  const set = own.irrigation_set?.blocks?.[name] || {}, us = farm.units === "us";
  const measure = (keys, usual) => {
    const used = keys.find((k) => set[k] !== undefined);
    const value = h("input", { type: "number", min: 0, step: "any", inputmode: "decimal", value: used ? set[used] : "" });
    const unit = h("select", { "aria-label": t("set_unit") }, keys.map((k) => h("option", { value: k }, t("set_" + k))));
    unit.value = used || usual;
    return { value, unit };
  };
  const area = measure(AREAS, us ? "area_ac" : "area_m2"), flow = measure(FLOWS, us ? "flow_gpm" : "flow_m3_h");
  const rotation = h("input", { type: "number", min: 0, step: "any", inputmode: "decimal", value: set.rotation_d ?? "" });
  const method = h("select", {}, METHODS.map((k) => h("option", { value: k }, t(k ? "set_" + k : "set_not_said"))));
  method.value = set.method || "";
  const pair = (key, { value, unit }) => { const one = field(key, value); value.after(unit); one.classList.add("with-unit"); return one; };
  return h("details", { open: Object.keys(set).length > 0, id: "water-set" }, h("summary", {}, t("set_title")), h("p", { class: "quiet" }, t("set_note")),
    h("form", { onsubmit: (e) => {
      e.preventDefault();
      const mine = {};
      if (area.value.value !== "") mine[area.unit.value] = Number(area.value.value);
      if (flow.value.value !== "") mine[flow.unit.value] = Number(flow.value.value);
      if (rotation.value !== "") mine.rotation_d = Number(rotation.value);
      if (method.value) mine.method = method.value;
      complain(area.value, "");
      keep({ irrigation_set: withSet(own, name, Object.keys(mine).length ? mine : null) }, area.value);
    } }, h("div", { class: "pair" }, pair("set_area", area), pair("set_flow", flow), field("set_rotation", rotation), field("set_method", method)),
    h("button", { type: "submit" }, t("set_keep"))));
}
