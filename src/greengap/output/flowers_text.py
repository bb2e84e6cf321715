"""The flowers of a farm in plain sentences: what can be kept, what is mown when, where insects find nothing, sprays."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Collection, Iterator
from typing import Any

import numpy as np
import pandas as pd

from greengap.errors import InputProblem
from greengap.farm.settings import suggestion
from greengap.farm_flowers import FarmFlowers
from greengap.output.stand_text import WIDTH
from greengap.units import write

HAZARDS = ("insecticide on bloom", "mowing in full bloom")
NOT_SEEN = (
    "Only covers of this plan are known here: not the flowers of vegetables, weeds, hedges and trees, nor of grasses, "
    "nor of what the neighbour grows. Look before anybody sprays."
)
DEFERS = (
    "The label and local rules decide, not this list; beekeepers nearby are to be told; ask a licensed adviser. What "
    "is not known counts as harmful, and no spray is cleared here."
)
TABLES: dict[str, Callable[[FarmFlowers], pd.DataFrame]] = {
    "conflicts": lambda found: found.conflicts,
    "windows": lambda found: found.windows,
    "mowing": lambda found: found.mowing,
    "stretches": lambda found: found.stretches,
    "periods": lambda found: found.periods,
    "sprays": lambda found: found.plan.sprays,
}


def table_of(found: FarmFlowers, name: str) -> pd.DataFrame:
    """A table by its name.

    Raises
    ------
    InputProblem
        If there is none of that name.
    """
    if name not in TABLES:
        raise InputProblem("--csv", "", f"{name:.40} is not a table of the flowers", suggestion(name, sorted(TABLES)))
    return TABLES[name](found)


def dates(first: Any, last: Any) -> str:
    """Two days with the year once, or one.

    Examples
    --------
    >>> dates(pd.Timestamp("2027-07-01"), pd.Timestamp("2027-07-11"))
    '1-11 Jul 2027'
    >>> dates(pd.Timestamp("2027-06-28"), pd.Timestamp("2027-07-11"))
    '28 Jun - 11 Jul 2027'
    """
    if first == last:
        return f"{first.day} {first:%b %Y}"
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day}-{last.day} {last:%b %Y}"
    begin = f"{first.day} {first:%b}" if first.year == last.year else f"{first.day} {first:%b %Y}"
    return f"{begin} - {last.day} {last:%b %Y}"


def day(date: Any) -> str:
    """A day without its year."""
    return f"{date.day} {date:%b}"


def _name(found: FarmFlowers, cover_id: str) -> str:
    return found.plan.catalogue.covers[cover_id].name.lower()


def window_words(found: FarmFlowers, w: Any) -> str:
    """The bloom that can be kept on one block."""
    span = f", {w.days_p50:.0f} days (in eight years of ten {w.days_p10:.0f} to {w.days_p90:.0f})"
    span = span if 2 * w.bloom_years >= w.years else ", seldom"
    then = (
        f"until frost takes it, else mown by {dates(w.mow_by, w.mow_by)}"
        if w.ended_by == "frost"
        else f"then mow, by {day(w.mow_by)} ({'before it sets seed' if w.ended_by == 'seed set' else 'next crop'})"
    )
    seen = "first flower seen; " if w.seen else ""
    early = ""
    if w.early_seed_years:
        early = f" In {w.early_seed_years} of {w.years} years seed asks for an earlier day, the earliest "
        early += f"{day(w.early_seed_from)}: look for it."
    return (
        f"{w.block_id}, {_name(found, w.cover_id)}: {dates(w.keep_from, w.keep_until)}, {then}; {seen}"
        f"in flower in {w.bloom_years} of {w.years} years{span}.{early}"
    )


def mowing_words(found: FarmFlowers, m: Any) -> str:
    """One turn of the mowing."""
    area = write(m.area_m2, "m2", found.plan.settings.units)
    fits = "" if m.fits else " The farm cannot mow it in its window: find help, or mow a part sooner."
    others = "" if m.together == m.mow_on else f"; in few goes it would be {day(m.together)}"
    alone = f"; the only flowers of the farm on {m.alone_d:.0f} days" if round(m.alone_d) else ""
    return (
        f"{m.turn}. {m.block_id}, {_name(found, m.cover_id)}, {area}: {dates(m.first_day, m.mow_on)} (window "
        f"{day(m.mow_from)} - {day(m.mow_by)}{others}{alone}).{fits}"
    )


def mowing_gain(found: FarmFlowers) -> str:
    """Days with flowers before and after staging."""
    f = found.flowers
    assert f is not None, "there are flowers where there is an order of mowing"
    before, after = (_spread(d) for d in (f.together_d, f.staged_d))
    more = int((f.staged_d > f.together_d).sum())
    few = "1 go" if f.goes[1] == 1 else f"{f.goes[1]} goes"
    exact = "" if f.exact else " The search was given up: another order may leave more."
    if (f.staged_d == f.together_d).all():
        return f"Mown in turns or in {few}, it makes no difference to the days with flowers: {after}.{exact}"
    return (
        f"Days with a flower on some block: {before} if mown in {few}, {after} in turns ({f.goes[0]} days of mowing); "
        f"more in {more} of {len(f.staged_d)} years.{exact}"
    )


def _spread(days: np.ndarray) -> str:
    low, middle, high = (round(float(v)) for v in np.quantile(days, [0.1, 0.5, 0.9]))
    return f"{middle} ({low} to {high})"


def meeting_words(found: FarmFlowers, c: Any) -> str:
    """The block in flower that a spray meets, and what to do."""
    where = (
        "on it" if c.sprayed == c.block_id
        else "distance not known" if pd.isna(c.distance_m)
        else f"{write(c.distance_m, 'm', found.plan.settings.units)} from it" if c.distance_m >= 1
        else "beside it"
    )  # fmt: skip
    seen = "its first flower is seen" if c.seen else f"in flower then in {c.bloom_years} of {c.years} years"
    advice = f"{c.advice[:1].upper()}{c.advice[1:]}"
    return f"{c.block_id} ({_name(found, c.cover_id)}), {where}, {seen}. {advice}."


def conflict_words(found: FarmFlowers, c: Any) -> str:
    """One spray against one block in flower."""
    product = c.product or "product not known"
    return f"{dates(c.first, c.last)}, {c.sprayed}, {product}: {meeting_words(found, c)}"


def spray_lines(found: FarmFlowers) -> Iterator[str]:
    """All planned sprays: those near flowers, then those of which nothing is known to flower near."""
    sprays, hit = found.plan.sprays, set(found.conflicts["spray"])
    if found.unrecorded:
        yield f"To be sown by now, and nothing in the record: {', '.join(found.unrecorded)}. Taken as sown, as planned."
    if found.as_of is not None:
        over = sprays["last"] < found.as_of
        if over.any():
            yield f"Over: {over.sum()} of {len(sprays)} sprays."
        sprays = sprays[~over]
    for c in found.conflicts[found.conflicts["spray"].isin(sprays["spray"])].itertuples():
        yield conflict_words(found, c)
    near = write(found.near_m, "m", found.plan.settings.units)
    for s in sprays[~sprays["spray"].isin(hit)].itertuples():
        yield (
            f"{dates(s.first, s.last)}, {s.block_id or s.neighbour}, {s.product or 'product not known'}: no cover of "
            f"this plan within {near} is reckoned to flower then in any weather year. Look all the same."
        )


def period_words(p: Any) -> str:
    """Species in flower in a part of the season against the number asked for."""
    names = f" ({p.names.replace('_', ' ')})" if p.names else ""
    verdict = "enough" if p.species >= p.wanted else f"{p.wanted - p.species} short"
    days = f"{p.covered_d:.0f} days with flowers"
    return f"{p.period} {p.start:%Y}: {p.species} of {p.wanted} species{names}, {verdict}; {days}."


def caution_lines(found: FarmFlowers) -> Iterator[str]:
    """Cautions of the catalogue about sprays and mowing, with who decides."""
    for c in found.plan.catalogue.cautions:
        if c.hazard in HAZARDS:
            yield f"{c.text} Ask: {c.defers_to}."
    yield DEFERS
    yield NOT_SEEN


def flower_lines(found: FarmFlowers) -> Iterator[str]:
    """Everything, section by section, wrapped."""
    when = "" if found.as_of is None else f" as of {dates(found.as_of, found.as_of)}"
    yield f"Flowers of {found.plan.settings.name}{when}"
    if found.windows.empty:
        yield ""
        yield "No cover of this plan flowers before it has to be ended."
    sections: list[tuple[str, Iterator[str]]] = [
        ("Bloom to keep", (window_words(found, w) for w in found.windows.itertuples())),
        ("Order of mowing", _mowing(found)),
        ("Without flowers", (stretch_words(s) for s in found.stretches.itertuples())),
        ("Species by part of the season", _periods(found)),
        ("Planned sprays", spray_lines(found)),
        ("Cautions", caution_lines(found)),
    ]
    for heading, lines in sections:
        told = [line for one in lines for line in textwrap.wrap(one, WIDTH, subsequent_indent="  ")]
        if told:
            yield from ("", heading, *told)


def lines_ahead(found: FarmFlowers, as_of: pd.Timestamp, blocks: Collection[str], days: int) -> Iterator[str]:
    """What of sprays, flowers and mowing concerns some blocks in the days from today.

    Parameters
    ----------
    found : FarmFlowers
    as_of : Timestamp
        Today.
    blocks : collection of str
        Blocks that are sprayed, or flower, or are mown; a neighbour's spray is told for those that flower.
    days : int
        From today.
    """
    until = as_of + pd.Timedelta(days=days)
    for c in found.conflicts.itertuples():
        if c.first <= until and c.last >= as_of and {c.block_id, c.sprayed} & set(blocks):
            yield conflict_words(found, c)
    turns = set()
    for m in found.mowing.itertuples():
        if m.block_id in blocks and as_of <= m.mow_on and m.first_day <= until:
            turns.add(m.gap_id)
            yield f"Mow: {mowing_words(found, m).split('. ', 1)[1]}"
    for w in found.windows.itertuples():
        if w.block_id in blocks and w.gap_id not in turns and w.keep_from <= until and as_of <= w.keep_until:
            yield window_words(found, w)


def _mowing(found: FarmFlowers) -> Iterator[str]:
    if found.mowing.empty:
        return
    yield mowing_gain(found)
    if found.plan.settings.mown_m2_d is None:
        yield "What can be mown in a day is not known ([mowing] in farm.toml): every block is given its last day."
    yield from (mowing_words(found, m) for m in found.mowing.itertuples())


def stretch_words(s: Any) -> str:
    """Days on which insects find nothing."""
    return (
        f"{dates(s.start, s.end)}: {s.length_d} days with nothing in flower in most years; in {s.empty_years} of "
        f"{s.years} not one flower in all of them."
    )


def _periods(found: FarmFlowers) -> Iterator[str]:
    if found.periods.empty:
        return
    yield (
        "Habitat specifications for pollinators ask for continuity, such as three species in each part of the season "
        f"({found.plan.catalogue.cite(found.plan.catalogue.practice['bloom_period_species'].source)}); they mean "
        "lasting plants, and covers count only if your office says so."
    )
    yield from (period_words(p) for p in found.periods.itertuples())
