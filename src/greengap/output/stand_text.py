"""A stand check in plain lines, and the table of a block that is worked out before anybody looks."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import Any

import pandas as pd

from greengap.advice.frame_counts import Density, Stop
from greengap.advice.options import NO_COVER
from greengap.advice.stand_check import CLEAN, KEEP, RESOW, SWITCH, WEED, WEED_COVERS
from greengap.catalogue import Catalogue
from greengap.output.odds_text import day
from greengap.output.summary import aligned
from greengap.output.table import to_csv
from greengap.stand_check_of import StandCheck, WeedsSeen
from greengap.stand_worked_out import StandTables
from greengap.units import FOOT_M, INCH_MM, POUND_KG, System

WIDTH = 80


def plants_in_words(per_m2: float, units: System) -> str:
    """Plants on a unit of ground.

    Examples
    --------
    >>> plants_in_words(57.0, "metric"), plants_in_words(57.0, "us")
    ('57 plants/m²', '5.3 plants/ft²')
    """
    value, unit = _on_ground(per_m2, units)
    return f"{_count(value)} plants/{unit}"


def _on_ground(per_m2: float, units: System) -> tuple[float, str]:
    return (per_m2, "m²") if units == "metric" else (per_m2 * FOOT_M**2, "ft²")


def _count(value: float) -> str:
    return f"{value:,.0f}" if value >= 10 or value == 0 else f"{value:.1f}"


def percent(share: float, most: int = 0) -> str:
    """A share in per cent, with a decimal where it is small."""
    digits = 1 if 0 < share < 0.0095 else most
    return f"{share:.{digits}%}".replace("%", " %")


def choice_in_words(choice: str, cover_id: str, catalogue: Catalogue) -> str:
    """A choice as one would say it.

    Examples
    --------
    >>> from greengap.catalogue import load_catalogue
    >>> choice_in_words("switch", "oat", load_catalogue())
    'till and sow oat instead'
    """
    name = "" if cover_id == NO_COVER or not cover_id else catalogue.covers[cover_id].name.lower()
    return {
        KEEP: "keep it",
        WEED: "weed it by hand once",
        RESOW: f"till and sow {name} again",
        SWITCH: f"till and sow {name} instead" if name else "till and sow something else",
        CLEAN: "give it up and keep the ground clean",
    }[choice]


def verdict_in_words(check: StandCheck) -> str:
    """The verdict in a sentence or two: the first line on a screen."""
    verdict, catalogue = check.verdict, check.catalogue
    row = verdict.row()
    words = choice_in_words(verdict.choice, row.cover_id, catalogue)
    if verdict.choice == CLEAN:
        least = percent(verdict.terms.least)
        return f"Verdict: {words}. Nothing that can be done here wins in {least} of the years."
    if verdict.good:
        more = "" if row.odds >= verdict.terms.wanted else (
            f" It wins in {row.wins_years} of {row.years} years only, which is a matter of the cover and the place, "
            "not of the stand."
        )  # fmt: skip
        return f"Verdict: {words}. The stand is good and no weedier than most.{more}"
    odds = f"It wins in {row.wins_years} of {row.years} years"
    birds = (
        f", birds or game left out, who take {percent(row.bird_risk_share)} of such fields"
        if row.bird_risk_share
        else ""
    )
    if not verdict.toss_with:
        return f"Verdict: {words}. {odds}{birds}."
    other = verdict.row(verdict.toss_with)
    return (
        f"Verdict: a coin toss between two: {words}, or {choice_in_words(other.choice, other.cover_id, catalogue)}. "
        f"{odds}{birds}, the other in {other.wins_years} of {other.years}; the first is less work."
    )


def stop_in_words(stop: Stop) -> str:
    """Whether to count on.

    Examples
    --------
    >>> stop_in_words(Stop("enough", 6, 0))
    '6 frames counted; further frames would hardly change the verdict: stop.'
    >>> stop_in_words(Stop("go on", 4, 3))
    '4 frames counted: count 3 more.'
    """
    counted = f"{stop.frames} frame{'s' * (stop.frames != 1)} counted"
    if stop.side == "go on":
        return f"{counted}: count {stop.more} more."
    if stop.side == "between":
        return (
            f"{counted}; the stand lies where one choice is as good as the other, and more frames would not tell: stop."
        )
    return f"{counted}; further frames would hardly change the verdict: stop."


def density_in_words(density: Density, units: System) -> str:
    """A count with its interval."""
    low, high = (_count(_on_ground(end, units)[0]) for end in (density.low_m2, density.high_m2))
    return f"{plants_in_words(density.per_m2, units)} ({low} to {high})"


def weeds_in_words(weeds: WeedsSeen | None, units: System) -> str:
    """The weeds as they were found."""
    if weeds is None:
        return "not looked at."
    number = _on_ground(weeds.plants_m2, units)[0]
    told = f"{_count(number)} on a {'square metre' if units == 'metric' else 'square foot'}"
    told += "" if weeds.counted else " by their leaves"
    tall, cover = weeds.heights_mm
    if not math.isnan(tall):
        told += f", {height(tall, units)} tall"
        told += "" if math.isnan(cover) else f" against {height(cover, units)} of the cover"
    return f"{told}; they count as {percent(weeds.cover_fraction)} of the ground."


def height(mm: float, units: System) -> str:
    """A height as it is measured in a block."""
    return f"{mm / 10:.0f} cm" if units == "metric" else f"{mm / INCH_MM:.1f} in"


def seed_in_words(kg: float, units: System) -> str:
    """Seed as it is weighed."""
    return f"{kg:,.1f} kg" if units == "metric" else f"{kg / POUND_KG:,.1f} lb"


def choice_rows(check: StandCheck) -> list[list[str]]:
    """What can be done, a row for each choice that is possible."""
    rows = [["what", "wins", "closes first", "aim met", "hours", "seed", "seed cost", "last day"]]
    units, catalogue = check.settings.units, check.catalogue
    for r in check.verdict.choices.itertuples():
        if not r.possible:
            continue
        of = f" of {r.years}"
        known = r.years > 0
        cost = (
            ""
            if math.isnan(r.seed_kg)
            else "not known"
            if math.isnan(r.cost)
            else f"{r.cost:,.0f} {r.currency}".strip()
        )
        last = "" if r.choice in (KEEP, CLEAN) else "none keeps your odds"
        if not pd.isna(r.last_date):
            last = day(r.last_date)
        rows.append(
            [
                choice_in_words(r.choice, r.cover_id, catalogue),
                f"{r.wins_years}{of}" if known else "-",
                f"{r.closes_years}{of}" if known else "-",
                f"{r.aim_years}{of}" if known else "-",
                "" if math.isnan(r.hours) else f"{r.hours:.0f}",
                "" if math.isnan(r.seed_kg) else seed_in_words(r.seed_kg, units),
                cost,
                last,
            ]
        )
    return rows


def clean_in_words(check: StandCheck) -> str:
    """What keeping the ground clean asks for."""
    interval = check.catalogue.rule("clean_ground_interval")
    return f"Kept clean: a shallow harrow about every {interval:.0f} days while weeds come up, or a tarp."


def thresholds_in_words(check: StandCheck) -> str:
    """Whose thresholds these are."""
    terms = check.verdict.terms
    return (
        f"A stand that wins in {percent(terms.wanted)} of the years is kept (your wanted odds). Else a choice has to "
        f"win in {percent(terms.margin)} more of the years than one that is less work, and below "
        f"{percent(terms.least)} no cover is worth its ground. These two, and a stand that counts as bare below "
        f"{percent(check.catalogue.rule('stand_least_share'))} of a full one, are this program's own: no table of "
        "stands below which a cover is sown again has been published. A cover wins if it shades half the ground before "
        "the weeds would and meets its aim. Look at the block: you know what the engine does not."
    )


def stand_lines(check: StandCheck) -> Iterator[str]:
    """Everything about one look at a stand."""
    units, catalogue, before = check.settings.units, check.catalogue, check.beforehand
    after_d = (check.counted_on - before.sown_on).days
    yield (
        f"{before.gap_id}: {before.cover.name.lower()}, sown {before.sown_on:%d %b %Y}, looked at "
        f"{day(check.counted_on)}, {after_d} days after"
    )
    yield ""
    sentences = []
    if check.early:
        sentences.append(
            f"Early: in one year of ten it is not all up before {day(before.up_on[2])}. More may come; look again then "
            "before you till anything."
        )
    sentences += [verdict_in_words(check), stop_in_words(check.stop)]
    for species, found in check.density.items():
        name = catalogue.species[species].name if species else "All species"
        full = before.full_stand_m2.get(species, sum(before.full_stand_m2.values()))
        sentences.append(
            f"{name}: {density_in_words(found, units)}, {percent(found.per_m2 / full)} of a full stand of "
            f"{plants_in_words(full, units)}."
        )
    sentences.append(f"Weeds: {weeds_in_words(check.weeds, units)}")
    for sentence in sentences:
        yield from textwrap.wrap(sentence, WIDTH)
    yield ""
    yield from aligned(choice_rows(check))
    yield ""
    after = []
    for r in check.verdict.choices.itertuples():
        if not r.possible:
            after.append(f"Not possible: {choice_in_words(r.choice, r.cover_id, catalogue)}, since {r.why_not}.")
        elif r.bird_risk_share:
            name = catalogue.covers[r.cover_id].name.lower()
            after.append(
                f"Birds or game are reckoned to take {percent(r.bird_risk_share)} of such sowings of {name}, and then "
                "badly. The years above leave them out, the verdict does not."
            )
    if check.rung and check.rung != before.cover.key:
        known = catalogue.covers[check.rung].name.lower()
        after.append(f"The plan's ladder has {known} from seed that is bought already.")
    after += [clean_in_words(check), *check.notes, thresholds_in_words(check)]
    for sentence in after:
        yield from textwrap.wrap(sentence, WIDTH)


def limit_rows(before: StandTables, units: System, frame_m2: float) -> list[list[str]]:
    """Plants in a frame at which the verdict turns, by the cover of weeds."""
    rows = [["weeds cover", "keep from", "act below", "then"]]
    for r in before.limits.itertuples():
        found = "" if r.weed_cover_fraction in WEED_COVERS else ", as found"
        rows.append(
            [
                f"{percent(r.weed_cover_fraction, 1 if found else 0)}{found}",
                *limit_cells(r, frame_m2),
                str(r.instead) or "any stand is kept",
            ]
        )
    return rows


def limit_cells(row: Any, frame_m2: float) -> tuple[str, str]:
    """Plants in a frame from which to keep, and below which to act; a dash where there is none."""
    keep = "-" if pd.isna(row.enough_m2) else f"{math.ceil(row.enough_m2 * frame_m2 - 1e-9)}"
    act = "any" if pd.isna(row.enough_m2) else "-"
    if not pd.isna(row.too_few_m2) and not pd.isna(row.enough_m2):
        act = f"{math.ceil(row.too_few_m2 * frame_m2 - 1e-9)}"
    return keep, act


def worked_out_lines(before: StandTables, units: System, catalogue: Catalogue, frame_m2: float) -> Iterator[str]:
    """The table of a block for the day of the look, to be read aloud or printed."""
    frame = f"frame of {frame_m2:.2g} m²" if units == "metric" else f"frame of {frame_m2 / FOOT_M**2:.2g} ft²"
    full = sum(before.full_stand_m2.values())
    name = before.cover.name.lower()
    yield f"{before.gap_id}: {name}, sown {before.sown_on:%d %b %Y}, for a look on {day(before.look_on)}"
    yield f"Plants in a {frame}, all species together; a full stand has {_count(full * frame_m2)}."
    yield ""
    yield from aligned(limit_rows(before, units, frame_m2))
    yield ""
    sentences = [
        up_in_words(before),
        "Weeds are those that are as tall as the cover; half as tall count half, twice as tall twice. A hundredth of a "
        "square metre is 10 by 10 cm.",
        again_in_words(before, catalogue),
    ]
    sentences += before.notes
    for sentence in filter(None, sentences):
        yield from textwrap.wrap(sentence, WIDTH)


def up_in_words(before: StandTables) -> str:
    """When it comes up, and until when nothing to be seen is no bad sign."""
    early, middle, late = before.up_on
    if pd.isna(middle):
        return "It comes up in none of the weather years."
    return f"It is up about {day(middle)}, in eight years of ten between {day(early)} and {day(late)}: until then wait."


def again_in_words(before: StandTables, catalogue: Catalogue) -> str:
    """What sowing again can do after that look, and until when."""
    parts = []
    for one, word in ((before.resow, "again"), (before.switch, "instead")):
        if one is None or one.why_not or not one.wins_years:
            continue
        name = catalogue.covers[one.cover_id].name.lower()
        until = f"until {day(one.last_date)}" if not pd.isna(one.last_date) else "on no day with your odds"
        parts.append(f"{name} {word} {until} ({one.wins_years} of {one.years} years from {day(one.on)})")
    return f"Sow {'; '.join(parts)}." if parts else "Nothing can be sown again after that: harrow and keep it clean."


def choices_csv(check: StandCheck) -> str:
    """What can be done, as a table."""
    return to_csv(check.verdict.choices)


def worked_out_csv(before: StandTables) -> str:
    """The verdict for every density and cover of weeds, as a table: for a phone without a network."""
    return to_csv(before.table)
