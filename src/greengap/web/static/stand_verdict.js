// What a count says in words: the sentence after each frame, then what can be done, with one tap to decide.

import { dayOf, h, isoOf, longDay, shortDay, t, upper } from "./dom.js";
import { judgeStand, tableFor } from "./stand_reckoned.js";

/** Plants on a square metre, as the reader counts ground. */
export const FOOT_M2 = 0.3048 ** 2;
export const perGround = (perM2, units) => (units === "us" ? perM2 * FOOT_M2 : perM2);
export const groundUnit = (units) => (units === "us" ? "ft²" : "m²");
export const shortly = (n) => (n >= 10 ? String(Math.round(n)) : n.toFixed(1).replace(/\.0$/, ""));
/** A range in words; one number where both ends are written alike. */
export const fromTo = (low, high) => (shortly(low) === shortly(high) ? t("book_about", { n: shortly(low) }) : t("book_from_to", { low: shortly(low), high: shortly(high) }));
const inPercent = (share) => (share > 0 && share < 0.0095 ? (100 * share).toFixed(1) : String(Math.round(100 * share)));

/**
 * What the frames so far say of a stand against what the plan expects.
 * @param {{book, gap, species: {id, name}[], frames: {plants: Object, weeds: number, level: string}[], frameM2: number}} look
 * @returns {string} one sentence, empty before the first frame
 */
export function countedWords({ book, gap, species, frames, frameM2 }) {
  if (!frames.length) return "";
  const parts = species.map((s) => {
    const mean = frames.reduce((sum, f) => sum + f.plants[s.id], 0) / (frames.length * frameM2);
    const expected = gap?.expect_m2?.[s.id];
    const counted = t("book_counted", { cover: s.name, mean: shortly(perGround(mean, book.units)), unit: groundUnit(book.units) });
    if (!expected) return counted;
    const range = fromTo(...expected.map((v) => perGround(v, book.units)));
    const key = mean < expected[0] ? "book_fewer" : mean > expected[1] ? "book_more_than" : "book_within";
    return counted + ", " + t(key, { range });
  });
  return parts.join("; ") + ".";
}

/**
 * The verdict on the frames so far, or why there is none.
 * @returns {{verdict, found, why: string}} `found` is the table, kept for the frames to come
 */
export function judged({ book, gap, sown, day, frames, frameM2, held }) {
  const found = held || tableFor(book.stands, gap, sown, day);
  if (found.why) return { found: null, verdict: null, why: whyNone(found) };
  const read = frames.map((f) => ({ ...f.said, plants: f.plants, weeds: f.weeds, level: f.level, area: frameM2 }));
  return { found, verdict: read.length ? judgeStand(book.judged_by, found.sowing, found.look, read) : null, why: "" };
}
function whyNone(found) {
  const into = { ...found.into };
  for (const key of ["first", "last"]) if (into[key]) into[key] = longDay(into[key]);
  return t("book_none_" + found.why, into);
}

const nameOf = (book, cover) => (book.covers[cover]?.name || cover || "").toLowerCase();
/** A choice as one would say it. */
export const choiceWords = (book, choice, cover) => t("book_do_" + choice.replaceAll(" ", "_") + (choice === "switch" && !cover ? "_none" : ""), { cover: nameOf(book, cover) });
const ofYears = (c) => t("book_wins", { wins: c.wins, years: c.years });

/** Whether to count on, and what it comes to: one or two short sentences. */
export function verdictWords(book, verdict) {
  const { stop } = verdict, into = { n: stop.frames, more: stop.more };
  const counted = t(stop.frames === 1 ? "book_stop_counted_1" : "book_stop_counted", into);
  const go = stop.side === "go on";
  const on = go ? t("book_stop_go", { ...into, counted }) : t(stop.side === "between" ? "book_stop_between" : "book_stop_stop", { ...into, counted });
  return on + " " + (go ? t("book_so_far", { what: choiceWords(book, verdict.verdict.choice, coverOf(verdict, verdict.verdict.choice)) }) : chosenWords(book, verdict));
}
const coverOf = (verdict, choice) => verdict.choices.find((c) => c.choice === choice).cover;

function chosenWords(book, { verdict, choices }) {
  const row = choices.find((c) => c.choice === verdict.choice), what = choiceWords(book, row.choice, row.cover);
  if (row.choice === "keep clean") return t("book_verdict_clean", { what: upper(what), least: inPercent(book.judged_by.least) });
  if (verdict.good) return t("book_verdict_good", { what: upper(what) }) + (row.odds >= book.judged_by.wanted ? "" : " " + t("book_verdict_good_but", { wins: ofYears(row) }));
  if (!verdict.toss) return t("book_verdict_one", { what: upper(what), wins: ofYears(row) });
  const other = choices.find((c) => c.choice === verdict.toss);
  return t("book_verdict_toss", { what, wins: ofYears(row), other: choiceWords(book, other.choice, other.cover), others: ofYears(other) });
}

