// Drawing by hand: by mouse, by finger, by keyboard, by typing. The page draws the line; the server says what comes of it.

import { areaBoth, bearingOf, button, distance, field, h, lengthIn, metresPerDegree, moved, ringArea, say, t, toMetres } from "./dom.js";
import { reasonFields } from "./holes.js";
import { ask, farm, inWords } from "./farm.js";

const NEAR = () => (matchMedia("(pointer: coarse)").matches ? 24 : 13); // pixels
const PLUM = "#6a2358";

/** Nearest place on a side, in pixels. */
function onSide(p, a, b) {
  const dx = b.x - a.x, dy = b.y - a.y, length = dx * dx + dy * dy;
  const k = length ? Math.max(0, Math.min(1, ((p.x - a.x) * dx + (p.y - a.y) * dy) / length)) : 0;
  return { x: a.x + k * dx, y: a.y + k * dy, k };
}
const ROOM = 40; // pixels of a side that has room for a handle in its middle
const SHARED = 0.03; // metres within which two corners are one
const openRings = (geometry) => ringsOf(geometry).map((rings) => rings.map((ring) => ring.slice(0, -1).map((c) => [...c])));
const copied = (parts) => parts.map((rings) => rings.map((ring) => ring.map((c) => [...c])));

/** Outlines of neighbours, whose corners move along where they are shared. */
class Neighbours {
  constructor(block) {
    this.parts = new Map(farm.blocks().filter((b) => b.id !== block).map((b) => [b.id, openRings(b.geometry)]));
    this.moved = new Set();
  }
  held() { return [new Map([...this.parts].map(([k, v]) => [k, copied(v)])), new Set(this.moved)]; }
  back([parts, moved]) { this.parts = new Map([...parts].map(([k, v]) => [k, copied(v)])); this.moved = new Set(moved); }
  /** Rings that have a corner at a place, or a side through it; `at` is where a corner stands or would have to be put in. */
  *meeting([lon, lat]) {
    const [east, north] = metresPerDegree(lat), near = (c) => Math.hypot((c[0] - lon) * east, (c[1] - lat) * north);
    for (const [name, parts] of this.parts) for (const rings of parts) for (const ring of rings) {
      const corner = ring.findIndex((c) => near(c) < SHARED);
      if (corner >= 0) { yield { name, ring, at: corner, there: true }; continue; }
      for (let i = 0; i < ring.length; i++) {
        const a = ring[i], b = ring[(i + 1) % ring.length], p = { x: 0, y: 0 };
        const q = onSide(p, { x: (a[0] - lon) * east, y: (a[1] - lat) * north }, { x: (b[0] - lon) * east, y: (b[1] - lat) * north });
        if (Math.hypot(q.x, q.y) < SHARED) { yield { name, ring, at: i + 1, there: false }; break; }
      }
    }
  }
  move(from, to) {
    if (from[0] === to[0] && from[1] === to[1]) return;
    for (const { name, ring, at, there } of [...this.meeting(from)]) {
      if (there) ring[at] = [...to]; else ring.splice(at, 0, [...to]);
      this.moved.add(name);
    }
  }
  drop(from) {
    for (const { name, ring, at, there } of [...this.meeting(from)]) if (there && ring.length > 3) { ring.splice(at, 1); this.moved.add(name); }
  }
}
const ringsOf = (geometry) => (geometry.type === "Polygon" ? [geometry.coordinates] : geometry.coordinates);

