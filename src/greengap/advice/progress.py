"""How far the season has come: what the record says of each gap, and the gaps as they are by now."""

from __future__ import annotations

from typing import Any

import pandas as pd

from greengap.farm.gaps import SOFT, usable_days
from greengap.tables import DataFrame, Gap, GapState, SeasonRecord

DAY = pd.Timedelta(days=1)
NEAR_D = 60  # a row that names no gap belongs to the nearest one of its block, no further off than this
# Kinds of row whose day stands in `GapState`; of several the last one counts, of the first signs the first.
LAST = {"cleared": "cleared_on", "sown": "sown_on", "ended": "ended_on", "planted": "planted_on"}
FIRST = {"up": "up_on", "flower": "flower_on", "ready": "ready_on"}
GIVEN_UP = ("resow", "switch", "keep clean", "leave bare")  # decisions after which a stand counts no more


def gap_of_row(row: Any, gaps: pd.DataFrame) -> str:
    """The gap that a row of the record is about; empty if it is about none.

    Parameters
    ----------
    row : row of SeasonRecord
    gaps : DataFrame[Gap]
        Of the whole farm.
    """
    mine = gaps[gaps["block_id"] == row.block_id]
    if row.gap_id and row.gap_id in set(mine["gap_id"]):
        return str(row.gap_id)
    if mine.empty:
        return ""
    if row.what == "cleared":  # the day before a gap
        far = (mine["start"] - DAY - row.date).abs()
    elif row.what == "planted":
        far = (mine["end"] + DAY - row.date).abs()
    else:
        before, after = mine["start"] - row.date, row.date - mine["end"]
        far = pd.concat([before, after], axis=1).max(axis=1).clip(lower=pd.Timedelta(0))
    at = far.idxmin()
    return str(mine.loc[at, "gap_id"]) if far[at] <= NEAR_D * DAY else ""


def rows_by_gap(record: DataFrame[SeasonRecord], gaps: DataFrame[Gap]) -> dict[str, pd.DataFrame]:
    """Rows of a record by the gap that they are about."""
    if record.empty:
        return {}
    of = pd.Series([gap_of_row(row, gaps) for row in record.itertuples()], index=record.index)
    return {str(gap): rows for gap, rows in record.groupby(of, sort=False) if gap}


def known_by(record: DataFrame[SeasonRecord], as_of: pd.Timestamp) -> DataFrame[SeasonRecord]:
    """Rows of what was done and seen by a day, and of what was expected by then."""
    written = pd.to_datetime(record["written"].str[:10]) if len(record) else pd.Series(dtype="datetime64[ns]")
    ahead = record["what"].isin(["cleared", "planted"]) & (written <= as_of)
    return SeasonRecord.validate(record[(record["date"] <= as_of) | ahead].reset_index(drop=True))


def gap_states(gaps: DataFrame[Gap], record: DataFrame[SeasonRecord], as_of: pd.Timestamp) -> DataFrame[GapState]:
    """What the record says of each gap.

    Parameters
    ----------
    gaps : DataFrame[Gap]
        As planned.
    record : DataFrame[SeasonRecord]
        What holds of it (`farm.season_record.current`), by that day (`known_by`).
    as_of : Timestamp

    Returns
    -------
    DataFrame[GapState]
        One row per gap, in the order of the gaps.
    """
    of_gap = rows_by_gap(record, gaps)
    rows = []
    for gap in gaps.itertuples():
        mine = of_gap.get(str(gap.gap_id), record.iloc[:0])
        days: dict[str, Any] = {}
        for kinds, take in ((LAST, -1), (FIRST, 0)):
            for what, column in kinds.items():
                found = mine.loc[mine["what"] == what, "date"]
                days[column] = found.iloc[take] if len(found) else pd.NaT
        if pd.notna(days["sown_on"]):  # what was seen of a stand that was sown again is of the stand before
            for column in (*FIRST.values(), "ended_on"):
                days[column] = days[column] if pd.isna(days[column]) or days[column] >= days["sown_on"] else pd.NaT
        sown, decided = mine[mine["what"] == "sown"], mine[mine["what"] == "decided"]
        choice = str(decided["choice"].iloc[-1]) if len(decided) else ""
        given_up = len(sown) and choice in GIVEN_UP and decided["date"].iloc[-1] >= sown["date"].iloc[-1]
        cover = ""
        if len(sown) and not given_up:
            cover = str(sown["cover_id"].iloc[-1])
        elif len(decided):
            cover = str(decided["cover_id"].iloc[-1])
            if not cover and choice == "resow" and len(sown):
                cover = str(sown["cover_id"].iloc[-1])
        end = gap.end if pd.isna(days["planted_on"]) else days["planted_on"] - DAY
        start = gap.start if pd.isna(days["cleared_on"]) else days["cleared_on"] + DAY
        state = "open"
        if end < as_of:
            state = "past"
        elif pd.notna(days["ended_on"]):
            state = "ended"
        elif len(sown) and not given_up:
            state = "sown"
        elif start > as_of:
            state = "ahead"
        rows.append(
            {"gap_id": gap.gap_id, "block_id": gap.block_id, "state": state, "cover_id": cover, "decided": choice}
            | days
            | {"rows": len(mine)}
        )
    return GapState.validate(pd.DataFrame(rows, columns=list(GapState.to_schema().columns)))


def gaps_by_now(gaps: DataFrame[Gap], states: DataFrame[GapState]) -> DataFrame[Gap]:
    """The gaps with the days on which the crop before came off and the next one goes in, as far as they are known.

    Parameters
    ----------
    gaps : DataFrame[Gap]
    states : DataFrame[GapState]

    Returns
    -------
    DataFrame[Gap]
        As many rows; a known day is no longer soft. A gap that is left without a day keeps one.
    """
    rows = []
    for gap, state in zip(gaps.to_dict("records"), states.itertuples(), strict=True):
        if pd.notna(state.cleared_on):
            move = state.cleared_on + DAY - gap["start"]
            opens = gap["opens"] + move
            gap |= {"start": gap["start"] + move, "opens_early": opens, "opens": opens, "opens_late": opens}
        if pd.notna(state.planted_on):
            move = state.planted_on - DAY - gap["end"]
            closes = gap["closes"] + move
            gap |= {"end": gap["end"] + move, "closes_early": closes, "closes": closes, "closes_late": closes}
        if gap["end"] < gap["start"]:
            gap["end"] = gap["start"]
        gap["length_d"] = (gap["end"] - gap["start"]).days + 1
        if pd.notna(state.cleared_on) or pd.notna(state.planted_on):
            names = {"early": "_early", "usual": "", "late": "_late"}
            sides = [{s: gap[f"{side}{names[s]}"] for s in SOFT} for side in ("opens", "closes")]
            gap |= dict(zip(("usable_p10_d", "usable_p50_d", "usable_p90_d"), usable_days(*sides), strict=True))
        rows.append(gap)
    return Gap.validate(pd.DataFrame(rows, columns=list(Gap.to_schema().columns)))
