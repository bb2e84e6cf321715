// A gap: odds against sowing date from the farm's own years, ranked options, what each leaves, and the farm's answer.

import { afterPart, clocksPart, ladderPart, yearsPart } from "./after.js";
import { fan, oddsChart } from "./charts.js";
import { cleanPart } from "./clean.js";
import { between, button, field, h, longDay, say, t, unique, upper } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";
import { swatch } from "./ground.js";
import { usableWords } from "./screen_calendar.js";

export async function whyDialog(gapId, cover, part = "") {
  const name = cover === "no_cover" ? t("no_cover") : farm.coverName(cover);
  const body = h("div", { class: "why-body", tabindex: "0" }, t("why_reading"));
  const dialog = h("dialog", { class: "why", "aria-label": t("why_title", { cover: name }) },
    h("div", { class: "drawer-head" }, h("h2", {}, t("why_title", { cover: upper(name) })), h("button", { type: "button", class: "close", "aria-label": t("close"), onclick: () => dialog.close() }, "×")), body);
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
  try {
    const got = await ask("api/why?" + new URLSearchParams({ gap: gapId, cover }));
    const here = [];
    let mine = true;
    for (const line of got.lines) {
      const heading = /^Gap (.+?), /.exec(line);
      if (heading) mine = heading[1] === gapId;
      else if (line && !line.startsWith(" ")) mine = true;
      if (mine && line.trim()) here.push(h("p", { class: line.startsWith("  ") ? (line.startsWith("   ") ? "deeper" : "deep") : "top" }, line.trim()));
    }
    body.replaceChildren(...here);
    const found = part && here.find((p) => p.textContent.toLowerCase().includes(part));
    if (found) { found.classList.add("asked"); found.scrollIntoView({ block: "center" }); }
  } catch (error) { body.replaceChildren(inWords(error)); }
}