class Tool {
  constructor(ground, kind, block, done) {
    Object.assign(this, { ground, map: ground.map, kind, block, done, points: [], snap: true, asked: 0 });
    this.ink = L.layerGroup().addTo(this.map);
    this.marks = L.layerGroup().addTo(this.map);
    this.pointer = L.layerGroup().addTo(this.map);
    this.bar = h("section", { class: "draw-bar", "aria-label": t("tool_" + kind) });
    this.reading = h("p", { class: "reading", "aria-live": "polite" });
    this.trouble = h("ul", { class: "trouble-list", "aria-live": "polite" });
    ground.tool = this;
    ground.node.classList.add("drawing");
    this.key = (event) => this.onKey(event);
    document.addEventListener("keydown", this.key);
    ground.repaint();
  }
  end() {
    this.ink.remove(); this.marks.remove(); this.pointer.remove();
    document.removeEventListener("keydown", this.key);
    this.map.off("click", this.click).off("mousemove", this.follow);
    this.ground.tool = null;
    this.ground.node.classList.remove("drawing");
    this.ground.repaint();
    this.done();
  }
  typing(event) { return /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName) && event.target.type !== "checkbox"; }

  /** Where a click lands: {lngLat, word}. */
  snapped(latlng, besides = null, along = null) {
    const here = [latlng.lng, latlng.lat];
    if (!this.snap) return { at: here, word: "" };
    const near = NEAR(), p = this.map.latLngToContainerPoint(latlng);
    const pixel = ([lon, lat]) => this.map.latLngToContainerPoint([lat, lon]);
    let best = null;
    const offer = (away, at, word, rank) => {
      if (away <= near && (!best || rank < best.rank || (rank === best.rank && away < best.away))) best = { away, at, word, rank };
    };
    if (this.points.length > 2 && this.closes) offer(p.distanceTo(pixel(this.points[0])), this.points[0], t("snap_first"), 0);
    for (const feature of farm.blocks()) {
      if (this.kind === "reshape" && feature.id === this.block) continue;
      for (const rings of ringsOf(feature.geometry)) for (const ring of rings) {
        for (let i = 0; i < ring.length - 1; i++) {
          const a = pixel(ring[i]), b = pixel(ring[i + 1]);
          if (Math.min(a.x, b.x) - near > p.x || Math.max(a.x, b.x) + near < p.x || Math.min(a.y, b.y) - near > p.y || Math.max(a.y, b.y) + near < p.y) continue;
          if (along && this.along?.checked && [ring[i], ring[i + 1]].some((c) => distance(c, along) < SHARED)) continue;
          offer(p.distanceTo(a), ring[i], t("snap_corner", { block: feature.id }), 1);
          const q = onSide(p, a, b);
          offer(Math.hypot(p.x - q.x, p.y - q.y), [ring[i][0] + q.k * (ring[i + 1][0] - ring[i][0]), ring[i][1] + q.k * (ring[i + 1][1] - ring[i][1])], t("snap_edge", { block: feature.id }), 2);
        }
      }
    }
    if (!best && this.points.length > 1 && !besides) {
      const [before, last] = this.points.slice(-2);
      const [east, north] = metresPerDegree(last[1]);
      const ux = (last[0] - before[0]) * east, uy = (last[1] - before[1]) * north, length = Math.hypot(ux, uy) || 1;
      const vx = (here[0] - last[0]) * east, vy = (here[1] - last[1]) * north;
      for (const [dx, dy, word] of [[ux / length, uy / length, "snap_line"], [-uy / length, ux / length, "snap_right"]]) {
        const along = vx * dx + vy * dy;
        const at = [last[0] + (along * dx) / east, last[1] + (along * dy) / north];
        offer(p.distanceTo(pixel(at)) * 1.4, at, t(word), 3);
      }
    }
    return best || { at: here, word: "" };
  }
  showSnap(found) {
    this.pointer.clearLayers();
    const [lon, lat] = found.at;
    if (found.word) {
      L.circleMarker([lat, lon], { radius: 7, color: PLUM, weight: 2, fill: false, interactive: false }).addTo(this.pointer);
      L.marker([lat, lon], { icon: L.divIcon({ html: h("span", { class: "snap-word" }, found.word), className: "label-spot", iconSize: [0, 0] }), interactive: false, keyboard: false }).addTo(this.pointer);
    }
  }
  snapBox() {
    const box = h("input", { type: "checkbox", checked: true, onchange: (e) => { this.snap = e.target.checked; } });
    return h("label", { class: "tick" }, box, t("draw_snap"));
  }

  /** Ask the server what is wrong, a moment after the last change. */
  look(rings, block, also = []) {
    clearTimeout(this.later);
    this.later = setTimeout(async () => {
      const number = ++this.asked;
      let got;
      try { got = await ask("api/outline", { rings, block, also }); } catch (error) { return; }
      if (number !== this.asked) return;
      this.marks.clearLayers();
      this.trouble.replaceChildren();
      for (const fault of got.faults) {
        L.marker([fault.lat, fault.lon], { icon: L.divIcon({ html: h("span", { class: "fault-mark", "aria-hidden": "true" }, "!"), className: "label-spot", iconSize: [0, 0] }), interactive: false, keyboard: false }).addTo(this.marks);
        this.trouble.append(h("li", { class: fault.stops ? "stops" : "" }, t("fault_" + fault.key, { other: fault.other, area: areaBoth(fault.area_m2) })));
      }
      if (!got.faults.length && got.area_m2) this.reading.textContent = t("draw_area", { area: areaBoth(got.area_m2) }) + this.tail;
      this.stops = got.faults.some((f) => f.stops);
    }, 120);
  }
}

