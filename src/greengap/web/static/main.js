// The page: frame, screens, what is chosen, and the address that remembers it.

import { button, dayOf, h, loadWords, longDay, say, shortDay, t } from "./dom.js";
import { drawer } from "./drawer.js";
import { ask, farm, inWords } from "./farm.js";
import { patterns } from "./ground.js";
import { calendarScreen } from "./screen_calendar.js";
import { compareScreen } from "./screen_compare.js";
import { fieldScreen, takeRecordFile } from "./screen_field.js";
import { mapScreen } from "./screen_map.js";
import { flowersScreen } from "./screen_flowers.js";
import { bringIn, farmScreen, orderScreen, workScreen } from "./screens_whole.js";
import { startScreen } from "./start.js";

const SCREENS = { map: mapScreen, calendar: calendarScreen, work: workScreen, flowers: flowersScreen, order: orderScreen, field: fieldScreen, compare: compareScreen, farm: farmScreen };
const work = document.getElementById("work"), headNode = document.getElementById("head");
let screen = null, side = null, list = null, status = null, undo = null, redo = null, tabs = null;

const page = {
  screen: "map", block: null, gap: null, crop: null, day: null, under: "none", fresh: false, moveFocus: false,
  /** Choose something, or go to another screen; the address follows. */
  go(change) {
    const before = this.screen;
    if (change.block !== undefined && change.block !== this.block && change.gap === undefined) Object.assign(this, { gap: null, crop: null });
    Object.assign(this, { fresh: false, moveFocus: false }, change);
    if (this.gap && change.crop === undefined) this.crop = null;
    const asked = new URLSearchParams({ screen: this.screen });
    for (const key of ["block", "gap"]) if (this[key]) asked.set(key, this[key]);
    history.replaceState(null, "", "#" + asked);
    if (this.screen !== before || !screen) show();
    else screen.chosen();
    side.show();
    drawList();
  },
};

function show() {
  if (page.ground) { const b = page.ground.map.getBounds(); page.lastView = [b.getSouth(), b.getWest(), b.getNorth(), b.getEast()]; }
  screen?.gone();
  screen = SCREENS[page.screen](page);
  const spot = document.getElementById("screen");
  spot.replaceChildren(screen.node);
  spot.className = "screen " + page.screen;
  document.body.dataset.screen = page.screen;
  for (const tab of tabs.children) {
    if (tab.dataset.screen === page.screen) { tab.setAttribute("aria-current", "page"); tabs.scrollLeft = tab.offsetLeft - tabs.offsetLeft - 40; }
    else tab.removeAttribute("aria-current");
  }
  document.title = t("screen_" + page.screen) + " · " + (farm.state.settings.name || "greengap");
  screen.shown();
}

// ---- the list of blocks, two words each -------------------------------------------------------------
function twoWords(name) {
  if (farm.progress?.problems?.[name]) return t("block_clash");
  const crops = farm.cropsOf(name);
  if (!crops.length) return t("block_no_crops");
  const gaps = farm.gapsOf(name);
  if (!farm.gaps.size) return ""; // the field book does without the plan
  if (!gaps.length) return t("block_full");
  const next = gaps.find((g) => g.sow);
  if (next) return t("block_covered", { date: shortDay(next.sow) });
  const longest = gaps.reduce((a, b) => (b.length_d > a.length_d ? b : a));
  return t("block_bare", { days: longest.length_d });
}
let wanted = "";
function drawList() {
  if (!list) return;
  const found = farm.blocks().filter((b) => b.id.toLowerCase().includes(wanted.toLowerCase()));
  const held = list.contains(document.activeElement) ? document.activeElement.dataset.block : null;
  list.replaceChildren(...found.map((b) => h("li", {}, h("button", { type: "button", "data-block": b.id, "aria-current": b.id === page.block ? "true" : null, onclick: () => page.go({ block: b.id, gap: null, crop: null, moveFocus: matchMedia("(max-width: 760px)").matches }) },
    h("b", {}, b.id), h("span", {}, twoWords(b.id))))));
  if (!farm.blocks().length) list.replaceChildren(h("li", { class: "quiet" }, t("no_blocks")));
  if (held) list.querySelector('[data-block="' + CSS.escape(held) + '"]')?.focus({ preventScroll: true });
}

