// The farm as the server has it: one copy, asked for once, changed by edits alone.

import { known, lengthIn, say, t } from "./dom.js";

export class Refused extends Error {
  constructor(status, problem) {
    super(problem.sentence || problem.key || problem.kind);
    Object.assign(this, { status, problem });
  }
}

export async function ask(path, body, options = {}) {
  let answer;
  try {
    answer = await fetch(path, body === undefined ? { ...options } : {
      method: "POST", headers: { "X-Greengap": "1", "Content-Type": "application/json" }, body: JSON.stringify(body), ...options,
    });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refused(0, { kind: "gone" });
  }
  const json = answer.headers.get("content-type")?.includes("json");
  if (!answer.ok) throw new Refused(answer.status, json ? await answer.json() : { kind: "fault" });
  return json ? answer.json() : answer;
}

/** What a refusal says to a person. */
export function inWords(error) {
  const problem = error.problem || {};
  const key = "problem_" + (problem.key || problem.kind);
  if (problem.kind === "edit" || problem.kind === "drawing" || problem.kind === "not_there") {
    if (known(key)) return t(key, problem.words || {});
  }
  if (problem.sentence) return problem.sentence;
  if (known(key)) return t(key, problem.words || {});
  return error instanceof Refused ? t("problem_fault") : String(error);
}

