// A count judged by the table of its day: the same statistics and the same rules as in greengap.advice.frame_counts
// and greengap.advice.stand_check, which say where they come from. Numbers in, numbers out; no words, no page.

const Z_95 = 1.96, T_LARGEST = 1e6, TINY = 1e-9;
const LEAST_WORK_FIRST = ["keep", "weed once", "resow", "switch", "keep clean"];

/** Share of Student's distribution between -t and t. */
function tWithin(t, freedom) {
  const angle = Math.atan(t / Math.sqrt(freedom));
  if (freedom === 1) return (2 * angle) / Math.PI;
  const odd = freedom % 2;
  let term = odd ? Math.cos(angle) : 1, total = term;
  for (let step = 2 + odd; step < freedom - 1; step += 2) {
    term *= ((step - 1) / step) * Math.cos(angle) ** 2;
    total += term;
  }
  const share = odd ? (2 / Math.PI) * (angle + Math.sin(angle) * total) : Math.sin(angle) * total;
  return Math.min(share, 1);
}
/** The t between whose two signs a share of the distribution lies. */
export function tQuantile(level, freedom) {
  let low = 0, high = 1;
  while (tWithin(high, freedom) < level && high < T_LARGEST) high *= 2;
  for (let k = 0; k < 80; k++) {
    const middle = (low + high) / 2;
    if (tWithin(middle, freedom) < level) low = middle; else high = middle;
  }
  return (low + high) / 2;
}

/** Plants on a square metre with an interval that minds patches: Poisson mean, spread by Pearson's chi-square, t. */
export function countedDensity(plants, areas, clumping, level) {
  const total = plants.reduce((a, b) => a + b, 0), ground = areas.reduce((a, b) => a + b, 0);
  const density = total / ground, frames = plants.length;
  if (total === 0) return { frames, per_m2: 0, low_m2: 0, high_m2: -Math.log((1 - level) / 2) / ground, dispersion: 1 };
  let spread = 1 + total / clumping, width = Z_95;
  if (frames > 1) {
    const chi = plants.reduce((sum, n, k) => sum + (n - density * areas[k]) ** 2 / (density * areas[k]), 0);
    spread = Math.max(chi / (frames - 1), 1);
    width = tQuantile(level, frames - 1);
  }
  const ratio = Math.exp(Math.min(width * Math.sqrt(spread / total), 50));
  return { frames, per_m2: density, low_m2: density / ratio, high_m2: density * ratio, dispersion: spread };
}

/** Whether the frames so far decide between two densities: Wald's sequential test for negative binomial counts. */
export function stopCounting(plants, areas, rule) {
  const done = plants.length;
  if (done < rule.least) return { side: "go on", frames: done, more: rule.least - done };
  const low = Math.log(rule.wrong / (1 - rule.wrong)), high = Math.log((1 - rule.wrong) / rule.wrong);
  let sum = 0;
  const sums = plants.map((n, k) => {
    const few = rule.too_few_m2 * areas[k], enough = rule.enough_m2 * areas[k];
    const wider = Math.log((enough + rule.clumping) / (few + rule.clumping));
    return (sum += n * (Math.log(enough / few) - wider) - rule.clumping * wider);
  });
  for (let at = rule.least; at <= done; at++) { // the first that decides, as if it had been asked after each frame
    if (sums[at - 1] >= high) return { side: "enough", frames: done, more: 0 };
    if (sums[at - 1] <= low) return { side: "too few", frames: done, more: 0 };
  }
  if (done >= rule.most) return { side: "between", frames: done, more: 0 };
  const now = sums[done - 1], drift = now / done, left = rule.most - done;
  if (drift === 0) return { side: "go on", frames: done, more: left };
  const away = ((drift > 0 ? high : low) - now) / drift;
  return { side: "go on", frames: done, more: Math.min(Math.max(Math.ceil(away), 1), left) };
}