function drawStatus() {
  const p = farm.progress;
  undo.disabled = farm.state.undo === 0;
  redo.disabled = farm.state.redo === 0;
  const last = farm.state.history.filter((e) => !e.undone).at(-1);
  undo.title = last ? t(last.words[0], farm.named(last.words[1])) : "";
  if (!p) return;
  const missing = p.missing.map((m) => t("missing_" + m)).join(", ");
  const words = p.state === "running" ? t("planning", p) : p.state === "reading" ? t("reading") : p.state === "stopped" ? t("plan_stopped", p)
    : p.state === "problem" ? (p.sentence ? t("plan_problem", { sentence: p.sentence }) : t("plan_fault")) : p.state === "waiting" ? (missing ? t("waiting", { missing }) : t("all_saved")) : t("all_saved") + " · " + t("planned");
  const busy = p.state === "running" || p.state === "reading";
  status.replaceChildren(h("span", { class: p.state === "problem" ? "wrong" : "" }, words), busy && p.total > 0 ? h("progress", { max: p.total, value: p.done, "aria-label": words }) : "",
    busy ? button("stop", () => ask("api/cancel", {}), { class: "quiet-button" }) : p.state === "stopped" ? button("plan_again", async () => { await ask("api/replan", {}); farm.follow(); }, { class: "quiet-button" }) : "");
  status.dataset.state = p.state;
  status.dataset.version = p.version;
}

function historyDialog() {
  const lines = [...farm.state.history].reverse();
  const dialog = h("dialog", { class: "why", "aria-label": t("history") },
    h("div", { class: "drawer-head" }, h("h2", {}, t("history")), h("button", { type: "button", class: "close", "aria-label": t("close"), onclick: () => dialog.close() }, "×")),
    h("div", { class: "why-body", tabindex: "0" }, h("p", { class: "quiet" }, t("history_note")),
      lines.length ? h("ol", { class: "plain", reversed: true }, lines.map((e) => h("li", { class: e.undone ? "undone" : "" }, t(e.words[0], farm.named(e.words[1])) + (e.undone ? " (" + t("history_undone") + ")" : "")))) : h("p", {}, t("history_none"))));
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
}

function frame() {
  undo = button("undo", () => farm.step(true), { accesskey: "z" });
  redo = button("redo", () => farm.step(false));
  status = h("div", { class: "status", role: "status" });
  tabs = h("nav", { class: "tabs", "aria-label": t("screens") }, Object.keys(SCREENS).map((key) => h("button", { type: "button", "data-screen": key, onclick: () => page.go({ screen: key }) }, t("screen_" + key))));
  headNode.replaceChildren(
    h("div", { class: "head-farm" }, h("h1", { id: "farm-name" }, farm.state.settings.name || farm.state.file), status),
    tabs,
    h("div", { class: "head-acts" }, undo, redo, button("history", historyDialog), button("to_start", async () => { await ask("api/farms/close", {}); location.hash = ""; location.reload(); }, { class: "quiet-button" })));
  list = h("ul", { class: "block-list" });
  const find = h("input", { type: "search", "aria-label": t("find_block"), placeholder: t("find_block"), oninput: (e) => { wanted = e.target.value; drawList(); } });
  work.replaceChildren(h("nav", { class: "blocks", "aria-label": t("blocks") }, find, list), h("div", { id: "screen", class: "screen" }));
  side = drawer(page);
}

