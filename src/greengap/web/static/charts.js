// Charts of a gap: odds and fans by sowing date, the four clocks, nitrogen after the end, one weather year replayed.

import { DAY, MONTHS, dayOf, h, isoOf, longDay, s, shortDay, t } from "./dom.js";

export const W = 380, LINES = ["", "7 4", "2 3", "9 3 2 3"];

export function dateAxis(first, last, x, y) {
  const out = [], span = last - first;
  const step = span > 130 ? 31 : span > 50 ? 14 : 7;
  let at = -99;
  for (let day = first; day <= last; day++) {
    const date = new Date(day * DAY).getUTCDate();
    const mark = step === 31 ? date === 1 : step === 14 ? date === 1 || date === 15 : (day - first) % 7 === 0;
    if (!mark) continue;
    out.push(s("path", { d: "M" + x(day) + " " + y + "v5", class: "tick" }));
    if (x(day) - at > 44 && x(day) < W - 14) { out.push(s("text", { x: x(day), y: y + 17, "text-anchor": "middle" }, shortDay(isoOf(day)))); at = x(day); }
  }
  return out;
}

/** Curves of the best covers, labelled on the line; the date that is looked at as a line down. */
export function oddsChart(data, covers, picked, date) {
  const H = 190, box = { l: 28, r: W - 128, t: 26, b: H - 26 };
  const points = covers.flatMap((c) => c.dates);
  if (!points.length) return null;
  const first = Math.min(...points.map((p) => dayOf(p.sow))), last = Math.max(...points.map((p) => dayOf(p.sow)), first + 7);
  const n = Math.max(...points.map((p) => p.years));
  const x = (day) => box.l + 8 + ((day - first) / (last - first)) * (box.r - box.l - 16);
  const y = (share) => box.b - share * (box.b - box.t);
  const out = [s("text", { x: 0, y: 11 }, t("odds_axis", { n })), ...dateAxis(first, last, x, box.b),
    s("path", { d: "M" + box.l + " " + box.b + "H" + box.r, class: "tick" }), s("path", { d: "M" + box.l + " " + box.t + "H" + box.r, class: "faint" }),
    s("text", { x: box.l - 5, y: box.b + 4, "text-anchor": "end" }, "0"), s("text", { x: box.l - 5, y: box.t + 4, "text-anchor": "end" }, n),
    s("path", { d: "M" + box.l + " " + y(data.wanted_share) + "H" + box.r, class: "wanted" }),
    s("text", { x: box.l + 4, y: y(data.wanted_share) + 13 }, t("odds_wanted", { n: Math.ceil(data.wanted_share * n - 1e-9) }))];
  // Names stand in the margin at the ends of their curves, apart from each other.
  const labels = [];
  covers.forEach((cover, i) => {
    const line = cover.dates.map((p) => [x(dayOf(p.sow)), y(p.holds / p.years)]);
    if (!line.length) return;
    const own = cover.cover === picked;
    out.push(s("path", { d: "M" + line.map((p) => p.map((v) => v.toFixed(1)).join(" ")).join("L"), class: own ? "curve own" : "curve", "stroke-dasharray": LINES[i % LINES.length] }));
    labels.push({ x: line.at(-1)[0], from: line.at(-1)[1], words: cover.name, own });
  });
  labels.sort((a, b) => a.from - b.from);
  labels.forEach((label, i) => { label.y = Math.max(label.from, i ? labels[i - 1].y + 15 : box.t); });
  const over = Math.max(0, (labels.at(-1)?.y ?? 0) - box.b); // where all fall to nothing the names stand above the axis
  if (over) for (const [i, label] of labels.entries()) label.y = Math.min(label.y, box.b - 15 * (labels.length - 1 - i));
  for (const label of labels) {
    out.push(s("path", { d: "M" + (label.x + 2) + " " + label.from + "L" + (box.r + 4) + " " + label.y + "h5", class: "leader" }),
      s("text", { x: box.r + 12, y: label.y + 4, class: label.own ? "own" : "" }, label.words));
  }
  if (date) {
    const cover = covers.find((c) => c.cover === picked), point = cover?.dates.find((p) => p.sow === date);
    out.push(s("path", { d: "M" + x(dayOf(date)) + " " + box.t + "V" + (box.b + 5), class: "date-line" }));
    if (point) out.push(s("circle", { cx: x(dayOf(date)), cy: y(point.holds / point.years), r: 4.5, class: "date-dot" }));
  }
  return s("svg", { class: "chart", viewBox: "0 0 " + W + " " + H, role: "img", "aria-label": t("odds_title") }, out);
}

