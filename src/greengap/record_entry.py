"""What a farm knows when something is written down: blocks, gaps, covers, and the rate it was really sown at."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from typing import Any

import pandas as pd

from greengap.advice.options import NO_COVER
from greengap.advice.seeding import seed_needs
from greengap.advice.true_rate import TrueRate, true_rate
from greengap.farm.gaps import find_gaps
from greengap.farm.record_rows import Known
from greengap.farm.season_record import current
from greengap.farm_input import Farm
from greengap.plan import Plan, before_season, plan_farm, southern
from greengap.tables import Allocation, DataFrame, Gap, Option, SeasonRecord, SeedNeed
from greengap.units import System, write


def known_of(
    farm: Farm,
    gaps: DataFrame[Gap] | None = None,
    planned: Callable[[], Mapping[str, str]] | None = None,
    now: datetime | None = None,
    today: date | None = None,
    record: DataFrame[SeasonRecord] | None = None,
) -> Known:
    """What need not be asked on this farm.

    Parameters
    ----------
    farm : Farm
    gaps : DataFrame[Gap], optional
        Its gaps, if they are there already.
    planned : callable, optional
        Gives the cover of each gap; without it the farm is planned, once, when a row asks for it.
    now, today : optional
        By the clock if not given.
    record : DataFrame[SeasonRecord], optional
        A newer record than the farm's.
    """
    if gaps is None:
        gaps = find_gaps(farm.crop_calendar, farm.settings, farm.catalogue, southern=southern(farm))
    areas = dict(zip(farm.blocks["block_id"], farm.blocks["area_sown_m2"].astype(float), strict=True))
    return Known(
        areas, gaps, farm.catalogue, farm.record if record is None else record, farm.settings.units,
        now or datetime.now(UTC), today or date.today(), farm.settings.date_order,
        planned or covers_when_asked(farm),
    )  # fmt: skip


def covers_when_asked(farm: Farm, plan: Callable[[Farm], Plan] = plan_farm) -> Callable[[], Mapping[str, str]]:
    """The cover of each gap by the plan before the season, or as decided since; made once and only when asked for.

    The sheets in the shed are of that plan: this season's days do not move it.
    """
    held: dict[str, str] = {}
    made = False

    def covers() -> Mapping[str, str]:
        nonlocal made
        if not made:
            made = True
            held.update(planned_covers(plan(before_season(farm)).allocation))
            decided = current(farm.record)
            decided = decided[(decided["what"] == "decided") & (decided["cover_id"] != "") & (decided["gap_id"] != "")]
            held.update(zip(decided["gap_id"], decided["cover_id"], strict=True))
        return held

    return covers


def planned_covers(allocation: DataFrame[Allocation]) -> dict[str, str]:
    """The cover of each gap that is sown."""
    pairs = zip(allocation["gap_id"], allocation["cover_id"], strict=True)
    return {str(gap): str(cover) for gap, cover in pairs if cover != NO_COVER}


def planned_seed(farm: Farm, gap_id: str, block_id: str, cover_id: str) -> DataFrame[SeedNeed]:
    """Seed of each species of a cover on a block, with its rate and depth; it does not depend on the weather."""
    option = f"{gap_id} {cover_id}"
    row = {"gap_id": gap_id, "block_id": block_id, "cover_id": cover_id, "option_id": option}
    day = pd.Timestamp("2000-01-01")  # the rate is the same on every day
    options = pd.DataFrame([{**row, "sow_date": day, "terminate_by": day}], columns=list(Option.to_schema().columns))
    return seed_needs(
        Allocation.validate(pd.DataFrame([row])), Option.validate(options), farm.blocks, farm.catalogue,
        farm.settings.equipment, farm.settings.seed_lots,
    )  # fmt: skip


def rate_of(farm: Farm, row: Mapping[str, Any]) -> TrueRate | None:
    """The true rate of a row of sowing; None if it does not say seed and area."""
    seed, area = row.get("seed_kg"), row.get("area_m2")
    if row.get("what") != "sown" or not seed or not area or seed != seed or area != area:
        return None
    planned = math.nan
    cover, block = row.get("cover_id"), row.get("block_id")
    if cover in farm.catalogue.covers and block in set(farm.blocks["block_id"]):
        need = planned_seed(farm, str(row.get("gap_id") or block), str(block), str(cover))
        species = row.get("species")
        need = need[need["species"] == species] if species else need
        planned = float(need["bulk_rate_kg_ha"].sum()) if len(need) else math.nan
    return true_rate(float(seed), float(area), planned, farm.catalogue.rule("rate_off"))


def rate_words(found: TrueRate, units: System, catalogue_rule: float) -> str:
    """The true rate as a sentence; says what to look at where it is off."""
    rate = write(found.rate_kg_ha, "kg_ha", units)
    if math.isnan(found.off_fraction):
        return f"True rate {rate}; there is no planned rate to set it against."
    planned = write(found.planned_kg_ha, "kg_ha", units)
    side = "above" if found.off_fraction > 0 else "below"
    told = f"True rate {rate}, {abs(found.off_fraction):.0%} {side} the planned {planned}."
    if found.differs:
        told += f" More than {catalogue_rule:.0%} off: look at the setting, the area and the weight."
    return told
