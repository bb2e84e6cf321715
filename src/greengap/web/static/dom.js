// Small builders, words, dates and numbers. Text from the farm only ever becomes text nodes.

let words = {};

export async function loadWords(language) {
  const answer = await fetch("static/words/" + language + ".json");
  words = await answer.json();
  document.documentElement.lang = language;
}

/** Texts that are there already, as in a page by itself. */
export function setWords(given) {
  words = given;
}

/** A text of the catalogue, with what goes into it. */
export function t(key, into = {}) {
  const text = words[key];
  if (text === undefined) return "[" + key + "]";
  return text.replace(/\{(\w+)\}/g, (_, name) => (into[name] === undefined || into[name] === null ? "" : into[name]));
}
export const known = (key) => words[key] !== undefined;

function build(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "value") node.value = value;
    else node.setAttribute(name, value === true ? "" : value);
  }
  for (const child of children.flat(Infinity)) {
    if (child !== null && child !== undefined && child !== false) node.append(child);
  }
  return node;
}
export const h = (tag, attributes, ...children) => build(document.createElement(tag), attributes, children);
export const s = (tag, attributes, ...children) =>
  build(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);
export const button = (key, act, more = {}) => h("button", { type: "button", onclick: act, ...more }, t(key));
export const upper = (text) => text.charAt(0).toUpperCase() + text.slice(1);

let marks = 0;
export const unique = (stem) => stem + "-" + ++marks;

/** A labelled field: the label stands above it, a complaint below. */
export function field(key, control, note = "") {
  const id = unique("field");
  control.id = id;
  return h("div", { class: "field" }, h("label", { for: id }, t(key)), control,
    h("p", { class: "complaint", id: id + "-wrong" }), note && h("p", { class: "quiet" }, note));
}

/** Put a complaint beside a field, or take it away. */
export function complain(control, sentence) {
  const spot = document.getElementById(control.id + "-wrong");
  if (!spot) return;
  spot.textContent = sentence || "";
  if (sentence) {
    control.setAttribute("aria-invalid", "true");
    control.setAttribute("aria-describedby", spot.id);
  } else {
    control.removeAttribute("aria-invalid");
    control.removeAttribute("aria-describedby");
  }
}

let hush = null;
/** Say something for a moment, on the page and to a screen reader. */
export function say(sentence, kind = "") {
  const place = document.getElementById("said");
  place.className = kind;
  place.replaceChildren(h("p", {}, sentence));
  if (kind === "trouble") {
    const close = h("button", { type: "button", "aria-label": t("close"), onclick: () => place.replaceChildren() }, "×");
    place.firstChild.append(close);
  }
  clearTimeout(hush);
  hush = setTimeout(() => place.replaceChildren(), kind === "trouble" ? 20000 : 5000);
}

// ---- dates: ISO text outside, days since 1970 inside -------------------------------------------
export const DAY = 86400000;
export const dayOf = (iso) => Math.round(Date.parse(iso + "T00:00:00Z") / DAY);
export const isoOf = (day) => new Date(day * DAY).toISOString().slice(0, 10);
export const MONTHS = () => t("months").split(" ");
export function shortDay(iso, year) {
  if (!iso) return "";
  const [y, m, d] = iso.split("-").map(Number);
  return d + " " + MONTHS()[m - 1] + (year !== undefined && y !== year ? " " + y : "");
}
export const longDay = (iso) => (iso ? shortDay(iso) + " " + iso.slice(0, 4) : "");
export function between(a, b) {
  if (!a || !b) return longDay(a || b);
  if (a === b) return longDay(a);
  if (a.slice(0, 7) === b.slice(0, 7)) return Number(a.slice(8)) + "–" + longDay(b);
  return shortDay(a, Number(b.slice(0, 4))) + " – " + longDay(b);
}

// ---- ground: WGS84, good to a few parts in a million over a farm -----------------------------------
const A = 6378137, E2 = 0.0066943799901413165, E = Math.sqrt(E2);
const rad = Math.PI / 180;
function equalAreaNorthing(lat) {
  const x = Math.sin(lat * rad);
  const q = (1 - E2) * (x / (1 - E2 * x * x) - (1 / (2 * E)) * Math.log((1 - E * x) / (1 + E * x)));
  return (A * q) / 2;
}
/** Area of a ring [m2]: exact for the ellipsoid along the lines of an equal-area projection. */
export function ringArea(ring) {
  let sum = 0;
  if (ring.length < 3) return 0;
  const [lon0] = ring[0];
  const flat = ring.map(([lon, lat]) => [A * (lon - lon0) * rad, equalAreaNorthing(lat)]);
  const y0 = flat[0][1];
  for (let i = 0; i < flat.length; i++) {
    const [x1, y1] = flat[i], [x2, y2] = flat[(i + 1) % flat.length];
    sum += x1 * (y2 - y0) - x2 * (y1 - y0);
  }
  return Math.abs(sum) / 2;
}
/** Metres a degree of longitude and latitude is worth at a latitude. */
export function metresPerDegree(lat) {
  const w = 1 - E2 * Math.sin(lat * rad) ** 2;
  return [((A * Math.cos(lat * rad)) / Math.sqrt(w)) * rad, ((A * (1 - E2)) / w ** 1.5) * rad];
}
export function distance([lon1, lat1], [lon2, lat2]) {
  const [east, north] = metresPerDegree((lat1 + lat2) / 2);
  return Math.hypot((lon2 - lon1) * east, (lat2 - lat1) * north);
}
export function moved([lon, lat], bearing, metres) {
  const [east, north] = metresPerDegree(lat);
  return [lon + (metres * Math.sin(bearing * rad)) / east, lat + (metres * Math.cos(bearing * rad)) / north];
}
export function bearingOf([lon1, lat1], [lon2, lat2]) {
  const [east, north] = metresPerDegree((lat1 + lat2) / 2);
  return (Math.atan2((lon2 - lon1) * east, (lat2 - lat1) * north) / rad + 360) % 360;
}

// ---- numbers for a person ------------------------------------------------------------------------
const FOOT = 0.3048, ACRE = 4046.8564224;
export const areaBoth = (m2) => (m2 / 10000).toFixed(3) + " ha · " + (m2 / ACRE).toFixed(3) + " ac";
export const lengthIn = (m, units) => (units === "us" ? (m / FOOT).toFixed(1) + " ft" : m.toFixed(1) + " m");
export const toMetres = (value, units) => (units === "us" ? value * FOOT : value);