/** Value at x between points that rise; beyond the ends that of the end. */
function along(x, points, values) {
  if (x <= points[0]) return values[0];
  const last = points.length - 1;
  if (x >= points[last]) return values[last];
  let k = 0;
  while (points[k + 1] < x) k++;
  return values[k] + ((x - points[k]) / (points[k + 1] - points[k])) * (values[k + 1] - values[k]);
}
/** Odds for every share of the table at a cover of weeds: a straight line between the covers that were run. */
const oddsAtCover = (by, look, grid, cover) => by.shares.map((_, s) => along(cover, by.weeds, grid.map((row) => row[s])) / Math.max(look.years, 1));
/** Odds at a share of a full stand: a straight line of its logarithm; none stands below the least share. */
function oddsAtShare(by, odds, share) {
  const least = by.rules.stand_least_share;
  if (share < least) return odds[0];
  const from = by.shares.findIndex((s) => s >= least);
  return along(Math.log(share), by.shares.slice(from).map(Math.log), odds.slice(from));
}

/** Days by which pulling can be put off: the fewest of the rows around, -1 where one of them does not keep the odds. */
function putOff(by, look, cover, share) {
  const around = (x, points) => {
    const above = points.findIndex((p) => p >= x);
    if (above < 0) return [points.length - 1];
    return above === 0 || points[above] === x ? [above] : [above - 1, above];
  };
  const from = by.shares.findIndex((s) => s >= by.rules.stand_least_share);
  const columns = share < by.rules.stand_least_share ? [0] : around(share, by.shares.slice(from)).map((k) => k + from);
  return Math.min(...around(cover, by.weeds).flatMap((w) => columns.map((s) => look.put_off[w][s])));
}

/** What to do, and what is as good; the mapping holds the choices that are possible. */
export function bestChoice(odds, by) {
  if ((odds.keep ?? 0) >= by.wanted - TINY) return ["keep", ""];
  const best = Math.max(...Object.values(odds));
  const near = LEAST_WORK_FIRST.filter((c) => c in odds && odds[c] > best - by.margin + TINY);
  const others = near.slice(1);
  return [near[0], others.length ? others.reduce((a, b) => (odds[b] > odds[a] ? b : a)) : ""];
}

/** The weeds of the frames as leaf area: by the ground they cover, or else by number and height. */
export function weedsSeen(frames, look, by) {
  const rule = by.rules, mean = (list) => list.reduce((a, b) => a + b, 0) / list.length;
  const said = (column) => frames.map((f) => f[column]).filter((v) => v !== undefined && v !== null && v !== "");
  const covers = said("weed_cover_fraction"), many = mean(frames.map((f) => f.weeds / f.area));
  const weedMm = mean(said("weed_height_mm")), coverMm = mean(said("height_mm")), levels = said("level");
  const one = look.ordinary_m2 > 0 ? look.ordinary_area / look.ordinary_m2 : rule.weed_seedling_area;
  let area = many * one;
  if (covers.length) area = mean(covers.map((c) => -Math.log1p(-Math.min(c, 0.99)) / rule.weed_light_extinction));
  else if (!Number.isNaN(weedMm)) area = many * rule.weed_leaf_of_height * (weedMm / 1000) ** 2;
  if (!Number.isNaN(weedMm) && !Number.isNaN(coverMm)) {
    area *= coverMm <= 0 ? rule.weed_height_most : Math.min(Math.max(weedMm / coverMm, rule.weed_height_least), rule.weed_height_most);
  } else if (levels.length) {
    area *= mean(levels.map((l) => ({ below: Math.sqrt(rule.weed_height_least), level: 1, above: Math.sqrt(rule.weed_height_most) })[l]));
  }
  const cover = Number((-Math.expm1(-rule.weed_light_extinction * area)).toFixed(6));
  return { per_m2: many, leaf_area: area, cover, sized: covers.length > 0 || !Number.isNaN(weedMm) };
}

