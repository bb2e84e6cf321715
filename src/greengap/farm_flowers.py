"""Flowers over the farm: windows to keep, order of mowing, stretches without flowers, sprays near them."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from greengap.advice.bloom_years import Bloom, bloom_by_year, with_seen
from greengap.advice.continuity import bloom_periods, hungry_stretches
from greengap.advice.mowing import FlowerDays, keep_windows, stage_mowing
from greengap.advice.sprays import spray_conflicts
from greengap.plan import Plan
from greengap.tables import BloomPeriod, DataFrame, FlowerStretch, KeepWindow, Mowing, SprayConflict


@dataclass(frozen=True)
class FarmFlowers:
    """What is said of the flowers of a plan.

    Attributes
    ----------
    blooms : tuple of Bloom
        As reckoned, or as seen.
    flowers : FlowerDays or None
        None where nothing flowers.
    near_m : float
        A spray this near to flowers is told [m].
    """

    plan: Plan
    blooms: tuple[Bloom, ...]
    windows: DataFrame[KeepWindow]
    mowing: DataFrame[Mowing]
    stretches: DataFrame[FlowerStretch]
    periods: DataFrame[BloomPeriod]
    conflicts: DataFrame[SprayConflict]
    flowers: FlowerDays | None
    near_m: float


def find_flowers(plan: Plan, as_of: pd.Timestamp | None = None) -> FarmFlowers:
    """Flowers, mowing and sprays of a plan.

    Parameters
    ----------
    plan : Plan
        First flowers and endings in its record stand in place of the reckoned ones.
    as_of : Timestamp, optional
        Rows of the record after it are not looked at.

    Returns
    -------
    FarmFlowers
    """
    rule = plan.catalogue.rule
    reckoned = bloom_by_year(plan.allocation, plan.options, plan.season)
    blooms = with_seen(reckoned, plan.record, plan.catalogue, as_of)
    windows = keep_windows(blooms, plan.allocation, plan.options, plan.odds, plan.season)
    ready = dict(zip(plan.odds["option_id"], plan.odds["ready_from"], strict=True))
    given = plan.allocation.dropna(subset="option_id")
    ready_from = {gap: ready[option] for gap, option in zip(given["gap_id"], given["option_id"], strict=True)}
    mowing, flowers = stage_mowing(
        blooms, windows, ready_from, plan.blocks, plan.settings.mown_m2_d, int(rule("mowing_search"))
    )
    near_m = plan.settings.spray_distance_m or rule("spray_near_bloom")
    southern = bool(plan.blocks.total_bounds[[1, 3]].mean() < 0)
    return FarmFlowers(
        plan, tuple(blooms), windows, mowing,
        FlowerStretch.empty() if flowers is None else hungry_stretches(flowers, rule("hungry_stretch")),
        BloomPeriod.empty() if flowers is None else bloom_periods(blooms, flowers, plan.catalogue, southern),
        spray_conflicts(plan.sprays, blooms, plan.blocks, near_m), flowers, near_m,
    )  # fmt: skip
