// What is due on a day: from the dates of the plan and from what was written down, what becomes too late first on top.

import { dayOf, isoOf } from "./dom.js";

const NEAR_GAP = 45; // days: as where lists are read
const AHEAD = 7; // days before the crop before is off, and before the next one comes, from which it is asked about
const STILL_SHOWN = 14; // days after which something that was not done is no longer put before today's work

/** The last row of a kind that holds in a gap. */
export const lastOf = (rows, what, gap) => rows.filter((r) => r.what === what && r.gap_id === gap).at(-1);

/** The gap that something on a block on a day belongs to: the one sown last, else the nearest. */
export function gapFor(book, rows, block, day, what) {
  const away = (g) => Math.max(dayOf(g.start) - dayOf(day), dayOf(day) - dayOf(g.end), 0);
  const mine = book.gaps.filter((g) => g.block === block);
  if (what !== "sown") {
    const sown = rows.filter((r) => r.what === "sown" && r.block_id === block && r.date <= day).at(-1);
    const gap = sown && mine.find((g) => g.id === sown.gap_id);
    if (gap && away(gap) <= NEAR_GAP) return gap;
  }
  const nearest = mine.sort((a, b) => away(a) - away(b))[0];
  return nearest && away(nearest) <= NEAR_GAP ? nearest : null;
}

/** The cover that stands in a gap: as sown, else as planned. */
export const coverIn = (book, rows, gap) => (gap && (lastOf(rows, "sown", gap.id)?.cover_id || gap.cover)) || "";

/** Every job with its first and last day that is not done yet. */
export function openJobs(book, rows) {
  const out = [];
  for (const gap of book.gaps) {
    const sown = lastOf(rows, "sown", gap.id), ended = lastOf(rows, "ended", gap.id);
    const cover = coverIn(book, rows, gap);
    const job = (what, from, by, more = {}) => from && by && out.push({ what, gap, cover, from, by: by < from ? from : by, sown, ...more });
    const before = isoOf(dayOf(gap.start) - 1), some = (iso) => iso && isoOf(dayOf(iso) - AHEAD);
    if (gap.before && !sown && !ended && !lastOf(rows, "cleared", gap.id)) job("cleared", some(before), before);
    if (!sown && !ended) job("sown", gap.sow_from, gap.sow_until);
    if (sown && !ended) {
      const [first, last] = book.look_d.map((d) => isoOf(dayOf(sown.date) + d));
      if (!lastOf(rows, "stand", gap.id)) job("stand", first, last);
      job("ended", gap.end_from, gap.end_by, { frost: gap.ended_by === "frost", seed: gap.ended_by === "seed set" });
    }
    if (ended && !lastOf(rows, "ready", gap.id) && gap.next_on) job("ready", isoOf(dayOf(ended.date) + (gap.wait_d?.[0] || 0)), gap.next_on);
    if (!lastOf(rows, "planted", gap.id)) job("planted", some(gap.next_on), gap.next_on);
  }
  return out.sort((a, b) => (a.by + a.gap.id < b.by + b.gap.id ? -1 : 1));
}

/** Those of a day: begun, and not too long ago; work before questions about other crops. */
export function dueOn(book, rows, day) {
  const open = openJobs(book, rows);
  const late = (job) => dayOf(day) - dayOf(job.by), asks = (job) => job.what === "cleared" || job.what === "planted";
  const now = open.filter((job) => job.from <= day && late(job) <= STILL_SHOWN).map((job) => ({ ...job, left: -late(job) }));
  return {
    now: [...now.filter((job) => !asks(job)), ...now.filter(asks)],
    next: open.filter((job) => job.from > day && !asks(job)).sort((a, b) => (a.from < b.from ? -1 : 1))[0] || null,
  };
}
