// The map: outlines, what stands where on a day, layers underneath. Leaflet draws, nothing is fetched from elsewhere.

import { dayOf, h, isoOf, lengthIn, longDay, s, t, upper } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";
import { holesIn, reasonWords } from "./holes.js";

const INK = "#22302f";
export const HATCHES = {
  rising: [8, "M-2 2L2 -2M0 8L8 0M6 10L10 6", 1.3],
  falling: [8, "M-2 6L2 10M0 0L8 8M6 -2L10 2", 1.3],
  level: [6, "M0 3H6", 1.3],
  upright: [6, "M3 0V6", 1.3],
  crosses: [10, "M2.5 5H7.5M5 2.5V7.5", 1.4],
  dots: [7, "M1.75 1.75h0M5.25 5.25h0", 2.4],
  waves: [12, "M0 4Q3 0 6 4T12 4M0 10Q3 6 6 10T12 10", 1.2],
  diamonds: [10, "M5 0L10 5L5 10L0 5Z", 1.1],
  dashes: [10, "M0 2.5H5M5 7.5H10", 1.6],
  steps: [10, "M0 7.5H5V2.5H10", 1.2],
  rings: [10, "M2.6 5a2.4 2.4 0 1 0 4.8 0a2.4 2.4 0 1 0 -4.8 0", 1.1],
  pairs: [10, "M0 3H10M0 5.5H10", 1],
};

/** Patterns of all covers, growing and in flower; put into the page once. */
export function patterns(covers) {
  document.getElementById("patterns")?.remove();
  const one = (cover, bloom) => {
    const [size, path, width] = HATCHES[cover.hatch];
    return s("pattern", { id: (bloom ? "bloom-" : "hatch-") + cover.id, width: bloom ? size * 2 : size, height: bloom ? size * 2 : size, patternUnits: "userSpaceOnUse" },
      s("rect", { width: size * 2, height: size * 2, fill: "#fdfdfb", "fill-opacity": 0.85 }),
      s("rect", { width: size * 2, height: size * 2, fill: cover.colour, "fill-opacity": 0.3 }),
      [[0, 0], ...(bloom ? [[size, 0], [0, size], [size, size]] : [])].map(([x, y]) =>
        s("path", { d: path, transform: "translate(" + x + " " + y + ")", fill: "none", stroke: cover.colour, "stroke-width": width, "stroke-linecap": "round" })),
      bloom && s("circle", { cx: size, cy: size, r: 3, fill: "#fdfdfb", stroke: INK, "stroke-width": 1.2 }));
  };
  document.body.append(s("svg", { id: "patterns", width: 0, height: 0, class: "patterns", "aria-hidden": "true" },
    s("defs", {}, s("pattern", { id: "left-out", width: 9, height: 9, patternUnits: "userSpaceOnUse" }, s("path", { d: "M0 0L9 9M9 0L0 9", fill: "none", stroke: INK, "stroke-width": 0.9 })), covers.map((c) => [one(c, false), one(c, true)]))));
}
export const swatch = (fill, more = {}) =>
  s("svg", { class: "swatch", viewBox: "0 0 34 20", width: 34, height: 20, "aria-hidden": "true" },
    s("rect", { x: 0.75, y: 0.75, width: 32.5, height: 18.5, fill, stroke: INK, "stroke-width": 1, ...more }));

/** What stands on a block on a day: {kind, cover, words}. */
export function standsOn(block, iso, gaps = farm.gapsOf(block)) {
  const crop = farm.cropsOf(block).find((c) => c.start <= iso && iso <= c.end);
  if (crop) return { kind: "crop", words: farm.cropName(crop.crop) };
  for (const gap of gaps) {
    if (!gap.sow || iso < gap.sow || iso > gap.end_by) continue;
    const bloom = gap.flower?.[0] && gap.flower[0] <= iso && iso <= gap.flower[1];
    const name = farm.coverName(gap.cover);
    return { kind: bloom ? "bloom" : "cover", cover: gap.cover, words: bloom ? t("stands_bloom", { cover: name }) : name };
  }
  if (!farm.cropsOf(block).length) return { kind: "unknown", words: t("stands_unknown") };
  return { kind: "bare", words: t("stands_bare") };
}

const CANVAS_ABOVE = 300; // outlines; hatches need SVG

export class Ground {
  constructor(node, { onChoose, stands = standsOn }) {
    this.stands = stands;
    this.node = node;
    this.onChoose = onChoose;
    this.day = isoOf(Math.floor(Date.now() / 86400000));
    this.chosen = null;
    this.many = new Set();
    this.tool = null;
    this.map = L.map(node, {
      attributionControl: false, zoomSnap: 0.25, zoomDelta: 0.5, maxZoom: 24, minZoom: 2, keyboardPanDelta: 60, doubleClickZoom: false,
      zoomControl: false,
    });
    L.control.zoom({ position: "topright", zoomInTitle: "+", zoomOutTitle: "−" }).addTo(this.map);
    this.map.createPane("grid").style.zIndex = 250;
    this.map.createPane("under").style.zIndex = 240;
    this.renderer = farm.blocks().length > CANVAS_ABOVE ? L.canvas({ padding: 0.5, tolerance: 4 }) : L.svg({ padding: 0.5 });
    this.grid = L.layerGroup().addTo(this.map);
    this.under = L.layerGroup().addTo(this.map);
    this.labels = L.layerGroup().addTo(this.map);
    this.shapes = new Map();
    this.scale();
    this.setHome();
    this.map.on("moveend zoomend resize", () => { this.drawGrid(); this.placeLabels(); });
    this.draw();
    this.fit();
  }

