"""No cover compared with the covers of a plan: the ways without one, the flush of weeds and the stale seedbed."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, fields

import pandas as pd
import xarray as xr

from greengap.advice.clean_ground import BlockFacts, PlanTables, clean_ground, covers_compared, stretch_of
from greengap.advice.stale_seedbed import flush_tables
from greengap.farm_input import Farm
from greengap.plan import Plan, places, weather_of_gaps
from greengap.process.clean_ground import CleanRun
from greengap.process.drivers import BlockDays, run_soil_temperature
from greengap.tables import CleanGround, DataFrame, Flush, Gap, StaleSeedbed


@dataclass(frozen=True)
class WithoutCover:
    """What a plan says of leaving its gaps without a cover; in the order of its gaps."""

    clean_ground: DataFrame[CleanGround]
    stale_seedbed: DataFrame[StaleSeedbed]
    flush: DataFrame[Flush]


def find_without_cover(farm: Farm, plan: Plan, gap_ids: Collection[str] | None = None) -> WithoutCover:
    """Run gaps without a cover through the weather years that the plan was made with.

    Parameters
    ----------
    farm : Farm
    plan : Plan
        Of that farm, or of one block of it.
    gap_ids : collection of str, optional
        Some gaps of the plan only.

    Returns
    -------
    WithoutCover
    """
    gaps = plan.gaps if gap_ids is None else plan.gaps[plan.gaps["gap_id"].isin(gap_ids)]
    tables = PlanTables(**{f.name: getattr(plan, f.name) for f in fields(PlanTables)})
    compared = {gap: pair for gap, pair in covers_compared(tables).items() if gap in set(gaps["gap_id"])}
    tables = tables.of(compared)
    steep = dict(zip(plan.ground["block_id"], plan.ground["steep"], strict=True))
    area = dict(zip(plan.blocks["block_id"], plan.blocks["area_sown_m2"], strict=True))
    blocks = {str(b): BlockFacts(float(area[b]), bool(steep.get(b, False))) for b in gaps["block_id"].unique()}
    parts = []
    for some, runs in _runs(farm, plan, gaps):
        found = clean_ground(some, runs, blocks, tables, compared, plan.settings, plan.catalogue)
        flush, stale = flush_tables(
            some,
            runs,
            tables,
            compared,
            plan.settings.wanted_odds,
            "tillage" in plan.settings.equipment,
            plan.catalogue,
        )
        parts.append((found, stale, flush))
    if not parts:
        return WithoutCover(CleanGround.empty(), StaleSeedbed.empty(), Flush.empty())
    order = {gap: k for k, gap in enumerate(gaps["gap_id"])}
    whole = []
    for pieces in zip(*parts, strict=True):
        table = pd.concat(pieces, ignore_index=True) if len(pieces) > 1 else pieces[0]
        whole.append(table.iloc[table["gap_id"].map(order).argsort(kind="stable")].reset_index(drop=True))
    return WithoutCover(CleanGround.validate(whole[0]), StaleSeedbed.validate(whole[1]), Flush.validate(whole[2]))


def _runs(farm: Farm, plan: Plan, gaps: pd.DataFrame) -> Iterator[tuple[DataFrame[Gap], dict[str, CleanRun]]]:
    """The gaps by the weather they see, and their runs by block."""
    where = places(farm)
    for some, weather in weather_of_gaps(farm, gaps):
        years = pd.unique(weather["date"].dt.year.to_numpy())
        days = {
            str(block): BlockDays(_site(weather, farm, str(block)), where[str(block)], plan.catalogue)
            for block in some["block_id"].unique()
        }
        run_soil_temperature(list(days.values()))
        yield (
            some,
            {
                block: CleanRun(
                    one,
                    plan.catalogue,
                    [
                        stretch_of(gap, plan.settings.stale_seedbed_d)
                        for gap in some[some["block_id"] == block].itertuples()
                    ],
                    years,
                )
                for block, one in days.items()
            },
        )


def _site(weather: xr.Dataset, farm: Farm, block: str) -> xr.Dataset:
    return weather.sel(site_id=farm.site_of_block[block])