/** Corner by corner: a block, a hole, a cut, a measure. */
export class Pen extends Tool {
  constructor(ground, kind, block, done) {
    super(ground, kind, block, done);
    this.closes = kind === "draw" || kind === "cut";
    this.tail = "";
    this.click = (event) => this.add(this.snapped(event.latlng));
    this.follow = (event) => { const found = this.snapped(event.latlng); this.showSnap(found); this.redraw(found.at); };
    this.map.on("click", this.click).on("mousemove", this.follow);
    this.cross = h("div", { class: "cross", "aria-hidden": "true" });
    ground.node.append(this.cross);
    const bearing = h("input", { type: "number", step: "any", min: -360, max: 360, inputmode: "decimal" });
    const length = h("input", { type: "number", step: "any", min: 0, inputmode: "decimal" });
    const lat = h("input", { type: "number", step: "any", min: -90, max: 90, inputmode: "decimal" });
    const lon = h("input", { type: "number", step: "any", min: -180, max: 180, inputmode: "decimal" });
    const unit = farm.units === "us" ? " (ft)" : " (m)";
    const lengthField = field("draw_length", length);
    lengthField.querySelector("label").append(unit);
    const wide = (value) => h("input", { type: "number", step: "any", min: 0, inputmode: "decimal", value });
    const us = farm.units === "us";
    if (kind === "beds") {
      this.beds = { pitch: wide(us ? 6 : 1.8), width: wide(us ? 4 : 1.2), count: h("input", { type: "number", min: 1, max: 200, step: 1, value: 10 }), apart: h("input", { type: "checkbox" }) };
      for (const input of Object.values(this.beds)) input.addEventListener("input", () => this.redraw());
    }
    if (kind === "cut") this.why = reasonFields();
    this.bar.append(
      h("p", { class: "hint" }, t("draw_hint_" + kind, { block })), this.reading, this.trouble,
      this.why ? h("div", { class: "row" }, this.why.parts) : "",
      kind === "beds" ? h("div", { class: "row" }, field(us ? "beds_pitch_us" : "beds_pitch", this.beds.pitch), field(us ? "beds_width_us" : "beds_width", this.beds.width), field("beds_count", this.beds.count), h("label", { class: "tick" }, this.beds.apart, t("beds_apart"))) : "",
      h("div", { class: "row" },
        button("draw_cross", () => this.add(this.snapped(this.map.getCenter()))),
        button("draw_back", () => this.back()),
        kind !== "measure" && button(this.closes ? "draw_close" : "draw_finish", () => this.finish(), { class: "main" }),
        button(kind === "measure" ? "close" : "cancel", () => this.end()), this.snapBox()),
      h("details", {}, h("summary", {}, t("draw_type")),
        h("div", { class: "row" }, field("draw_bearing", bearing), lengthField,
          button("draw_add", () => {
            if (!this.points.length || bearing.value === "" || !(Number(length.value) > 0)) return;
            this.add({ at: moved(this.points.at(-1), Number(bearing.value), toMetres(Number(length.value), farm.units)) });
          })),
        h("div", { class: "row" }, field("draw_lat", lat), field("draw_lon", lon),
          button("draw_add", () => {
            if (lat.value === "" || lon.value === "") return;
            this.add({ at: [Number(lon.value), Number(lat.value)] });
            this.map.panTo([Number(lat.value), Number(lon.value)], { animate: false });
          }))));
    this.redraw();
  }
  end() { this.cross.remove(); super.end(); }
  onKey(event) {
    if (event.key === "Escape") { this.end(); return; }
    if (this.typing(event)) return;
    if (event.key === "Backspace") { event.preventDefault(); this.back(); }
    if (event.target.tagName === "BUTTON" || event.target.tagName === "SUMMARY") return;
    if (event.key === "Enter") { event.preventDefault(); this.finish(); }
    if (event.key === " ") { event.preventDefault(); this.add(this.snapped(this.map.getCenter())); }
  }
  add({ at }) {
    const first = this.points[0], last = this.points.at(-1);
    if (this.closes && this.points.length > 2 && first[0] === at[0] && first[1] === at[1]) { this.finish(); return; }
    if (last && distance(last, at) < 0.01) return;
    this.points.push(at);
    this.redraw();
    this.check();
  }
  back() { this.points.pop(); this.redraw(); this.check(); }
  check() {
    this.marks.clearLayers();
    this.trouble.replaceChildren();
    if (this.kind === "draw" && this.points.length > 2) this.look([this.points], null);
  }
  redraw(next) {
    this.ink.clearLayers();
    const all = next ? [...this.points, next] : this.points;
    const flip = ([lon, lat]) => [lat, lon];
    if (this.points.length) L.polyline(this.points.map(flip), { color: PLUM, weight: 3, interactive: false }).addTo(this.ink);
    if (next && this.points.length) L.polyline([this.points.at(-1), next].map(flip), { color: PLUM, weight: 2, dashArray: "5 5", interactive: false }).addTo(this.ink);
    if (this.closes && all.length > 2) L.polygon(all.map(flip), { stroke: false, fillColor: PLUM, fillOpacity: 0.1, interactive: false }).addTo(this.ink);
    if (this.beds && all.length > 1) {
      const [a, b] = [all[0], all.at(-1)], middle = L.polygon(ringsOf(farm.block(this.block).geometry)[0][0].map(flip)).getBounds().getCenter();
      const bearing = bearingOf(a, b), [east, north] = metresPerDegree(a[1]), right = ((middle.lng - a[0]) * east) * Math.cos((bearing * Math.PI) / 180) - ((middle.lat - a[1]) * north) * Math.sin((bearing * Math.PI) / 180) > 0;
      for (let n = 0; n < Math.min(Number(this.beds.count.value) || 0, 200); n++) for (const edge of [0, Number(this.beds.width.value)]) {
        const off = toMetres(n * Number(this.beds.pitch.value) + edge, farm.units), side = bearing + (right ? 90 : -90);
        L.polyline([moved(a, side, off), moved(b, side, off)].map(flip), { color: PLUM, weight: edge ? 1 : 1.8, interactive: false }).addTo(this.ink);
      }
    }
    for (const point of this.points) L.circleMarker(flip(point), { radius: 4.5, color: PLUM, weight: 2, fillColor: "#fff", fillOpacity: 1, interactive: false }).addTo(this.ink);
    const parts = [];
    if (all.length > 2 && (this.closes || this.kind === "measure")) parts.push(t("draw_area", { area: areaBoth(ringArea(all)) }));
    if (all.length > 1) {
      const [a, b] = all.slice(-2);
      parts.push(t("draw_side", { length: lengthIn(distance(a, b), farm.units), bearing: bearingOf(a, b).toFixed(1) }));
      if (!this.closes) parts.push(t("draw_line", { length: lengthIn(all.slice(1).reduce((sum, p, i) => sum + distance(all[i], p), 0), farm.units) }));
    }
    this.tail = parts.length > 1 ? "; " + parts.slice(1).join("; ") : "";
    this.reading.textContent = parts.join("; ") || t("draw_none");
  }
  async finish() {
    if (this.kind === "measure") return;
    const { points, block } = this;
    try {
      if (this.kind === "draw") await this.keep({ kind: "draw", rings: [points] }, true);
      if (this.kind === "split") await this.keep({ kind: "split", block, line: points });
      if (this.kind === "beds") {
        const { pitch, width, count, apart } = this.beds, m = (input) => toMetres(Number(input.value), farm.units);
        await this.keep({ kind: "beds", block, line: points, pitch_m: m(pitch), width_m: m(width), count: Math.round(Number(count.value)), as_blocks: apart.checked });
      }
      if (this.kind === "cut") await this.keep({ kind: "cut_out", block, ring: points, reason: this.why.reason.value, note: this.why.note.value });
    } catch (error) {
      this.trouble.replaceChildren(h("li", { class: "stops" }, inWords(error)));
      const { lon, lat } = error.problem || {};
      if (typeof lat === "number") {
        this.marks.clearLayers();
        L.marker([lat, lon], { icon: L.divIcon({ html: h("span", { class: "fault-mark" }, "!"), className: "label-spot", iconSize: [0, 0] }), interactive: false, keyboard: false }).addTo(this.marks);
      }
    }
  }
  async keep(edit, fresh = false) {
    const done = await farm.edit(edit);
    const made = done.words[1].block || done.words[1].name;
    const parts = done.words[1].parts?.split(", ");
    this.end();
    this.onKept?.(parts ? parts[0] : made, fresh);
  }
}

