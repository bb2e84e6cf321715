"""The sowing window of a cover in a gap: the dates on which it keeps the wanted odds."""

from __future__ import annotations

from math import sqrt
from typing import Any

import pandas as pd

from greengap.tables import DataFrame, Gap, Odds, Option, Window

Z_95 = 1.96  # of the standard normal distribution, 95 % lie within


def wilson_interval(held: int, years: int, z: float = Z_95) -> tuple[float, float]:
    """Range in which the true odds lie, given how many years held.

    Parameters
    ----------
    held, years : int
        Years that held, of all.
    z : float
        Width in standard deviations; 1.96 for 95 %.

    Returns
    -------
    low, high : float
        Score interval [fraction]; 0 and 1 if there are no years.

    Raises
    ------
    ValueError
        If `held` is below 0 or above `years`.

    References
    ----------
    .. [1] E. B. Wilson, "Probable inference, the law of succession, and statistical inference",
       J. Am. Stat. Assoc., vol. 22, pp. 209-212, 1927.

    Examples
    --------
    >>> [round(share, 3) for share in wilson_interval(7, 10)]
    [0.397, 0.892]
    """
    if not 0 <= held <= years:
        raise ValueError(f"held is {held}, allowed are 0 to {years}")
    if years == 0:
        return 0.0, 1.0
    centre = (held + z**2 / 2) / (years + z**2)
    half = z * sqrt(held * (years - held) / years + z**2 / 4) / (years + z**2)
    return max(centre - half, 0.0), min(centre + half, 1.0)


KEYS = ["gap_id", "cover_id", "option_id", "sow_date"]
COUNTS = ["years", "holds_years", "soil_warm_years", "frost_spared_years", "aim_years", "biomass_p50_kg_ha"]


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
    table = options.merge(odds.drop(columns="terminate_by"), on="option_id", validate="1:1")
    opens = dict(zip(gaps["gap_id"], gaps["opens"], strict=True))
    covers: dict[tuple[str, str], list[Any]] = {}
    for date in table[KEYS + COUNTS].itertuples(index=False):
        covers.setdefault((date.gap_id, date.cover_id), []).append(date)
    rows = []
    for (gap_id, cover_id), dates in covers.items():
        dates.sort(key=lambda date: date.sow_date)
        usual = [at for at, date in enumerate(dates) if date.sow_date >= opens[gap_id]]
        if not usual:
            continue
        at = max(usual, key=lambda i: (_merit(dates[i]), -i))
        keeps = [d.years > 0 and d.holds_years >= wanted_odds * d.years for d in dates]
        sow_from = sow_until = pd.NaT
        if keeps[at]:
            first = last = at
            while first > 0 and keeps[first - 1]:
                first -= 1
            while last + 1 < len(keeps) and keeps[last + 1]:
                last += 1
            sow_from, sow_until = dates[first].sow_date, dates[last].sow_date
        rows.append((gap_id, cover_id, dates[at].option_id, dates[at].sow_date, sow_from, sow_until))
    return Window.validate(pd.DataFrame(rows, columns=list(Window.to_schema().columns)))


def _merit(date: Any) -> tuple[float, ...]:
    """What makes a sowing date better than another, first things first."""
    parts = (date.soil_warm_years, date.frost_spared_years, date.aim_years)
    return date.holds_years, min(parts), sum(parts), date.biomass_p50_kg_ha
