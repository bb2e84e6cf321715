"""What goes where over the whole farm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from greengap.farm.settings import Purpose
from greengap.tables import Allocation, DataFrame, Recommendation


def allocate(
    recommendation: DataFrame[Recommendation],
    aims: Sequence[Purpose] = (),
    stock: Mapping[str, float] | None = None,
) -> DataFrame[Allocation]:
    """Give each gap its best option.

    Parameters
    ----------
    recommendation : DataFrame[Recommendation]
        Ranked covers of each gap.
    aims : sequence of Purpose
        Purposes of the farm. The ranking has weighed them already; a choice over the whole farm
        (seed lots, money, hours, bloom) will read them here.
    stock : mapping of species to kg, optional
        Seed in the shed, for the same purpose.

    Returns
    -------
    DataFrame[Allocation]
        One row per gap.
    """
    best = recommendation[recommendation["rank"] == 1]
    return Allocation.validate(best[["gap_id", "block_id", "cover_id", "option_id"]].reset_index(drop=True))
