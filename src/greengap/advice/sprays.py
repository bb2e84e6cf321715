"""Planned sprays against blocks that may be in flower: who is to be called, and to which days a spray can be moved.

Nothing here clears a spray. A product is what the farm typed from its label, and what is not known counts as harmful.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.bloom_years import Bloom
from greengap.farm.sprays import PlannedSpray
from greengap.tables import Block, DataFrame, GeoDataFrame, Spray, SprayConflict

DAY = pd.Timedelta(days=1)
HARMS = {True: "yes", False: "no"}
NOT_KNOWN = "not known"


def spray_table(sprays: Sequence[PlannedSpray]) -> DataFrame[Spray]:
    """The sprays of a farm as a table, numbered in their order."""
    if not sprays:
        return Spray.empty()
    rows = [{"spray": number, **vars(s)} for number, s in enumerate(sprays, 1)]
    table = pd.DataFrame(rows)[list(Spray.to_schema().columns)]
    table["distance_m"] = table["distance_m"].astype(float)
    table["harms_bees"] = table["harms_bees"].astype("boolean")
    return Spray.validate(table)


def block_distances_m(blocks: GeoDataFrame[Block]) -> pd.DataFrame:
    """Shortest way between the outlines of any two blocks.

    Parameters
    ----------
    blocks : GeoDataFrame[Block]

    Returns
    -------
    DataFrame
        By block and block [m], in a plane around the farm (azimuthal equidistant projection on WGS84).
    """
    west, south, east, north = blocks.total_bounds
    plane = f"+proj=aeqd +lat_0={(south + north) / 2} +lon_0={(west + east) / 2} +datum=WGS84 +units=m"
    placed = blocks.geometry.to_crs(plane)
    return pd.DataFrame(
        {name: placed.distance(outline).to_numpy() for name, outline in zip(blocks["block_id"], placed, strict=True)},
        index=blocks["block_id"].to_numpy(),
    )


def spray_conflicts(
    sprays: DataFrame[Spray], blooms: Sequence[Bloom], blocks: GeoDataFrame[Block], near_m: float
) -> DataFrame[SprayConflict]:
    """Sprays on, or near, a block that is in flower on one of their days in any weather year.

    Parameters
    ----------
    sprays : DataFrame[Spray]
    blooms : sequence of Bloom
        As reckoned, or as seen.
    blocks : GeoDataFrame[Block]
    near_m : float
        A spray this near is told, of a block or of the one beside it [m]. A neighbour's distance counts for every
        block of the farm; one that is not known counts as near.

    Returns
    -------
    DataFrame[SprayConflict]
        By first day, then spray, then the block with the most years in flower.
    """
    ways = block_distances_m(blocks) if len(sprays) else pd.DataFrame()
    rows = []
    for s in sprays.itertuples():
        near = [(bloom, way) for bloom in blooms if not (way := _way_m(s, bloom.block_id, ways)) > near_m]
        before, after = free_days(s.first, s.last, [bloom for bloom, _ in near])
        for bloom, way in near:
            if count := bloom.open_years(s.first, s.last):
                rows.append(
                    {
                        "spray": s.spray, "sprayed": s.block_id or s.neighbour, "first": s.first, "last": s.last,
                        "product": s.product, "harms_bees": harms_in_words(s.harms_bees), "gap_id": bloom.gap_id,
                        "block_id": bloom.block_id, "cover_id": bloom.cover_id, "distance_m": way,
                        "bloom_years": count, "years": len(bloom.years), "seen": bloom.seen,
                        "bloom_first": np.nanmin(bloom.opens), "bloom_last": np.nanmax(bloom.closes),
                        "end_before": before, "begin_after": after, "call": s.call,
                        "advice": _advice(s, bloom, before, after),
                    }
                )  # fmt: skip
    if not rows:
        return SprayConflict.empty()
    table = pd.DataFrame(rows)
    table["end_before"], table["begin_after"] = (pd.to_datetime(table[c]) for c in ("end_before", "begin_after"))
    table["fewer"] = -table["bloom_years"] / table["years"]
    table = table.sort_values(["first", "spray", "fewer", "gap_id"], kind="stable").drop(columns="fewer")
    return SprayConflict.validate(table.reset_index(drop=True))


def harms_in_words(harms: Any) -> str:
    """What the farm reads on the label: yes, no, or not known."""
    return NOT_KNOWN if harms is None or pd.isna(harms) else HARMS[bool(harms)]


def _way_m(spray: Any, block_id: str, ways: pd.DataFrame) -> float:
    """From the ground that is sprayed to a block, NaN where it is not known [m]."""
    if not spray.block_id:
        return float(spray.distance_m)
    if spray.block_id not in ways.index or block_id not in ways.columns:
        return float("nan")
    return float(ways.loc[spray.block_id, block_id])


def free_days(
    first: pd.Timestamp, last: pd.Timestamp, blooms: Sequence[Bloom]
) -> tuple[pd.Timestamp | None, pd.Timestamp | None]:
    """The nearest days before and after on which nothing near is in flower in any weather year.

    Parameters
    ----------
    first, last : Timestamp
        Of the spray; as many days have to be free.
    blooms : sequence of Bloom
        Of the blocks near it.

    Returns
    -------
    before, after : Timestamp or None
        The spray would have to end before the one, or begin after the other; None without any bloom.
    """
    needed = (last - first).days + 1
    spans = sorted((pd.Timestamp(np.nanmin(b.opens)), pd.Timestamp(np.nanmax(b.closes))) for b in blooms)
    joined: list[tuple[pd.Timestamp, pd.Timestamp]] = []
    for opens, closes in spans:
        if joined and (opens - joined[-1][1]).days - 1 < needed:  # too short a pause to spray in
            joined[-1] = (joined[-1][0], max(joined[-1][1], closes))
        else:
            joined.append((opens, closes))
    hit = [span for span in joined if span[0] <= last and span[1] >= first]
    return (hit[0][0], hit[-1][1]) if hit else (None, None)


def _advice(s: Any, bloom: Bloom, before: pd.Timestamp | None, after: pd.Timestamp | None) -> str:
    """What to do about one block in flower; the label stays the judge of it."""
    call = f"call before spraying: {s.call}" if s.call else "no one to call is named: ask who keeps bees near"
    moved = "" if before is None else f"move it to end before {before:%d %b %Y} or to begin after {after:%d %b %Y}"
    on_it = "do not spray the flowers" if s.block_id == bloom.block_id else "keep drift off the flowers"
    match harms_in_words(s.harms_bees):
        case "no":
            return f"typed as not harming bees: read the label again, it decides; {call}"
        case "yes":
            return f"{moved}, or mow the flowers first; {on_it}; hours and weather as the label says; {call}"
        case _:
            return (
                f"not known whether it harms bees, so it counts as harmful: read the label; {moved}, or mow the "
                f"flowers first; {on_it}; {call}"
            )
