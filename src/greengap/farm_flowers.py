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

SAYS_WHAT_STANDS = ("sown", "ended", "decided", "planted")  # kinds of rows by which a gap is known


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
    as_of : Timestamp or None
        Day from which it is planned.
    unrecorded : tuple of str
        Gaps that were to be sown by then and of which the record says nothing: against sprays they are taken as sown.
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
    as_of: pd.Timestamp | None = None
    unrecorded: tuple[str, ...] = ()


def find_flowers(plan: Plan, as_of: pd.Timestamp | None = None, before: Plan | None = None) -> FarmFlowers:
    """Flowers, mowing and sprays of a plan.

    Parameters
    ----------
    plan : Plan
        First flowers and endings in its record stand in place of the reckoned ones.
    as_of : Timestamp, optional
        Rows of the record after it are not looked at.
    before : Plan, optional
        The plan before the season. What it wanted sown by `as_of`, and of which the record says neither that it was
        sown nor that it was not, may stand there all the same, and counts against sprays.

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
    standing = [] if as_of is None or before is None else _unrecorded(before, plan, as_of)
    southern = bool(plan.blocks.total_bounds[[1, 3]].mean() < 0)
    return FarmFlowers(
        plan, tuple(blooms), windows, mowing,
        FlowerStretch.empty() if flowers is None else hungry_stretches(flowers, rule("hungry_stretch")),
        BloomPeriod.empty() if flowers is None else bloom_periods(blooms, flowers, plan.catalogue, southern),
        spray_conflicts(plan.sprays, [*blooms, *standing], plan.blocks, near_m), flowers, near_m, as_of,
        tuple(bloom.gap_id for bloom in standing),
    )  # fmt: skip


def _unrecorded(before: Plan, plan: Plan, as_of: pd.Timestamp) -> list[Bloom]:
    """Bloom as it was planned, of gaps that were to be sown by a day and of which nothing was written down."""
    rows = plan.record[plan.record["what"].isin(SAYS_WHAT_STANDS) & (plan.record["date"] <= as_of)]
    known = set(rows["gap_id"])
    sow = dict(zip(before.options["option_id"], before.options["sow_date"], strict=True))
    by_now = {
        gap
        for gap, option in zip(before.allocation["gap_id"], before.allocation["option_id"], strict=True)
        if not pd.isna(option) and sow[option] <= as_of
    }
    return [
        bloom
        for bloom in bloom_by_year(before.allocation, before.options, before.season)
        if bloom.gap_id in by_now - known
    ]