export function gapDrawer(page, head) {
  const id = page.gap, node = h("div", { class: "gap-sheet" });
  let data = null, picked = null, date = null, trial = null, number = 0, weights = null;
  const short = farm.gap(id);

  async function read() {
    const mine = ++number;
    if (!data) node.replaceChildren(head(short ? t("gap_title", { block: short.block }) : id), h("p", { class: "quiet", role: "status" }, t("gap_reading")));
    try {
      const got = await ask("api/gap?" + new URLSearchParams({ id }));
      if (mine !== number) return;
      data = got;
      if (!picked || !data.covers.find((c) => c.cover === picked)) picked = data.chosen !== "no_cover" ? data.chosen : data.covers.find((c) => c.dates.length)?.cover || "no_cover";
      const cover = data.covers.find((c) => c.cover === picked);
      if (!cover?.dates.find((d) => d.sow === date)) date = cover?.answer?.sow_date || cover?.sow || cover?.dates[0]?.sow || null;
      draw();
    } catch (error) {
      if (mine !== number) return;
      node.replaceChildren(head(short ? t("gap_title", { block: short.block }) : id), h("p", { class: "wrong" }, inWords(error)));
    }
  }
  const whyButton = (cover, part) => h("button", { type: "button", class: "why-button", "aria-label": t("why") + " " + part, onclick: () => whyDialog(id, cover, part) }, t("why"));

  function parts() {
    const gap = data, none = t("gap_nothing");
    return [
      h("p", {}, h("b", {}, between(gap.start, gap.end)), ". ", upper(t("gap_line", { before: gap.before ? farm.cropName(gap.before) : none, after: gap.after ? farm.cropName(gap.after) : none })), "."),
      h("p", { class: "quiet" }, t("gap_days", { days: gap.length_d, usable: usableWords(gap), clean: gap.clean_up_d, seedbed: gap.seedbed_d, wait: gap.waiting_d })),
      h("div", { class: "in-short" }, h("p", { class: "verdict" }, data.chosen !== "no_cover" && swatch("url(#hatch-" + data.chosen + ")"), h("span", {}, data.advice?.sentence || upper(t("no_cover")))),
        data.chosen === "no_cover" && gap.why_clean && h("p", {}, upper(gap.why_clean) + "."),
        data.advice?.ending && h("p", {}, data.advice.ending),
        button("to_ranked", () => { const spot = document.getElementById("ranked"); spot.scrollIntoView({ block: "start" }); spot.focus({ preventScroll: true }); })),
    ];
  }
  function look() {
    const sown = data.covers.filter((c) => c.dates.length);
    if (!sown.length) return null;
    const cover = sown.find((c) => c.cover === picked) || sown[0];
    const best = [cover, ...sown.filter((c) => c !== cover)].slice(0, 3).sort((a, b) => a.rank - b.rank);
    const now = cover.dates.find((d) => d.sow === date) || cover.dates[0];
    const choose = h("select", { onchange: (e) => { picked = e.target.value; const c = data.covers.find((k) => k.cover === picked); date = c.answer?.sow_date || c.sow || c.dates[0].sow; draw("pick"); } },
      sown.map((c) => h("option", { value: c.cover }, upper(c.name))));
    choose.value = cover.cover;
    choose.dataset.role = "pick";
    const slide = h("input", { type: "range", min: 0, max: cover.dates.length - 1, step: 1, value: cover.dates.indexOf(now), "aria-valuetext": longDay(now.sow),
      oninput: (e) => { date = cover.dates[Number(e.target.value)].sow; e.target.setAttribute("aria-valuetext", longDay(date)); shownDate.textContent = longDay(date); spot.replaceChildren(...seen()); } });
    slide.dataset.role = "slide";
    const shownDate = h("output", { class: "slide-date" }, longDay(now.sow));
    const slideField = field("odds_date", slide);
    slideField.append(shownDate);
    const spot = h("div", {});
    function seen() {
      const at = cover.dates.find((d) => d.sow === date) || now;
      const p = at.holds / at.years, z = 1.96, n = at.years;
      const mid = (p + (z * z) / (2 * n)) / (1 + (z * z) / n), half = (z * Math.sqrt((p * (1 - p)) / n + (z * z) / (4 * n * n))) / (1 + (z * z) / n);
      return [
        oddsChart(data, best, cover.cover, date),
        h("p", { class: "verdict" }, t("odds_said", { cover: upper(cover.name), date: longDay(date), holds: at.holds, years: at.years }), " ", whyButton(cover.cover, "growth")),
        h("p", { class: "quiet" }, t("odds_range", { years: n, low: Math.round(100 * (mid - half)), high: Math.round(100 * (mid + half)) }), " ", t("odds_up", { n: at.up_years, years: at.years })),
        facts(cover, at),
        fan(cover, "biomass", t("fan_biomass"), date), fan(cover, "nitrogen", t("fan_nitrogen"), date), fan(cover, "water_cost", t("fan_water"), date),
        h("p", { class: "quiet" }, t("fan_note", { n: at.years })),
        cover.clocks?.length && clocksPart(cover),
        yearsPart(id, cover, at, data),
        afterPart(id, cover, whyButton),
        h("div", { class: "row" }, h("button", { type: "button", class: "lock-now", onclick: () => answer(cover, "lock", date) }, t("lock", { date: longDay(date) }))),
      ].filter(Boolean);
    }
    spot.replaceChildren(...seen());
    return h("section", { class: "look" }, h("h3", {}, t("odds_title")),
      h("div", { class: "pair" }, field("odds_pick", choose), slideField), spot);
  }
  function facts(cover, at) {
    const rows = [];
    const fact = (key, ...more) => rows.push(h("dt", {}, t(key)), h("dd", {}, more));
    const days = (d) => (d && d.p50 !== null ? t("fact_days", { mid: d.p50, low: d.p10, high: d.p90 }) : t("not_in_model"));
    fact("fact_up", days(at.up_d), " ", whyButton(cover.cover, "emergence"));
    fact("fact_cover", days(at.half_d));
    fact("fact_bloom", at.flower[0] ? between(at.flower[0], at.flower[1]) : t("fact_no_bloom"), " ", whyButton(cover.cover, "flower"));
    fact("fact_end", t(at.ended_by === "frost" ? "fact_end_frost" : at.ended_by === "seed set" ? "fact_end_seed" : "fact_end_crop", { date: longDay(at.end_by), wait: data.waiting_d }));
    if (at.biomass) fact("fact_growth", at.biomass.text, " ", whyButton(cover.cover, "radiation"));
    if (at.nitrogen) fact("fact_nitrogen", at.nitrogen.text, at.fixed?.p50 > 0.5 ? h("div", {}, t("fact_fixed") + " " + at.fixed.text) : null, whyButton(cover.cover, "nitrogen"));
    if (at.given && data.after) fact("fact_given", t(at.given.p50 < 0 ? "nitrogen_is_tied" : "nitrogen_is_free", { amount: at.given.text }), " ", whyButton(cover.cover, "carbon"));
    if (at.waiting && data.after) fact("fact_wait", t("wait_days", { mid: at.waiting.p50, low: at.waiting.p10, high: at.waiting.p90 }), at.waiting.drivers.map((d) => h("div", { class: "quiet" }, t("wait_driver", { words: d.words, n: d.years, years: at.waiting.years }))), h("div", {}, t("wait_ready", { crop: farm.cropName(data.after), n: at.waiting.ready, years: at.waiting.years })));
    if (at.water_used) fact("fact_water", at.water_used.text, h("div", {}, t("fact_water_cost") + ": " + at.water_cost.text));
    if (at.start_water?.p90 > 0) fact("fact_start_water", at.start_water.text);
    if (at.weeds) fact("fact_weeds", at.weeds.map((w) => Math.round(100 * w)).join(" – ") + " %");
    if (at.bird_risk) fact("fact_birds", t("fact_birds_words", { n: Math.round(at.bird_risk * 100) }));
    if (at.purposes?.length) fact("fact_aims", at.purposes.map((p) => h("div", {}, upper(t("fact_aim", { aim: p.aim, met: p.met, years: p.years })))));
    if (cover.seed?.length) fact("fact_seed", cover.seed.map((k) => h("div", {}, k.species + ": " + k.seed + " (" + k.rate + ", " + k.depth + ", " + t("method_" + k.method) + ")")), whyButton(cover.cover, "pure live seed"));
    fact("fact_cost", data.costs[cover.cover] ? t("fact_cost_is", { cost: data.costs[cover.cover] }) : t(data.priced ? "fact_cost_part" : "fact_cost_none"));
    return h("dl", { class: "facts" }, rows);
  }
  // ---- the ranked options -------------------------------------------------------------------------
  function answered(cover) {
    if (!cover.answer) return data.chosen === cover.cover ? t("planned_here") : "";
    return cover.answer.answer === "no" ? t("refused") : cover.answer.answer === "lock" ? t("locked", { date: longDay(cover.answer.sow_date) }) : t("chosen");
  }
  function card(cover) {
    const told = cover.told, name = upper(cover.cover === "no_cover" ? t("no_cover") : cover.name);
    const read = h("input", { type: "checkbox" });
    const who = h("input", { maxlength: 40, autocomplete: "name", value: localStorage.getItem("greengap-who") || "" });
    const must = cover.cautions?.length > 0;
    const wrong = h("p", { class: "complaint", role: "alert" });
    const state = answered(cover);
    const act = async (given, sow) => {
      wrong.textContent = "";
      if (who.value) localStorage.setItem("greengap-who", who.value);
      if ((given === "choose" || given === "lock") && must && !read.checked) { wrong.textContent = t("problem_cautions_unread"); details.open = true; read.focus(); return; }
      try {
        await farm.edit({ kind: "answer", gap: id, cover: cover.cover, given, sow_date: sow || null, cautions_read: must && read.checked, read_by: who.value });
      } catch (error) { wrong.textContent = inWords(error); }
    };
    cover.act = act;
    const details = h("details", {}, h("summary", {}, t("cautions") + (must ? " (" + cover.cautions.length + ")" : "")),
      must ? [cover.cautions.map((c) => h("p", { class: "caution" }, h("b", {}, upper(c.hazard) + ". "), c.text + " ", h("i", {}, t("ask", { who: c.defers_to })))),
        h("label", { class: "tick" }, read, t("read_cautions", { cover: name })), field("read_by", who)] : h("p", { class: "quiet" }, t("cautions_none")));
    const moved = trial?.get(cover.cover);
    const rank = moved ? moved.rank : cover.rank;
    return h("li", { class: "option" + (data.chosen === cover.cover ? " in-plan" : ""), "data-cover": cover.cover },
      h("div", { class: "option-head" }, h("span", { class: "rank", "aria-hidden": "true" }, rank), h("h4", {}, cover.cover !== "no_cover" && swatch("url(#hatch-" + cover.cover + ")"), name),
        h("span", { class: "quiet" }, cover.klass + ", " + t("class_" + cover.klass)),
        moved && moved.rank !== cover.rank && h("span", { class: "moved" }, t(moved.rank < cover.rank ? "moves_up" : "moves_down", { n: cover.rank }))),
      state && h("p", { class: "state" }, state),
      told && h("p", {}, [told.sentence, told.early, told.ending].filter(Boolean).join(" ")),
      told?.limit && h("p", {}, h("b", {}, t("held_back") + ": "), told.limit + ". ", whyButton(cover.cover, "held back")),
      told?.reasons && h("p", { class: "quiet" }, upper(told.reasons) + "."),
      details, wrong,
      h("div", { class: "row" },
        cover.answer?.answer !== "choose" && button("choose", () => act("choose"), { class: "main", "aria-label": t("choose") + ": " + name }),
        cover.cover !== "no_cover" && cover.answer?.answer !== "no" && button("refuse", () => act("no"), { "aria-label": t("refuse") + ": " + name }),
        cover.answer && button("take_back", () => act("none"), { "aria-label": t("take_back") + ": " + name }),
        cover.dates.length > 0 && cover.cover !== picked && h("button", { type: "button", class: "quiet-button", onclick: () => { picked = cover.cover; date = cover.sow || cover.dates[0].sow; draw("top"); } }, t("odds_title"))));
  }
  async function answer(cover, given, sow) {
    if (cover.cautions?.length) {
      const place = node.querySelector('[data-cover="' + cover.cover + '"]');
      place?.scrollIntoView({ block: "nearest" });
    }
    await cover.act(given, sow);
  }
  function weighing() {
    const own = farm.state.settings.purposes || {};
    weights = weights || Object.fromEntries(farm.catalogue.purposes.map((p) => [p.id, own[p.id] ? own[p.id].weight ?? 1 : 0]));
    let later = null;
    const tryOut = () => {
      clearTimeout(later);
      later = setTimeout(async () => {
        try {
          const got = await ask("api/weights", { gap: id, weights });
          trial = new Map(got.ranking.map((r) => [r.cover, r]));
          list.replaceChildren(...ranked());
          told.replaceChildren(...got.ranking.slice(0, 4).map((r) => h("li", {}, upper(farm.coverName(r.cover)))));
        } catch (error) { say(inWords(error), "trouble"); }
      }, 160);
    };
    const told = h("ol", { class: "trial", "aria-live": "polite" });
    return h("details", { class: "weights", open: trial !== null }, h("summary", {}, t("weights_title")), h("p", { class: "quiet" }, t("weights_note")),
      farm.catalogue.purposes.map((p) => {
        const slide = h("input", { type: "range", min: 0, max: 5, step: 0.5, value: weights[p.id], oninput: (e) => { weights[p.id] = Number(e.target.value); out.textContent = e.target.value; tryOut(); } });
        const out = h("output", {}, weights[p.id]);
        const key = unique("weight");
        slide.id = key;
        return h("div", { class: "weight" }, h("label", { for: key }, upper(p.words)), slide, out);
      }), told,
      h("div", { class: "row" }, button("weights_keep", async () => {
        const kept = {};
        for (const [k, v] of Object.entries(weights)) if (v > 0) kept[k] = { ...(own[k] || {}), weight: v };
        try { await farm.edit({ kind: "settings", values: { purposes: kept } }); trial = null; } catch (e) { say(inWords(e), "trouble"); }
      }, { class: "main" }), button("weights_back", () => { weights = null; trial = null; draw(); })));
  }
  /** Aims that no cover and date reaches together, and what each costs the other. */
  function apart() {
    if (!data.apart.length) return null;
    const side = (a) => t("apart_side", { cover: upper(farm.coverName(a.cover)), date: longDay(a.sow), aim: a.aim, met: a.met, years: a.years, other: a.other_aim, lost: a.other_met });
    return h("section", {}, h("h3", {}, t("apart_title")), data.apart.map((p) => h("div", { class: "apart" }, h("p", {}, upper(t("apart_pair", { first: p.first.aim, second: p.second.aim }))), h("ul", { class: "plain" }, h("li", {}, side(p.first)), h("li", {}, side(p.second))))));
  }
  let list;
  function ranked() {
    const order = [...data.covers].sort((a, b) => (trial?.get(a.cover)?.rank ?? a.rank) - (trial?.get(b.cover)?.rank ?? b.rank));
    return order.map(card);
  }
  function draw(focus) {
    list = h("ol", { class: "options" }, ranked());
    const top = document.getElementById("drawer").scrollTop;
    node.replaceChildren(...[
      head(t("gap_title", { block: data.block })), ...parts(),
      ladderPart(data),
      look(),
      apart(),
      cleanPart(id),
      h("section", {}, h("h3", { id: "ranked", tabindex: "-1" }, t("ranked")), weighing(), list),
      data.impossible.length > 0 && h("details", { class: "impossible" }, h("summary", {}, t("impossible", { n: data.impossible.length })),
        h("ul", {}, data.impossible.map((o) => h("li", {}, h("b", {}, upper(o.name) + ": "), o.why.join("; "))))),
    ].filter(Boolean));
    document.getElementById("drawer").scrollTop = focus === "top" ? 0 : top;
    if (focus === "pick") node.querySelector('[data-role="pick"]')?.focus({ preventScroll: true });
  }
  read();
  return {
    node,
    replanned() {
      const now = farm.gap(id);
      if (farm.progress?.state !== "done" && farm.progress?.done < 1) return;
      if (!now && farm.progress?.state !== "done") return;
      if (data && JSON.stringify(now) === this.had) return;
      this.had = JSON.stringify(now);
      read();
    },
    gone() { number++; },
  };
}