/** Densities at which the verdict turns, as greengap.advice.stand_check.stand_limits has it. */
function turningPoints(by, keep, other) {
  const at = by.shares.map(Math.log);
  const crossing = (score) => {
    let below = -1;
    score.forEach((s, k) => { if (s < -TINY) below = k; });
    if (below < 0) return 0;
    if (below === score.length - 1) return Infinity;
    const part = -score[below] / Math.max(score[below + 1] - score[below], 1e-12);
    return Math.exp(at[below] + part * (at[below + 1] - at[below]));
  };
  const enough = crossing(keep.map((k, n) => Math.max(k - by.wanted, k - other[n] - by.margin)));
  const few = crossing(keep.map((k, n) => Math.max(k - by.wanted, k - other[n] + by.margin)));
  return { enough: enough === Infinity ? null : enough, few: few || null };
}
/** When to stop counting; null where the verdict does not turn. */
export function stopRule(by, limits) {
  let { enough_m2: enough, too_few_m2: few } = limits;
  if (enough === null || few === null || enough <= 0) return null;
  const rule = by.rules, zone = rule.stand_zone;
  if (enough < few * zone) {
    const middle = Math.sqrt(few * enough);
    few = middle / Math.sqrt(zone);
    enough = middle * Math.sqrt(zone);
  }
  return { too_few_m2: few, enough_m2: enough, clumping: rule.stand_clumping, wrong: rule.stand_wrong_odds, least: rule.stand_least_frames, most: rule.stand_most_frames };
}

/**
 * A stand judged.
 * @param {Object} by what tables are judged by, `judged_by` of the field book
 * @param {Object} sowing one of its `stands`, and `look` one of its days
 * @param {{plants: Object, weeds: number, area: number}[]} frames in the order they were counted; plants by species of
 *   the sowing, or under "" all together; weed_cover_fraction, weed_height_mm, height_mm, level where they were said
 */
export function judgeStand(by, sowing, look, frames) {
  const rule = by.rules, areas = frames.map((f) => f.area);
  const species = Object.keys(frames[0].plants), whole = species.length === 1 && !(species[0] in sowing.full_m2);
  const density = Object.fromEntries(species.map((s) => [s, countedDensity(frames.map((f) => f.plants[s]), areas, rule.stand_clumping, by.level)]));
  const full = species.reduce((sum, s) => sum + (whole ? Object.values(sowing.full_m2).reduce((a, b) => a + b, 0) : sowing.full_m2[s]), 0);
  const share = Object.fromEntries([["counted", "per_m2"], ["thin", "low_m2"], ["dense", "high_m2"]].map(([end, bound]) => [end, species.reduce((sum, s) => sum + density[s][bound], 0) / full]));
  const weeds = weedsSeen(frames, look, by);
  const keepOdds = oddsAtCover(by, look, look.keep, weeds.cover), weedOdds = oddsAtCover(by, look, look.weed, weeds.cover);
  const hours = sowing.area_m2 * (weeds.per_m2 / by.weeds_per_h + 1 / by.ground_m2_h);

  const choices = [];
  const own = (choice, odds, more) => {
    const [mid, low, high] = ["counted", "thin", "dense"].map((end) => oddsAtShare(by, odds, share[end]));
    choices.push({ choice, cover: sowing.cover, odds: mid, low, high, years: look.years, wins: Math.round(mid * look.years), possible: true, ...more });
  };
  own("keep", keepOdds, {});
  own("weed once", weedOdds, { hours, put_off: putOff(by, look, weeds.cover, share.counted), possible: weeds.cover > 0 && hours <= by.hours, why: weeds.cover > 0 ? "hours" : "no_weeds" });
  for (const [choice, again] of [["resow", look.resow], ["switch", look.switch]]) {
    if (!again) { choices.push({ choice, cover: "", odds: 0, low: 0, high: 0, years: 0, wins: 0, possible: false, why: "none_fits" }); continue; }
    const odds = again.years ? (again.wins / again.years) * (1 - again.birds) : 0;
    choices.push({ ...again, choice, cover: again.cover, odds, low: odds, high: odds, possible: !again.why });
  }
  choices.push({ choice: "keep clean", cover: "", odds: by.least, low: by.least, high: by.least, years: 0, wins: 0, possible: true });

  const good = Object.fromEntries(Object.entries(share).map(([end, s]) => [end, s >= rule.stand_failure_share && weeds.leaf_area <= look.ordinary_area]));
  const possible = choices.filter((c) => c.possible);
  const best = (column, kept) => (kept ? ["keep", ""] : bestChoice(Object.fromEntries(possible.map((c) => [c.choice, c[column]])), by));
  const [choice, toss] = best("odds", good.counted), thin = best("low", good.thin)[0], dense = best("high", good.dense)[0];

  const limits = limitsOf(by, look, { cover: weeds.cover, hours, keepOdds, weedOdds, full, choices });
  const stop = stopOf(by, frames, limits, choice, thin === choice && dense === choice);
  return { density, full_m2: full, share, weeds, hours, choices, verdict: { choice, toss, thin, dense, good: good.counted }, limits, stop, up_by: sowing.up[2] };
}

