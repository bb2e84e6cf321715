"""The week ahead in plain sentences, section by section, and its tables."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd

from greengap.advice.fit_days import WEEK_D
from greengap.advice.options import NO_COVER
from greengap.errors import InputProblem
from greengap.farm.settings import suggestion
from greengap.output.files import write_text
from greengap.output.stand_text import WIDTH
from greengap.output.summary import aligned
from greengap.output.table import to_csv
from greengap.week_ahead import WeekAhead

# A section says its heading and its sentences, or nothing; a line that begins with a blank is not broken anew.
Section = Callable[[WeekAhead], Iterator[str]]


def ground_section(week: WeekAhead) -> Iterator[str]:
    """Days fit to work, block by block; blocks of which the same is to be said stand together."""
    if week.fit.empty:
        return
    alike: dict[tuple[str, ...], list[str]] = {}
    for block, mine in week.fit.groupby("block_id", sort=False):
        cells = [f"{f.fit_p50_d:.0f} ({f.fit_p10_d:.0f}-{f.fit_p90_d:.0f})" for f in mine.itertuples()]
        this = mine[mine["week"] == 1].iloc[0]
        alike.setdefault((f"{this['any_years']} of {this['years']}", *cells), []).append(str(block))
    weeks = week.fit.drop_duplicates("week").sort_values("week")
    rows = [["block", "one this week", *(f"{w.first:%d %b}" for w in weeks.itertuples())]]
    rows += [[", ".join(blocks), *cells] for cells, blocks in alike.items()]
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


def sowing_section(week: WeekAhead) -> Iterator[str]:
    """Rungs of the ladders that are open or soon will be, what ends first comes first."""
    first = week.rungs[~week.rungs["gap_id"].duplicated()]
    if first.empty:
        return
    covers = week.plan.catalogue.covers
    yield "To be sown"
    for r in first.itertuples():
        name = covers[r.cover_id].name.lower()
        then = "leave it and keep it clean" if r.next_cover_id == NO_COVER else covers[r.next_cover_id].name.lower()
        opens = "" if r.sow_from <= week.as_of else f"from {r.sow_from:%d %b} "
        left = "today is the last day" if r.days_left == 0 else f"{days_in_words(r.days_left)} left"
        fit = span(r.fit_p10_d, r.fit_p50_d, r.fit_p90_d)
        yield (
            f"{r.gap_id}: {name} {opens}until {r.sow_until:%d %b}, {left}; {fit} fit to work and warm enough, at least "
            f"one in {r.any_years} of {r.years} years. Then: {then}."
        )


sections: tuple[Section, ...] = (ground_section, sowing_section)

# Tables of the week by file name.
tables: dict[str, Callable[[WeekAhead], pd.DataFrame]] = {
    "fit_days": lambda week: week.fit,
    "rungs_ahead": lambda week: week.rungs,
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
