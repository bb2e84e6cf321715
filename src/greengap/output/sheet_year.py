"""The cover sheet of a year: every sowing on one time axis, seed to have ready, cautions for the whole farm."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pandas as pd

from greengap.output.field_sheet import CalendarRow, CoverSheet
from greengap.output.sheet_pen import MM, Pen

ROW = 8.4 * MM
SMALLEST = 5.6


def draw_year(pen: Pen, cover: CoverSheet) -> None:
    """Draw the pages of a year; what does not fit on one goes on the next."""
    rows = list(cover.rows)
    first = True
    while rows or first:
        y = _head(pen, cover, first)
        room = int((y - pen.margin - 30 * MM) / ROW)
        some, rows = rows[:room], rows[room:]
        y = _axis(pen, some, y)
        if not rows:
            y = _legend(pen, y)
            _rest(pen, cover, y)
        pen.end_page(cover.foot)
        first = False


def _head(pen: Pen, cover: CoverSheet, first: bool) -> float:
    y = pen.high - pen.margin - 18
    title = cover.title if first else f"{cover.title}, continued"
    pen.words(pen.margin, y, title, pen.fitting(title, 21, pen.wide, strong=True), strong=True)
    y -= 5
    if cover.note:
        y = pen.paragraph(pen.margin, y, pen.wide, cover.note, 8, italic=True)
    return y - 3 * MM


def _axis(pen: Pen, rows: list[CalendarRow], y: float) -> float:
    """Names and loads on the left, the year on the right, a row for each sowing."""
    if not rows:
        return y
    names, loads = pen.wide * 0.27, pen.wide * 0.09
    x0, x1 = pen.margin + names + loads, pen.margin + pen.wide
    ends = [r.end_by for r in rows] + [
        r.next_on for r in rows if r.next_on is not None and (r.next_on - r.end_by).days < 60
    ]
    begin = min(r.sow_from for r in rows).replace(day=1)
    end = (max(ends) + pd.offsets.MonthBegin(1)).normalize()
    days = (end - begin).days

    def at(day: pd.Timestamp) -> float:
        return x0 + (x1 - x0) * (min(max((day - begin).days, 0), days) / days)

    low = y - 5 * MM - ROW * len(rows)
    months = pd.date_range(begin, end, freq="MS")
    for month, after in pairwise(months):
        pen.line(at(month), y - 4 * MM, at(month), low, 0.3, grey=0.6)
        name = f"{month:%b}" if at(after) - at(month) > 16 else f"{month:%b}"[0]
        pen.words((at(month) + at(after)) / 2, y - 3 * MM, name, 7, align="middle")
    pen.line(x1, y - 4 * MM, x1, low, 0.3, grey=0.6)
    pen.words(pen.margin, y - 3 * MM, "block: cover", 7, strong=True)
    pen.words(pen.margin + names + loads - 3, y - 3 * MM, "load", 7, strong=True, align="right")
    y -= 5 * MM
    pen.line(pen.margin, y, x1, y, 0.8)
    for r in rows:
        _row(pen, r, y, at, names, loads, x1)
        y -= ROW
        pen.line(pen.margin, y, x1, y, 0.25, grey=0.5)
    return y


def _row(
    pen: Pen, r: CalendarRow, y: float, at: Callable[[pd.Timestamp], float], names: float, loads: float, x1: float
) -> None:
    base = y - ROW * 0.44
    pen.words(pen.margin, base, r.block, pen.fitting(r.block, 8, names - 4, strong=True), strong=True)
    under = r.cover + (" (below your odds)" if r.below_odds else "")
    pen.words(pen.margin, base - 8, under, pen.fitting(under, 6.8, names - 4))
    pen.words(pen.margin + names + loads - 3, base - 4, r.load, pen.fitting(r.load, 7.2, loads - 2), align="right")
    bar, thick = y - ROW * 0.76, ROW * 0.24
    sow0, sow1 = at(r.sow_from), max(at(r.sow_until + pd.Timedelta(days=1)), at(r.sow_from) + 2.5)
    grow0, grow1 = at(r.sow_best), at(r.end_by)
    pen.box(grow0, bar, max(grow1 - grow0, 1), thick, 0.4, fill=0.82)
    pen.box(sow0, bar - 1.5, sow1 - sow0, thick + 3, 0.9, fill=1.0)
    pen.line(grow0, bar - 1.5, grow0, bar + thick + 1.5, 1.6)
    if r.count_on is not None:
        cx = at(r.count_on)
        pen.polygon(
            [
                [
                    (cx - 2, bar + thick / 2),
                    (cx, bar + thick / 2 + 2.6),
                    (cx + 2, bar + thick / 2),
                    (cx, bar + thick / 2 - 2.6),
                ]
            ],
            0.5,
            fill=0.0,
        )
    pen.line(grow1, bar - 2.5, grow1, bar + thick + 2.5, 2.2 if not r.by_frost else 0.9, dash=r.by_frost)
    above = bar + thick + 2.8
    text = f"{r.sow_best:%d %b}" if r.sow_from == r.sow_until else f"{r.sow_from:%d %b} - {r.sow_until:%d %b}"
    size = 6.2
    start = sow0
    pen.words(start, above, text, size, behind=True)
    finish = f"frost {r.end_by:%d %b}" if r.by_frost else f"{r.end_by:%d %b}"
    wide = pen.length(finish, size)
    begins = max(grow1 - wide, start + pen.length(text, size) + 5)
    if begins + wide > x1:
        begins = x1 - wide
    pen.words(begins, above, finish, size, behind=True)
    if r.next_on is not None and grow1 + 3 < x1:
        words = (
            f"{r.next_crop} {r.next_on:%d %b}"
            if (r.next_on - r.end_by).days < 60
            else f"{r.next_crop} {r.next_on:%d %b %Y}"
        )
        room = x1 - grow1 - 4
        if pen.length(words, SMALLEST) <= room:
            pen.words(grow1 + 4, bar + 0.4, words, pen.fitting(words, 6.2, room), italic=True, behind=True)


def _legend(pen: Pen, y: float) -> float:
    words = (
        "White box: sowing window, heavy stroke the best day. Diamond: count the stand. Grey: growing. Thick end: to "
        "end by that day; dashed end: frost ends it from there. Then the next crop."
    )
    return pen.paragraph(pen.margin, y - 1.5 * MM, pen.wide, words, 6.8) - 2 * MM


def _rest(pen: Pen, cover: CoverSheet, y: float) -> None:
    """Seed to have ready, then cautions and limits in the room that is left."""
    gutter = 6 * MM
    wide = (pen.wide - gutter) * 0.34
    right = pen.margin + wide + gutter
    room = pen.wide - wide - gutter
    pen.words(pen.margin, y - 9, "Seed to have ready", 9.5, strong=True)
    at = y - 13
    for name, load, _ in cover.seed:
        at -= 11
        pen.words(pen.margin, at, name, pen.fitting(name, 8, wide * 0.62))
        pen.words(pen.margin + wide, at, load, 8, align="right")
        pen.line(pen.margin, at - 2.5, pen.margin + wide, at - 2.5, 0.25, grey=0.5)
    at -= 8
    for limit in cover.limits:
        at = pen.paragraph(pen.margin, at, wide, limit, 6.2, italic=True)
    pen.words(right, y - 9, "On every block", 9.5, strong=True)
    for size in (7.6, 7.2, 6.8, 6.4, 6.0, SMALLEST):
        low = y - 12
        for words in cover.cautions:
            low = pen.paragraph(right, low, room, words, size, draw=False) - 1
        if low >= pen.margin + 3 * MM:
            break
    low = y - 12
    for words in cover.cautions:
        if low < pen.margin + 8 * MM:
            pen.end_page(cover.foot)
            low, right, room = pen.high - pen.margin - 10, pen.margin, pen.wide
        low = pen.paragraph(right, low, room, words, size) - 1