/** Middle year and band of eight years in ten, by sowing date. */
export function fan(cover, name, title, date) {
  const dates = cover.dates.filter((d) => d[name]);
  if (dates.length < 2) return null;
  const H = 104, box = { l: 44, r: W - 8, t: 20, b: H - 24 };
  const first = dayOf(dates[0].sow), last = dayOf(dates.at(-1).sow);
  const low = Math.min(0, ...dates.map((d) => d[name].p10)), high = Math.max(...dates.map((d) => d[name].p90), low + 1e-9);
  const x = (day) => box.l + 6 + ((day - first) / (last - first || 1)) * (box.r - box.l - 12);
  const y = (v) => box.b - ((v - low) / (high - low)) * (box.b - box.t);
  const at = (d, q) => x(dayOf(d.sow)).toFixed(1) + " " + y(d[name][q]).toFixed(1);
  const unit = dates[0][name].unit, print = (v) => (Math.abs(high) < 20 ? v.toFixed(1) : Math.round(v));
  const now = dates.find((d) => d.sow === date);
  return h("figure", { class: "fan" }, h("figcaption", {}, title + ", " + unit + (now ? ": " + now[name].text : "")),
    s("svg", { class: "chart", viewBox: "0 0 " + W + " " + H, role: "img", "aria-label": title },
      s("path", { d: "M" + dates.map((d) => at(d, "p90")).join("L") + "L" + [...dates].reverse().map((d) => at(d, "p10")).join("L") + "Z", class: "band" }),
      s("path", { d: "M" + dates.map((d) => at(d, "p50")).join("L"), class: "curve own" }),
      s("path", { d: "M" + box.l + " " + y(0) + "H" + box.r, class: "tick" }), dateAxis(first, last, x, box.b),
      s("text", { x: box.l - 5, y: box.t + 4, "text-anchor": "end" }, print(high)), s("text", { x: box.l - 5, y: y(0) + 4, "text-anchor": "end" }, "0"),
      low < 0 && s("text", { x: box.l - 5, y: box.b + 4, "text-anchor": "end" }, print(low)),
      date && s("path", { d: "M" + x(dayOf(date)) + " " + box.t + "V" + box.b, class: "date-line" })));
}

/** Days to spare on each clock; the one with the fewest is drawn heavy and named. */
export function clocksChart(clocks) {
  const H = 24, left = 172, right = 84, most = Math.max(10, ...clocks.map((c) => Math.abs(c.spare_d ?? 0)));
  const low = Math.min(0, ...clocks.map((c) => (c.never ? -most / 4 : c.spare_d ?? 0)));
  const x = (d) => left + ((d - low) / (most - low)) * (W - left - right);
  const rows = clocks.map((c, i) => {
    const y = i * H + 15, at = c.never ? x(low) : c.spare_d === null ? null : x(c.spare_d);
    const said = c.never ? t("clock_never") : c.spare_d === null ? t("clock_off") : t("clock_spare", { n: c.spare_d });
    return [
      s("text", { x: 0, y: y + 4, class: c.binds ? "own" : "" }, c.words),
      at !== null && s("path", { d: "M" + x(0) + " " + (y - 6) + "v12M" + x(0) + " " + y + "H" + at.toFixed(1) + "m0 -6v12", class: c.binds ? "clock own" : "clock" }),
      s("text", { x: Math.max(at ?? x(0), x(0)) + 8, y: y + 4, class: c.binds ? "own" : "" }, said + (c.binds ? ", " + t("clock_binds") : ""))];
  });
  return s("svg", { class: "chart clocks", viewBox: "0 0 " + W + " " + (clocks.length * H + 6), role: "img", "aria-label": t("clocks_title") }, rows);
}

