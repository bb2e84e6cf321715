"""The four clocks that run in every gap: which one leaves the fewest days."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from greengap.process.afterwards import NextCrop
from greengap.tables import Clock, DataFrame, Gap, Season, Window

CLOCKS = ("seedbed", "canopy", "seed", "residue")


def margin_kept(margins_d: np.ndarray, wanted: float) -> float:
    """Days that are left or more in the wanted share of years.

    Parameters
    ----------
    margins_d : ndarray, shape (year,)
        Days to spare; infinite where a clock does not run in a year [d].
    wanted : float
        Share of the years.

    Returns
    -------
    float
        Infinite if the clock does not run in that share.

    Examples
    --------
    >>> margin_kept([1.0, 5.0, 9.0, 3.0, 7.0], 0.8)
    3.0
    """
    in_order = np.sort(np.asarray(margins_d, dtype=float))
    return float(in_order[int(np.floor((1 - wanted) * (in_order.size) + 1e-9))]) if in_order.size else np.nan


def four_clocks(
    gaps: DataFrame[Gap],
    windows: DataFrame[Window],
    season: DataFrame[Season],
    crops: Mapping[str, NextCrop],
    wanted: float,
    seed_margin_d: float,
) -> DataFrame[Clock]:
    """Days to spare on each clock, for the best option of each cover in each gap.

    Parameters
    ----------
    gaps, windows, season : tables
        Of one farm.
    crops : mapping of gap_id to NextCrop
    wanted : float
        Share of the weather years in which the days are to spare.
    seed_margin_d : float
        Days before viable seed by which a cover has to be ended [d].

    Returns
    -------
    DataFrame[Clock]
        Seedbed: from the first sowing day to the last that keeps the odds. Canopy: from the day the cover
        shades half the ground to the day the weeds would alone. Seed: from the planned end to the margin
        of viable seed. Residue: from the day all is ready to the next crop.
    """
    by_gap = {gap.gap_id: gap for gap in gaps.itertuples()}
    kept = season[season["option_id"].isin(set(windows["option_id"]))]
    columns = ["soil_warm", "half_cover_d", "weeds_close_d", "viable_seed_d", "planned_end_d", "ready_d"]
    arrays = {name: kept[name].to_numpy() for name in columns}
    years = {
        option: {name: array[rows] for name, array in arrays.items()}
        for option, rows in kept.groupby("option_id", sort=False).indices.items()
    }
    rows: list[dict[str, Any]] = []
    for window in windows.itertuples():
        found = years.get(window.option_id)
        if found is None:
            continue
        gap, crop = by_gap[window.gap_id], crops.get(window.gap_id)
        last = window.sow_best if pd.isna(window.sow_until) else window.sow_until
        spare = np.where(found["soil_warm"], float((last - gap.opens).days), -1.0)
        half, weeds = np.nan_to_num(found["half_cover_d"], nan=np.inf), found["weeds_close_d"]
        canopy = np.where(np.isinf(half), -np.inf, np.where(np.isnan(weeds), np.inf, weeds - half))
        seed = np.nan_to_num(found["viable_seed_d"] - seed_margin_d - found["planned_end_d"], nan=np.inf)
        to_next = np.inf if crop is None else (crop.date - window.sow_best).days
        margins = {"seedbed": spare, "canopy": canopy, "seed": seed, "residue": to_next - found["ready_d"]}
        kept_d = {name: margin_kept(days, wanted) for name, days in margins.items()}
        least = min(kept_d.values())
        rows.extend(
            {
                "gap_id": window.gap_id,
                "cover_id": window.cover_id,
                "option_id": window.option_id,
                "clock": name,
                "margin_d": kept_d[name] if np.isfinite(kept_d[name]) else np.nan,
                "holds_years": int((margins[name] >= 0).sum()),
                "years": spare.size,
                "binds": bool(kept_d[name] == least < np.inf),
            }
            for name in CLOCKS
        )
    return Clock.validate(pd.DataFrame(rows, columns=list(Clock.to_schema().columns)))