  scale() {
    this.ruler?.remove();
    this.ruler = L.control.scale({ metric: farm.units === "metric", imperial: farm.units === "us", maxWidth: 130 }).addTo(this.map);
  }
  setHome() {
    const place = farm.state.settings.place;
    this.map.setView(place ? [place.lat, place.lon] : [0, 0], place ? 17 : 2, { animate: false });
  }
  fit() {
    if (!farm.blocks().length) return;
    this.map.fitBounds(this.layer.getBounds(), { padding: this.node.clientWidth < 500 ? [8, 8] : [30, 30], animate: false, maxZoom: 20 });
  }
  remove() { this.map.remove(); }

  paint(name) {
    const stands = this.stands(name, this.day);
    const picked = name === this.chosen || this.many.has(name);
    const line = { color: picked ? "#6a2358" : INK, weight: picked ? 4 : 1.4, opacity: 1, fillOpacity: 1, dashArray: null };
    const svg = !(this.renderer instanceof L.Canvas);
    const colour = farm.catalogue.covers.find((c) => c.id === stands.cover)?.colour || INK;
    if (stands.kind === "cover") return { ...line, fillColor: svg ? "url(#hatch-" + stands.cover + ")" : colour, fillOpacity: svg ? 1 : 0.4 };
    if (stands.kind === "bloom") return { ...line, fillColor: svg ? "url(#bloom-" + stands.cover + ")" : colour, fillOpacity: svg ? 1 : 0.6 };
    if (stands.kind === "crop") return { ...line, fillColor: "#c9cfc2", fillOpacity: 0.9 };
    return { ...line, fillColor: "#fdfdfb", fillOpacity: 0.45, dashArray: stands.kind === "unknown" && !picked ? "5 4" : null };
  }

  draw() {
    this.layer?.remove();
    this.labels.clearLayers();
    this.shapes.clear();
    this.tags = new Map();
    this.layer = L.geoJSON(farm.state.blocks, { style: (f) => this.paint(f.id), renderer: this.renderer }).addTo(this.map);
    this.layer.eachLayer((shape) => this.shapes.set(shape.feature.id, shape));
    this.layer.on("click", (event) => {
      if (this.tool?.onBlock?.(event.layer.feature.id) || this.tool) return;
      L.DomEvent.stopPropagation(event);
      this.onChoose(event.layer.feature.id);
    });
    for (const feature of farm.blocks()) for (const hole of holesIn(feature)) {
      if (!hole.said) continue;
      const svg = !(this.renderer instanceof L.Canvas);
      L.polygon(hole.ring.map(([lon, lat]) => [lat, lon]), { renderer: this.renderer, interactive: false, stroke: true, color: INK, weight: 1, dashArray: "2 3", fillColor: svg ? "url(#left-out)" : "#8fa09c", fillOpacity: svg ? 1 : 0.4, className: "left-out" }).addTo(this.labels);
      const icon = L.divIcon({ html: h("div", { class: "label hole-label" }, reasonWords(hole.said)), className: "label-spot", iconSize: [0, 0] });
      L.marker([hole.at[1], hole.at[0]], { icon, interactive: false, keyboard: false }).addTo(this.labels);
    }
    const order = [...farm.blocks()].sort((a, b) => b.properties.area_m2 - a.properties.area_m2);
    for (const feature of order) {
      const what = h("span", { class: "what" });
      const box = h("div", { class: "label" }, h("span", { class: "name" }, feature.id), what);
      const icon = L.divIcon({ html: box, className: "label-spot", iconSize: [0, 0] });
      L.marker(this.shapes.get(feature.id).getBounds().getCenter(), { icon, interactive: false, keyboard: false }).addTo(this.labels);
      this.tags.set(feature.id, { box, what });
    }
    this.repaint();
    this.drawGrid();
  }
  repaint() {
    for (const [name, shape] of this.shapes) {
      shape.setStyle(this.paint(name));
      const path = shape.getElement?.();
      if (!path) continue;
      path.setAttribute("tabindex", this.tool ? "-1" : "0");
      path.setAttribute("role", "button");
      path.setAttribute("data-block", name);
      path.setAttribute("aria-label", name + ": " + this.stands(name, this.day).words);
      if (path.dataset.keys) continue;
      path.dataset.keys = "yes";
      path.addEventListener("keydown", (event) => {
        if (event.key !== "Enter" && event.key !== " ") return;
        event.preventDefault();
        event.stopPropagation();
        if (!this.tool?.onBlock?.(name)) this.onChoose(name);
      });
    }
    this.placeLabels();
  }
  placeLabels() {
    if (!this.tags) return;
    const taken = [];
    const free = (a) => taken.every((b) => a.right < b.left || b.right < a.left || a.bottom < b.top || b.bottom < a.top);
    for (const [name, { box, what }] of this.tags) {
      const bounds = this.shapes.get(name).getBounds();
      const across = this.map.project(bounds.getNorthEast()).subtract(this.map.project(bounds.getSouthWest()));
      what.textContent = this.tagWords ? this.tagWords(name) : upper(this.stands(name, this.day).words);
      if (Math.max(across.x, -across.y) < 18) { box.className = "label gone"; continue; }
      for (const looks of ["label", "label brief", "label gone"]) {
        box.className = looks;
        if (looks === "label gone") break;
        const room = box.getBoundingClientRect();
        if (looks === "label" && (room.width > across.x + 50 || room.height > -0.9 * across.y)) continue;
        if (room.width > 1.8 * Math.hypot(across.x, across.y)) continue;
        if (free(room)) { taken.push(room); break; }
      }
    }
  }
  choose(name, zoom) {
    this.chosen = name;
    this.repaint();
    const shape = this.shapes.get(name);
    if (shape) {
      shape.bringToFront?.();
      if (zoom && !this.map.getBounds().contains(shape.getBounds())) this.map.fitBounds(shape.getBounds(), { padding: [60, 60], maxZoom: 18.5, animate: false });
    }
  }

