"use strict";
// Draws the plan that stands as JSON in the page. Text from the farm only ever becomes text nodes.

function greengapPage(map, overTiles) {
  const plan = JSON.parse(document.getElementById("greengap-plan").textContent);
  const upper = (words) => words.charAt(0).toUpperCase() + words.slice(1);
  const covers = new Map(plan.covers.map((cover) => [cover.id, { ...cover, name: upper(cover.name) }]));
  const blocks = new Map(plan.blocks.features.map((feature) => [feature.properties.block, feature]));
  const NO_COVER = "no_cover";
  const RUBRIC = { S1: "suits well", S2: "suits", S3: "suits poorly", N: "not possible" };
  const SHADES = { S1: "#41617f", S2: "#86a3ba", S3: "#c9d6df", N: "#fbfbf8" };
  const DAY = 86400000;
  const panel = document.getElementById("panel");
  const narrow = window.matchMedia("(max-width: 760px)");
  const state = { period: plan.opens_on, layer: "sow", block: null };
  let cameFrom = null;

  // ---- small builders -------------------------------------------------------------------------
  function build(node, attributes, children) {
    for (const [name, value] of Object.entries(attributes || {})) {
      if (value === null || value === undefined || value === false) continue;
      if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
      else node.setAttribute(name, value === true ? "" : value);
    }
    for (const child of children.flat(Infinity)) {
      if (child !== null && child !== undefined && child !== false) node.append(child);
    }
    return node;
  }
  const h = (tag, attributes, ...children) => build(document.createElement(tag), attributes, children);
  const s = (tag, attributes, ...children) =>
    build(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);

  const time = (iso) => Date.parse(iso + "T00:00:00Z");
  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const dayMonth = (stamp) => new Date(stamp).getUTCDate() + " " + MONTHS[new Date(stamp).getUTCMonth()];
  const unbroken = (words) => words.replace(/(\d) (?=[A-Z][a-z]{2}\b)/g, "$1\u00a0"); // day and month on one line
  const plural = (n, one, many) => n + " " + (n === 1 ? one : many);

  // ---- hatches --------------------------------------------------------------------------------
  // Each drawn in a tile of the given size; lines are stroked, dots are zero-length round strokes.
  const HATCHES = {
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
    bare: [14, "M3.5 3.5h0M10.5 10.5h0", 1.5],
  };
  const hatchId = (cover) => "hatch-" + cover.id;

  function patterns() {
    const made = [...covers.values()].map((cover) => {
      const [size, path, width] = HATCHES[cover.hatch];
      const bare = cover.id === NO_COVER;
      return s("pattern", { id: hatchId(cover), width: size, height: size, patternUnits: "userSpaceOnUse" },
        s("rect", { width: size, height: size, fill: "#fdfdfb", "fill-opacity": 0.85 }),
        s("rect", { width: size, height: size, fill: cover.colour, "fill-opacity": bare ? 0.04 : 0.34 }),
        s("path", { d: path, fill: "none", stroke: cover.colour, "stroke-width": width, "stroke-linecap": "round" }));
    });
    document.body.append(s("svg", { width: 0, height: 0, class: "patterns", "aria-hidden": "true" }, s("defs", {}, made)));
  }

  const swatch = (fill, dashes, thin) =>
    s("svg", { class: "swatch", viewBox: "0 0 34 20", width: 34, height: 20, "aria-hidden": "true" },
      s("rect", { x: 0.75, y: 0.75, width: 32.5, height: 18.5, fill, "fill-opacity": thin,
        stroke: "#22302f", "stroke-width": 1, "stroke-dasharray": dashes }));
  const flat = (cover) => (cover.id === NO_COVER ? 0.06 : 0.5);
  const swatchOf = (cover) => (plan.svg ? swatch("url(#" + hatchId(cover) + ")") : swatch(cover.colour, null, flat(cover)));

  // ---- what is chosen -------------------------------------------------------------------------
  const gapsOf = (block) => blocks.get(block).properties.gaps.map((id) => plan.gaps[id]);
  const gapNow = (block) => gapsOf(block).find((gap) => gap.period === state.period) || null;
  const coverOf = (gap) => covers.get(gap.chosen) || covers.get(NO_COVER);
  const classNow = (gap) => gap.classes[state.layer] || null;
  function limitNow(gap) {
    const rated = [gap.advice, ...gap.others].find((row) => row && row.cover === state.layer);
    const failed = gap.impossible.find((row) => row.cover === state.layer);
    return rated ? rated.limit : failed ? failed.why.join("; ") : "";
  }
  const periodTitle = () => (plan.periods.find((period) => period.key === state.period) || { title: "" }).title;

  function labelled(block) {
    const gap = gapNow(block);
    if (!gap) return "";
    if (state.layer === "sow") return gap.chosen === NO_COVER ? "Keep clean" : coverOf(gap).name;
    return classNow(gap) || "not rated";
  }

  function paint(feature) {
    const gap = gapNow(feature.properties.block);
    const picked = feature.properties.block === state.block;
    const line = { color: "#22302f", weight: picked ? 3.5 : 1.1, opacity: 1, dashArray: null, fillOpacity: 1 };
    if (!gap) return { ...line, fillColor: "#fdfdfb", fillOpacity: overTiles ? 0.35 : 0.55, opacity: picked ? 1 : 0.45 };
    if (state.layer === "sow") {
      const cover = coverOf(gap);
      if (!plan.svg) return { ...line, fillColor: cover.colour, fillOpacity: flat(cover) };
      return { ...line, fillColor: "url(#" + hatchId(cover) + ")" };
    }
    const rated = classNow(gap);
    return {
      ...line, fillColor: SHADES[rated] || "#fdfdfb", fillOpacity: overTiles ? 0.8 : 1,
      dashArray: rated === "N" && !picked ? "4 3" : null,
    };
  }

  // ---- the map --------------------------------------------------------------------------------
  if (map.attributionControl) map.attributionControl.setPrefix(false);
  patterns();
  map.createPane("grid").style.zIndex = 250;
  const renderer = plan.svg ? L.svg({ padding: 0.5 }) : L.canvas({ padding: 0.5, tolerance: 4 });
  const layer = L.geoJSON(plan.blocks, { style: paint, renderer: renderer }).addTo(map);
  const shapes = new Map();
  layer.eachLayer((shape) => shapes.set(shape.feature.properties.block, shape));
  layer.on("click", (event) => select(event.layer.feature.properties.block, "map"));
  layer.bindTooltip((shape) => {
    const { block, area } = shape.feature.properties;
    const gap = gapNow(block);
    return h("div", {}, h("b", {}, block), " · " + area, h("br"),
      gap ? labelled(block) + (state.layer === "sow" && gap.line ? ", " + gap.line : "") : "no gap in this season");
  }, { sticky: true, className: "hint", opacity: 1 });

  function fit() {
    if (blocks.size) map.fitBounds(layer.getBounds(), { padding: narrow.matches ? [12, 12] : [26, 26], animate: false });
  }

  const Corner = L.Control.extend({ onAdd() { return this.options.node; } });
  const whole = h("button", { type: "button", class: "whole", onclick: () => fit() }, "whole farm");
  L.DomEvent.disableClickPropagation(whole);
  new Corner({ position: "bottomright", node: whole }).addTo(map);
  new Corner({
    position: "topright",
    node: s("svg", { class: "north", viewBox: "0 0 30 46", width: 30, height: 46, role: "img", "aria-label": "North is up" },
      s("path", { d: "M15 2L22 34L15 29Z", fill: "#22302f" }),
      s("path", { d: "M15 2L8 34L15 29Z", fill: "#fdfdfb", stroke: "#22302f", "stroke-linejoin": "round" }),
      s("text", { x: 15, y: 45, "text-anchor": "middle" }, "N")),
  }).addTo(map);
  L.control.scale({ metric: plan.units === "metric", imperial: plan.units === "us", maxWidth: 140 }).addTo(map);
  const gridNote = h("div", { class: "grid-note" });
  new Corner({ position: "bottomleft", node: gridNote }).addTo(map);

  // A square grid on the paper, as on a survey sheet, so that distances can be judged anywhere.
  const gridLines = L.layerGroup().addTo(map);
  function drawGrid() {
    gridLines.clearLayers();
    if (overTiles || !blocks.size) return;
    const foot = plan.units === "us" ? 0.3048 : 1;
    const origin = layer.getBounds().getSouthWest();
    const perLat = 111320, perLng = 111320 * Math.cos((origin.lat * Math.PI) / 180);
    const view = map.getBounds().pad(0.4);
    const wide = ((view.getEast() - view.getWest()) * perLng) / foot;
    const step = [10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000].find((n) => wide / n < 20) || 50000;
    const style = { pane: "grid", color: "#8fa09c", weight: 0.6, opacity: 0.55, interactive: false };
    const dLat = (step * foot) / perLat, dLng = (step * foot) / perLng;
    for (let k = Math.floor((view.getWest() - origin.lng) / dLng); origin.lng + k * dLng < view.getEast(); k++) {
      const lng = origin.lng + k * dLng;
      gridLines.addLayer(L.polyline([[view.getSouth(), lng], [view.getNorth(), lng]], style));
    }
    for (let k = Math.floor((view.getSouth() - origin.lat) / dLat); origin.lat + k * dLat < view.getNorth(); k++) {
      const lat = origin.lat + k * dLat;
      gridLines.addLayer(L.polyline([[lat, view.getWest()], [lat, view.getEast()]], style));
    }
    gridNote.textContent = "grid " + step.toLocaleString("en") + (plan.units === "us" ? " ft" : " m");
  }

  // Labels: name and what goes there; where there is no room the second line goes, then the first.
  const labels = new Map();
  const bySize = [...blocks.values()].sort((a, b) => b.properties.area_m2 - a.properties.area_m2);
  for (const feature of bySize) {
    const what = h("span", { class: "what" });
    const box = h("div", { class: "label" }, h("span", { class: "name" }, feature.properties.block), what);
    const icon = L.divIcon({ html: box, className: "label-spot", iconSize: [0, 0] });
    L.marker(feature.properties.label, { icon: icon, interactive: false, keyboard: false }).addTo(map);
    labels.set(feature.properties.block, { box, what });
  }
  function placeLabels() {
    const taken = [];
    const free = (a) => taken.every((b) => a.right < b.left || b.right < a.left || a.bottom < b.top || b.bottom < a.top);
    for (const { properties } of bySize) {
      const { box, what } = labels.get(properties.block);
      const bounds = shapes.get(properties.block).getBounds();
      const across = map.project(bounds.getNorthEast()).subtract(map.project(bounds.getSouthWest()));
      what.textContent = labelled(properties.block);
      what.className = "what" + (state.layer === "sow" ? "" : " class class-" + what.textContent.replace(/\W/g, ""));
      box.className = "label";
      if (Math.max(across.x, -across.y) < 18) { box.className = "label gone"; continue; }
      for (const [looks, shift] of [["label", 0], ["label brief", 0], ["label brief", 11], ["label brief", -11], ["label gone", 0]]) {
        box.className = looks;
        box.style.marginTop = shift + "px";
        if (looks === "label gone") break;
        const room = box.getBoundingClientRect();
        const hides = room.width > across.x + 60 || room.height > -0.85 * across.y;
        if (looks === "label" && what.textContent && hides) continue;
        if (room.width > 1.7 * Math.hypot(across.x, across.y)) continue;
        if (free(room)) { taken.push(room); break; }
      }
    }
  }

  function nameShapes() {
    if (!plan.svg) return; // on a canvas the list of blocks serves the keyboard
    for (const [block, shape] of shapes) {
      const path = shape.getElement();
      if (!path) continue;
      path.setAttribute("tabindex", "0");
      path.setAttribute("role", "button");
      path.setAttribute("aria-label", block + ": " + (labelled(block) || "no gap in this season"));
      path.setAttribute("data-block", block);
      if (!path.dataset.keys) {
        path.dataset.keys = "yes";
        path.addEventListener("keydown", (event) => {
          if (event.key !== "Enter" && event.key !== " ") return;
          event.preventDefault();
          select(block, "map");
        });
      }
    }
  }

  // ---- legend ---------------------------------------------------------------------------------
  function drawLegend() {
    const rows = [];
    if (state.layer === "sow") {
      for (const row of plan.legend[state.period] || []) {
        const cover = covers.get(row.cover);
        rows.push(h("li", {}, swatchOf(cover),
          h("span", {}, h("b", {}, cover.name), h("i", {}, row.area + ", " + plural(row.blocks, "block", "blocks")))));
      }
    } else {
      for (const [key, words] of Object.entries(RUBRIC)) {
        const n = [...blocks.keys()].filter((b) => gapNow(b) && classNow(gapNow(b)) === key).length;
        rows.push(h("li", {}, swatch(SHADES[key], key === "N" ? "4 3" : null),
          h("span", {}, h("b", {}, key + " " + words), h("i", {}, plural(n, "block", "blocks")))));
      }
    }
    if ([...blocks.keys()].some((block) => !gapNow(block))) {
      rows.push(h("li", {}, swatch("#fdfdfb"), h("span", {}, h("b", {}, "No gap"), h("i", {}, "in this season"))));
    }
    const head = state.layer === "sow" ? periodTitle() + ": what to sow"
      : periodTitle() + ": how well " + covers.get(state.layer).name + " suits";
    document.getElementById("legend").replaceChildren(h("h2", {}, head), h("ul", {}, rows));
  }

  // ---- the gap, drawn -------------------------------------------------------------------------
  function gapStrip(gap) {
    const W = 360, H = 46, start = time(gap.start), end = time(gap.end) + DAY;
    const pad = Math.max((end - start) * 0.13, 3 * DAY);
    const x = (t) => ((t - start + pad) / (end - start + 2 * pad)) * W;
    const opens = time(gap.opens), closes = time(gap.closes);
    // The crops' ends are as soft as the calendar says: shift of the first sowing day, of the last ending day.
    const e1 = start + Math.min(0, time(gap.opens_early) - opens), e2 = start + Math.max(0, time(gap.opens_late) - opens);
    const s1 = end + Math.min(0, time(gap.closes_early) - closes), s2 = end + Math.max(0, time(gap.closes_late) - closes);
    const id = "soft-" + gap.id.replace(/[^\w-]/g, (sign) => "_" + sign.codePointAt(0));
    const fade = (name, from, to) => s("linearGradient", { id: name },
      s("stop", { offset: 0, "stop-color": "#22302f", "stop-opacity": from }),
      s("stop", { offset: 1, "stop-color": "#22302f", "stop-opacity": to }));
    const bar = (a, b, fill) => (b > a ? s("rect", { x: x(a), width: Math.max(x(b) - x(a), 0.5), y: 6, height: 11, fill: fill }) : null);
    const parts = [
      [start, opens, "clear, seedbed"], [opens, closes + DAY, "for the cover"], [closes + DAY, end + DAY, "wait"],
    ].filter(([a, b]) => b > a);
    const fits = closes >= opens;
    const drawn = fits ? parts.map(([a, b, words]) => {
      const [l, r] = [x(a) + 1, x(b) - 1], days = Math.round((b - a) / DAY);
      const long = words + " " + days + " d", roomy = r - l > long.length * 5.3;
      return [
        s("path", { d: "M" + l + " 22V26H" + r + "V22", class: "bracket" }),
        r - l > 16 && s("text", { x: (l + r) / 2, y: 38, "text-anchor": "middle" }, roomy ? long : days + " d"),
      ];
    }) : s("text", { x: W / 2, y: 36, "text-anchor": "middle" }, "too short: clearing, seedbed and waiting fill it");
    const told = "Gap of " + gap.length_d + " days; usable " + gap.usable_d.join(", ") + " days (low, middle, high)";
    return s("svg", { class: "strip", viewBox: "0 0 " + W + " " + H, role: "img", "aria-label": told },
      s("defs", {}, fade(id + "a", 0.8, 0.06), fade(id + "b", 0.06, 0.8)),
      gap.before && [bar(start - pad, e1, "rgba(34,48,47,.8)"), bar(e1, e2, "url(#" + id + "a)")],
      gap.after && [bar(s1, s2, "url(#" + id + "b)"), bar(s2, end + pad, "rgba(34,48,47,.8)")], drawn);
  }

  // Width of a label in the chart's own units.
  const ruler = document.createElement("canvas").getContext("2d");
  function textWidth(words, bold) {
    ruler.font = (bold ? "700 " : "") + "11.5px " + getComputedStyle(document.body).getPropertyValue("--plain");
    return ruler.measureText(words).width;
  }

  // Curves are drawn by share on an axis of the years of the recommended option; options can differ in theirs.
  function oddsChart(gap) {
    let curves = gap.curves.map((curve) => ({ ...curve, points: curve.points.map(([d, n, of]) => [time(d), of ? (n / of) * gap.years : 0, n, of]) }));
    const all = curves.flatMap((curve) => curve.points);
    if (!all.length || !gap.years) return null;
    const W = 360, H = 222, box = { left: 26, right: 352, top: 34, bottom: 158 };
    // The axis shows the dates on which anything holds, with the way up to them and down again.
    const dates = [...new Set(all.map((p) => p[0]))].sort((a, b) => a - b);
    const alive = dates.map((t) => all.some((p) => p[0] === t && p[1] > 0));
    const from0 = Math.max(alive.indexOf(true) - 2, 0), until0 = alive.includes(true) ? alive.lastIndexOf(true) + 2 : dates.length;
    let first = dates[from0], last = dates[Math.min(until0, dates.length - 1)];
    for (const curve of curves) curve.points = curve.points.filter((p) => p[0] >= first && p[0] <= last);
    curves = curves.filter((curve) => curve.points.length);
    if (last - first < 6 * DAY) { first -= 4 * DAY; last += 4 * DAY; }
    const x = (t) => box.left + 6 + ((t - first) / (last - first)) * (box.right - box.left - 12);
    const y = (n) => box.bottom - (n / gap.years) * (box.bottom - box.top);
    const out = [];
    // Axis: days of the month that suit the length.
    const every = (last - first) / DAY;
    for (let t = first; t <= last; t += DAY) {
      const date = new Date(t).getUTCDate();
      const mark = every > 100 ? date === 1 : every > 40 ? date === 1 || date === 15 : (t - first) / DAY % (every > 20 ? 7 : 3) === 0;
      if (!mark) continue;
      out.push(s("path", { d: "M" + x(t) + " " + box.bottom + "v4", class: "tick" }));
      out.push(s("text", { x: Math.min(Math.max(x(t), 18), W - 18), y: box.bottom + 15, "text-anchor": "middle", class: "axis" }, dayMonth(t)));
    }
    out.push(s("path", { d: "M" + box.left + " " + box.bottom + "H" + box.right, class: "tick" }));
    for (const n of [0, gap.years]) {
      out.push(s("text", { x: box.left - 5, y: y(n) + 3.5, "text-anchor": "end", class: "axis" }, n));
      if (n) out.push(s("path", { d: "M" + box.left + " " + y(n) + "H" + box.right, class: "faint" }));
    }
    out.push(s("path", { d: "M" + box.left + " " + y(gap.wanted_years) + "H" + box.right, class: "wanted" }));
    out.push(s("text", { x: box.left - 5, y: y(gap.wanted_years) + 3.5, "text-anchor": "end", class: "axis strong" }, gap.wanted_years));
    out.push(s("text", { x: 2, y: 11, class: "axis" }, "years of " + gap.years + " in which it holds, by sowing date"));
    // Sowing window as a bracket, best date as a tick down to it.
    const [from, best, until] = gap.sow.map((d) => (d ? time(d) : null));
    if (best !== null) {
      const at = curves.length && curves[0].points.find((p) => p[0] === best);
      out.push(s("path", { d: "M" + x(best) + " " + (at ? y(at[1]) : box.top) + "V" + box.bottom, class: "best" }));
      if (at) out.push(s("circle", { cx: x(best), cy: y(at[1]), r: 3.6, class: "best-dot" }));
      let text = "best " + dayMonth(best), under = box.bottom + 33;
      if (from !== null && until !== null) {
        const l = Math.min(x(from), x(best) - 3), r = Math.max(x(until), x(best) + 3);
        out.push(s("path", { d: "M" + l + " " + (box.bottom + 20) + "v7H" + r + "v-7" + (from === until ? "" : "M" + x(best) + " " + (box.bottom + 27) + "v-5"), class: "window" }));
        under = box.bottom + 42;
        text = "sow " + gap.window + (from === until ? "" : ", " + text);
      }
      const half = text.length * 3.1;
      out.push(s("text", { x: Math.min(Math.max(x(best), half + 2), W - half - 2), y: under, "text-anchor": "middle", class: "window-text" }, text));
    }
    // Curves, runners-up first so that the recommendation lies on top; each is named on its own line.
    const path = (points) => points.map((p, i) => (i ? "L" : "M") + x(p[0]).toFixed(1) + " " + y(p[1]).toFixed(1)).join("");
    curves.forEach((curve, rank) => {
      const line = s("path", { d: path(curve.points), class: "curve curve-" + rank, "data-cover": curve.cover });
      const dot = curve.points.length === 1 && s("circle", { cx: x(curve.points[0][0]), cy: y(curve.points[0][1]), r: 3.2, class: "alone alone-" + rank });
      out.push(line, dot || null);
    });
    const placed = [];
    curves.forEach((curve, rank) => {
      const w = textWidth(curve.name, rank === 0) + 6;
      let chosen = null;
      const dense = curve.points.flatMap((p, i, list) => (i ? [0.5, 1].map((f) => [list[i - 1][0] + (p[0] - list[i - 1][0]) * f, list[i - 1][1] + (p[1] - list[i - 1][1]) * f]) : [p]));
      for (const p of dense) {
        for (const [lift, aside] of [[-6, 0], [14, 0], [-17, 0], [25, 0], [38, 0], [51, 0], [4, w / 2 + 8], [4, -w / 2 - 8]]) {
          const cx = Math.min(Math.max(x(p[0]) + aside, box.left + w / 2 + 2), box.right - w / 2), by = y(p[1]) + lift;
          const r = { l: cx - w / 2, r: cx + w / 2, t: by - 10, b: by + 3 };
          if (r.t < box.top - 18 || r.b > box.bottom - 1) continue;
          let cost = (1 - p[1] / gap.years) * 2 + Math.abs(cx - x(p[0]) - aside) * 0.06 + (aside ? 0.6 : 0) + (Math.abs(lift) > 14 ? Math.abs(lift) / 7 : 0);
          curves.forEach((other, k) => other.points.forEach((q, i, list) => {
            for (let f = 0; f < 1; f += 0.25) {
              const next = list[Math.min(i + 1, list.length - 1)];
              const qx = x(q[0] + (next[0] - q[0]) * f), qy = y(q[1] + (next[1] - q[1]) * f);
              if (qx > r.l && qx < r.r && qy > r.t - 1 && qy < r.b + 1) cost += k === rank ? 1.2 : 2.5;
            }
          }));
          if (by - 4 > y(gap.wanted_years) - 7 && by - 4 < y(gap.wanted_years) + 7) cost += 1;
          if (best !== null && x(best) > r.l && x(best) < r.r && r.b > box.top + 10) cost += 1.5;
          // Never on another label, and in one line only with a gap that the eye takes for one.
          for (const q of placed) if (r.l < q.r + 8 && q.l < r.r + 8 && r.t < q.b && q.t < r.b) cost += 1000;
          if (!chosen || cost < chosen.cost) chosen = { cost, cx, by, r };
        }
      }
      if (!chosen) return;
      placed.push(chosen.r);
      out.push(s("text", { x: chosen.cx, y: chosen.by, "text-anchor": "middle", class: "on-line on-line-" + rank }, curve.name));
    });
    const most = (curve) => curve.points.reduce((a, b) => (b[1] > a[1] ? b : a)).slice(2).join(" of ");
    const told = "Odds by sowing date: " + curves.map((curve) => curve.name + ", at most " + most(curve) + " years").join("; ");
    return h("figure", {}, s("svg", { class: "odds", viewBox: "0 0 " + W + " " + (H - 16), role: "img", "aria-label": told }, out),
      h("figcaption", {}, "Heavy line: recommended. Thin level line: the " + gap.wanted_years + " years that are wanted."));
  }

  // ---- panel ----------------------------------------------------------------------------------
  function seedTable(rows, caption) {
    return h("table", { class: "seed" }, h("caption", {}, caption),
      h("tbody", {}, rows.map((row) => h("tr", {},
        h("th", { scope: "row" }, row.name),
        h("td", { class: "how" }, row.rate ? row.rate + " " + row.method + ", " + row.depth + " deep" : ""),
        h("td", { class: "number", "data-seed-g": row.seed_g, "data-species": row.species }, row.seed)))));
  }

  function gapBody(gap) {
    const advice = gap.advice;
    const parts = [
      h("div", { class: "crops" },
        h("span", {}, gap.before ? h("b", {}, upper(gap.before)) : "crop before not known"),
        h("span", { class: "when" }, gap.dates + ", " + gap.length_d + " days"),
        h("span", {}, gap.after ? h("b", {}, upper(gap.after)) : "crop after not known")),
      gapStrip(gap),
    ];
    if (!advice) return [...parts, h("p", {}, "Nothing was rated for this gap.")];
    const cover = coverOf(gap);
    parts.push(h("p", { class: "advice" }, swatchOf(cover), unbroken([advice.sentence, advice.early, advice.ending].filter(Boolean).join(" "))));
    if (gap.why_clean) {
      parts.push(h("p", { class: "why-clean" }, "Why nothing is sown: usable days in the middle year "
        + Math.max(gap.usable_d[1], 0) + "; " + gap.why_clean + "."));
    }
    const chart = oddsChart(gap);
    if (chart) parts.push(chart);
    const facts = [];
    const fact = (term, ...words) => facts.push(h("dt", {}, term), h("dd", {}, words));
    fact("Class", advice.class + ", " + RUBRIC[advice.class]);
    if (advice.limit) fact("Held back by", advice.limit);
    if (gap.growth) fact("Leaves", gap.growth);
    if (gap.after_it.length) fact("After it", gap.after_it.map((words) => h("div", {}, words)));
    if (gap.ladder.length) fact("If it cannot be sown", gap.ladder.map((words) => h("div", {}, words)));
    if (gap.misses.length) fact("Would have missed", gap.misses.map((miss) => h("div", {}, miss.why + ": " + miss.years.join(", "))));
    parts.push(h("div", { class: "pair" },
      h("section", { class: "reasons" }, h("h4", {}, "Reasons"), advice.reasons && h("p", {}, upper(advice.reasons) + "."), h("dl", { class: "facts" }, facts)),
      h("section", { class: "cautions" }, h("h4", {}, "Cautions"),
        gap.cautions.length ? gap.cautions.map(cautionLine) : h("p", {}, "None triggered by this plan."))));
    if (gap.seed.length) parts.push(seedTable(gap.seed, "Seed for this gap"));
    if (gap.others.length) {
      parts.push(h("details", {}, h("summary", {}, "Next best (" + gap.others.length + ")"),
        h("ul", { class: "told" }, gap.others.map((row) => h("li", {}, h("b", {}, row.class + " "), [row.sentence, row.early, row.ending].filter(Boolean).join(" "),
          row.limit && h("i", {}, " Held back by: " + row.limit + "."))))));
    }
    if (gap.impossible.length) {
      parts.push(h("details", { class: "impossible" }, h("summary", {}, "Not possible here (" + gap.impossible.length + ")"),
        h("ul", { class: "told" }, gap.impossible.map((row) => h("li", {}, h("b", {}, row.name + ": "), row.why.join("; "))))));
    }
    return parts;
  }

  function blockPanel(block) {
    const { area, field, passes } = blocks.get(block).properties;
    const gaps = gapsOf(block), now = gapNow(block);
    return [
      h("div", { class: "panel-head" },
        h("button", { type: "button", class: "back", onclick: () => select(null) }, "All blocks"),
        h("h2", { tabindex: "-1", id: "panel-title" }, block),
        h("p", {}, area + (field && field !== block ? ", part of " + field : ""))),
      !now && h("p", { class: "quiet" }, "No gap here in " + periodTitle().toLowerCase() + "."),
      gaps.map((gap) => h("details", { class: "gap", open: gap === now, "data-gap": gap.id },
        h("summary", {}, h("b", {}, gap.title), h("span", {}, gap.chosen === NO_COVER ? "Keep clean" : coverOf(gap).name)),
        h("div", { class: "gap-body" }, gapBody(gap)))),
      passes && h("details", { class: "gap", id: "passes", ontoggle: (event) => drawPasses(event.target.open ? passes : null) }, h("summary", {}, h("b", {}, "Passes"), h("span", {}, "heavy line: A-B")),
        h("div", { class: "gap-body" }, h("ul", {}, passes.words.map((words) => h("li", {}, words))))),
      h("p", { class: "caveat" }, plan.holds),
      h("p", { class: "caveat" }, plan.caveat),
    ];
  }

  function cautionLine(caution) {
    return h("p", {}, h("b", {}, upper(caution.hazard) + ". "), caution.text,
      caution.defers_to && h("i", {}, " Ask: " + caution.defers_to + "."));
  }

  function overview() {
    const names = [...blocks.keys()].sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
    const free = names.filter((block) => gapNow(block)), rest = names.filter((block) => !gapNow(block));
    const row = (block) => {
      const gap = gapNow(block);
      const words = !gap ? "no gap" : state.layer === "sow" ? (gap.chosen === NO_COVER ? "Keep clean" : coverOf(gap).name)
        : classNow(gap) ? [h("b", {}, classNow(gap)), " " + limitNow(gap)] : "not rated";
      const line = gap && state.layer === "sow" ? gap.line : "";
      return h("li", {}, h("button", { type: "button", "data-block": block, onclick: () => select(block, "list") },
        h("span", { class: "who" }, block), h("span", {}, h("span", { class: "words" }, words), line && h("span", { class: "line" }, line))));
    };
    const version = [plan.program_version && "greengap " + plan.program_version, plan.catalogue_version && "catalogue " + plan.catalogue_version];
    return [
      h("div", { class: "panel-head" }, h("h2", { id: "panel-title", tabindex: "-1" }, periodTitle() || "No gaps"),
        h("p", {}, plural(free.length, "block has", "blocks have") + " a gap. Choose one, here or on the map.")),
      h("ul", { class: "blocks" }, free.map(row)),
      rest.length ? h("details", {}, h("summary", {}, "No gap in this season (" + rest.length + ")"), h("ul", { class: "blocks" }, rest.map(row))) : null,
      plan.totals.species.length ? [seedTable(plan.totals.species, "Seed for the whole plan, all seasons"),
        h("p", { class: "sum" }, "Together ", h("b", { "data-seed-g-all": plan.totals.seed_g_all }, plan.totals.seed_all))] : null,
      h("section", { class: "about" }, h("h3", {}, "Before you act on this"), h("p", {}, plan.caveat), h("p", {}, plan.holds),
        plan.limits.length ? h("ul", {}, plan.limits.map((text) => h("li", {}, text))) : null,
        plan.cautions.length ? [h("h3", {}, "Cautions for the whole farm"), h("ul", { class: "farm-cautions" }, plan.cautions.map((one) => h("li", {}, cautionLine(one))))] : null,
        plan.assumptions.length ? h("details", {}, h("summary", {}, "Assumed, because nothing said otherwise (" + plan.assumptions.length + ")"),
          h("ul", {}, plan.assumptions.map((text) => h("li", {}, text)))) : null,
        h("p", { class: "version" }, [...version.filter(Boolean), "map drawn with Leaflet 1.9.4, © Volodymyr Agafonkin, CloudMade"].join(" · "))),
    ];
  }

  // Passes of the block that is chosen, while their section is unfolded: swaths thin, the A-B line heavy.
  const passLines = L.layerGroup().addTo(map);
  function drawPasses(passes) {
    passLines.clearLayers();
    if (!passes) return;
    const line = (places, weight) => passLines.addLayer(L.polyline(places, { color: "#111", weight: weight, opacity: 0.85, interactive: false, renderer: renderer }));
    passes.swaths.forEach((places) => line(places, 0.6));
    line(passes.a_b, 3);
    passes.a_b.forEach((place, end) => {
      const icon = L.divIcon({ html: h("b", { class: "pass-end" }, "AB"[end]), className: "label-spot", iconSize: [0, 0] });
      passLines.addLayer(L.marker(place, { icon: icon, interactive: false, keyboard: false }));
    });
  }

  function drawPanel() {
    panel.replaceChildren(...[state.block === null ? overview() : blockPanel(state.block)].flat(Infinity).filter(Boolean));
    panel.classList.toggle("drawer", state.block !== null);
    document.body.classList.toggle("drawer-open", state.block !== null);
    panel.scrollTop = 0;
  }

  function remember() {
    const words = new URLSearchParams({ gaps: state.period, show: state.layer });
    if (state.block !== null) words.set("block", state.block);
    try { history.replaceState(null, "", "#" + words); } catch (refused) { /* some browsers refuse it for files */ }
  }

  function restyle() {
    layer.setStyle(paint);
    if (state.block !== null && shapes.has(state.block)) shapes.get(state.block).bringToFront();
    placeLabels();
    nameShapes();
    drawLegend();
    remember();
  }

  function select(block, origin) {
    if (block !== null) cameFrom = { block, origin: origin || "map" };
    state.block = block;
    drawPanel();
    restyle();
    drawPasses(null);
    if (block !== null && narrow.matches) {
      // The drawer covers the lower part of the window: bring the block into what is left of the map.
      window.scrollTo(0, 0);
      const plate = map.getContainer().getBoundingClientRect(), cover = panel.getBoundingClientRect().top;
      const spot = map.latLngToContainerPoint(blocks.get(block).properties.label);
      const middle = Math.max((Math.min(cover, plate.bottom) - plate.top) / 2, 24);
      map.panBy([spot.x - plate.width / 2, spot.y - middle], { animate: false });
    }
    if (block !== null) document.getElementById("panel-title").focus({ preventScroll: true });
    else if (cameFrom) {
      const back = cameFrom.origin === "list" || !plan.svg
        ? panel.querySelector("button[data-block=\"" + CSS.escape(cameFrom.block) + "\"]") : shapes.get(cameFrom.block).getElement();
      if (back) back.focus({ preventScroll: true });
      cameFrom = null;
    }
  }

  // ---- head, choices, keys --------------------------------------------------------------------
  document.getElementById("farm").textContent = plan.farm;
  const { first, last, years } = plan.weather;
  document.getElementById("basis").textContent = [
    plural(blocks.size, "block", "blocks"),
    years ? years + " weather years" + (first && last ? ", " + first + "–" + last : "") : "",
    Math.round(plan.wanted_odds * 100) + " % odds wanted",
  ].filter(Boolean).join(" · ");
  if (plan.note) {
    const note = document.getElementById("note");
    note.textContent = plan.note;
    note.hidden = false;
  }
  const periodChoice = document.getElementById("period-choice"), layerChoice = document.getElementById("layer-choice");
  periodChoice.append(...plan.periods.map((period) => h("option", { value: period.key }, period.title)));
  layerChoice.append(h("option", { value: "sow" }, "what to sow"),
    h("optgroup", { label: "how well it suits" },
      [...covers.values()].filter((cover) => cover.rated && cover.id !== NO_COVER).map((cover) => h("option", { value: cover.id }, cover.name))));

  const asked = new URLSearchParams(location.hash.slice(1));
  if (plan.periods.some((period) => period.key === asked.get("gaps"))) state.period = asked.get("gaps");
  if (covers.has(asked.get("show"))) state.layer = asked.get("show");
  if (blocks.has(asked.get("block"))) state.block = asked.get("block");
  periodChoice.value = state.period;
  layerChoice.value = state.layer;
  for (const [choice, name] of [[periodChoice, "period"], [layerChoice, "layer"]]) {
    choice.addEventListener("change", () => { state[name] = choice.value; drawPanel(); restyle(); });
  }
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && state.block !== null) select(null);
  });
  let unfolded = [];
  window.addEventListener("beforeprint", () => {
    unfolded = [...document.querySelectorAll("details:not([open])")];
    unfolded.forEach((fold) => { fold.open = true; });
  });
  window.addEventListener("afterprint", () => unfolded.forEach((fold) => { fold.open = false; }));

  drawPanel();
  drawLegend();
  map.invalidateSize(); // the legend has just taken its share of the height
  fit();
  map.on("zoomend", placeLabels);
  map.on("moveend", drawGrid);
  map.on("zoomend moveend", nameShapes);
  drawGrid();
  if (state.block !== null) select(state.block);
  else restyle();
}
