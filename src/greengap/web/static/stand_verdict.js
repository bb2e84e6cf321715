// The sentence under the counts, said anew after each frame.

import { t } from "./dom.js";

/** Plants on a square metre, as the reader counts ground. */
export const FOOT_M2 = 0.3048 ** 2;
export const perGround = (perM2, units) => (units === "us" ? perM2 * FOOT_M2 : perM2);
export const groundUnit = (units) => (units === "us" ? "ft²" : "m²");
export const shortly = (n) => (n >= 10 ? String(Math.round(n)) : n.toFixed(1).replace(/\.0$/, ""));
/** A range in words; one number where both ends are written alike. */
export const fromTo = (low, high) => (shortly(low) === shortly(high) ? t("book_about", { n: shortly(low) }) : t("book_from_to", { low: shortly(low), high: shortly(high) }));

/**
 * What the frames so far say of a stand.
 * @param {{book, gap, species: {id, name}[], frames: {plants: Object, weeds: number, level: string}[], frameM2: number}} look
 * @returns {string} one sentence, empty before the first frame
 */
export function standVerdict({ book, gap, species, frames, frameM2 }) {
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
