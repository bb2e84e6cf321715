"""The ladder of each gap: until when this, until when that, and from when it is left and kept clean."""

from __future__ import annotations

from typing import Any

import pandas as pd

from greengap.advice.options import NO_COVER
from greengap.catalogue import Catalogue
from greengap.tables import Allocation, DataFrame, Gap, Odds, Option, Recommendation, Rung, SeedNeed

DAY = pd.Timedelta(days=1)


def make_ladders(
    gaps: DataFrame[Gap],
    options: DataFrame[Option],
    odds: DataFrame[Odds],
    recommendation: DataFrame[Recommendation],
    allocation: DataFrame[Allocation],
    seed_need: DataFrame[SeedNeed],
    catalogue: Catalogue,
    wanted: float,
) -> DataFrame[Rung]:
    """Dated fallbacks from seed that the plan buys anyway.

    Parameters
    ----------
    gaps, options, odds, recommendation, allocation, seed_need : tables
        Of one plan.
    catalogue : Catalogue
    wanted : float
        Share of the weather years that have to hold.

    Returns
    -------
    DataFrame[Rung]
        The first rung is what the plan sows, until the last date that keeps the odds. Each next one is the
        best ranked cover whose species are all bought somewhere on the farm in that year and which holds on
        the next date, for as long as it does. The last is to leave the block and keep it clean.
    """
    dated = options.merge(odds[["option_id", "years", "holds_years"]], on="option_id")
    dated["keeps"] = (dated["years"] > 0) & (dated["holds_years"] >= wanted * dated["years"])
    ranked = recommendation[recommendation["eligible"] & (recommendation["cover_id"] != NO_COVER)]
    order = {(r.gap_id, r.cover_id): r.rank for r in ranked.itertuples()}
    species = {key: {c.species for c in cover.components} for key, cover in catalogue.covers.items()}
    bought: dict[int, set[str]] = {}
    for need in seed_need.itertuples():
        bought.setdefault(need.sow_date.year, set()).add(need.species)
    chosen = allocation[["gap_id", "cover_id"]].merge(recommendation, on=["gap_id", "cover_id"]).set_index("gap_id")
    by_gap: dict[str, list[Any]] = {}
    of_use = set(order) | set(zip(chosen.index, chosen["cover_id"], strict=True))
    dated = dated[[pair in of_use for pair in zip(dated["gap_id"], dated["cover_id"], strict=True)]]
    for row in dated.itertuples():
        by_gap.setdefault(row.gap_id, []).append(row)
    rows: list[dict[str, Any]] = []
    for gap in gaps.itertuples():
        first = chosen.loc[gap.gap_id]
        dates = [d for d in by_gap.get(gap.gap_id, []) if d.sow_date >= gap.opens]
        rungs: list[dict[str, Any]] = []
        start = gap.opens

        if first.cover_id != NO_COVER and isinstance(first.option_id, str):
            below = pd.isna(first.sow_until)
            until = first.sow_best if below else first.sow_until
            at = next((d for d in dates if d.cover_id == first.cover_id and d.sow_date == until), None)
            rungs.append(_rung(gap, len(rungs) + 1, str(first.cover_id), start, until, at, bool(below)))
            start = until + DAY
            while True:
                later = [
                    d
                    for d in dates
                    if d.sow_date >= start
                    and d.keeps
                    and (d.gap_id, d.cover_id) in order
                    and species[d.cover_id] <= bought.get(d.sow_date.year, set())
                ]
                if not later:
                    break
                soonest = min(d.sow_date for d in later)
                cover = min((order[d.gap_id, d.cover_id], d.cover_id) for d in later if d.sow_date == soonest)[1]
                until = None
                for d in sorted((d for d in dates if d.cover_id == cover and d.sow_date >= soonest), key=_sow_date):
                    if not d.keeps:
                        break
                    until = d
                assert until is not None, "the soonest date holds"
                rungs.append(_rung(gap, len(rungs) + 1, cover, soonest, until.sow_date, until))
                start = until.sow_date + DAY
        rungs.append(_rung(gap, len(rungs) + 1, NO_COVER, start, pd.NaT, None))
        rows.extend(rungs)
    return Rung.validate(pd.DataFrame(rows, columns=list(Rung.to_schema().columns)))


def _rung(
    gap: Any, number: int, cover: str, start: pd.Timestamp, until: Any, last: Any, below: bool = False
) -> dict[str, Any]:
    """A rung; `last` is the option on its last date."""
    return {
        "gap_id": gap.gap_id,
        "block_id": gap.block_id,
        "rung": number,
        "sow_from": start,
        "sow_until": until,
        "cover_id": cover,
        "holds_years": 0 if last is None else int(last.holds_years),
        "years": 0 if last is None else int(last.years),
        "below_wanted_odds": below,
    }


def _sow_date(date: Any) -> Any:
    return date.sow_date