/** Corners of a block that is there. */
export class Corners extends Tool {
  constructor(ground, block, done) {
    super(ground, "reshape", block, done);
    this.tail = "";
    const { geometry } = farm.block(block);
    this.parts = openRings(geometry);
    this.neighbours = new Neighbours(block);
    this.along = h("input", { type: "checkbox", checked: true, onchange: () => { if (!this.along.checked) this.neighbours = new Neighbours(this.block); this.redraw(); } });
    const shared = [...farm.blocks()].some((b) => b.id !== block);
    this.picked = null;
    const lat = (this.lat = h("input", { type: "number", step: "any", inputmode: "decimal" }));
    const lon = (this.lon = h("input", { type: "number", step: "any", inputmode: "decimal" }));
    this.typed = h("div", { class: "row" }, field("draw_lat", lat), field("draw_lon", lon),
      button("draw_place", () => { if (this.picked && lat.value !== "" && lon.value !== "") this.put([Number(lon.value), Number(lat.value)]); }),
      button("draw_delete", () => this.drop()));
    this.bar.append(h("p", { class: "hint" }, t("draw_hint_reshape")), this.reading, this.trouble,
      h("div", { class: "row" }, button("save", () => this.finish(), { class: "main" }), button("cancel", () => this.end()), this.snapBox(),
        shared && h("label", { class: "tick" }, this.along, t("draw_shared"))),
      h("details", {}, h("summary", {}, t("draw_type_place")), this.typed));
    this.click = (event) => { if (this.picked) this.put(this.snapped(event.latlng, this.block, this.at()).at); };
    this.follow = () => {};
    this.zoomed = () => this.redraw();
    this.map.on("click", this.click).on("zoomend", this.zoomed);
    this.redraw();
    this.check();
  }
  end() { this.map.off("zoomend", this.zoomed); super.end(); }
  at() { const [p, r, i] = this.picked; return this.parts[p][r][i]; }
  onKey(event) {
    if (event.key === "Escape") { this.end(); return; }
    if (this.typing(event)) return;
    const step = { ArrowUp: 0, ArrowRight: 90, ArrowDown: 180, ArrowLeft: 270 }[event.key];
    if (step !== undefined && this.picked) {
      event.preventDefault(); event.stopPropagation();
      this.put(moved(this.at(), step, event.shiftKey ? 0.1 : 1));
    }
    if ((event.key === "Delete" || event.key === "Backspace") && this.picked) { event.preventDefault(); this.drop(); }
    if (event.key === "Enter" && !event.target.closest?.("button, .corner")) this.finish();
  }
  pick(where) {
    this.picked = where;
    const [lon, lat] = this.at();
    this.lon.value = lon.toFixed(7); this.lat.value = lat.toFixed(7);
    for (const node of this.ground.node.querySelectorAll(".corner")) node.classList.toggle("picked", node.dataset.key === where.join());
  }
  put(at) { const [p, r, i] = this.picked; if (this.along.checked) this.neighbours.move(this.parts[p][r][i], at); this.parts[p][r][i] = at; this.redraw(); this.pick(this.picked); this.check(); }
  drop() {
    if (!this.picked) return;
    const [p, r, i] = this.picked, ring = this.parts[p][r];
    if (ring.length <= 3) { say(t("problem_corners_few"), "trouble"); return; }
    if (this.along.checked) this.neighbours.drop(ring[i]);
    ring.splice(i, 1);
    this.picked = null;
    this.redraw(); this.check();
  }
  also() { return [...this.neighbours.moved].map((name) => ({ block: name, parts: this.neighbours.parts.get(name) })); }
  check() { if (this.parts.length === 1) this.look(this.parts[0], this.block, this.also()); }
  redraw() {
    this.ink.clearLayers();
    const flip = ([lon, lat]) => [lat, lon];
    const outline = L.polygon(this.parts.map((rings) => rings.map((ring) => ring.map(flip))), { color: PLUM, weight: 3, fill: false, interactive: false }).addTo(this.ink);
    const beside = L.layerGroup().addTo(this.ink);
    const drawBeside = () => {
      beside.clearLayers();
      for (const name of this.neighbours.moved) L.polygon(this.neighbours.parts.get(name).map((q) => q.map((k) => k.map(flip))), { color: PLUM, weight: 2, dashArray: "6 4", fill: false, interactive: false }).addTo(beside);
    };
    drawBeside();
    const said = () => { this.reading.textContent = t("draw_area", { area: areaBoth(this.area()) }) + (this.neighbours.moved.size ? "; " + t("draw_along", { blocks: [...this.neighbours.moved].join(", ") }) : ""); };
    this.tail = this.neighbours.moved.size ? "; " + t("draw_along", { blocks: [...this.neighbours.moved].join(", ") }) : "";
    const handle = (at, key, label, middle, room = 28) => {
      const node = h("span", { class: middle ? "corner middle" : room < 22 ? "corner crowded" : "corner", "data-key": key.join(), tabindex: "0", role: "button", "aria-label": label });
      const marker = L.marker(flip(at), { icon: L.divIcon({ html: node, className: "corner-spot", iconSize: [room, room] }), draggable: true, keyboard: false, zIndexOffset: middle ? 0 : 500 }).addTo(this.ink);
      return [node, marker];
    };
    this.parts.forEach((rings, p) => rings.forEach((ring, r) => ring.forEach((corner, i) => {
      const beyond = [ring[(i + 1) % ring.length], ring[(i + ring.length - 1) % ring.length]].map((c) => this.map.latLngToContainerPoint(flip(c)).distanceTo(this.map.latLngToContainerPoint(flip(corner))));
      const [node, marker] = handle(corner, [p, r, i], t("draw_corner", { n: i + 1, of: ring.length }), false, Math.max(10, Math.min(28, ...beyond)));
      const choose = () => this.pick([p, r, i]);
      marker.on("click", (e) => { L.DomEvent.stopPropagation(e); choose(); });
      node.addEventListener("focus", choose);
      let before = null;
      marker.on("dragstart", () => { before = [[...ring[i]], this.neighbours.held()]; });
      marker.on("drag", (e) => {
        this.neighbours.back(before[1]); // a corner that moves along is no place to snap to
        const found = this.snapped(e.target.getLatLng(), this.block, before[0]);
        this.showSnap(found);
        if (this.along.checked) { this.neighbours.move(before[0], found.at); drawBeside(); }
        ring[i] = found.at;
        outline.setLatLngs(this.parts.map((q) => q.map((k) => k.map(flip))));
        said();
      });
      marker.on("dragend", () => { this.pointer.clearLayers(); this.redraw(); this.pick([p, r, i]); this.check(); });
      if (this.picked?.join() === [p, r, i].join()) { node.classList.add("picked"); setTimeout(() => node.focus({ preventScroll: true }), 0); }
      const after = ring[(i + 1) % ring.length];
      const middle = [(corner[0] + after[0]) / 2, (corner[1] + after[1]) / 2];
      if (this.map.latLngToContainerPoint(flip(corner)).distanceTo(this.map.latLngToContainerPoint(flip(after))) < ROOM) return; // it would lie on the corners
      const [half, halfMarker] = handle(middle, [p, r, i, "m"], t("draw_between", { n: i + 1 }), true);
      const insert = (at) => { if (this.along.checked) this.neighbours.move(middle, at); ring.splice(i + 1, 0, at); this.picked = [p, r, i + 1]; this.redraw(); this.pick(this.picked); this.check(); };
      halfMarker.on("click", (e) => { L.DomEvent.stopPropagation(e); insert(middle); });
      half.addEventListener("keydown", (e) => { if (e.key === "Enter" || e.key === " ") { e.preventDefault(); insert(middle); } });
      halfMarker.on("dragend", (e) => insert(this.snapped(e.target.getLatLng(), this.block).at));
    })));
    said();
  }
  area() { return this.parts.reduce((sum, [outer, ...holes]) => sum + ringArea(outer) - holes.reduce((a, hole) => a + ringArea(hole), 0), 0); }
  async finish() {
    try {
      await farm.edit({ kind: "reshape", block: this.block, parts: this.parts, also: this.also() });
      const { block } = this;
      this.end();
      this.onKept?.(block, false);
    } catch (error) { this.trouble.replaceChildren(h("li", { class: "stops" }, inWords(error))); }
  }
}