  // A square grid on the paper, so that distances can be judged where there is no picture.
  drawGrid() {
    this.grid.clearLayers();
    const view = this.map.getBounds().pad(0.3);
    const foot = farm.units === "us" ? 0.3048 : 1;
    const origin = this.layer?.getLayers().length ? this.layer.getBounds().getSouthWest() : L.latLng(Math.round(view.getCenter().lat), Math.round(view.getCenter().lng));
    const style = { pane: "grid", color: "#8fa09c", weight: 0.6, opacity: 0.55, interactive: false };
    const perLat = 111320, perLng = 111320 * Math.max(Math.cos((view.getCenter().lat * Math.PI) / 180), 0.05);
    const wide = ((view.getEast() - view.getWest()) * perLng) / foot;
    const step = [5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 50000, 100000, 500000, 1000000, 5000000].find((n) => wide / n < 22) || 10000000;
    const dLat = (step * foot) / perLat, dLng = (step * foot) / perLng;
    for (let k = Math.floor((view.getWest() - origin.lng) / dLng); origin.lng + k * dLng < view.getEast(); k++) {
      const lng = origin.lng + k * dLng;
      this.grid.addLayer(L.polyline([[view.getSouth(), lng], [view.getNorth(), lng]], style));
    }
    for (let k = Math.floor((view.getSouth() - origin.lat) / dLat); origin.lat + k * dLat < view.getNorth(); k++) {
      const lat = origin.lat + k * dLat;
      this.grid.addLayer(L.polyline([[lat, view.getWest()], [lat, view.getEast()]], style));
    }
  }

  async showUnder(key, note) {
    this.under.clearLayers();
    this.tagWords = null;
    note.replaceChildren();
    try {
      if (key === "underlay") {
        const own = farm.state.settings.underlay;
        L.imageOverlay("api/underlay.png?" + own.serial, own.bounds, { pane: "under", alt: own.name }).addTo(this.under);
      } else if (key.startsWith("soil_")) {
        const got = await ask("api/soil-layer/" + key.slice(5));
        L.imageOverlay(got.picture, got.bounds, { pane: "under", alt: t("layer_" + key) }).addTo(this.under);
        const classes = Object.entries(got.classes).filter(([n]) => Number(n) >= got.low && Number(n) <= got.high);
        const range = classes.length ? { low: classes[0][1], high: classes.at(-1)[1], unit: "" } : { low: got.low, high: got.high, unit: got.unit };
        note.append(h("i", { class: "ramp" }), t("layer_range", range));
      } else if (key === "weather") {
        const got = await ask("api/site");
        const of = new Map(got.weather.flatMap((w) => w.blocks.map((b) => [b, w])));
        const us = farm.units === "us";
        this.tagWords = (name) => {
          const w = of.get(name);
          if (!w) return "";
          return t("weather_label", { rain: us ? (w.rain_mm / 25.4).toFixed(1) + " in" : w.rain_mm + " mm", temperature: us ? (w.tmean_degc * 1.8 + 32).toFixed(1) + " °F" : w.tmean_degc + " °C" });
        };
      }
    } catch (error) {
      note.append(inWords(error));
    }
    this.faint = key.startsWith("soil_") || key === "underlay";
    this.node.classList.toggle("over-picture", this.faint);
    this.placeLabels();
  }
}