/** What is to be known of a choice, line by line. */
function choiceLines(book, c, day) {
  const lines = [c.choice === "keep clean" ? t("book_clean_how", { days: book.judged_by.rules.clean_ground_interval }) : upper(ofYears(c))];
  if (c.birds) lines.push(t("book_birds", { share: inPercent(c.birds) }));
  if (c.choice === "weed once") lines.push(t("book_hours", { hours: Math.max(1, Math.round(c.hours)), date: shortDay(day) }), c.put_off < 0 ? t("book_until_none") : t("book_until", { date: shortDay(isoOf(dayOf(day) + c.put_off)) }));
  if (c.choice === "resow" || c.choice === "switch") {
    const { unit, factor } = book.columns.seed_kg, seed = c.seed_kg === null ? "" : (c.seed_kg / factor).toFixed(1) + " " + unit;
    const cost = c.cost === null ? t("book_cost_not_known") : Math.round(c.cost) + " " + c.currency;
    lines.push(t("book_sow_from", { date: shortDay(c.on) }) + (seed ? " " + t("book_seed_cost", { seed, cost: cost.trim() }) : ""));
    lines.push(c.until ? t("book_until", { date: shortDay(c.until) }) : t("book_until_none"));
  }
  return lines;
}
function whyNot(book, c) {
  const what = choiceWords(book, c.choice, c.cover);
  if (c.why === "hours") return t("book_not_hours", { what, hours: Math.round(c.hours), most: Math.round(book.judged_by.hours) });
  return t("book_not_possible", { what, why: c.why === "no_weeds" || c.why === "none_fits" ? t("book_why_" + c.why) : c.why });
}

/**
 * What can be done, the verdict first: one tap writes the decision down.
 * @param {{book, verdict, found, day: string, species, decide: (choice) => void}} asked `day` on which one would pull
 */
export function choiceCards({ book, verdict, found, day, pullOn, seenUp, species, decide }) {
  const { choice, toss } = verdict.verdict, order = [choice, toss].filter(Boolean);
  const possible = [...order.map((name) => verdict.choices.find((c) => c.choice === name)), ...verdict.choices.filter((c) => c.possible && !order.includes(c.choice))];
  const card = (c) => h("li", {}, h("button", { type: "button", class: c.choice === choice ? "do best" : "do", "data-choice": c.choice, onclick: () => decide(c) },
    h("b", {}, upper(choiceWords(book, c.choice, c.cover))), c.choice === choice ? h("em", {}, t(toss ? "book_toss_mark" : "book_verdict_mark")) : c.choice === toss && h("em", {}, t("book_toss_mark")),
    choiceLines(book, c, pullOn).map((line) => h("span", {}, line))));
  const stands = species.map((s) => {
    const counted = verdict.density[s.id], full = found.sowing.full_m2[s.id] ?? verdict.full_m2;
    const per = (v) => shortly(perGround(v, book.units));
    return h("li", {}, t("book_stands", { cover: s.name, mean: per(counted.per_m2), low: per(counted.low_m2), high: per(counted.high_m2), unit: groundUnit(book.units), share: inPercent(counted.per_m2 / full) }));
  });
  const by = book.judged_by;
  return h("section", { class: "todo", "aria-label": t("book_what_now") }, h("h3", { tabindex: "-1" }, t("book_what_now")),
    verdict.up_by && day < verdict.up_by && !seenUp && h("p", { class: "early" }, t("book_early", { date: longDay(verdict.up_by) })),
    h("p", { class: "hint" }, t("book_one_tap")), h("ol", {}, possible.map(card)),
    verdict.choices.filter((c) => !c.possible).map((c) => h("p", { class: "hint" }, whyNot(book, c))),
    h("details", { class: "more" }, h("summary", {}, t("book_how_judged")),
      h("ul", { class: "plain" }, stands, h("li", {}, t("book_weeds_count", { cover: inPercent(verdict.weeds.cover) })),
        verdict.weeds.cover > by.weeds.at(-1) && h("li", {}, t("book_weeds_beyond", { most: inPercent(by.weeds.at(-1)) })),
        h("li", {}, t(found.sowing.planned ? "book_table_planned" : "book_table_of", { sown: longDay(found.sowing.sown), look: longDay(found.look.on) })),
        found.sowing.notes.map((note) => h("li", {}, note)),
        h("li", {}, t("book_thresholds", { wanted: inPercent(by.wanted), margin: inPercent(by.margin), least: inPercent(by.least), bare: inPercent(by.rules.stand_least_share) })))));
}
