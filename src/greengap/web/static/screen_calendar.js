// The crop calendar: one row a block on a date axis. Ends are dragged, moved by keys, or typed; gaps follow.

import { DAY, MONTHS, between, button, dayOf, h, isoOf, longDay, s, say, shortDay, t, unique, upper } from "./dom.js";
import { ask, farm, inWords } from "./farm.js";

const INK = "#22302f", H = 62;
const SCALES = { wide: 5.2, middle: 3, narrow: 1.5 };

export function usableWords(gap) {
  const [low, mid, high] = gap.usable_d;
  if (mid < 1) return t("too_short");
  return low === high ? t("usable_one", { mid }) : t("usable", { low: Math.max(low, 0), mid, high });
}

export function calendarScreen(page) {
  const scale = h("select", { "aria-label": t("calendar_scale"), onchange: () => { page.scale = scale.value; draw(true); } },
    Object.keys(SCALES).map((key) => h("option", { value: key }, t("scale_" + key))));
  scale.value = page.scale || (matchMedia("(max-width: 760px)").matches ? "narrow" : "middle");
  const sheet = h("div", { class: "cal", role: "group", "aria-label": t("calendar_label"), tabindex: "0" });
  const kin = h("details", { class: "kin" });
  const node = h("section", { class: "calendar", "aria-label": t("screen_calendar") },
    h("div", { class: "cal-head" }, h("p", { class: "hint" }, t("calendar_hint")),
      h("div", { class: "row" }, h("label", { class: "inline" }, t("calendar_scale"), " ", scale),
        button("next_year_all", async () => { try { await farm.edit({ kind: "next_year", blocks: [] }); } catch (e) { say(inWords(e), "trouble"); } }))),
    kin, sheet);
  const rows = new Map();
  function drawKin() {
    const found = farm.blocks().flatMap((b) => farm.sameFamily(b.id).map((pair) => [b.id, ...pair]));
    const past = farm.blocks().flatMap((b) => (farm.state.before[b.id]?.kin || []).map((k) => [b.id, k]));
    kin.hidden = !(found.length + past.length);
    kin.replaceChildren(h("summary", {}, t("rotation_title", { n: found.length + past.length })), h("ul", { class: "plain" }, found.map(([block, first, second, family]) => h("li", {},
      h("button", { type: "button", class: "link", onclick: () => page.go({ block, gap: null, crop: second.key }) }, block), " ", t("rotation", { first: farm.cropName(first.crop), second: farm.cropName(second.crop), date: longDay(second.start), family }))),
      past.map(([block, k]) => h("li", {}, h("button", { type: "button", class: "link", onclick: () => page.go({ block, gap: null, crop: null }) }, block), " ", t(k.of ? "rotation_part" : "rotation_before", { ...k, date: longDay(k.date) })))), h("p", { class: "quiet" }, t("rotation_note")));
  }
  let from, until, perDay, dragging = null;
  const x = (day) => (day - from) * perDay;

  function axis() {
    const marks = [];
    for (let day = from; day < until; day++) {
      const date = new Date(day * DAY);
      if (date.getUTCDate() !== 1) continue;
      const month = date.getUTCMonth();
      marks.push(s("path", { d: "M" + x(day) + " " + (month ? 14 : 2) + "V30", class: "tick" }));
      if (perDay > 2 || month % 3 === 0) marks.push(s("text", { x: x(day) + 4, y: 26 }, MONTHS()[month] + (month === 0 ? " " + date.getUTCFullYear() : "")));
    }
    return s("svg", { class: "axis", width: x(until), height: 30, "aria-hidden": "true" }, marks);
  }
  function grid() {
    const lines = [];
    for (let day = from; day < until; day++) {
      const date = new Date(day * DAY);
      if (date.getUTCDate() === 1) lines.push(s("path", { d: "M" + x(day) + " 0V" + H, class: date.getUTCMonth() ? "month" : "year" }));
    }
    const now = Math.floor(Date.now() / DAY);
    if (now >= from && now <= until) lines.push(s("path", { d: "M" + x(now) + " 0V" + H, class: "now" }, s("title", {}, t("today"))));
    return lines;
  }

  // ---- one row ----------------------------------------------------------------------------------
  function soft(id, left) {
    return s("linearGradient", { id }, s("stop", { offset: 0, "stop-color": INK, "stop-opacity": left ? 0.1 : 0.72 }), s("stop", { offset: 1, "stop-color": INK, "stop-opacity": left ? 0.72 : 0.1 }));
  }
  function cropBar(crop, block) {
    const a = dayOf(crop.start), b = dayOf(crop.end) + 1;
    const a1 = dayOf(crop.start_early || crop.start), a2 = dayOf(crop.start_late || crop.start);
    const b1 = dayOf(crop.end_early || crop.end) + 1, b2 = dayOf(crop.end_late || crop.end) + 1;
    const name = farm.cropName(crop.crop), ids = [unique("soft"), unique("soft")];
    const inner = Math.max(x(b1) - x(a2), 0);
    const label = s("text", { x: x(a) + 9, y: 21, class: "crop-name" }, name);
    const handle = (end, at, left) => s("g", {
      class: "handle", tabindex: "0", role: "slider", "aria-label": t("handle_" + end, { crop: name, block, date: longDay(crop[end]) }),
      "aria-valuemin": from, "aria-valuemax": until, "aria-valuenow": dayOf(crop[end]), "aria-valuetext": longDay(crop[end]), "data-crop": crop.key, "data-end": end,
      onpointerdown: (e) => grab(e, crop, end, block), onkeydown: (e) => nudge(e, crop, end, block),
    }, s("rect", { x: at - (left ? 8 : 16), y: 2, width: 24, height: 30, fill: "transparent" }), s("path", { d: "M" + at + " 4V30", class: "grip" }));
    return s("g", { class: "crop" + (page.crop === crop.key ? " picked" : "") }, s("defs", {}, soft(ids[0], true), soft(ids[1], false)),
      s("g", { class: "bar", tabindex: "0", role: "button", "aria-label": t("bar_label", { crop: name, block, dates: between(crop.start, crop.end) }), "data-crop": crop.key,
        onclick: () => { if (!dragging) page.go({ block, gap: null, crop: crop.key }); },
        onkeydown: (e) => { if (e.key === "Enter" || e.key === " ") { e.preventDefault(); page.go({ block, gap: null, crop: crop.key }); } } },
      s("rect", { x: x(a), y: 6, width: x(b) - x(a), height: 22, class: "crop-body" }),
      s("rect", { x: x(a1), y: 6, width: Math.max(x(a2) - x(a1), 0), height: 22, fill: "url(#" + ids[0] + ")" }),
      s("rect", { x: x(a2), y: 6, width: inner, height: 22, fill: INK, "fill-opacity": 0.72 }),
      s("rect", { x: x(b1), y: 6, width: Math.max(x(b2) - x(b1), 0), height: 22, fill: "url(#" + ids[1] + ")" }), label),
      handle("start", x(a), true), handle("end", x(b), false));
  }
  function gapParts(gap, block, covered) {
    const start = dayOf(gap.start), end = dayOf(gap.end) + 1, opens = dayOf(gap.opens), closes = dayOf(gap.closes) + 1;
    const fits = closes > opens, wide = x(end) - x(start);
    const told = covered && gap.sow ? t("block_covered", { date: shortDay(gap.sow) }) + ", " + farm.coverName(gap.cover) : covered && gap.advice ? farm.coverName("no_cover") : "";
    const bracket = (p, q, part, heavy) => x(q) - x(p) > 5 && s("path", { d: "M" + (x(p) + 1) + " 50V55H" + (x(q) - 1) + "V50", class: heavy ? "bracket heavy" : "bracket" },
      s("title", {}, t(part) + ": " + (q - p) + " d"));
    const parts = [];
    if (covered && gap.sow) {
      const p = dayOf(gap.sow), q = dayOf(gap.end_by) + 1;
      parts.push(s("rect", { x: x(p), y: 34, width: Math.max(x(q) - x(p), 3), height: 13, fill: "url(#hatch-" + gap.cover + ")", stroke: INK, "stroke-width": 0.8 }));
      if (gap.flower?.[0]) {
        const f = dayOf(gap.flower[0]), l = dayOf(gap.flower[1]) + 1;
        parts.push(s("rect", { x: x(f), y: 34, width: Math.max(x(l) - x(f), 3), height: 13, fill: "url(#bloom-" + gap.cover + ")", stroke: INK, "stroke-width": 0.8 }));
      }
    }
    const text = usableWords(gap);
    const fitted = wide > text.length * 5.6 ? text : gap.usable_d[1] > 0 && wide > 26 ? gap.usable_d[1] + " d" : "";
    return s("g", { class: "gap" + (page.gap === gap.id ? " picked" : ""), tabindex: "0", role: "button", "data-gap": gap.id,
      "aria-label": t("gap_label", { block, dates: between(gap.start, gap.end), usable: text, what: told }),
      onclick: () => page.go({ block, gap: gap.id, crop: null }),
      onkeydown: (e) => { if (e.key === "Enter" || e.key === " ") { e.preventDefault(); page.go({ block, gap: gap.id, crop: null }); } } },
    s("rect", { x: x(start) + 1, y: 4, width: Math.max(wide - 2, 2), height: 54, class: "gap-body" }),
    fitted && s("text", { x: x(start) + wide / 2, y: 21, "text-anchor": "middle", class: "gap-words" }, fitted),
    parts,
    fits && [bracket(start, opens, "part_prepare"), bracket(opens, closes, "part_grow", true), bracket(closes, end, "part_wait")]);
  }
  function fill(block) {
    const row = rows.get(block);
    const crops = row.crops || farm.cropsOf(block);
    const gaps = row.gaps || farm.gapsOf(block);
    const problem = row.problem || farm.progress?.problems?.[block];
    const svg = s("svg", { width: x(until), height: H, class: "cal-row" }, grid(), gaps.map((g) => gapParts(g, block, !row.gaps)), crops.map((c) => cropBar(c, block)));
    const held = document.activeElement;
    const focus = row.spot.contains(held) ? [held.dataset.crop, held.dataset.end, held.dataset.gap] : null;
    row.spot.replaceChildren(svg);
    row.name.replaceChildren(h("button", { type: "button", class: page.block === block ? "picked" : "", onclick: () => page.go({ block, gap: null, crop: null }) }, block),
      h("button", { type: "button", class: "plus", "aria-label": t("add_crop") + ": " + block, onclick: () => page.go({ block, gap: null, crop: "new" }) }, "+"));
    row.wrong.hidden = !problem;
    if (problem) row.wrong.textContent = t("clash", { late: farm.cropName(problem.late), comes: farm.cropName(problem.comes), last: longDay(problem.last), first: longDay(problem.first) });
    if (focus) {
      const [crop, end, gap] = focus;
      const again = crop && end ? '.handle[data-crop="' + crop + '"][data-end="' + end + '"]' : crop ? '.bar[data-crop="' + crop + '"]' : gap ? '.gap[data-gap="' + CSS.escape(gap) + '"]' : null;
      if (again) svg.querySelector(again)?.focus({ preventScroll: true });
    }
  }

  // ---- moving an end ----------------------------------------------------------------------------
  function moved(crop, end, day) {
    const by = day - dayOf(crop[end]);
    const out = { ...crop, [end]: isoOf(day) };
    for (const side of ["early", "late"]) if (crop[end + "_" + side]) out[end + "_" + side] = isoOf(dayOf(crop[end + "_" + side]) + by);
    return out;
  }
  let asked = 0, waiting = null, again = false;
  async function preview(block) {
    const row = rows.get(block);
    if (waiting) { again = true; return; }
    waiting = (async () => {
      do {
        again = false;
        const number = ++asked;
        const crops = row.crops.map(({ key, ...crop }) => crop);
        try {
          const got = await ask("api/gaps", { block, crops });
          if (number === asked && row.crops) { row.gaps = got.gaps; row.problem = got.problem; fill(block); }
        } catch (error) { /* a date that cannot be: shown when it is let go */ }
      } while (again);
      waiting = null;
    })();
  }
  function show(block, crop) {
    const row = rows.get(block);
    row.crops = farm.cropsOf(block).map((c) => (c.key === crop.key ? crop : c));
    if (!row.gaps) row.gaps = farm.gapsOf(block);
    fill(block);
    preview(block);
  }
  async function keep(block, crop) {
    const row = rows.get(block), { key, ...cells } = crop;
    try {
      await farm.edit({ kind: "set_crop", key, row: cells });
    } catch (error) {
      say(inWords(error), "trouble");
    }
    row.crops = row.gaps = row.problem = null;
    if (rows.has(block)) fill(block);
  }
  function grab(event, crop, end, block) {
    if (event.button) return;
    event.preventDefault();
    event.currentTarget.focus({ preventScroll: true });
    const x0 = event.clientX, day0 = dayOf(crop[end]);
    let now = crop;
    const tip = h("div", { class: "drag-date", "aria-hidden": "true" });
    document.body.append(tip);
    const move = (e) => {
      const day = day0 + Math.round((e.clientX - x0) / perDay);
      tip.textContent = longDay(isoOf(day));
      tip.style.left = e.clientX + "px";
      tip.style.top = e.clientY - 40 + "px";
      if (isoOf(day) === now[end]) return;
      dragging = crop.key;
      now = moved(crop, end, day);
      show(block, now);
    };
    const drop = () => {
      removeEventListener("pointermove", move); removeEventListener("pointerup", drop); removeEventListener("pointercancel", drop);
      tip.remove();
      if (now !== crop) keep(block, now);
      setTimeout(() => { dragging = null; }, 0);
    };
    addEventListener("pointermove", move); addEventListener("pointerup", drop); addEventListener("pointercancel", drop);
  }
  let pause = null;
  function nudge(event, crop, end, block) {
    const by = { ArrowLeft: -1, ArrowRight: 1, ArrowDown: -1, ArrowUp: 1, PageUp: 30, PageDown: -30 }[event.key];
    if (!by) return;
    event.preventDefault();
    const row = rows.get(block);
    const now = row.crops?.find((c) => c.key === crop.key) || crop;
    const next = moved(now, end, dayOf(now[end]) + by * (event.shiftKey ? 7 : 1));
    show(block, next);
    clearTimeout(pause);
    pause = setTimeout(() => keep(block, next), 700);
  }

  function draw(whole) {
    const dates = farm.state.crops.flatMap((c) => [c.start, c.end]).sort();
    const now = isoOf(Math.floor(Date.now() / DAY));
    from = dayOf((dates[0] || now).slice(0, 4) + "-01-01");
    until = dayOf((dates.at(-1) || now).slice(0, 4) + "-12-31") + 32;
    perDay = SCALES[scale.value];
    const at = sheet.scrollLeft, down = sheet.scrollTop;
    rows.clear();
    const list = farm.blocks().map((b) => {
      const row = { name: h("div", { class: "cal-name" }), spot: h("div", { class: "cal-spot" }), wrong: h("p", { class: "cal-wrong", role: "alert", hidden: true }), crops: null, gaps: null };
      rows.set(b.id, row);
      return h("div", { class: "cal-line", "data-row": b.id }, row.name, h("div", {}, row.spot, row.wrong));
    });
    sheet.replaceChildren(h("div", { class: "cal-line cal-top" }, h("div", { class: "cal-name" }), axis()), ...list);
    for (const block of rows.keys()) fill(block);
    if (!list.length) sheet.append(h("p", { class: "quiet" }, t("no_blocks")));
    if (whole && page.gap) {
      const gap = farm.gap(page.gap);
      if (gap) sheet.scrollLeft = x(dayOf(gap.start)) - 60;
    } else if (whole && dates.length && page.calAt === undefined) sheet.scrollLeft = Math.max(x(dayOf(dates[0])) - 40, 0);
    else sheet.scrollLeft = page.calAt ?? at;
    sheet.scrollTop = down;
    drawKin();
  }
  sheet.addEventListener("scroll", () => { page.calAt = sheet.scrollLeft; });

  const off = [];
  return {
    node,
    shown() {
      draw(true);
      off.push(farm.on("state", () => {
        const same = farm.blocks().map((b) => b.id).join("\0") === [...rows.keys()].join("\0");
        const dates = farm.state.crops.flatMap((c) => [c.start, c.end]).sort();
        const fits = same && dates.length && dayOf(dates[0]) >= from && dayOf(dates[0]) < from + 366 && dayOf(dates.at(-1)) < until;
        if (!fits) { draw(false); return; }
        drawKin();
        for (const block of rows.keys()) fill(block);
      }));
      off.push(farm.on("plan", () => { if (!dragging) for (const [block, row] of rows) if (!row.crops) fill(block); }));
    },
    chosen() { for (const block of rows.keys()) fill(block); document.querySelector('[data-row="' + CSS.escape(page.block || "") + '"]')?.scrollIntoView({ block: "nearest" }); },
    gone() { off.forEach((f) => f()); },
  };
}
