"""What is known of the ground of a block from before: blocks it came of, their crops, sprays and season record."""

from __future__ import annotations

from typing import Any

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.farm.farm_file import FarmContents
from greengap.farm.history import YEARS, family_of
from greengap.farm.lineage import ancestors, inherited
from greengap.farm.season_record import KINDS, current

MOST_ROWS = 60  # of a block that are shown, the last first


def before_of_blocks(contents: FarmContents, catalogue: Catalogue) -> dict[str, dict[str, Any]]:
    """Of each block that has a past: what it came of, and what was written down for that and for itself.

    Parameters
    ----------
    contents : FarmContents
    catalogue : Catalogue

    Returns
    -------
    dict of block_id to dict
        ``came``: (parent, way, day), the last first. ``rows``: day, what, and of which block, where it is another.
        ``kin``: crops that follow one of their family within three years, from the history of the ground.
    """
    out: dict[str, dict[str, Any]] = {}
    blocks, lineage = list(contents.blocks["block_id"]), contents.lineage
    if contents.history is None and lineage.empty:
        return out
    record = inherited(current(contents.record), lineage, blocks)
    record = record[record["part_of"] != ""]
    history = None if contents.history is None else inherited(contents.history, lineage, blocks)
    calendar = contents.crop_calendar
    for block in blocks:
        own = lineage[lineage["block_id"].isin([block, *ancestors(lineage, block)])]
        came = [
            {"parent": r.parent_id, "block": r.block_id, "way": r.way, "date": f"{r.date:%Y-%m-%d}"}
            for r in own.sort_values("date", ascending=False, kind="stable").itertuples()
        ]
        rows = [
            {"date": r.date, "what": _of_record(r, catalogue), "part_of": r.part_of}
            for r in record[record["block_id"] == block].itertuples()
        ]
        kin = []
        if history is not None:
            mine = history[history["block_id"] == block]
            rows += [
                {
                    "date": r.date,
                    "what": _of_history(r),
                    "part_of": r.part_of,
                }
                for r in mine.itertuples()
            ]
            kin = _kin(mine, calendar[calendar["block_id"] == block], catalogue)
        rows.sort(key=lambda row: row["date"], reverse=True)
        if came or rows:
            shown = [{**row, "date": f"{row['date']:%Y-%m-%d}"} for row in rows[:MOST_ROWS]]
            out[block] = {"came": came, "rows": shown, "more": max(len(rows) - MOST_ROWS, 0), "kin": kin}
    return out


def _of_history(row: Any) -> str:
    return f"{row.kind}: {row.what}" + (f" ({row.note})" if row.note else "")


def _of_record(row: Any, catalogue: Catalogue) -> str:
    cover = catalogue.covers.get(row.cover_id)
    return KINDS[row.what].words + (f": {cover.name if cover else row.cover_id}" if row.cover_id else "")


def _kin(history: pd.DataFrame, calendar: pd.DataFrame, catalogue: Catalogue) -> list[dict[str, str]]:
    """Crops of the calendar that follow one of their family on this ground within three years."""
    out = []
    for old in history[history["kind"] == "crop"].itertuples():
        family = family_of(str(old.what), catalogue)
        for crop in calendar.itertuples():
            apart = (crop.start_usual - old.date).days
            known = catalogue.vegetables.get(crop.crop)
            if family and known is not None and known.family == family and 0 <= apart <= 366 * YEARS:
                first = {"first": str(old.what), "of": str(old.part_of), "was": f"{old.date:%Y}"}
                out.append({**first, "second": known.name, "date": f"{crop.start_usual:%Y-%m-%d}", "family": family})
    return out