/** Nitrogen since the end, set free above the line and tied up below it; the next crop's need on the same axis. */
export function nitrogenChart(n) {
  const H = 214, box = { l: 40, r: W - 112, t: 46, b: H - 26 };
  const days = n.fan.p50.length - 1, first = dayOf(n.from);
  const low = Math.min(0, ...n.fan.p10), high = Math.max(5, ...n.fan.p90, ...(n.uptake || []));
  const x = (i) => box.l + (i / days) * (box.r - box.l);
  const y = (v) => box.b - ((v - low) / (high - low)) * (box.b - box.t);
  const at = (v, i) => x(i).toFixed(1) + " " + y(v).toFixed(1);
  const area = (a, b) => "M" + n.fan[a].map(at).join("L") + "L" + n.fan[b].map(at).reverse().join("L") + "Z";
  const line = (values) => "M" + values.map(at).join("L");
  const plant = dayOf(n.planting) - first, ends = [[y(n.fan.p50.at(-1)), t("nitrogen_cover"), "own"]];
  if (n.uptake && n.crop) ends.push([y(n.uptake.at(-1)), t("nitrogen_crop", { crop: n.crop }), ""]);
  ends.sort((a, b) => a[0] - b[0]);
  if (ends[1] && ends[1][0] - ends[0][0] < 15) ends[1][0] = ends[0][0] + 15;
  const tick = [0, 1].map((k) => (k ? high : low)).filter((v) => v !== 0);
  return s("svg", { class: "chart", viewBox: "0 0 " + W + " " + H, role: "img", "aria-label": t("nitrogen_title") },
    s("text", { x: 0, y: 11 }, t("nitrogen_axis", { unit: n.unit })),
    s("path", { d: area("p10", "p90"), class: "band" }), s("path", { d: area("p25", "p75"), class: "band inner" }),
    n.tied_until !== null && [s("path", { d: "M" + n.fan.p50.slice(0, n.tied_until + 1).map((v, i) => at(Math.min(v, 0), i)).join("L") + "L" + at(0, n.tied_until) + "L" + at(0, 0) + "Z", class: "tied" }),
      s("text", { x: x(n.tied_until / 2), y: Math.min(y(low) - 3, box.b - 3), "text-anchor": "middle" }, t("nitrogen_tied", { amount: n.least }))],
    s("path", { d: line(n.fan.p50), class: "curve own" }),
    n.uptake && n.crop && s("path", { d: line(n.uptake), class: "curve", "stroke-dasharray": "6 3" }),
    s("path", { d: "M" + box.l + " " + y(0) + "H" + box.r, class: "tick" }), dateAxis(first, first + days, (day) => x(day - first), box.b),
    s("text", { x: box.l - 5, y: y(0) + 4, "text-anchor": "end" }, "0"), tick.map((v) => Math.abs(y(v) - y(0)) > 12 && s("text", { x: box.l - 5, y: y(v) + 4, "text-anchor": "end" }, Math.round(v))),
    n.crop && plant >= 0 && plant <= days && [s("path", { d: "M" + x(plant) + " " + (box.t - 8) + "V" + box.b, class: "date-line" }), s("text", { x: x(plant), y: box.t - 13, "text-anchor": x(plant) > W / 2 ? "end" : "start" }, t("nitrogen_set", { crop: n.crop, date: shortDay(n.planting) }))],
    ends.map(([v, words, cls]) => s("text", { x: box.r + 5, y: v + 4, class: cls }, words)));
}

/** A row of ticks, one a weather year: tall where it holds, a short one with a ring where it does not. */
export function yearTicks(years, picked) {
  const x = (i) => 8 + (i / Math.max(years.length - 1, 1)) * (W - 16);
  return s("svg", { class: "chart", viewBox: "0 0 " + W + " 40", "aria-hidden": "true" },
    years.map((y, i) => [s("path", { d: "M" + x(i) + " 26v" + (y.miss ? -9 : -18), class: i === picked ? "year-tick own" : "year-tick" }), y.miss && s("circle", { cx: x(i), cy: 13, r: 3.2, class: i === picked ? "year-ring own" : "year-ring" }),
      (i === picked || ((i === 0 || i === years.length - 1) && Math.abs(i - picked) > 2)) && s("text", { x: x(i), y: 38, "text-anchor": i === 0 ? "start" : i === years.length - 1 ? "end" : "middle", class: i === picked ? "own" : "" }, y.year)]));
}

/** One year, from sowing to the next crop, as a strip of what happens when. */
export function yearStrip(year, sow, next) {
  const first = dayOf(sow), marks = [], day = (n) => shortDay(isoOf(first + Math.round(n)));
  const add = (n, key, more = "") => { if (n !== null && n !== undefined) marks.push([n, t(key, { date: day(n) }) + more]); };
  marks.push([0, t("strip_sown", { date: day(0) })]);
  add(year.up, "strip_up"); add(year.half, "strip_half"); add(year.aim, "strip_aim"); add(year.flower, "strip_flower");
  if (year.frost !== null) add(year.frost, "strip_frost"); else add(year.end, "strip_end");
  add(year.ready, "strip_ready");
  if (next) marks.push([dayOf(next) - first, t("strip_next", { date: shortDay(next) })]);
  marks.sort((a, b) => a[0] - b[0]);
  const last = Math.max(...marks.map((m) => m[0]), 1), H = marks.length * 19 + 12, x = (n) => 8 + (n / last) * 130;
  const grows = [year.up ?? 0, year.frost ?? year.end];
  return s("svg", { class: "chart strip", viewBox: "0 0 " + W + " " + H, role: "img", "aria-label": t("strip_title", { year: year.year }) + ": " + marks.map((m) => m[1]).join("; ") },
    year.up !== null && s("rect", { x: x(grows[0]), y: 4, width: Math.max(x(grows[1]) - x(grows[0]), 1), height: H - 8, class: "band" }),
    year.flower !== null && s("rect", { x: x(year.flower), y: 4, width: Math.max(x(year.flower + year.bloom) - x(year.flower), 1), height: H - 8, class: "band inner" }),
    marks.map(([n, words], i) => { const y = i * 19 + 14; return [s("path", { d: "M" + x(n) + " " + (y - 7) + "v14M" + x(n) + " " + y + "H152", class: "clock" }), s("text", { x: 158, y: y + 4 }, words)]; }));
}
