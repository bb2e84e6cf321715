"""What the farm has decided by itself: an option taken, one held to its date, one that is not wanted."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from greengap.advice.options import NO_COVER
from greengap.catalogue import Catalogue
from greengap.farm.settings import Choice
from greengap.tables import Allocation, DataFrame, Gap, Odds, Option, Recommendation


def gap_of_choice(choice: Choice, gaps: DataFrame[Gap]) -> str | None:
    """The gap that a choice speaks of: on its block, around its day; None if the calendar has moved away."""
    day = pd.Timestamp(choice.day)
    found = gaps[(gaps["block_id"] == choice.block_id) & (gaps["start"] <= day) & (gaps["end"] >= day)]
    return None if found.empty else str(found["gap_id"].iloc[0])


def heed_choices(
    allocation: DataFrame[Allocation],
    recommendation: DataFrame[Recommendation],
    gaps: DataFrame[Gap],
    options: DataFrame[Option],
    odds: DataFrame[Odds],
    choices: Sequence[Choice],
    catalogue: Catalogue,
) -> tuple[DataFrame[Allocation], DataFrame[Recommendation], list[str]]:
    """Put the farm's own choices in place of the best-ranked options.

    A gate stays a gate: a cover that is not possible in a gap is not sown there, whoever wants it. What has been
    sown already (answer "sown") stands there all the same.

    Parameters
    ----------
    allocation, recommendation, gaps, options, odds : tables
    choices : sequence of Choice
        Later ones win over earlier ones of the same gap.
    catalogue : Catalogue
        Names.

    Returns
    -------
    allocation : DataFrame[Allocation]
    recommendation : DataFrame[Recommendation]
        A cover that is held to a sowing date carries the figures of that date; ranks stay as they were.
    notes : list of str
        Choices that could not be heeded, in words.
    """
    if not choices:
        return allocation, recommendation, []
    notes: list[str] = []
    taken: dict[str, Choice] = {}
    refused: dict[str, set[str]] = {}
    for choice in choices:
        gap_id = gap_of_choice(choice, gaps)
        name = catalogue.covers[choice.cover_id].name if choice.cover_id in catalogue.covers else "no cover"
        if gap_id is None:
            notes.append(f"The choice of {name} on {choice.block_id} around {choice.day} has no gap any more.")
        elif choice.answer == "no":
            refused.setdefault(gap_id, set()).add(choice.cover_id)
        else:
            taken[gap_id] = choice
    allocation, recommendation = allocation.copy(), recommendation.copy()
    odds_of = odds.set_index("option_id")
    for gap_id in sorted({*taken, *refused}):
        here = recommendation[recommendation["gap_id"] == gap_id].sort_values("rank")
        choice_here = taken.get(gap_id)
        row = None
        if choice_here is not None:
            row = here.index[here["cover_id"] == choice_here.cover_id]
            sown = choice_here.answer == "sown"
            if len(row) == 0 or not (sown or here.loc[row[0], "eligible"]):
                why = "" if len(row) == 0 else f": {here.loc[row[0], 'limiting_factor']}"
                notes.append(f"{gap_id}: {choice_here.cover_id} was chosen but is not possible{why}.")
                row = None
            elif choice_here.answer in ("lock", "sown") and choice_here.sow_date and choice_here.cover_id != NO_COVER:
                _hold_date(recommendation, row[0], gap_id, choice_here, options, odds_of, notes)
        if row is None:
            left = here[here["eligible"] & ~here["cover_id"].isin(refused.get(gap_id, set()))]
            row = left.index[:1]
        if len(row):
            at = allocation.index[allocation["gap_id"] == gap_id]
            for column in ("cover_id", "option_id"):
                allocation.loc[at, column] = recommendation.loc[row[0], column]
    return Allocation.validate(allocation), Recommendation.validate(recommendation), notes


def _hold_date(
    recommendation: pd.DataFrame, row: int, gap_id: str, choice: Choice, options: pd.DataFrame, odds_of: pd.DataFrame,
    notes: list[str],
) -> None:  # fmt: skip
    """Set a recommendation to the sowing date it is held to, or the nearest that was run."""
    mine = options[(options["gap_id"] == gap_id) & (options["cover_id"] == choice.cover_id)]
    mine = mine[mine["option_id"].isin(odds_of.index)]
    if mine.empty:
        return
    away = (mine["sow_date"] - pd.Timestamp(choice.sow_date)).abs()
    option = mine.loc[away.idxmin()]
    if away.min() > pd.Timedelta(0):
        notes.append(
            f"{gap_id}: {choice.cover_id} is held to {choice.sow_date}; the nearest date that was run is "
            f"{option.sow_date:%Y-%m-%d}."
        )
    found = odds_of.loc[option.option_id]
    values = {
        "option_id": option.option_id, "sow_best": option.sow_date, "terminate_from": found.ready_from,
        "terminate_by": found.terminate_by, "ended_by": found.ended_by, "holds_years": found.holds_years,
        "years": found.years, "biomass_p50_kg_ha": found.biomass_p50_kg_ha,
    }  # fmt: skip
    for column, value in values.items():
        recommendation.loc[row, column] = value
