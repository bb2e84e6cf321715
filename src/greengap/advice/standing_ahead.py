"""Standing covers: when they close, flower and set seed, and what water they have taken."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

DAY = pd.Timedelta(days=1)
# Stages by the prefix of their columns in `greengap.tables.StandAhead`, and columns of `greengap.tables.Season`.
STAGES = {"closes": "half_cover_d", "flower": "first_flower_d", "seed": "viable_seed_d"}
SHARES = {"p10": 0.1, "p50": 0.5, "p90": 0.9}


def day_by(sown_on: pd.Timestamp, days: pd.Series, share: float) -> Any:
    """Day by which something has come in a share of the years; NaT if it does not in so many.

    Parameters
    ----------
    sown_on : Timestamp
    days : Series of float
        Days from sowing in each weather year, NaN where it does not come [d].
    share : float

    Examples
    --------
    >>> day_by(pd.Timestamp("2027-05-01"), pd.Series([10.0, 12.0, np.nan, 11.0]), 0.5)
    Timestamp('2027-05-12 00:00:00')
    >>> day_by(pd.Timestamp("2027-05-01"), pd.Series([10.0, np.nan, np.nan]), 0.5)
    NaT
    """
    in_order = np.sort(days.fillna(np.inf).to_numpy(dtype=float))
    if not in_order.size:
        return pd.NaT
    number = in_order[max(int(np.ceil(share * in_order.size)) - 1, 0)]
    return pd.NaT if np.isinf(number) else sown_on + int(np.ceil(number)) * DAY


def standing_row(
    option: Any, season: pd.DataFrame, taken_mm: pd.Series, plant_on: Any, end_by: Any, made_good_mm: float
) -> dict[str, Any]:
    """A row of `greengap.tables.StandAhead`.

    Parameters
    ----------
    option : row of Option
        The sowing that stands.
    season : DataFrame[Season]
        Of that option, run on with this season's days.
    taken_mm : Series of float
        By how much the ground is drier today than bare ground would be, by weather year [mm].
    plant_on : Timestamp or NaT
        Day of the next crop.
    end_by : Timestamp or NaT
        Planned termination.
    made_good_mm : float
        Water that may lack at planting and counts as made good [mm].
    """
    row: dict[str, Any] = {
        "gap_id": option.gap_id, "block_id": option.block_id, "cover_id": option.cover_id, "sown_on": option.sow_date,
        "years": len(season), "end_by": end_by, "plant_on": plant_on, "taken_mm": np.nan, "lack_p50_mm": np.nan,
        "lack_p90_mm": np.nan, "refilled_years": 0,
    }  # fmt: skip
    for stage, column in STAGES.items():
        for name, share in SHARES.items():
            if (stage, name) != ("seed", "p90"):
                row[f"{stage}_{name}"] = day_by(option.sow_date, season[column], share)
    if len(taken_mm):
        row["taken_mm"] = float(taken_mm.median())
    if pd.notna(plant_on) and len(season):
        lack = season["water_lack_mm"]
        row |= {
            "lack_p50_mm": float(lack.median()), "lack_p90_mm": float(lack.quantile(0.9)),
            "refilled_years": int((lack <= made_good_mm).sum()),
        }  # fmt: skip
    return row
