"""The odds of a cover on a terminal: one mark for each weather year, a row for each sowing date, then words."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from itertools import groupby
from typing import Any

import pandas as pd

from greengap.advice.odds_by_date import worth_showing
from greengap.advice.uncertainty import PARAMETERS
from greengap.advice.windows import wilson_interval
from greengap.cover_odds import CoverOdds, GapOdds
from greengap.output.summary import aligned
from greengap.output.table import to_csv
from greengap.plan import LIMITS
from greengap.units import System, shown, write

WIDTH = 80
BAR = 25  # most marks in a row; a longer record is scaled down to it


def day(value: Any) -> str:
    """Day and month, a dash if there is none."""
    return "-" if pd.isna(value) else f"{value.day} {value:%b}"


def years_wanted(found: CoverOdds, years: int) -> int:
    """Fewest years that keep the wanted odds."""
    return math.ceil(found.wanted_odds * years - 1e-9)


def best_of(one: GapOdds) -> Any:
    """Row of `dates` on the best sowing date."""
    return next(one.dates[one.dates["option_id"] == one.window.option_id].itertuples())


def shown_dates(one: GapOdds) -> pd.DataFrame:
    """Sowing dates around those that reach the aim, the best one among them."""
    return worth_showing(one.dates, one.window.option_id).reset_index(drop=True)


def gap_in_words(gap: Any) -> str:
    """Season, neighbours and limits of a gap."""
    season = f"{gap.season[0].upper()}{gap.season[1:]}"
    crops = [f"{word} {crop.replace('_', ' ')}" for word, crop in _neighbours(gap)]
    return f"{', '.join([season, *crops])}: sow from {day(gap.opens)}, end by {gap.closes.day} {gap.closes:%b %Y}"


def _neighbours(gap: Any) -> list[tuple[str, str]]:
    both = (("after", gap.crop_before), ("before", gap.crop_after))
    return [(word, crop) for word, crop in both if not pd.isna(crop) and crop]


def window_in_words(one: GapOdds, found: CoverOdds) -> str:
    """The sowing window, or that there is none."""
    best = best_of(one)
    wanted = f"{years_wanted(found, best.years)} of {best.years} years"
    if pd.isna(one.window.sow_from):
        return f"No sowing date keeps {wanted}; the best is {day(best.sow_date)} with {best.holds_years}."
    if one.window.sow_from == one.window.sow_until:
        return f"Sow on {day(best.sow_date)}; no other date keeps {wanted}."
    first, last = day(one.window.sow_from), day(one.window.sow_until)
    return f"Sow {first} to {last}, best {day(best.sow_date)}: everything holds in at least {wanted}."


def window_in_short(one: GapOdds, found: CoverOdds) -> str:
    """The sowing window in a few words, to stand under its bracket."""
    best = best_of(one)
    if pd.isna(one.window.sow_from):
        return f"best {day(best.sow_date)}: {best.holds_years} of {best.years} years"
    if one.window.sow_from == one.window.sow_until:
        return f"sow {day(best.sow_date)}"
    return f"sow {day(one.window.sow_from)} \N{EN DASH} {day(one.window.sow_until)}, best {day(best.sow_date)}"


def certainty_in_words(one: GapOdds) -> str:
    """How much so few years can say of the best date."""
    best = best_of(one)
    low, high = wilson_interval(best.holds_years, best.years)
    return (
        f"On {day(best.sow_date)} it held in {best.holds_years} of {best.years} years. So few years leave room: "
        f"the true odds may be anything from {low:.0%} to {high:.0%} (95% interval)."
    )


def holds_in_words(found: CoverOdds) -> str:
    """What 'everything holds' counts."""
    return (
        f"Everything holds: soil warm at sowing, a stand, {found.growth_aim.words} reached, "
        "no killing frost before that, and the residue out of the next crop's way in time."
    )


def spread_in_words(one: GapOdds) -> str:
    """How far the odds of the best date move with the figures of the plant, empty if that was not run."""
    if one.spread is None:
        return ""
    row = next(one.spread[one.spread["option_id"] == one.window.option_id].itertuples())
    low, high = row.holds_years_p10, row.holds_years_p90
    held = f"{low} to {high}" if low != high else f"{low}"
    return (
        f"If the plant's own figures are off: of {row.draws} draws of {PARAMETERS} figures within their ranges, in the "
        f"same weather, eight in ten hold in {held} of {row.years} years on {day(one.window.sow_best)}."
    )


def left_out_in_words(one: GapOdds) -> str:
    """How many sowing dates are not shown, empty if none."""
    more = len(one.dates) - len(shown_dates(one))
    return f"{more} other sowing dates reach the aim in no year and are left out." if more else ""


def birds_in_words(one: GapOdds) -> str:
    """The risk of birds and game, empty if there is none."""
    share = float(one.odds["bird_risk_share"].max())
    if not share:
        return ""
    return f"Birds or game take about one sowing in {1 / share:.0f}, whatever the weather; that is not in the counts."


def caption(found: CoverOdds, one: GapOdds) -> str:
    """Years, place, and what the figures rest on."""
    most = int(one.dates["years"].max())
    north, east = "N" if found.lat >= 0 else "S", "E" if found.lon >= 0 else "W"
    note = f" {found.settings.note}" if found.settings.note else ""
    first, last = found.weather_years
    return (
        f"{most} weather year{'s' * (most != 1)} of {first}-{last}, {found.settings.name}, {found.block_id}, "
        f"{abs(found.lat):.2f}° {north} {abs(found.lon):.2f}° {east}.{note} {LIMITS[0]}"
    )


def never_in_words(one: GapOdds) -> str:
    """Why there is nothing to draw, empty if there is."""
    usable = max(int(one.gap.usable_p50_d), 0)
    if one.dates.empty:
        return f"no sowing date, {usable} usable days are too few for any cover"
    if not one.dates["years"].max():
        return "no weather year covers the gap completely"
    if one.window is None:
        return f"{usable} usable days are too few for any cover, unless the crop before ends early"
    if not one.dates["aim_years"].max():
        most = int(one.dates["established_years"].max())
        stand = f"a stand in at most {most} years" if most else "no stand in any year"
        return f"the aim is reached in no year on any date; {stand}"
    return ""


def worth_drawing(found: CoverOdds) -> list[GapOdds]:
    """Gaps in which the aim is reached in some year; a gap asked for alone is drawn if it has been run at all."""
    run = [one for one in found.gaps if one.window is not None and one.dates["years"].max() > 0]
    return [one for one in run if len(found.gaps) == 1 or not never_in_words(one)]


def _mass(value: float, units: System) -> str:
    number, unit = shown(value, "biomass_kg_ha", units)
    return f"{number:.1f}" if unit == "t/ha" else f"{number:,.0f}"


def _bar(held: int, years: int, marks: int) -> str:
    filled = round(held * marks / years) if years else 0
    return "#" * filled + "." * (marks - filled)


def chart(found: CoverOdds, one: GapOdds) -> Iterator[str]:
    """Rows by sowing date: marks for the years in which everything holds, counts, dry matter."""
    dates, units = shown_dates(one), found.settings.units
    most = int(dates["years"].max())
    marks = min(most, BAR)
    wanted = round(years_wanted(found, most) * marks / most)
    best = one.window.option_id
    unit = shown(0.0, "biomass_kg_ha", units)[1]
    words = f"{'':{8 + wanted}}v {years_wanted(found, most)} wanted"
    mass_words = f"dry matter, {unit}"
    yield f"{words:{marks + 55 - len(mass_words)}}{mass_words}"
    heading = f"{'sow':9}{'everything holds':{marks}} years stand bloom aim frost"
    yield heading + f"{'10 %':>6}{'half':>6}{'90 %':>6}"
    for hopeless, run in groupby(dates.itertuples(), lambda row: row.aim_years == 0 and row.option_id != best):
        rows = list(run)
        if hopeless and len(rows) > 2:
            stand = max(row.established_years for row in rows)
            span = f"{day(rows[0].sow_date):>6} to {day(rows[-1].sow_date)}"
            yield f"{span}: a stand in up to {stand} years, the aim in none"
            continue
        for row in rows:
            mark = "*" if row.option_id == best else "<" if row.sow_date < one.gap.opens else " "
            bar = _bar(row.holds_years, row.years, marks)
            counts = f"{row.established_years:6}{row.flowered_years:6}{row.aim_years:4}{row.frost_killed_years:6}"
            mass = "".join(f"{_mass(getattr(row, f'biomass_p{p}_kg_ha'), units):>6}" for p in (10, 50, 90))
            yield f"{day(row.sow_date):>6} {mark} {bar} {row.holds_years:2}/{row.years}{counts}{mass}"
    early = " < only if the crop before ends early." if (dates["sow_date"] < one.gap.opens).any() else ""
    each = "one weather year" if marks == most else f"{most / marks:.1f} weather years"
    yield f"# is {each}; * best date.{early}"
    yield from _wrapped(left_out_in_words(one))


def year_table(found: CoverOdds, one: GapOdds) -> Iterator[str]:
    """What happened when, year by year, after sowing on the best date."""
    rows = [["year", "up", "half cover", "flower", "seed", "frost kill", "end by", "dry matter", "holds"]]
    rows += [
        [
            str(y.weather_year), day(y.emergence), day(y.half_cover), day(y.first_flower), day(y.viable_seed),
            day(y.frost_kill), day(y.terminate_by), write(y.biomass_kg_ha, "biomass_kg_ha", found.settings.units),
            "yes" if y.holds else "no",
        ]
        for y in one.years[one.years["option_id"] == one.window.option_id].itertuples()
    ]  # fmt: skip
    yield f"Sown {day(one.window.sow_best)}, year by year; seed is the first viable, end by the latest before it"
    yield from aligned(rows)


def _spread_table(found: CoverOdds, one: GapOdds) -> Iterator[str]:
    units = found.settings.units
    rows = [["sow", "everything holds", "aim reached", "dry matter, median year"]]
    kept = shown_dates(one)[["option_id", "sow_date"]]
    for row in kept.merge(one.spread, on="option_id").itertuples():
        counts = [
            f"{getattr(row, f'{name}_p10')} - {getattr(row, f'{name}_p50')} - {getattr(row, f'{name}_p90')}"
            for name in ("holds_years", "aim_years")
        ]
        low, middle, high = (_mass(getattr(row, f"biomass_p50_kg_ha_p{p}"), units) for p in (10, 50, 90))
        rows.append([day(row.sow_date), *counts, f"{low} - {middle} - {high} {shown(0, 'biomass_kg_ha', units)[1]}"])
    yield "Years out of all, and dry matter: 10, 50 and 90 draws of a hundred have no more"
    yield from aligned(rows)


def odds_lines(found: CoverOdds, by_year: bool = False) -> Iterator[str]:
    """The odds of a cover on a block, gap by gap.

    Parameters
    ----------
    found : CoverOdds
    by_year : bool
        Also the table of the weather years for the best date.

    Yields
    ------
    str
        Lines of at most 80 characters.
    """
    yield f"{found.cover.name} on {found.block_id}"
    drawn = worth_drawing(found)
    for one in drawn:
        yield ""
        yield from _wrapped(f"{one.gap.gap_id}. {gap_in_words(one.gap)}")
        yield ""
        yield from chart(found, one)
        yield ""
        for words in (window_in_words(one, found), certainty_in_words(one), spread_in_words(one), birds_in_words(one)):
            yield from _wrapped(words)
        if one.spread is not None:
            yield ""
            yield from _spread_table(found, one)
        if by_year:
            yield ""
            yield from year_table(found, one)
    quiet = [one for one in found.gaps if not any(one is other for other in drawn)]
    if quiet:
        yield ""
        yield "Not drawn:"
        for one in quiet:
            yield from _wrapped(f"{one.gap.gap_id}, {one.gap.season}: {never_in_words(one)}.", indent="  ")
    yield ""
    yield from _wrapped(holds_in_words(found))
    if drawn:
        yield from _wrapped(caption(found, drawn[0]))


def _wrapped(words: str, indent: str = "") -> list[str]:
    return textwrap.wrap(words, WIDTH, initial_indent=indent, subsequent_indent=indent + "  " * bool(indent))


def odds_csv(found: CoverOdds, by_year: bool = False) -> str:
    """The counts by sowing date as CSV, with the spread if it was run, or the dates of every year."""
    if by_year:
        return to_csv(pd.concat([one.years for one in found.gaps], ignore_index=True))
    tables = []
    for one in found.gaps:
        spread = one.spread
        if spread is None:
            tables.append(one.dates)
        else:
            tables.append(one.dates.merge(spread.drop(columns="years"), on="option_id", validate="1:1"))
    return to_csv(pd.concat(tables, ignore_index=True))
