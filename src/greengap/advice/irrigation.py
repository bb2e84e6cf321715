"""What a set of irrigation takes on the blocks that can be watered: litres, hours, turns."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.farm.settings import FarmSettings
from greengap.tables import Allocation, Block, DataFrame, GeoDataFrame, Ground, Season, WaterSet
from greengap.units import write

BRING_UP, GROW = "bring up", "grow"


def water_sets(
    allocation: DataFrame[Allocation],
    season: DataFrame[Season],
    blocks: GeoDataFrame[Block],
    ground: DataFrame[Ground],
    catalogue: Catalogue,
) -> DataFrame[WaterSet]:
    """Water of the covers that are sown on watered blocks.

    Parameters
    ----------
    allocation, season, blocks, ground : tables
        Of one plan.
    catalogue : Catalogue

    Returns
    -------
    DataFrame[WaterSet]
        Blocks that cannot be watered, or whose set is not known, have no rows.

    Notes
    -----
    A millimetre on a square metre is a litre. Turns that bring seed up are counted by the season; those of the stand
    are the water that the season gave, in turns of the rule `irrigation_turn`.
    """
    rows: list[dict[str, Any]] = []
    area = blocks.set_index("block_id")["area_sown_m2"]
    facts = {g.block_id: g for g in ground.itertuples() if g.watered and pd.notna(g.sets)}
    sown = allocation[allocation["option_id"].notna() & allocation["block_id"].isin(list(facts))]
    years = season[season["option_id"].isin(sown["option_id"])].groupby("option_id")
    for chosen in sown.itertuples():
        one, mine = facts[chosen.block_id], years.get_group(chosen.option_id)
        lost = 0.0 if pd.isna(one.lost_fraction) else one.lost_fraction
        for purpose, depth, given, days in (
            (BRING_UP, catalogue.rule("establishment_irrigation"), "establishment_water_mm", mine["emergence_d"]),
            (GROW, catalogue.rule("irrigation_turn"), "irrigation_mm", mine["growth_end_d"] - mine["emergence_d"]),
        ):
            turns = mine[given] / depth
            usual, many = float(turns.median()), float(turns.quantile(0.9))
            l_per_set = depth * one.set_area_m2 / (1 - lost)
            hours = l_per_set / one.flow_l_h if pd.notna(one.flow_l_h) else math.nan
            rows.append(
                {
                    "gap_id": chosen.gap_id,
                    "block_id": chosen.block_id,
                    "cover_id": chosen.cover_id,
                    "purpose": purpose,
                    "depth_mm": depth,
                    "sets": int(one.sets),
                    "l_per_set": l_per_set,
                    "h_per_set": hours,
                    "turns_p50": usual,
                    "turns_p90": many,
                    "season_l": usual * depth * float(area[chosen.block_id]) / (1 - lost),
                    "note": _note(one, purpose, hours, many, float(days.median()), catalogue),
                }
            )
    return WaterSet.validate(pd.DataFrame(rows, columns=list(WaterSet.to_schema().columns)))


def _note(one: Any, purpose: str, hours: float, turns: float, days: float, catalogue: Catalogue) -> str:
    """What the set cannot do."""
    notes = []
    round_h = hours * one.sets
    if pd.notna(one.rotation_d) and turns > 0:
        every = catalogue.rule("establishment_interval")
        if purpose == BRING_UP and one.rotation_d > every:
            notes.append(
                f"seed wants water every {every:g} dry days until it is up, and the set comes round every "
                f"{one.rotation_d:g}: the plan takes it that you break the round for it"
            )
        elif purpose == GROW and days == days and turns > days / one.rotation_d + 1:
            most = int(days / one.rotation_d) + 1
            notes.append(f"one year of ten wants {math.ceil(turns)} turns, and the round leaves room for {most}")
        if round_h > 24 * one.rotation_d:
            notes.append(f"all sets take {round_h:.0f} hours, longer than the round of {one.rotation_d:g} days")
    return "; ".join(notes)


def water_lines(sets: DataFrame[WaterSet], settings: FarmSettings) -> Iterator[str]:
    """The sets in words, for a person."""
    units = settings.units
    for row in sets.itertuples():
        if row.turns_p90 <= 0:
            continue
        hours = f", {row.h_per_set:.1f} h" if pd.notna(row.h_per_set) else ""
        whole = f"{row.sets} set{'s' if row.sets > 1 else ''} of {write(row.l_per_set, 'l', units)}{hours} each"
        yield (
            f"  {row.gap_id}, to {row.purpose.replace('grow', 'grow on')}: {write(row.depth_mm, 'mm', units)} a turn, "
            f"{whole}; {row.turns_p50:.0f} turns in the median year, more than {row.turns_p90:.0f} in one of ten"
        )
        if row.note:
            yield f"    {row.note}"