/** A buffer along the edge. */
export class Edge extends Tool {
  constructor(ground, block, done) {
    super(ground, "buffer", block, done);
    const us = farm.units === "us";
    this.width = h("input", { type: "number", step: "any", min: 0, inputmode: "decimal", value: us ? 25 : 8 });
    this.open = h("input", { type: "checkbox", checked: true });
    this.strip = h("input", { type: "checkbox", checked: true });
    this.bar.append(h("p", { class: "hint" }, t("draw_hint_buffer", { block })), this.trouble,
      h("div", { class: "row" }, field(us ? "buffer_width_us" : "buffer_width", this.width), h("label", { class: "tick" }, this.open, t("buffer_open")), h("label", { class: "tick" }, this.strip, t("buffer_keep"))),
      h("div", { class: "row" }, button("buffer_now", () => this.finish(), { class: "main" }), button("cancel", () => this.end())));
    this.click = this.follow = () => {};
  }
  onKey(event) { if (event.key === "Escape") this.end(); }
  async finish() {
    try {
      await farm.edit({ kind: "buffer", block: this.block, width_m: toMetres(Number(this.width.value), farm.units), open_only: this.open.checked, keep: this.strip.checked });
      const { block } = this;
      this.end();
      this.onKept?.(block, false);
    } catch (error) { this.trouble.replaceChildren(h("li", { class: "stops" }, inWords(error))); }
  }
}