export const farm = {
  state: null, catalogue: null, plan: null, progress: null, gaps: new Map(), listeners: new Map(), timer: null,

  on(what, act) {
    if (!this.listeners.has(what)) this.listeners.set(what, new Set());
    this.listeners.get(what).add(act);
    return () => this.listeners.get(what).delete(act);
  },
  tell(what, detail) {
    for (const act of this.listeners.get(what) || []) act(detail);
  },

  get units() { return this.state?.settings.units || "metric"; },
  get year() { return Math.max(...this.state.crops.map((c) => Number(c.start.slice(0, 4))), new Date().getFullYear()); },
  blocks() { return this.state.blocks.features; },
  block(name) { return this.blocks().find((b) => b.id === name); },
  cropsOf(block) { return this.state.crops.filter((c) => c.block === block).sort((a, b) => (a.start < b.start ? -1 : 1)); },
  gapsOf(block) { return this.gaps.get(block) || []; },
  gap(id) { for (const list of this.gaps.values()) { const found = list.find((g) => g.id === id); if (found) return found; } return null; },
  coverName(id) {
    if (id === "no_cover") return t("no_cover");
    const found = this.catalogue.covers.find((c) => c.id === id);
    return found ? found.name : id;
  },
  cropName(id) {
    const found = this.catalogue.vegetables.find((v) => v.id === id);
    return found ? found.name : id.replaceAll("_", " ");
  },

  /** Crops of one family after each other on a block; sowings of one crop in one year do not count. */
  sameFamily(block) {
    const family = (crop) => this.catalogue.vegetables.find((v) => v.id === crop)?.family;
    const crops = this.cropsOf(block), out = [];
    for (let i = 1; i < crops.length; i++) {
      const [a, b] = [crops[i - 1], crops[i]], kin = family(a.crop);
      if (kin && kin === family(b.crop) && !(a.crop === b.crop && a.start.slice(0, 4) === b.start.slice(0, 4))) out.push([a, b, kin]);
    }
    return out;
  },

  /** Read the farm; a screen that does not show the plan need not wait for it. */
  async open(planFirst = true) {
    this.catalogue = await ask("api/catalogue");
    this.take(await ask("api/state"));
    if (!planFirst) { this.timer = setTimeout(() => this.look(), 3000); return; }
    await this.readPlan();
    this.follow();
  },
  take(state) {
    this.state = state;
    this.tell("state", state);
    if (this.catalogue && state.catalogue !== this.catalogue.version) this.readCatalogue();
  },
  /** The farm's own species and mixes have come, gone or moved. */
  async readCatalogue() {
    this.catalogue = await ask("api/catalogue");
    this.tell("catalogue");
    this.tell("state", this.state);
  },

  /** Make an edit; the page shows the answer of the server, never its own guess. */
  async edit(edit) {
    try {
      const done = await ask("api/edit", { farm: this.state.farm, version: this.state.version, edit });
      this.take(done.state);
      say(t(done.words[0], this.named(done.words[1])));
      this.follow();
      return done;
    } catch (error) {
      await this.overtaken(error);
      throw error;
    }
  },
  async step(back) {
    try {
      const done = await ask("api/step", { farm: this.state.farm, version: this.state.version, back });
      this.take(done.state);
      say(t(back ? "undid" : "redid", { what: t(done.words[0], this.named(done.words[1])) }));
      this.follow();
    } catch (error) {
      await this.overtaken(error);
      say(inWords(error), "trouble");
    }
  },
  named(into) {
    const out = { ...into };
    if ("reason" in out) out.why = out.note || t(out.reason ? "hole_" + out.reason : "hole_none");
    if (out.list) out.list = t("import_" + out.list);
    if (out.crop) out.crop = this.cropName(out.crop);
    if (out.cover) out.cover = this.coverName(out.cover);
    if (out.width) out.width = lengthIn(Number(out.width), this.units);
    return out;
  },
  /** Another window was faster: show what it did, and say that this edit was not kept. */
  async overtaken(error) {
    if (error.status !== 409) return;
    if (error.problem.kind === "other_farm") { this.tell("other"); return; }
    const before = this.state.history.length;
    this.take(await ask("api/state"));
    const last = this.state.history.filter((e) => !e.undone).at(-1);
    const what = last && this.state.history.length >= before ? t(last.words[0], this.named(last.words[1])) : "";
    error.problem = { kind: "version", sentence: t("problem_version", { what }) };
    say(error.problem.sentence, "trouble");
    this.follow();
  },

  async bring(kind, file, query = {}) {
    const asked = new URLSearchParams({ farm: this.state.farm, version: this.state.version, name: file.name });
    for (const [k, v] of Object.entries(query)) if (v !== "" && v !== null && v !== undefined) asked.set(k, v);
    try {
      const done = await ask("api/import/" + kind + "?" + asked, undefined, {
        method: "POST", headers: { "X-Greengap": "1", "Content-Type": "application/octet-stream" }, body: file,
      });
      this.take(done.state);
      this.follow();
      return done;
    } catch (error) {
      await this.overtaken(error);
      throw error;
    }
  },

  // ---- the plan, in the background ------------------------------------------------------------
  follow() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.look(), 60);
  },
  async look() {
    let progress;
    try {
      progress = await ask("api/progress");
    } catch (error) {
      this.lost(error);
      return;
    }
    if (progress.farm !== this.state.farm) { this.tell("other"); return; }
    const before = this.progress;
    const moved = !before || before.version !== progress.version || before.done !== progress.done || before.state !== progress.state;
    this.progress = progress;
    try {
      if (progress.edited !== this.state.version) this.take(await ask("api/state"));
      if (moved) {
        if (progress.state === "done" || progress.state === "stopped" || progress.state === "problem" || progress.state === "waiting") await this.readPlan();
        else if (progress.done > 0 && (before?.done !== progress.done)) await this.readGaps();
      }
    } catch (error) { // the program went away in the middle of the look: look again, as if nothing had been seen
      this.progress = before;
      this.lost(error);
      return;
    }
    if (moved) this.tell("progress", progress);
    const busy = progress.state === "reading" || progress.state === "running";
    this.timer = setTimeout(() => this.look(), busy ? 150 : 2500);
  },
  /** Nobody answered, or not with what was asked for: say so, and look again. */
  lost(error) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.look(), 3000);
    if (!(error instanceof Refused)) throw error;
    if (error.problem.kind === "gone") this.tell("gone");
    if (error.problem.key === "no_farm") this.tell("other");
  },
  async readGaps() {
    // While it runs only the gaps are read: what was planned first is shown first.
    const now = performance.now();
    if (this.lastRead && now - this.lastRead < 700 && this.progress.done > 1) return;
    this.lastRead = now;
    await this.readPlan();
  },
  async readPlan() {
    const got = await ask("api/plan");
    this.gaps = Map.groupBy ? Map.groupBy(got.gaps, (g) => g.block) : got.gaps.reduce((m, g) => m.set(g.block, [...(m.get(g.block) || []), g]), new Map());
    this.plan = got.farm;
    this.tell("plan", got);
  },
};
