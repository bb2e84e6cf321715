"""Fit days by week, and the odds that one comes before a rung of the ladder ends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.options import NO_COVER
from greengap.catalogue import Catalogue
from greengap.process.drivers import BlockDays
from greengap.process.fit_days import drains_to, fit_to_work
from greengap.process.sowings import GapDates, Sowings

DAY = pd.Timedelta(days=1)
WEEK_D = 7
WEEKS = 6  # that are told


class DaysAhead:
    """The days from today on in every weather year of a block.

    Parameters
    ----------
    days : BlockDays
        Of the block, with this season's days in every year.
    catalogue : Catalogue
    as_of : Timestamp
        The first of the days.
    count : int
        How many days.
    years : ndarray of int
        Weather years to be looked at.

    Attributes
    ----------
    at : ndarray of int, shape (year, day)
        Position of each day in the record; only of years that could be run.
    """

    def __init__(
        self, days: BlockDays, catalogue: Catalogue, as_of: pd.Timestamp, count: int, years: np.ndarray
    ) -> None:
        sowings = Sowings(days, catalogue, [GapDates((as_of,), as_of + (count - 1) * DAY)], years)
        ran = sowings.ran[0]
        self.days, self.as_of, self.count = days, as_of, count
        self.years = years[ran]
        self.at = sowings.start[0][ran][:, None] + np.arange(count)

    def fit(self, tile_steps: int = 0) -> np.ndarray:
        """Whether each day is fit to work the soil, shape (year, day)."""
        return np.asarray(fit_to_work(self.days, drains_to(self.days, tile_steps))[self.at])

    def warm(self, minimum_degc: Sequence[float]) -> np.ndarray:
        """Whether the soil is warm enough for every species on each day, shape (year, day)."""
        out = np.ones(self.at.shape, dtype=bool)
        for degc in minimum_degc:
            out &= self.days.soil_warm(degc)[self.at]
        return out


def counted(good: np.ndarray) -> dict[str, Any]:
    """Days that are good: ranges over the years, and years that have one; columns of the tables.

    Parameters
    ----------
    good : ndarray of bool, shape (year, day)

    Examples
    --------
    >>> counted(np.array([[True, False], [True, True]]))
    {'fit_p10_d': 1.1, 'fit_p50_d': 1.5, 'fit_p90_d': 1.9, 'any_years': 2, 'years': 2}
    """
    number = good.sum(axis=1)
    found = [float(np.quantile(number, q)) if number.size else 0.0 for q in (0.1, 0.5, 0.9)]
    return dict(zip(("fit_p10_d", "fit_p50_d", "fit_p90_d"), found, strict=True)) | {
        "any_years": int((number > 0).sum()), "years": int(number.size),
    }  # fmt: skip


def fit_weeks(block_id: str, as_of: pd.Timestamp, fit: np.ndarray) -> Iterator[dict[str, Any]]:
    """Rows of `greengap.tables.FitWeek` of a block.

    Parameters
    ----------
    block_id : str
    as_of : Timestamp
        First day.
    fit : ndarray of bool, shape (year, day)
        Whole weeks of days.
    """
    for week in range(fit.shape[1] // WEEK_D):
        first = as_of + week * WEEK_D * DAY
        days = fit[:, week * WEEK_D : (week + 1) * WEEK_D]
        yield {"block_id": block_id, "week": week + 1, "first": first, "last": first + (WEEK_D - 1) * DAY} | counted(
            days
        )


def rungs_ahead(
    ladder: pd.DataFrame, ahead: DaysAhead, fit: np.ndarray, catalogue: Catalogue
) -> Iterator[dict[str, Any]]:
    """Rows of `greengap.tables.RungAhead` of one gap: rungs that begin within the days looked at and are not over.

    Parameters
    ----------
    ladder : DataFrame[Rung]
        Of the gap.
    ahead : DaysAhead
    fit : ndarray of bool, shape (year, day)
        Of its block.
    catalogue : Catalogue

    Notes
    -----
    A day counts that is fit to work and on which the soil is warm enough for every species of the cover. Of a rung
    that is open longer than the days that are looked at, those count.
    """
    as_of, horizon = ahead.as_of, ahead.as_of + (ahead.count - 1) * DAY
    rungs = list(ladder.sort_values("rung").itertuples())
    following = [*(r.cover_id for r in rungs[1:]), NO_COVER]
    for rung, then in zip(rungs, following, strict=True):
        if rung.cover_id == NO_COVER or pd.isna(rung.sow_until) or rung.sow_until < as_of or rung.sow_from > horizon:
            continue
        first, last = max(rung.sow_from, as_of), min(rung.sow_until, horizon)
        needs = [catalogue.species[c.species] for c in catalogue.covers[rung.cover_id].components]
        good = fit & ahead.warm([s.number("minimum_soil_temperature") for s in needs])
        days = good[:, (first - as_of).days : (last - as_of).days + 1]
        yield {
            "gap_id": rung.gap_id, "block_id": rung.block_id, "rung": int(rung.rung), "cover_id": rung.cover_id,
            "sow_from": first, "sow_until": rung.sow_until, "days_left": (rung.sow_until - as_of).days,
        } | counted(days) | {"next_cover_id": then}  # fmt: skip