/** Choose neighbours and make them one. */
export class Merging extends Tool {
  constructor(ground, block, done) {
    super(ground, "merge", block, done);
    ground.many = new Set([block]);
    this.list = h("div", { class: "many" });
    this.now = button("merge_now", () => this.finish(), { class: "main" });
    this.bar.append(h("p", { class: "hint" }, t("draw_hint_merge", { block })), this.trouble, this.list,
      h("div", { class: "row" }, this.now, button("cancel", () => this.end())));
    this.click = this.follow = () => {};
    this.onBlock = (name) => { this.toggle(name); return true; };
    this.redraw();
  }
  onKey(event) { if (event.key === "Escape") this.end(); }
  end() { this.ground.many = new Set(); super.end(); }
  toggle(name) {
    if (name !== this.block) { if (!this.ground.many.delete(name)) this.ground.many.add(name); }
    this.redraw();
  }
  redraw() {
    this.list.replaceChildren(...farm.blocks().map((b) => h("label", { class: "tick" },
      h("input", { type: "checkbox", checked: this.ground.many.has(b.id), disabled: b.id === this.block, onchange: () => this.toggle(b.id) }), b.id)));
    this.now.textContent = t("merge_now", { n: this.ground.many.size });
    this.now.disabled = this.ground.many.size < 2;
    this.ground.repaint();
  }
  async finish() {
    try {
      const done = await farm.edit({ kind: "merge", blocks: [...this.ground.many], name: this.block });
      this.end();
      this.onKept?.(done.words[1].name, false);
    } catch (error) { this.trouble.replaceChildren(h("li", { class: "stops" }, inWords(error))); }
  }
}
