// The start page: a new farm, a farm file, or the sample.

import { button, complain, field, h, longDay, say, t } from "./dom.js";
import { ask, inWords } from "./farm.js";

export async function startScreen(opened) {
  const got = await ask("api/start");
  const name = h("input", { maxlength: 60, autocomplete: "off" });
  const lat = h("input", { type: "number", min: -90, max: 90, step: "any", inputmode: "decimal" });
  const lon = h("input", { type: "number", min: -180, max: 180, step: "any", inputmode: "decimal" });
  const units = h("select", {}, ["metric", "us"].map((k) => h("option", { value: k }, t(k))));
  const wrong = h("p", { class: "complaint", role: "alert" });
  const world = h("div", { class: "world", role: "application", "aria-label": t("start_where"), tabindex: "0" });
  let pin = null, map = null;
  const place = () => (lat.value !== "" && lon.value !== "" ? { lat: Number(lat.value), lon: Number(lon.value) } : null);
  function mark() {
    pin?.remove();
    const at = place();
    if (at && map) pin = L.circleMarker([at.lat, at.lon], { radius: 8, color: "#6a2358", weight: 3, fillOpacity: 0.2 }).addTo(map);
  }
  for (const input of [lat, lon]) input.addEventListener("change", () => { mark(); const at = place(); if (at && map) map.setView([at.lat, at.lon], Math.max(map.getZoom(), 4), { animate: false }); });
  async function open(asked) {
    const stuck = [...node.querySelectorAll("button")];
    for (const one of stuck) one.disabled = true;
    say(t("start_opening"));
    try { await ask("api/farms", asked); await opened(); } catch (error) {
      for (const one of stuck) one.disabled = false;
      if (error.problem?.field === "name") { complain(name, inWords(error)); name.focus(); } else { wrong.textContent = inWords(error); say(inWords(error), "trouble"); }
      throw error;
    }
  }
  const make = () => open({ kind: "new", name: name.value, place: place(), units: units.value });
  const file = h("input", { type: "file", onchange: async () => {
    if (!file.files.length) return;
    const taken = file.files[0];
    try {
      if (!name.value.trim()) name.value = taken.name.replace(/\.[^.]*$/, "").slice(0, 60);
      await ask("api/farms", { kind: "new", name: name.value, place: place(), units: units.value });
      await opened({ bring: taken });
    } catch (error) { wrong.textContent = inWords(error); }
  } });
  const node = h("section", { class: "start" },
    h("div", { class: "lead" }, h("h1", {}, t("start_title")), h("p", {}, t("start_1")), h("p", {}, t("start_2"))),
    h("div", { class: "start-columns" },
      h("form", { class: "card", onsubmit: (e) => { e.preventDefault(); make().catch(() => {}); } }, h("h2", {}, t("start_new")), field("start_name", name), h("h3", {}, t("start_where")), h("p", { class: "quiet" }, t("start_where_note")), world,
        h("div", { class: "pair" }, field("start_lat", lat), field("start_lon", lon), field("start_units", units)),
        navigator.geolocation && isSecureContext && button("start_here", () => navigator.geolocation.getCurrentPosition((p) => { lat.value = p.coords.latitude.toFixed(5); lon.value = p.coords.longitude.toFixed(5); lat.dispatchEvent(new Event("change")); }, () => say(t("here_no"), "trouble"))),
        wrong, h("button", { type: "submit", class: "main" }, t("start_make")),
        h("h3", {}, t("start_import")), h("p", { class: "quiet" }, t("start_import_note")), field("import_file", file)),
      h("div", {},
        h("div", { class: "card" }, h("h2", {}, t("start_open")), got.farms.length ? h("ul", { class: "lines" }, got.farms.map((f) => h("li", {}, h("button", { type: "button", onclick: () => open({ kind: "file", name: f.file }).catch(() => {}) }, h("b", {}, f.file), h("span", {}, t("start_changed", { date: longDay(f.changed) })))))) : h("p", { class: "quiet" }, t("start_none"))),
        got.sample && h("div", { class: "card" }, h("h2", {}, t("start_sample")), h("p", { class: "quiet" }, t("start_sample_note")), button("start_sample_open", () => open({ kind: "sample" }).catch(() => {}), { class: "main" })))));
  return {
    node,
    shown() {
      map = L.map(world, { attributionControl: false, zoomControl: true, zoomSnap: 0.25, minZoom: 0.75, maxZoom: 18, worldCopyJump: true }).setView([25, 0], 1);
      ask("static/land.json").then((land) => L.geoJSON(land, { interactive: false, style: (f) => (f.properties.kind === "land" ? { color: "#22302f", weight: 0.8, fillColor: "#dfe4da", fillOpacity: 1 } : { color: "#8f9b95", weight: 0.7, dashArray: "3 2" }) }).addTo(map).bringToBack()).catch(() => {});
      const lines = L.layerGroup().addTo(map);
      const grid = () => {
        lines.clearLayers();
        const wide = map.getBounds().getEast() - map.getBounds().getWest();
        const step = [30, 10, 5, 1, 0.5, 0.1, 0.05, 0.01].find((n) => wide / n >= 5) || 0.01;
        const view = map.getBounds().pad(0.2);
        const style = (zero) => ({ color: zero ? "#22302f" : "#8fa09c", weight: zero ? 1 : 0.6, interactive: false });
        const word = (lat_, lng, words) => L.marker([lat_, lng], { interactive: false, keyboard: false, icon: L.divIcon({ html: h("span", { class: "degrees" }, words), className: "label-spot", iconSize: [0, 0] }) }).addTo(lines);
        const digits = step < 1 ? (step < 0.1 ? 2 : 1) : 0;
        for (let k = Math.ceil(view.getWest() / step); k * step <= view.getEast(); k++) { L.polyline([[-85, k * step], [85, k * step]], style(k === 0)).addTo(lines); word(map.getBounds().getSouth(), k * step, (k * step).toFixed(digits) + "°"); }
        for (let k = Math.ceil(Math.max(view.getSouth(), -85) / step); k * step <= Math.min(view.getNorth(), 85); k++) { L.polyline([[k * step, view.getWest()], [k * step, view.getEast()]], style(k === 0)).addTo(lines); word(k * step, map.getBounds().getWest(), (k * step).toFixed(digits) + "°"); }
      };
      map.on("moveend", grid);
      grid();
      map.on("click", (e) => { const at = e.latlng.wrap(); lat.value = at.lat.toFixed(5); lon.value = at.lng.toFixed(5); mark(); });
    },
    chosen() {}, gone() { map?.remove(); },
  };
}
