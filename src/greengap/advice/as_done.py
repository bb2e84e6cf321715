"""What was done in each gap, sowing by sowing, put together from the rows of the season record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.progress import rows_by_gap
from greengap.catalogue import Catalogue
from greengap.tables import AsDone, DataFrame, Gap, SeasonRecord

G_M2_KG_HA = 10.0  # a gram on a square metre in kilograms on a hectare


def as_done(
    gaps: DataFrame[Gap], record: DataFrame[SeasonRecord], area_m2: Mapping[str, float], catalogue: Catalogue
) -> DataFrame[AsDone]:
    """One row per sowing and species.

    Parameters
    ----------
    gaps : DataFrame[Gap]
    record : DataFrame[SeasonRecord]
        What holds of it.
    area_m2 : mapping of block_id to float
        Ground of a block that seed is reckoned on, for rows that do not say how much was sown.
    catalogue : Catalogue
        Names the one species of a cover that is no mix.

    Returns
    -------
    DataFrame[AsDone]
        By gap and day. Rows of one day are one sowing. What was seen after a sowing and before the next belongs to it.
    """
    rows: list[dict[str, Any]] = []
    of_gap = rows_by_gap(record, gaps)
    for gap_id, mine in of_gap.items():
        sown = mine[mine["what"] == "sown"]
        days = sorted(sown["date"].unique())
        for number, day in enumerate(days, start=1):
            until = days[number] if number < len(days) else pd.Timestamp.max
            since = mine[(mine["date"] >= day) & (mine["date"] < until)]
            seen = _seen(since)
            for species, some in sown[sown["date"] == day].groupby("species", sort=True):
                rows.append(
                    {"gap_id": gap_id, "sowing": number, "sown_on": day}
                    | _sown(some, area_m2, catalogue)
                    | seen
                    | _stand(since, str(species))
                )
    table = pd.DataFrame(rows, columns=list(AsDone.to_schema().columns))
    order = {g: n for n, g in enumerate(gaps["gap_id"])}
    at = table["gap_id"].map(order)
    return AsDone.validate(table.iloc[np.lexsort((table["species"], table["sowing"], at))].reset_index(drop=True))


def _sown(some: pd.DataFrame, area_m2: Mapping[str, float], catalogue: Catalogue) -> dict[str, Any]:
    """Several rows of a day are bags or parts of the block that add up."""
    cover, species = str(some["cover_id"].iloc[-1]), str(some["species"].iloc[-1])
    parts = catalogue.covers[cover].components if cover in catalogue.covers else ()
    if not species and len(parts) == 1:
        species = parts[0].species
    block = str(some["block_id"].iloc[0])
    area = some["area_m2"].sum() if some["area_m2"].notna().all() else np.nan
    kg = some["seed_kg"].sum() if some["seed_kg"].notna().all() else np.nan
    ground = area if np.isfinite(area) else area_m2.get(block, np.nan)
    return {
        "block_id": block,
        "cover_id": cover,
        "species": species,
        "area_m2": area,
        "seed_kg": kg,
        "rate_kg_ha": kg / (ground / 10_000) if np.isfinite(kg) and np.isfinite(ground) else np.nan,
        "lot": _words(some["lot"]),
        "tag_kept": bool(some["tag_kept"].all()) if some["tag_kept"].notna().all() else pd.NA,
        "method": _words(some["method"]),
        "depth_mm": some["depth_mm"].mean(),
        "sown_by": _words(some["who"]),
    }


def _seen(since: pd.DataFrame) -> dict[str, Any]:
    """What was seen and done after a sowing."""

    def of(what: str) -> pd.DataFrame:
        return since[since["what"] == what]

    def day(what: str, at: int) -> Any:
        found = of(what)["date"]
        return found.iloc[at] if len(found) else pd.NaT

    ended = of("ended")
    return {
        "up_on": day("up", 0),
        "flower_on": day("flower", 0),
        "ended_on": day("ended", -1),
        "ended_how": _words(ended["tool"]),
        "height_mm": ended["height_mm"].iloc[-1] if len(ended) else np.nan,
        "seed_seen": ended["seed_seen"].iloc[-1] if len(ended) else pd.NA,
        "ready_on": day("ready", 0),
        "planted_on": day("planted", -1),
        "verdict": str(of("verdict")["choice"].iloc[-1]) if len(of("verdict")) else "",
        "remarks": _words(since["note"]),
    }


def _stand(since: pd.DataFrame, species: str) -> dict[str, Any]:
    """Means of the frames of the last look at a stand."""
    out = {"plants_m2": np.nan, "dry_kg_ha": np.nan}
    frames = since[(since["what"] == "stand") & since["species"].isin({species, ""})]
    frames = frames[frames["date"] == frames["date"].max()]
    if len(frames):
        out["plants_m2"] = frames["plants"].sum() / frames["frame_area_m2"].sum()
    weighed = since[(since["what"] == "sample") & since["dry_g"].notna() & since["species"].isin({species, ""})]
    weighed = weighed[weighed["date"] == weighed["date"].max()]
    if len(weighed):
        out["dry_kg_ha"] = G_M2_KG_HA * weighed["dry_g"].sum() / weighed["frame_area_m2"].sum()
    return out


def _words(column: pd.Series) -> str:
    return "; ".join(dict.fromkeys(str(w) for w in column if w))