function limitsOf(by, look, { cover, hours, keepOdds, weedOdds, full, choices }) {
  const odds = (name) => choices.find((c) => c.choice === name && c.possible)?.odds || 0;
  const rest = Math.max(odds("resow"), odds("switch"), by.least), feasible = hours <= by.hours && cover > 0;
  let { enough, few } = turningPoints(by, keepOdds, weedOdds.map((w) => (feasible ? Math.max(rest, w) : rest)));
  if (-Math.log1p(-Math.min(cover, 0.99)) / by.rules.weed_light_extinction <= look.ordinary_area) { // a good stand is kept
    const good = by.rules.stand_failure_share;
    enough = enough === null ? good : Math.min(enough, good);
    few = few === null ? null : Math.min(few, enough);
  }
  const top = by.shares.at(-1);
  return { enough_m2: enough === null ? null : enough * full, too_few_m2: few === null ? null : (few === Infinity ? top : few) * full };
}

function stopOf(by, frames, limits, choice, settled) {
  const least = by.rules.stand_least_frames, done = frames.length;
  if (done >= least && settled) return { side: choice === "keep" ? "enough" : "too few", frames: done, more: 0 };
  const rule = stopRule(by, limits);
  if (!rule) return done < least ? { side: "go on", frames: done, more: least - done } : { side: "between", frames: done, more: 0 };
  return stopCounting(frames.map((f) => Object.values(f.plants).reduce((a, b) => a + b, 0)), frames.map((f) => f.area), rule);
}

const STAND_DAY = 86400000, MOST_OFF_D = 2, PLANNED_OFF_D = 5;
const standDays = (a, b) => Math.round((Date.parse(b) - Date.parse(a)) / STAND_DAY);
/**
 * The table for a count, or why there is none.
 * @returns {{sowing, look, off: number}|{why: string, into?: Object}} `off` days between the sowing and that of the table
 */
export function tableFor(stands, gap, sown, day) {
  if (!gap) return { why: "no_gap" };
  if (!sown) return { why: "not_sown" };
  const sowing = stands.by_gap[gap.id], running = stands.state !== "done";
  const off = sowing ? standDays(sowing.sown, sown.date) : 0;
  const matches = sowing && sowing.cover === sown.cover_id && (sowing.planned ? Math.abs(off) <= PLANNED_OFF_D : off === 0);
  if (!matches) return running ? { why: "running", into: { done: stands.done || 0, total: stands.total || 0 } } : { why: sowing ? "other_sowing" : "none" };
  if (!sowing.looks.length) return { why: running ? "running" : "none", into: { done: stands.done || 0, total: stands.total || 0 } };
  const look = sowing.looks.reduce((a, b) => (Math.abs(standDays(b.on, day)) < Math.abs(standDays(a.on, day)) ? b : a));
  const away = standDays(look.on, day);
  const most = sowing.planned ? PLANNED_OFF_D : MOST_OFF_D;
  if (Math.abs(away) > most) return running ? { why: "running", into: { done: stands.done || 0, total: stands.total || 0 } } : { why: away < 0 ? "early" : "late", into: { first: sowing.looks[0].on, last: sowing.looks.at(-1).on } };
  return { sowing, look, off };
}
