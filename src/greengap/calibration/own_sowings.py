"""From the rows of a season record to sowings with what was seen of each: the form that learning reads."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.tables import DataFrame, SeasonRecord

LAST_DAY = pd.Timestamp("2200-01-01")
EATEN = ("birds", "deer or hares", "slugs or insects")  # causes that take a stand whatever the weather


@dataclass(frozen=True)
class Seen:
    """One thing seen of a sowing, joined from the rows that tell of it.

    Attributes
    ----------
    what : str
        up, flower, stand, sample or loss.
    species : str
        What it is about; empty for the whole stand.
    date : Timestamp
    record_ids : tuple of str
        Rows it was taken from.
    value : float
        Plants on a square metre, dry matter [kg/ha] or part lost; NaN for a date, and where it was not weighed.
    area_m2 : float
        Ground that was counted or cut; NaN for a date.
    """

    what: str
    species: str
    date: pd.Timestamp
    record_ids: tuple[str, ...]
    value: float = float("nan")
    area_m2: float = float("nan")


@dataclass(frozen=True)
class OwnSowing:
    """A cover that was sown on a block, and what was seen of it until it ended or the next was sown.

    Attributes
    ----------
    record_id : str
        Of the row ``sown``.
    seed_kg_m2 : float or None
        Seed out of the bag that went in; None if it was not written down or is of a mix.
    depth_mm : float or None
    method : str
        drilled, broadcast, or empty if not said.
    """

    record_id: str
    block_id: str
    cover_id: str
    sown: pd.Timestamp
    seed_kg_m2: float | None = None
    depth_mm: float | None = None
    method: str = ""
    seen: tuple[Seen, ...] = field(default_factory=tuple)
    ended: bool = False


def own_sowings(record: DataFrame[SeasonRecord], catalogue: Catalogue) -> tuple[list[OwnSowing], dict[str, str]]:
    """Sowings of a season record, and why some of its rows tell nothing.

    Parameters
    ----------
    record : DataFrame[SeasonRecord]
        What holds (`greengap.farm.season_record.current`).
    catalogue : Catalogue

    Returns
    -------
    (list of OwnSowing, dict of record_id to reason)
        By date. Two rows ``sown`` of one cover on one block and day, as for the components of a mix, are one sowing.
    """
    told: dict[str, str] = {}
    rows = record.sort_values(["block_id", "date", "written", "record_id"], kind="stable")
    found = []
    for _, on_block in rows[rows["block_id"] != ""].groupby("block_id", sort=True):
        sown = on_block[on_block["what"] == "sown"]
        starts = sown.drop_duplicates(["date", "cover_id"])
        seen = on_block[on_block["what"].isin(["up", "flower", "stand", "sample", "loss", "ended"])]
        taken: set[str] = set()
        for start in starts.itertuples():
            if start.cover_id not in catalogue.covers:
                told[start.record_id] = f"{start.cover_id} is no cover of the catalogue"
                continue
            later = starts.loc[starts["date"] > start.date, "date"]
            of_it = seen[(seen["date"] >= start.date) & (seen["date"] < (later.min() if len(later) else LAST_DAY))]
            ends = of_it.loc[of_it["what"] == "ended", "date"]
            if len(ends):  # what is weighed on the day it ends still counts
                of_it = of_it[of_it["date"] <= ends.iloc[0]]
            if (starts["date"] == start.date).sum() > 1:  # the halves of a block: only a name tells which is meant
                parts = [c.species for c in catalogue.covers[start.cover_id].components]
                of_it = of_it[of_it["species"].isin(parts)]
            taken |= set(of_it["record_id"])
            drilled = sown[(sown["date"] == start.date) & (sown["cover_id"] == start.cover_id)]
            found.append(
                OwnSowing(
                    start.record_id, start.block_id, start.cover_id, start.date,
                    _seed(drilled, catalogue.covers[start.cover_id].is_mix),
                    None if pd.isna(start.depth_mm) else float(start.depth_mm), start.method,
                    _seen(of_it, told), bool(len(ends)),
                )
            )  # fmt: skip
        loose = seen[(seen["what"] != "ended") & ~seen["record_id"].isin(taken)]
        told |= dict.fromkeys(loose["record_id"], "no sowing on this block that it could be about")
    return sorted(found, key=lambda s: (s.sown, s.block_id, s.record_id)), told


def _seed(rows: pd.DataFrame, is_mix: bool) -> float | None:
    """Seed that went in by area; None where it is not known [kg m-2]."""
    known = rows.dropna(subset=["seed_kg", "area_m2"])
    if is_mix or len(known) != 1:
        return None
    row = known.iloc[0]
    used = float(row["seed_kg"]) - (0.0 if pd.isna(row["seed_left_kg"]) else float(row["seed_left_kg"]))
    return used / float(row["area_m2"]) if used > 0 else None


def _seen(rows: pd.DataFrame, told: dict[str, str]) -> tuple[Seen, ...]:
    """What was seen, frames of one look together; of an event that was written twice the first counts."""
    found = []
    for what in ("up", "flower"):
        events = rows[rows["what"] == what]
        first = events.drop_duplicates("species")
        found += [Seen(what, r.species, r.date, (r.record_id,)) for r in first.itertuples()]
        later = events[~events["record_id"].isin(first["record_id"])]
        told |= dict.fromkeys(later["record_id"], "an earlier row tells of the same")
    for r in rows[rows["what"] == "loss"].itertuples():
        if r.cause in EATEN:
            found.append(Seen("loss", r.species, r.date, (r.record_id,), float(r.lost_fraction)))
        else:
            told[r.record_id] = f"lost by {r.cause}: that is the weather's or the ground's, and is in the reckoning"
    for what, column, scale in (("stand", "plants", 1.0), ("sample", "dry_g", 10.0)):
        frames = rows[rows["what"] == what]
        weighed = frames.dropna(subset=[column])
        told |= dict.fromkeys(set(frames["record_id"]) - set(weighed["record_id"]), "not dried and weighed")
        for (_, _, species), look in weighed.groupby(["date", "visit", "species"], sort=True):
            area = float(look["frame_area_m2"].sum())
            ids = tuple(sorted(look["record_id"]))
            found.append(Seen(what, species, look["date"].iloc[0], ids, scale * float(look[column].sum()) / area, area))
    return tuple(sorted(found, key=lambda s: (s.date, s.what, s.species, s.record_ids)))


def of_species(seen: Seen, sowing: OwnSowing, catalogue: Catalogue) -> str:
    """The species that a thing seen is about; empty where it is a mix and none is named."""
    parts = [c.species for c in catalogue.covers[sowing.cover_id].components]
    if seen.species:
        return seen.species if seen.species in parts else ""
    return parts[0] if len(parts) == 1 else ""
