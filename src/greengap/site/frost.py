"""Last spring and first autumn freeze of each year, and the dates that go with a probability.

Mind the direction. A percentile here is one of the dates themselves: the 90 % spring date is late, and in
nine years of ten the last freeze has come by then. Climate normals name dates by the chance that it
freezes *after* them in spring: their 90 % spring date is an early one, the 10 % date of this module.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np
import pandas as pd

MOST_MISSING = 0.05  # share of a half-year's days; more, and that half-year is left out
DAYS_BEFORE_MONTH = np.array([0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334])
FEW_YEARS = 15  # below this, dates are fitted with a normal distribution


@dataclass(frozen=True)
class FreezeDate:
    """A date that goes with a probability.

    Attributes
    ----------
    day : float
        Day of the season, see `freeze_dates`; NaN if there is no such date.
    years, years_without : int
        Years looked at, and those of them without any freeze.
    """

    day: float
    years: int
    years_without: int


def freeze_dates(
    tmin_degc: np.ndarray, dates: np.ndarray, threshold_degc: float = 0.0, southern: bool = False
) -> pd.DataFrame:
    """Last spring and first autumn day at or below a threshold, by season.

    Parameters
    ----------
    tmin_degc : ndarray of float, shape (day,)
        Daily minimum temperature, NaN where missing [°C].
    dates : ndarray of datetime64, shape (day,)
        Every day once, in order.
    threshold_degc : float
        Freeze at or below it [°C]; 0 is the usual one, -2.2 a hard freeze.
    southern : bool
        Seasons run from 1 July to 30 June and split after 31 January, instead of the calendar
        year that splits after 31 July.

    Returns
    -------
    DataFrame
        One row a season: ``year`` (in which it begins), ``last_spring_d`` and ``first_autumn_d``
        (day of the season in a year without 29 February, 1 is the first; NaN without a freeze),
        ``spring_usable`` and ``autumn_usable`` (at most 5 % of the half's days missing).

    Notes
    -----
    Seasons, split and usable share as in the US climate normals [1]_ (from memory).

    References
    ----------
    .. [1] A. Arguez et al., "NOAA's 1981-2010 U.S. climate normals: an overview", Bull. Amer. Meteor.
       Soc., vol. 93, pp. 1687-1697, 2012.
    """
    days = pd.DatetimeIndex(dates)
    start_month = 7 if southern else 1
    month, day_of_month = np.asarray(days.month), np.asarray(days.day)
    year = np.asarray(days.year) - (month < start_month)
    spring = (month - start_month) % 12 < 7
    # 29 February counts as the day before it, so that a date has one number in every year.
    day_of_month = np.where((month == 2) & (day_of_month == 29), 28, day_of_month)
    plain = (DAYS_BEFORE_MONTH[month - 1] - DAYS_BEFORE_MONTH[start_month - 1]) % 365 + day_of_month
    cold = np.asarray(tmin_degc) <= threshold_degc
    table = pd.DataFrame({"year": year, "spring": spring, "day": plain, "cold": cold, "seen": np.isfinite(tmin_degc)})
    rows = []
    for season, part in table.groupby("year"):
        row: dict[str, float | int | bool] = {"year": int(season)}
        for half, name, pick in ((True, "spring", "max"), (False, "autumn", "min")):
            of_half = part[part["spring"] == half]
            frozen = of_half["day"][of_half["cold"]]
            column = "last_spring_d" if half else "first_autumn_d"
            row[column] = float(getattr(frozen, pick)()) if len(frozen) else np.nan
            first = pd.Timestamp(int(season), start_month, 1) + pd.DateOffset(months=0 if half else 7)
            length = (first + pd.DateOffset(months=7 if half else 5) - first).days
            row[f"{name}_usable"] = bool(of_half["seen"].sum() >= (1 - MOST_MISSING) * length)
        rows.append(row)
    columns = ["year", "last_spring_d", "first_autumn_d", "spring_usable", "autumn_usable"]
    return pd.DataFrame(rows, columns=columns)


def freeze_percentiles(
    days: np.ndarray,
    probability: float,
    season: Literal["spring", "autumn"] = "spring",
    method: Literal["weibull", "normal"] | None = None,
) -> FreezeDate:
    """The date by which the last spring freeze, or the first autumn one, has come with some probability.

    Parameters
    ----------
    days : array_like of float
        One day a usable year, NaN in a year without a freeze (from `freeze_dates`).
    probability : float
        Share of years in which the freeze has come by the date; above 0, below 1.
    season : {"spring", "autumn"}
        A year without a freeze counts as one whose spring freeze came before all others, and whose
        autumn freeze comes after all others.
    method : {"weibull", "normal"}, optional
        Order statistics at r / (n + 1), or mean and standard deviation of the freeze years; by
        default the first, and the second below 15 freeze years.

    Returns
    -------
    FreezeDate
        ``day`` is NaN where the date lies among the years without a freeze, or with fewer than two freeze years.

    Raises
    ------
    ValueError
        If `probability` is not between 0 and 1.

    Examples
    --------
    >>> freeze_percentiles([110, 120, 130], 0.5, method="weibull")
    FreezeDate(day=120.0, years=3, years_without=0)
    """
    if not 0 < probability < 1:
        raise ValueError(f"probability: {probability} is not between 0 and 1")
    every = np.asarray(days, dtype=float)
    frozen = every[np.isfinite(every)]
    without = len(every) - len(frozen)
    if len(frozen) < 2:
        return FreezeDate(np.nan, len(every), without)
    share_without = without / len(every)
    if season == "spring":
        among = (probability - share_without) / (1 - share_without)
    else:
        among = probability / (1 - share_without)
    if not 0 < among < 1:
        return FreezeDate(np.nan, len(every), without)
    if (method or ("normal" if len(frozen) < FEW_YEARS else "weibull")) == "normal":
        day = frozen.mean() + NormalDist().inv_cdf(among) * frozen.std(ddof=1)
    else:
        day = np.percentile(frozen, 100 * among, method="weibull")
    return FreezeDate(float(day), len(every), without)


def month_and_day(day: float, southern: bool = False) -> tuple[int, int]:
    """Month and day of a day of the season, rounded to the nearest.

    Examples
    --------
    >>> month_and_day(112.0)
    (4, 22)
    >>> month_and_day(93.0, southern=True)
    (10, 1)
    """
    date = pd.Timestamp(2001, 7 if southern else 1, 1) + pd.Timedelta(days=round(day) - 1)
    return date.month, date.day
