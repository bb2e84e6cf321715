"""The week ahead in plain sentences, section by section, and its tables."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from greengap.advice.fit_days import WEEK_D
from greengap.advice.options import NO_COVER
from greengap.advice.up_yet import ANY_DAY, LATE, TOO_DRY, UP
from greengap.advice.water_or_wait import WAIT, WATER, WET
from greengap.errors import InputProblem
from greengap.farm.settings import suggestion
from greengap.farm_flowers import find_flowers
from greengap.output.files import write_text
from greengap.output.flowers_text import DEFERS, lines_ahead
from greengap.output.stand_text import WIDTH, percent
from greengap.output.summary import aligned
from greengap.output.table import to_csv
from greengap.units import System, write
from greengap.week_ahead import WeekAhead

BLOCKS_WIDTH = 30  # of the names of blocks that stand together in a table
# A section says its heading and its sentences, or nothing; a line that begins with a blank is not broken anew.
Section = Callable[[WeekAhead], Iterator[str]]


def ground_section(week: WeekAhead) -> Iterator[str]:
    """Days fit to work, block by block; blocks of which the same is to be said stand together."""
    alike = fit_alike(week)
    if not alike:
        return
    weeks = week.fit.drop_duplicates("week").sort_values("week")
    rows = [["block", "one this week", *(f"{w.first:%d %b}" for w in weeks.itertuples())]]
    for cells, blocks in alike.items():
        first, *more = textwrap.wrap(", ".join(blocks), BLOCKS_WIDTH)
        rows += [[first, *cells], *([line, *[""] * len(cells)] for line in more)]
    yield "Fit to work"
    yield (
        f"Years with at least one fit day this week; then fit days of {WEEK_D} from the day at the head of the column, "
        "in the median year and in eight years of ten."
    )
    yield from (f"  {line}" for line in aligned(rows))
    yield (
        "Reckoned from rain and soil; nobody has been there. Squeeze soil from the working depth: if it crumbles go, "
        "if it stays a ball wait."
    )


def fit_alike(week: WeekAhead) -> dict[tuple[str, ...], list[str]]:
    """Blocks by what is said of them: years with a fit day this week, and fit days week by week."""
    out: dict[tuple[str, ...], list[str]] = {}
    for block, mine in week.fit.groupby("block_id", sort=False):
        cells = [f"{f.fit_p50_d:.0f} ({f.fit_p10_d:.0f}-{f.fit_p90_d:.0f})" for f in mine.itertuples()]
        this = mine[mine["week"] == 1].iloc[0]
        out.setdefault((f"{this['any_years']} of {this['years']}", *cells), []).append(str(block))
    return out


def sowing_section(week: WeekAhead) -> Iterator[str]:
    """Rungs of the ladders that are open or soon will be, what ends first comes first."""
    first = week.rungs[~week.rungs["gap_id"].duplicated()]
    if first.empty:
        return
    covers, horizon = week.plan.catalogue.covers, week.fit["last"].max()
    yield "To be sown"
    for r in first.itertuples():
        name = covers[r.cover_id].name.lower()
        then = "leave it and keep it clean" if r.next_cover_id == NO_COVER else covers[r.next_cover_id].name.lower()
        opens = "" if r.sow_from <= week.as_of else f"from {r.sow_from:%d %b} "
        left = "today is the last day" if r.days_left == 0 else f"{days_in_words(r.days_left)} left"
        fit = span(r.fit_p10_d, r.fit_p50_d, r.fit_p90_d)
        seen = "" if r.sow_until <= horizon else f" until {horizon:%d %b}"  # the end of the days looked at
        yield (
            f"{r.gap_id}: {name} {opens}until {r.sow_until:%d %b}, {left}; {fit} fit to work and warm enough{seen}, at "
            f"least one in {r.any_years} of {r.years} years. Then: {then}."
        )


def sown_section(week: WeekAhead) -> Iterator[str]:
    """What was just sown: is it up, is it late, and is it to be watered."""
    if week.up.empty:
        return
    catalogue, units = week.plan.catalogue, week.plan.settings.units
    yield "Just sown"
    for r in week.up.itertuples():
        name = catalogue.covers[r.cover_id].name.lower()
        yield f"{r.gap_id}: {name}, sown {r.sown_on:%d %b}, {days_in_words(r.days)} ago: {up_in_words(r)}"
    if (week.up["verdict"] == LATE).any():
        yield "Where rows are uneven: " + "; ".join(f"{s.seen}: {s.means}" for s in catalogue.signs) + "."
    for r in week.water.itertuples():
        every_d = int(catalogue.rule("establishment_interval"))
        yield water_in_words(r, units, every_d, bool(week.water["sets"].notna().all()))
    if len(week.water):
        yield "Rain and waterings count as far as they are known: write down what you water."
    if (week.water["verdict"] == WATER).any():
        yield (
            "Seed that has begun to grow dies if it dries out again: water until it is up, no more at once than the "
            "ground takes, or it crusts. Water beside a crop that is eaten raw falls under the rules of that crop."
        )


def up_in_words(row: Any) -> str:
    """Whether it is late.

    Parameters
    ----------
    row : row of UpYet
    """
    normal = "" if pd.isna(row.up_p90) else f"nothing up is normal until {row.up_p90:%d %b}"
    about = "" if pd.isna(row.up_p50) else f"up about {row.up_p50:%d %b} in the median year"
    if row.verdict == UP:
        return f"up since {row.up_on:%d %b}."
    if row.verdict == LATE:
        return (
            f"it should have been up by {row.up_p90:%d %b}. Dig for seed: is it there, is it swollen, is it rotten, "
            "has the ground crusted?"
        )
    if row.verdict == TOO_DRY:
        wait = f"; with the rain of the weather years it is {about}" if about else ""
        return f"the seed lies too dry to grow{wait}. It comes up in {row.up_years} of {row.years} years."
    words = " and ".join(filter(None, (about, normal)))
    return ("it may come up any day now; " if row.verdict == ANY_DAY else "too soon to look; ") + f"{words}."


def water_in_words(row: Any, units: System, every_d: int, by_set: bool = True) -> str:
    """Water now, wait, or wet enough.

    Parameters
    ----------
    row : row of WaterOrWait
    units : "metric" or "us"
    every_d : int
        Days between two waterings [d].
    by_set : bool
        Whether the set of every block in line is known.
    """
    if row.verdict == WET:
        return f"{row.gap_id}: moist enough; water would change little."
    amount = write(row.turn_mm, "mm", units)
    rain = (
        f"rain enough ({amount} within three days) comes within 3 days in {row.rain_3d_years}, 5 days in "
        f"{row.rain_5d_years}, 7 days in {row.rain_7d_years} and 10 days in {row.rain_10d_years} of {row.years} years"
    )
    stand = (
        f"Watered today: up {_about(row.up_if_watered)}, {percent(row.stand_if_watered)} of a full stand; waiting: "
        f"{_about(row.up_if_waiting)}, {percent(row.stand_if_waiting)}."
    )
    if row.verdict == WAIT:
        return f"{row.gap_id}: wait for rain; {rain}. {stand}"
    twice = "" if row.turns == 1 else f", {row.turns} times with {every_d} dry days between"
    hours = "" if pd.isna(row.h_per_set) else f", {row.h_per_set:.1f} h"
    sets = "" if pd.isna(row.sets) else f"; {row.sets:.0f} set{'' if row.sets == 1 else 's'}{hours} each"
    place = f"{ordinal(row.rank)} in line by stand saved for {'each set' if by_set else 'the water it takes'}"
    return f"{row.gap_id}: water now, {amount}{twice}{sets}, {place}; {rain}. {stand}"


def _about(day: Any) -> str:
    return "not in half the years" if pd.isna(day) else f"about {day:%d %b}"


def ordinal(number: int) -> str:
    """Place in a line.

    Examples
    --------
    >>> ordinal(1), ordinal(12), ordinal(22)
    ('1st', '12th', '22nd')
    """
    last = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{last}"


def standing_section(week: WeekAhead) -> Iterator[str]:
    """What stands: when it closes, flowers and sets seed, and the water it has taken."""
    if week.standing.empty:
        return
    plan = week.plan
    wanted, units = plan.settings.wanted_odds, plan.settings.units
    yield "Standing"
    for r in week.standing.itertuples():
        name = plan.catalogue.covers[r.cover_id].name.lower()
        stages = [
            _stage(
                week.as_of, words, getattr(r, f"{key}_p10"), getattr(r, f"{key}_p50"), getattr(r, f"{key}_p90", None)
            )
            for key, words in (
                ("closes", "half the ground covered"),
                ("flower", "first flower"),
                ("seed", "viable seed"),
            )
        ]
        ends = "" if pd.isna(r.end_by) else f"end it by {r.end_by:%d %b}"
        yield f"{r.gap_id}: {name}, sown {r.sown_on:%d %b}: {'; '.join(filter(None, [*stages, ends]))}."
        if pd.isna(r.taken_mm):
            continue
        yield f"  Water taken so far: the ground is {write(r.taken_mm, 'mm', units)} drier than if it were bare."
        if pd.notna(r.plant_on) and r.years:
            short = r.refilled_years < wanted * r.years
            again = f"  Made good by planting on {r.plant_on:%d %b} in {r.refilled_years} of {r.years} years"
            lack = f"; one year in ten lacks {write(r.lack_p90_mm, 'mm', units)} or more" if short else ""
            yield f"{again}{lack}."
            if short:
                yield "  Dry for the next crop: end it sooner if it stays dry, or plan a watering before planting."


def _stage(as_of: pd.Timestamp, words: str, early: Any, middle: Any, late: Any) -> str:
    """A stage with its days; empty where it does not come in half the years."""
    if pd.isna(middle):
        return ""
    if middle < as_of:
        return f"{words} since about {middle:%d %b}"
    if late is None or pd.isna(late):
        return f"{words} about {middle:%d %b}, in one year of ten by {early:%d %b}"
    return f"{words} about {middle:%d %b} ({early:%d %b} to {late:%d %b})"


def flower_section(week: WeekAhead) -> Iterator[str]:
    """Planned sprays near flowers, blocks to be mown and blocks in flower within two weeks."""
    found = find_flowers(week.plan, week.as_of, week.done.before)
    lines = list(lines_ahead(found, week.as_of, week.blocks, 2 * WEEK_D))
    if not lines:
        return
    yield "Flowers, sprays and mowing"
    yield from lines
    yield DEFERS


sections: tuple[Section, ...] = (ground_section, sowing_section, sown_section, standing_section, flower_section)

# Tables of the week by file name.
tables: dict[str, Callable[[WeekAhead], pd.DataFrame]] = {
    "fit_days": lambda week: week.fit,
    "rungs_ahead": lambda week: week.rungs,
    "up_yet": lambda week: week.up,
    "water_or_wait": lambda week: week.water,
    "standing_ahead": lambda week: week.standing,
}


def table_of(name: str) -> Callable[[WeekAhead], pd.DataFrame]:
    """A table of the week by its name.

    Raises
    ------
    InputProblem
        If there is none of that name.
    """
    if name not in tables:
        raise InputProblem("--csv", "", f"{name:.40} is not a table of the week", suggestion(name, sorted(tables)))
    return tables[name]


def days_in_words(days: int) -> str:
    """A number of days.

    Examples
    --------
    >>> days_in_words(1), days_in_words(12)
    ('1 day', '12 days')
    """
    return f"{days} day{'' if days == 1 else 's'}"


def span(low: float, middle: float, high: float) -> str:
    """A number of days with its range over eight years of ten.

    Examples
    --------
    >>> span(2.0, 4.4, 6.0), span(0.0, 0.0, 0.0)
    ('4 days (2 to 6)', '0 days')
    """
    a, b, c = (round(x) for x in (low, middle, high))
    return days_in_words(b) if a == c else f"{days_in_words(b)} ({a} to {c})"


def week_lines(week: WeekAhead) -> Iterator[str]:
    """Everything, in order of what becomes too late first."""
    yield f"The week ahead as of {week.as_of:%d %b %Y}"
    for sentence in week.notes:
        yield from textwrap.wrap(sentence, WIDTH)
    for section in sections:
        lines = list(section(week))
        if lines:
            yield ""
        for line in lines:
            yield from [line] if line.startswith(" ") else textwrap.wrap(line, WIDTH)


def write_week(week: WeekAhead, folder: Path) -> list[Path]:
    """Every table of the week as a CSV file.

    Returns
    -------
    list of Path
        Files written, each whole.
    """
    written = []
    for name, table in tables.items():
        path = folder / f"{name}.csv"
        write_text(path, to_csv(table(week)))
        written.append(path)
    return written
