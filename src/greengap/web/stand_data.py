"""Stands worked out beforehand, as plain data for a phone: small, rounded, SI.

The phone looks its count up in the table of the day (`static/stand_reckoned.js`); what the table is worked out for, and
every threshold that it judges by, goes with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from greengap.advice.stand_check import STAND_SHARES, stand_terms, weeding_work
from greengap.catalogue import Catalogue
from greengap.farm.settings import FarmSettings
from greengap.stand_worked_out import NEXT_DAY_D, SownAgain, StandTables
from greengap.web.views import iso

# Covers of weeds: closer together where the verdict turns, since the phone reads between them.
WEED_COVERS = (0.0, 0.0005, 0.001, 0.0025, 0.005, 0.01, 0.02, 0.03, 0.05, 0.1, 0.2)
LEVEL = 0.95  # of intervals, as `greengap.advice.frame_counts.counted_density` has it
RULES = (
    "stand_clumping", "stand_wrong_odds", "stand_least_frames", "stand_most_frames", "stand_zone",
    "stand_failure_share", "stand_least_share", "weed_light_extinction", "weed_seedling_area", "weed_leaf_of_height",
    "weed_height_least", "weed_height_most", "clean_ground_interval",
)  # fmt: skip


@dataclass(frozen=True)
class Again:
    """Sowing again, with what its seed comes to.

    Attributes
    ----------
    sown : SownAgain
    seed_kg, cost : float
        NaN where it cannot be, or is not known.
    currency : str
    """

    sown: SownAgain
    seed_kg: float = math.nan
    cost: float = math.nan
    currency: str = ""


def judged_by(settings: FarmSettings, catalogue: Catalogue) -> dict[str, Any]:
    """What every table of a farm is judged by: axes, odds that are wanted, hours of weeding, rules.

    Returns
    -------
    dict
        Of JSON's own types.
    """
    terms, work = stand_terms(settings.wanted_odds, catalogue), weeding_work(settings.hand_weeding, catalogue)
    return {
        "shares": list(STAND_SHARES),
        "weeds": list(WEED_COVERS),
        "level": LEVEL,
        "wanted": terms.wanted,
        "margin": terms.margin,
        "least": terms.least,
        "hours": work.hours,
        "weeds_per_h": work.weeds_per_h,
        "ground_m2_h": work.ground_m2_h,
        "pull_after_d": NEXT_DAY_D,
        "rules": {name: catalogue.rule(name) for name in RULES},
    }


def look_data(tables: StandTables, put_off: list[int], resow: Again, switch: Again | None) -> dict[str, Any]:
    """The table of one day of looking.

    Parameters
    ----------
    tables : StandTables
        Worked out for `WEED_COVERS`.
    put_off : list of int
        Days by which pulling can be put off, by row of the table; see `greengap.stand_worked_out.pulling_put_off`.
    resow, switch : Again
        Those of the tables with their seed; None where no other cover fits.

    Returns
    -------
    dict
        Years that are won, by cover of weeds and then by share of a full stand; and what else can be done.
    """
    wide = len(STAND_SHARES)

    def won(column: str) -> list[list[int]]:
        years = [round(odds * tables.years) for odds in tables.table[column]]
        return by_cover(years)

    def by_cover(row: list[int]) -> list[list[int]]:
        return [row[k : k + wide] for k in range(0, len(row), wide)]

    return {
        "on": iso(tables.look_on),
        "years": tables.years,
        "keep": won("keep_odds"),
        "weed": won("weed_odds"),
        "put_off": by_cover(put_off),
        "ordinary_m2": _short(tables.ordinary_weeds_m2),
        "ordinary_area": _short(tables.ordinary_leaf_area),
        "resow": _again(resow),
        "switch": None if switch is None else _again(switch),
    }


def sowing_data(tables: StandTables, looks: list[dict[str, Any]], planned: bool) -> dict[str, Any]:
    """One sowing with its tables, by day of looking.

    Parameters
    ----------
    tables : StandTables
        Any of its days.
    looks : list of dict
        From `look_data`.
    planned : bool
        Whether it is not sown yet: worked out for the day of the plan.
    """
    return {
        "cover": tables.cover.key,
        "sown": iso(tables.sown_on),
        "planned": planned,
        "up": [iso(day) for day in tables.up_on],
        "area_m2": round(tables.area_m2, 1),
        "full_m2": {species: _short(plants) for species, plants in tables.full_stand_m2.items()},
        "notes": list(tables.notes),
        "looks": sorted(looks, key=lambda one: one["on"]),
    }


def _again(again: Again) -> dict[str, Any]:
    one = again.sown
    return {
        "cover": one.cover_id,
        "on": iso(one.on),
        "years": one.years,
        "wins": one.wins_years,
        "birds": one.bird_risk_share,
        "until": iso(one.last_date),
        "why": one.why_not,
        "seed_kg": None if math.isnan(again.seed_kg) else round(again.seed_kg, 3),
        "cost": None if math.isnan(again.cost) else round(again.cost, 2),
        "currency": again.currency,
    }


def _short(value: float) -> float:
    """Nine digits: enough for the same verdict on either side."""
    return float(f"{value:.9g}")


def days_to_look(sown_on: pd.Timestamp, first_d: int, last_d: int, step_d: int = 2) -> list[pd.Timestamp]:
    """Days of looking that tables are made for.

    Examples
    --------
    >>> [f"{day:%d}" for day in days_to_look(pd.Timestamp("2027-07-01"), 7, 12)]
    ['08', '10', '12']
    """
    return [sown_on + pd.Timedelta(days=d) for d in range(first_d, last_d + 1, step_d)]
