"""Water or wait: what a watering today does for seed in the ground, against waiting for rain."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.up_yet import DAY, ComingUp
from greengap.catalogue import Catalogue
from greengap.process.drivers import BlockDays
from greengap.process.emergence import WETTING_MM

WITHIN_D = (3, 5, 7, 10)
TOGETHER_D = 3  # days over which rain counts as one wetting
WATER, WAIT, WET = "water", "wait", "wet"


def wetting_mm(days: BlockDays, lacking_mm: float, catalogue: Catalogue) -> float:
    """Water that wets the seed zone of dry soil, or what it lacks, whichever is less.

    Parameters
    ----------
    days : BlockDays
    lacking_mm : float
        What the top of the soil lacks to field capacity [mm].
    catalogue : Catalogue

    Returns
    -------
    float
        Available water of the rule `wetting_depth` at most [mm].
    """
    return min(lacking_mm, days.available * catalogue.rule("wetting_depth"))


def rain_enough(rain_mm: np.ndarray, wanted_mm: float) -> dict[str, int]:
    """Years in which rain enough falls within some days, as columns of `greengap.tables.WaterOrWait`.

    Parameters
    ----------
    rain_mm : ndarray, shape (year, day)
        Of the next days, `max(WITHIN_D)` of them [mm].
    wanted_mm : float
        Amount that has to come within `TOGETHER_D` days [mm].

    Examples
    --------
    >>> rain_enough(np.array([[4.0, 4.0, 0, 0, 0, 0, 0, 0, 0, 0], [4.0, 0, 0, 0, 4.0, 0, 0, 0, 0, 0]]), 8.0)
    {'rain_3d_years': 1, 'rain_5d_years': 1, 'rain_7d_years': 1, 'rain_10d_years': 1}
    """
    sums = np.cumsum(np.pad(rain_mm, ((0, 0), (TOGETHER_D, 0))), axis=1)
    together = sums[:, TOGETHER_D:] - sums[:, :-TOGETHER_D]
    return {f"rain_{d}d_years": int((together[:, :d].max(axis=1, initial=0.0) >= wanted_mm).sum()) for d in WITHIN_D}


def weigh_watering(
    days: BlockDays,
    waiting: ComingUp,
    watered: Callable[[tuple[tuple[int, float], ...]], ComingUp],
    ground: Any,
    area_m2: float,
    catalogue: Catalogue,
) -> dict[str, Any]:
    """What a watering today changes, as columns of `greengap.tables.WaterOrWait`, all but its rank.

    Parameters
    ----------
    days : BlockDays
        As the weather leaves the block.
    waiting : ComingUp
        The sowing if nobody waters.
    watered : callable
        Gives the sowing with waterings, each a number of days from today and an amount [mm].
    ground : row of Ground
        Its irrigation set.
    area_m2 : float
        Ground that is sown [m2].
    catalogue : Catalogue

    Notes
    -----
    One watering, or several with the rule `establishment_interval` between them: the least number that comes as near
    to the best stand as the rule `water_gain_least` says; two at least where seed lies on the surface. One light
    watering may start germination that then dries, which the stand shows.
    """
    rule = catalogue.rule
    lacking = wetting_mm(days, float(np.median(waiting.lacking_mm)) if waiting.lacking_mm.size else 0.0, catalogue)
    given, every = max(lacking, WETTING_MM), int(rule("establishment_interval"))
    least = int(rule("surface_waterings")) if days.place.method == "broadcast" else 1
    tried = {
        turns: watered(tuple((turn * every, given) for turn in range(turns)))
        for turns in range(least, int(rule("water_turns_most")) + 1)
    }
    stand = {turns: _mean(found.stand) for turns, found in tried.items()}
    enough = max(stand.values()) - rule("water_gain_least")
    turns = min(turns for turns, share in stand.items() if share >= enough)
    after, stands = tried[turns], (stand[turns], _mean(waiting.stand))
    gain = stands[0] - stands[1]
    middle = [found.up_by(0.5) for found in (after, waiting)]
    dry = bool(waiting.dry.mean() > 0.5) if waiting.dry.size else False
    sooner = not pd.isna(middle[0]) and (
        pd.isna(middle[1]) or middle[1] - middle[0] >= rule("water_sooner_least") * DAY
    )
    verdict = WATER if gain >= rule("water_gain_least") or (dry and sooner) else WAIT if dry else WET
    at_once = area_m2 if pd.isna(ground.set_area_m2) else float(ground.set_area_m2)
    lost = 0.0 if pd.isna(ground.lost_fraction) else float(ground.lost_fraction)
    litres = given * at_once / (1 - lost)
    index = np.minimum(waiting.today[:, None] + np.arange(max(WITHIN_D)), days.dates.size - 1)
    return {
        "turn_mm": given, "turns": 0 if verdict == WET else turns, **rain_enough(days.rain[index], given),
        "years": int(waiting.stand.size), "up_if_watered": middle[0], "up_if_waiting": middle[1],
        "stand_if_watered": stands[0], "stand_if_waiting": stands[1], "sets": ground.sets,
        "h_per_set": litres / ground.flow_l_h if pd.notna(ground.flow_l_h) else math.nan, "l_per_set": litres,
        "saved_m2_per_set": gain * at_once / turns, "verdict": verdict,
    }  # fmt: skip


def _mean(stand: np.ndarray) -> float:
    return float(stand.mean()) if stand.size else 0.0


def ranked(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """The rows with their rank: first what saves most ground for a set, or where one is not known, for the water.

    Parameters
    ----------
    rows : iterable of dict
        Columns of `greengap.tables.WaterOrWait` but the rank; those to be watered come first.
    """
    rows = list(rows)
    by_set = all(pd.notna(row["sets"]) for row in rows)

    def worth(row: dict[str, Any]) -> tuple[bool, float, str]:
        saved = row["saved_m2_per_set"] / (1.0 if by_set else row["l_per_set"])
        return row["verdict"] != WATER, -round(saved, 9), row["gap_id"]

    return [row | {"rank": rank} for rank, row in enumerate(sorted(rows, key=worth), start=1)]
