"""The sowing window of a cover in a gap: the dates on which it keeps the wanted odds."""

from __future__ import annotations

import numpy as np
import pandas as pd

from greengap.tables import DataFrame, Gap, Odds, Option, Window


def sowing_windows(
    gaps: DataFrame[Gap], options: DataFrame[Option], odds: DataFrame[Odds], wanted_odds: float
) -> DataFrame[Window]:
    """Best sowing date of each cover in each gap, and the run of dates around it that keeps the odds.

    Parameters
    ----------
    gaps : DataFrame[Gap]
    options : DataFrame[Option]
    odds : DataFrame[Odds]
    wanted_odds : float
        Share of the weather years that have to hold, above 0, at most 1.

    Returns
    -------
    DataFrame[Window]
        The best date has the most years that hold, then the most years for its weakest condition and
        for all conditions together, then the largest median dry matter, then comes first. Dates that
        only an early end of the last crop allows belong to the window but are never the best; a cover
        with no other dates has no row.
    """
    rows = []
    table = options.merge(odds.drop(columns="terminate_by"), on="option_id", validate="1:1")
    opens = gaps.set_index("gap_id")["opens"]
    for (gap_id, cover_id), dates in table.groupby(["gap_id", "cover_id"], sort=False):
        dates = dates.sort_values("sow_date")
        usual = dates[dates["sow_date"] >= opens[gap_id]]
        if usual.empty:
            continue
        parts = usual[["soil_warm_years", "frost_spared_years", "aim_years"]]
        ranked = usual.assign(weakest=parts.min(axis=1), together=parts.sum(axis=1)).sort_values(
            ["holds_years", "weakest", "together", "biomass_p50_kg_ha", "sow_date"],
            ascending=[False, False, False, False, True],
            kind="stable",
        )
        best = ranked.iloc[0]
        keeps = (dates["holds_years"] >= wanted_odds * dates["years"]) & (dates["years"] > 0)
        at = int(np.flatnonzero(dates["option_id"] == best["option_id"])[0])
        sow_from = sow_until = pd.NaT
        if keeps.iloc[at]:
            run = keeps.to_numpy()
            first = last = at
            while first > 0 and run[first - 1]:
                first -= 1
            while last + 1 < len(run) and run[last + 1]:
                last += 1
            sow_from, sow_until = dates["sow_date"].iloc[first], dates["sow_date"].iloc[last]
        rows.append(
            {
                "gap_id": gap_id,
                "cover_id": cover_id,
                "option_id": best["option_id"],
                "sow_best": best["sow_date"],
                "sow_from": sow_from,
                "sow_until": sow_until,
            }
        )
    return Window.validate(pd.DataFrame(rows, columns=list(Window.to_schema().columns)))
