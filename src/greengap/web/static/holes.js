// Holes in blocks: where they are, and why they are left out.

import { field, h, ringArea, t } from "./dom.js";
import { farm } from "./farm.js";

export const REASONS = ["wet", "stones", "pond", "tree", "other"];

function covers(ring, [x, y]) {
  let inside = false;
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
    const [x1, y1] = ring[i], [x2, y2] = ring[j];
    if (y1 > y !== y2 > y && x < ((x2 - x1) * (y - y1)) / (y2 - y1) + x1) inside = !inside;
  }
  return inside;
}
/** A place inside a ring: the middle of the widest stretch along a line through its middle. */
function within(ring) {
  const ys = ring.map((c) => c[1]), y = (Math.min(...ys) + Math.max(...ys)) / 2 + 1e-10;
  const xs = [];
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
    const [x1, y1] = ring[i], [x2, y2] = ring[j];
    if (y1 > y !== y2 > y) xs.push(((x2 - x1) * (y - y1)) / (y2 - y1) + x1);
  }
  xs.sort((a, b) => a - b);
  let best = [0, 0];
  for (let i = 0; i + 1 < xs.length; i += 2) if (xs[i + 1] - xs[i] > best[1] - best[0]) best = [xs[i], xs[i + 1]];
  return [(best[0] + best[1]) / 2, y];
}

/** Holes of a block: ring, area, a place inside, and what is said of it. */
export function holesIn(feature) {
  const { type, coordinates } = feature.geometry;
  const said = farm.state.settings.cut_outs || [];
  return (type === "Polygon" ? [coordinates] : coordinates).flatMap((rings) => rings.slice(1)).map((ring) => {
    const found = said.find((one) => covers(ring, [one.lon, one.lat]));
    return { ring, area: ringArea(ring.slice(0, -1)), at: found ? [found.lon, found.lat] : within(ring), said: found };
  });
}
export const reasonWords = (said) => (said ? said.note || t("hole_" + said.reason) : "");

/** The fields in which a reason is given. */
export function reasonFields(own = {}) {
  const reason = h("select", {}, ["", ...REASONS].map((k) => h("option", { value: k }, t(k ? "hole_" + k : "hole_none"))));
  reason.value = own.reason || "";
  const note = h("input", { maxlength: 60, value: own.note || "" });
  return { reason, note, parts: [field("hole_reason", reason), field("hole_note", note)] };
}
