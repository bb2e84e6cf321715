"""No cover beside the covers, in plain lines: what each way brings, which is better, and the stale seedbed."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import Any

import pandas as pd

from greengap.advice.clean_ground import WAY_WORDS
from greengap.catalogue import Catalogue
from greengap.clean_ground_of import WithoutCover
from greengap.output.summary import aligned
from greengap.units import System, shown

LINE = 80
UNKNOWN = "-"
NOTE = (
    "Weeds are shares of what a season would bring; nobody has counted them. Standing: alive before the next crop. "
    "Free of seed: years in which next to none ripens. Served: of the farm's purposes, by weight. The cover is the "
    "plan's, or the best that could be. Nitrogen is rough: test the soil."
)
CARE = (
    "Harrow and mow on slopes by the machine's manual, hold tarps against wind, and look at the block before you trust "
    "a date."
)


def way_name(row: Any, catalogue: Catalogue) -> str:
    """What the row is of."""
    return catalogue.covers[row.cover_id].name if row.way == "cover" else _upper(WAY_WORDS[row.way])


def _upper(words: str) -> str:
    return words[:1].upper() + words[1:]


def number(value: float, quantity: str = "", units: System = "metric") -> str:
    """A figure without its unit, which stands in the heading; a dash where it is not reckoned."""
    if math.isnan(value):
        return UNKNOWN
    seen = shown(value, quantity, units)[0] if quantity else value
    places = 1 if quantity == "mm" and units == "us" else 0
    return f"{seen + 0.0:.{places}f}".replace("-0.0", "0.0") if places else f"{round(seen) + 0:d}"


def percent(value: float) -> str:
    """A share in whole per cent."""
    return UNKNOWN if math.isnan(value) else f"{value:.0%}"


def hours_and_cost(row: Any) -> str:
    """Work, and money where it is priced."""
    hours = f"{row.hours:.1f} h"
    return hours if math.isnan(row.cost) or row.cost == 0 else f"{hours}, {row.cost:,.0f} {row.currency}".rstrip()


def way_rows(table: pd.DataFrame, catalogue: Catalogue, units: System) -> list[list[str]]:
    """The ways of one gap that are offered, the heading first."""
    mm, kg = (shown(0.0, q, units)[1] for q in ("mm", "kg_ha"))
    rows = [
        ["", "bare, d", "weeds up", "standing", "free of seed", f"drier, {mm}", f"N lost, {kg}", f"N left, {kg}",
         "passes", "work", "served"]
    ]  # fmt: skip
    for row in table[table["offered"]].itertuples():
        rows.append(
            [
                f"{'*' if row.better else ' '} {way_name(row, catalogue)}",
                number(row.bare_p50_d),
                percent(row.weeds_up_p50_share),
                percent(row.weeds_standing_p50_share),
                f"{row.seed_free_years} of {row.years}",
                number(row.water_p50_mm, "mm", units),
                number(row.leached_p50_kg_ha, "kg_ha", units),
                number(row.nitrate_p50_kg_ha, "kg_ha", units),
                number(row.passes_p50),
                hours_and_cost(row),
                percent(row.served_share),
            ]
        )
    return rows


def passes_in_words(row: Any) -> str:
    """When the ground is first worked over, and how often; empty where it is not, or lies under a tarp or a cover."""
    if row.way not in ("harrow", "mow") or pd.isna(row.first_pass):
        return ""
    more = f", {row.passes_p90:.0f} in one year of ten" if round(row.passes_p90) > round(row.passes_p50) else ""
    return f"first about {row.first_pass:%d %b}, {round(row.passes_p50)} in the median year{more}"


def limits_of(table: pd.DataFrame, catalogue: Catalogue) -> list[str]:
    """Of each way when it is done and what limits it, or why it is not offered."""
    out = []
    for row in table.itertuples():
        name = way_name(row, catalogue)
        words = "; ".join(filter(None, (passes_in_words(row), row.why_not))) if row.offered else row.why_not
        if words:
            lower = name[:1].lower() + name[1:]
            out.append(f"{name}: {words}." if row.offered else f"Not possible: {lower}, {words}.")
    return out


def clean_lines(found: WithoutCover, gap_id: str, catalogue: Catalogue, units: System) -> Iterator[str]:
    """One gap without a cover.

    Parameters
    ----------
    found : WithoutCover
    gap_id : str
    catalogue : Catalogue
    units : "metric" or "us"

    Yields
    ------
    str
        Heading, table, verdict, limits, stale seedbed.
    """
    table = found.clean_ground[found.clean_ground["gap_id"] == gap_id]
    stale = found.stale_seedbed[found.stale_seedbed["gap_id"] == gap_id].iloc[0]
    days, years = int(table["days"].iloc[0]), int(table["years"].max())
    yield f"Without a cover: {days} days to the next crop, medians of {years} weather years, * is better"
    if table["offered"].any():
        yield from aligned(way_rows(table, catalogue, units))
    for words in (table["verdict"].iloc[0], *limits_of(table, catalogue), stale["sentence"], NOTE, CARE):
        yield from textwrap.wrap(words, LINE)


def clean_summary(found: WithoutCover, sown: pd.Series) -> Iterator[str]:
    """In which of the gaps that are sown ground without a cover would serve better; nothing where in none."""
    table = found.clean_ground
    better = table[table["better"] & (table["way"] != "cover") & table["gap_id"].isin(sown)]
    if better.empty:
        return
    names = ", ".join(f"{row.gap_id} ({WAY_WORDS[row.way]})" for row in better.itertuples())
    count = "1 gap that is sown" if len(better) == 1 else f"{len(better)} of {len(sown)} gaps that are sown"
    yield ""
    yield f"Ground without a cover would do as well or better in {count}: {names}."
    yield "`greengap options FARM GAP` says why."
