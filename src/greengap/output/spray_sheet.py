"""The sheet for the wall: which blocks may be in flower, week by week, with the planned sprays on it; PDF and CSV."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from greengap.farm_flowers import FarmFlowers, find_flowers
from greengap.output.flowers_text import DEFERS, NOT_SEEN, dates, meeting_words
from greengap.output.sheet_pen import MM, Pen
from greengap.output.table import to_csv

if TYPE_CHECKING:
    from greengap.plan import Plan

WEEK = pd.Timedelta(days=7)
DAY = pd.Timedelta(days=1)
MARGIN, HIGHEST_ROW, LOWEST_ROW = 12 * MM, 9 * MM, 3.4 * MM
NEEDED_BELOW = 46 * MM  # for the sprays and what is to be heeded
UNNAMED = "product not known"
SMALLEST = 5.6  # letters [pt]
HALF, MOST = 0.5, 0.9  # shares of the years from which on a week is drawn denser


def week_table(found: FarmFlowers) -> pd.DataFrame:
    """Weather years with flowers open, and the sprays that are planned, for each block and week.

    Parameters
    ----------
    found : FarmFlowers

    Returns
    -------
    DataFrame
        One row a block and week (Monday to Sunday) in which it may be in flower or is to be sprayed.
    """
    sprays = found.plan.sprays
    rows = []
    for block in found.plan.blocks["block_id"]:
        mine = [b for b in found.blooms if b.block_id == block]
        own = sprays[sprays["block_id"] == block]
        for monday in _mondays(found):
            sunday = monday + 6 * DAY
            counts = [(b.open_years(monday, sunday), len(b.years), b) for b in mine]
            count, years, bloom = max(counts, key=lambda c: c[0] / c[1], default=(0, 0, None))
            there = own[(own["first"] <= sunday) & (own["last"] >= monday)]
            if count or len(there):
                rows.append(
                    {
                        "block_id": block, "monday": monday, "sunday": sunday,
                        "cover_id": bloom.cover_id if bloom is not None and count else "",
                        "flower_years": count, "years": years, "seen": bool(bloom is not None and count and bloom.seen),
                        "sprays": "; ".join(f"{s.spray}: {s.product or UNNAMED}" for s in there.itertuples()),
                    }
                )  # fmt: skip
    columns = ["block_id", "monday", "sunday", "cover_id", "flower_years", "years", "seen", "sprays"]
    return pd.DataFrame(rows, columns=columns)


def _mondays(found: FarmFlowers) -> list[pd.Timestamp]:
    """Mondays of all weeks with a flower or a spray in them or between them, year by year."""
    days = [pd.Timestamp(d) for b in found.blooms for d in (np.nanmin(b.opens), np.nanmax(b.closes))]
    days += [*found.plan.sprays["first"], *found.plan.sprays["last"]]
    out: list[pd.Timestamp] = []
    for year in sorted({d.year for d in days}):
        mine = [d for d in days if d.year == year]
        # A bloom over New Year reaches the end of one year and the beginning of the next.
        for b in found.blooms:
            a, z = pd.Timestamp(np.nanmin(b.opens)), pd.Timestamp(np.nanmax(b.closes))
            if a.year < year <= z.year:
                mine.append(pd.Timestamp(year, 1, 1))
            if a.year <= year < z.year:
                mine.append(pd.Timestamp(year, 12, 31))
        first = min(mine) - pd.Timedelta(days=min(mine).weekday())
        out += [m for m in pd.date_range(first, max(mine), freq="7D") if not out or m > out[-1]]
    return out


def spray_sheet_files(plan: Plan, letter: bool | None = None) -> dict[str, bytes]:
    """The sheet as PDF, a page a year, and its weeks and conflicts as CSV.

    Parameters
    ----------
    plan : Plan
    letter : bool, optional
        US letter instead of A4; by the farm's units if it is not said.

    Returns
    -------
    dict of str to bytes
    """
    found = find_flowers(plan)
    weeks = week_table(found)
    letter = plan.settings.units == "us" if letter is None else letter
    return {
        "spray_sheet.pdf": _pdf(found, weeks, letter),
        "flower_weeks.csv": to_csv(weeks).encode("utf-8"),
        "spray_conflicts.csv": to_csv(found.conflicts).encode("utf-8"),
    }


def _pdf(found: FarmFlowers, weeks: pd.DataFrame, letter: bool) -> bytes:
    from reportlab.lib import pagesizes
    from reportlab.pdfgen.canvas import Canvas

    wide, high = pagesizes.landscape(pagesizes.letter if letter else pagesizes.A4)
    held = io.BytesIO()
    canvas = Canvas(held, pagesize=(wide, high), invariant=1)
    canvas.setTitle(f"In flower: call before spraying. {found.plan.settings.name}")
    canvas.setAuthor("greengap")
    pen = Pen(canvas, wide, high, MARGIN)
    mondays = _mondays(found)
    # Sunday's year, so that a week over New Year stands in one place only.
    for year in sorted({(m + 6 * DAY).year for m in mondays}) or [None]:
        _page(pen, found, weeks, [m for m in mondays if (m + 6 * DAY).year == year], year)
        canvas.showPage()
    canvas.save()
    return held.getvalue()


def _page(pen: Pen, found: FarmFlowers, weeks: pd.DataFrame, mondays: Sequence[pd.Timestamp], year: int | None) -> None:
    """One year on one page."""
    name = found.plan.settings.name
    y = pen.high - MARGIN - 18
    pen.words(MARGIN, y, "In flower: call before spraying", 20, strong=True)
    pen.words(pen.page_wide - MARGIN, y, f"{name}, {year}" if year else name, 14, strong=True, align="right")
    years = max((len(b.years) for b in found.blooms), default=0)
    y -= 15
    pen.words(
        MARGIN, y,
        f"Weeks from Monday. A number: in how many of up to {years} weather years flowers are open in that week; more "
        "years, denser lines. A black bar with a number in a box: a planned spray.", 8.2,
    )  # fmt: skip
    mine = weeks[weeks["monday"].isin(mondays)]
    blocks = [b for b in found.plan.blocks["block_id"] if b in set(mine["block_id"])]
    neighbours = found.plan.sprays[
        (found.plan.sprays["neighbour"] != "") & (found.plan.sprays["first"].dt.year == year if year else False)
    ]
    y -= 6
    if blocks or len(neighbours):
        y = _grid(pen, found, mine, blocks, neighbours, mondays, y)
    else:
        y = pen.paragraph(MARGIN, y - 8, pen.wide, "No cover of this plan flowers before it has to be ended.", 10)
    _below(pen, found, year, y)
    if found.plan.settings.note:
        pen.words(MARGIN, MARGIN - 9, found.plan.settings.note, 6.5)
    pen.words(
        pen.page_wide - MARGIN, MARGIN - 9,
        "Calculated from past weather and published figures. A prediction, not a promise. Look at the block.", 6.5,
        align="right",
    )  # fmt: skip


def _grid(
    pen: Pen, found: FarmFlowers, mine: pd.DataFrame, blocks: Sequence[str], neighbours: pd.DataFrame,
    mondays: Sequence[pd.Timestamp], top: float,
) -> float:  # fmt: skip
    """Blocks down, weeks across; gives the lower end."""
    rows = len(blocks) + len(neighbours)
    head = 24.0
    row = min(HIGHEST_ROW, max(LOWEST_ROW, (top - head - MARGIN - NEEDED_BELOW) / rows))
    size = min(8.5, row * 0.62)
    names = max(pen.length(n, size, strong=True) for n in [*blocks, *neighbours["neighbour"], "River"])
    left = MARGIN + min(names + 6, 48 * MM)
    column = (pen.page_wide - MARGIN - left) / len(mondays)
    bottom = top - head - rows * row
    for k, monday in enumerate(mondays):
        x = left + k * column
        pen.line(x, top - 11, x, bottom, 0.25, grey=0.6)
        pen.words(x + column / 2, top - head + 3, str(monday.day), min(7.0, column * 0.55), align="middle")
        if k == 0 or monday.month != mondays[k - 1].month:
            pen.words(x + 1, top - 9, f"{monday:%b}", 8, strong=True)
            pen.line(x, top - 1, x, bottom, 0.8)
    pen.line(pen.page_wide - MARGIN, top - 11, pen.page_wide - MARGIN, bottom, 0.25, grey=0.6)
    cells = {(c.block_id, c.monday): c for c in mine.itertuples()}
    for n, block in enumerate(blocks):
        low = top - head - (n + 1) * row
        pen.words(MARGIN, low + row * 0.3, block, pen.fitting(block, size, left - MARGIN - 4, True), strong=True)
        pen.line(MARGIN, low + row, pen.page_wide - MARGIN, low + row, 0.3, grey=0.5)
        for k, monday in enumerate(mondays):
            if (cell := cells.get((block, monday))) is not None and cell.flower_years:
                _week(pen, cell, left + k * column, low, column, row)
    for n, s in enumerate(neighbours.itertuples(), len(blocks)):
        low = top - head - (n + 1) * row
        pen.words(MARGIN, low + row * 0.3, s.neighbour, pen.fitting(s.neighbour, size, left - MARGIN - 4), italic=True)
        pen.line(MARGIN, low + row, pen.page_wide - MARGIN, low + row, 0.3, grey=0.5)
    pen.line(MARGIN, bottom, pen.page_wide - MARGIN, bottom, 0.6)
    for s in found.plan.sprays.itertuples():
        if s.block_id in blocks:
            n = blocks.index(s.block_id)
        elif s.spray in set(neighbours["spray"]):
            n = len(blocks) + list(neighbours["spray"]).index(s.spray)
        else:
            continue
        if s.last < mondays[0] or s.first > mondays[-1] + 6 * DAY:
            continue
        x = left + max((s.first - mondays[0]) / WEEK, 0.0) * column
        end = left + min((s.last + DAY - mondays[0]) / WEEK, float(len(mondays))) * column
        _spray(pen, s, x, end, top - head - (n + 1) * row, row)
    return bottom


def _week(pen: Pen, cell: Any, x: float, low: float, wide: float, high: float) -> None:
    """A week in flower: slanting lines, denser and crossed the more years flower, and the number of years."""
    share = cell.flower_years / cell.years
    step = 5.0 if share < HALF else 2.8
    _hatch(pen, x, low, wide, high, step, rising=True)
    if share >= MOST:
        _hatch(pen, x, low, wide, high, step, rising=False)
    pen.box(x, low, wide, high, 0.5)
    text = f"{cell.flower_years}"
    size = pen.fitting(text, min(8.0, high * 0.5), wide - 2, strong=True)
    pen.words(x + wide / 2, low + high - size, text, size, strong=True, align="middle", behind=True)


def _hatch(pen: Pen, x: float, low: float, wide: float, high: float, step: float, rising: bool) -> None:
    """Lines at 45° inside a box."""
    canvas = pen.canvas
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(x, low, wide, high)
    canvas.clipPath(path, stroke=0, fill=0)
    at = -high
    while at < wide:
        a, b = (x + at, x + at + high) if rising else (x + at + high, x + at)
        pen.line(a, low, b, low + high, 0.45, grey=0.25)
        at += step
    canvas.restoreState()


def _spray(pen: Pen, s: Any, x: float, end: float, low: float, high: float) -> None:
    """A spray: a bar over its days, and its number in a box beside it, both below the number of years."""
    wide_bar = max(end - x, 2.2)
    pen.box(x, low + 1, wide_bar, high * 0.34, 0, fill=0.0)
    size = min(7.5, high * 0.36)
    wide = pen.length(str(s.spray), size, strong=True) + 3
    pen.box(x + wide_bar, low + 1, wide, high * 0.34, 0.8, fill=1.0)
    pen.words(x + wide_bar + 1.5, low + 1 + (high * 0.34 - size * 0.72) / 2, str(s.spray), size, strong=True)


def _below(pen: Pen, found: FarmFlowers, year: int | None, y: float) -> None:
    """The sprays of the year with whom to call, and what has to be heeded."""
    room = y - MARGIN - 2
    lines: list[tuple[str, bool]] = []
    mine = found.plan.sprays[found.plan.sprays["first"].dt.year == year] if year else found.plan.sprays.iloc[:0]
    for s in mine.itertuples():
        harms = "not known, counts as harmful" if pd.isna(s.harms_bees) else "yes" if s.harms_bees else "typed as no"
        label = f"; label: {s.label_on_bees}" if s.label_on_bees else ""
        call = f"; CALL {s.call}" if s.call else "; nobody to call is named"
        lines.append(
            (
                f"{s.spray}. {dates(s.first, s.last)}, {s.block_id or s.neighbour}, {s.product or UNNAMED}: harms "
                f"bees? {harms}{label}{call}", True,
            )
        )  # fmt: skip
        lines += [
            (f"     {meeting_words(found, c)}", False)
            for c in found.conflicts[found.conflicts["spray"] == s.spray].itertuples()
        ]
    if mine.empty:
        lines.append(("No spray is typed for this year: that does not mean that none is planned. Ask.", True))
    heed = [(DEFERS, False), (NOT_SEEN, False)]
    size = _fitting(pen, [*lines, *heed], room)
    if _height(pen, [*lines, *heed], size) > room:  # the conflicts stand in the CSV file too
        more = ("Which flowers each spray meets does not fit here: see spray_conflicts.csv.", True)
        lines, heed = [line for line in lines if line[1]], [more, *heed]
        size, listed = _fitting(pen, [*lines, *heed], room), len(lines)
        while lines and _height(pen, [*lines, *heed], size) > room:
            lines.pop()
            left = f"{listed - len(lines)} sprays more do not fit here: see planned sprays on the page or in the list."
            heed = [(left, True), more, *heed[-2:]]
    y -= 4
    for text, strong in [*lines, *heed]:
        y = pen.paragraph(MARGIN, y, pen.wide, text, size, strong=strong)


def _fitting(pen: Pen, lines: Sequence[tuple[str, bool]], room: float) -> float:
    """The largest size of letters at which the lines fit, not below what can be read on a wall."""
    size = 8.2
    while size > SMALLEST and _height(pen, lines, size) > room:
        size -= 0.2
    return size


def _height(pen: Pen, lines: Sequence[tuple[str, bool]], size: float) -> float:
    return 4 + sum(len(pen.wrapped(t, size, pen.wide, s)) * size * 1.22 + size * 0.25 for t, s in lines)