async function openFarm(more = {}) {
  const asked = new URLSearchParams(location.hash.slice(1));
  if (SCREENS[asked.get("screen")]) page.screen = asked.get("screen");
  else if (asked.get("gap") && matchMedia("(max-width: 760px)").matches) page.screen = "field"; // the code on a field sheet
  await farm.open(page.screen !== "field");
  patterns(farm.catalogue.covers);
  document.body.classList.remove("at-start");
  page.block = farm.block(asked.get("block")) ? asked.get("block") : null;
  page.gap = page.block && asked.get("gap");
  const dates = farm.state.crops.map((c) => c.start).sort();
  page.day = dates.length ? dates[0].slice(0, 4) + "-07-15" : null;
  screen?.gone();
  screen = null;
  frame();
  page.go({});
  drawStatus();
  if (more.bring) bringIn(page, "blocks", more.bring, {}).catch((e) => say(inWords(e), "trouble"));
}

async function start() {
  document.body.classList.add("at-start");
  headNode.replaceChildren();
  document.getElementById("drawer").hidden = true;
  screen?.gone();
  screen = await startScreen(openFarm);
  work.replaceChildren(screen.node);
  document.title = "greengap";
  screen.shown();
}

// ---- files dropped anywhere --------------------------------------------------------------------------
function kindOf(name) {
  const end = name.toLowerCase().split(".").at(-1);
  if (["csv", "xlsx", "txt", "tsv", "toml", "nc", "nc4"].includes(end)) return "any"; // told by what is in it
  if (["tif", "tiff", "png", "jpg", "jpeg"].includes(end)) return "underlay";
  return "blocks";
}
/** The file of a record page. */
async function isRecord(file) {
  return (await file.slice(0, 400).text()).includes("greengap season record");
}
addEventListener("dragover", (e) => { if (e.dataTransfer?.types.includes("Files")) { e.preventDefault(); document.body.classList.add("dropping"); } });
addEventListener("dragleave", (e) => { if (!e.relatedTarget) document.body.classList.remove("dropping"); });
addEventListener("drop", async (e) => {
  if (!e.dataTransfer?.files.length) return;
  e.preventDefault();
  document.body.classList.remove("dropping");
  if (!farm.state) return;
  const file = e.dataTransfer.files[0];
  if (await isRecord(file)) { try { await takeRecordFile(file); } catch (error) { say(inWords(error), "trouble"); } return; }
  const kind = kindOf(file.name);
  const extra = {};
  if (kind === "underlay" && page.ground) { const b = page.ground.map.getBounds(); extra.bounds = [b.getSouth(), b.getWest(), b.getNorth(), b.getEast()].join(","); }
  try { await bringIn(page, kind, file, extra); if (kind === "underlay") { page.under = "underlay"; if (page.screen === "map") show(); } } catch (error) { say(inWords(error), "trouble"); }
});
addEventListener("keydown", (e) => {
  if (!(e.ctrlKey || e.metaKey) || e.key.toLowerCase() !== "z" || /^(INPUT|TEXTAREA)$/.test(e.target.tagName) || !farm.state) return;
  e.preventDefault();
  farm.step(!e.shiftKey);
});

await loadWords("en");
document.getElementById("skip").textContent = t("skip");
farm.on("catalogue", () => patterns(farm.catalogue.covers));
farm.on("progress", () => { drawStatus(); drawList(); });
farm.on("plan", drawList);
farm.on("state", () => { if (!status) return; drawStatus(); drawList(); const name = document.getElementById("farm-name"); if (name) name.textContent = farm.state.settings.name || farm.state.file; });
farm.on("gone", () => { if (page.screen !== "field") say(t("problem_gone"), "trouble"); }); // the field book says it by itself
farm.on("other", async () => { say(t("problem_other_farm"), "trouble"); const got = await ask("api/start"); location.hash = ""; if (got.open) await openFarm(); else location.reload(); });
const got = await ask("api/start");
if (got.open) await openFarm(); else await start();
