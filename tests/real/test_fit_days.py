"""Reckoned fit days against days suitable for fieldwork as Iowa's farmers reported them."""

from __future__ import annotations

import pandas as pd
import pytest

from greengap.catalogue import load_catalogue
from greengap.process.drivers import BlockDays, Place
from greengap.process.fit_days import drains_to, fit_to_work

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def fit(ames_weather):
    """Central Iowa: clay loam that drains poorly, as its upland soils do without tiles."""
    soil = pd.Series(
        {
            "clay_fraction": 0.30, "sand_fraction": 0.30, "organic_matter_fraction": 0.05,
            "available_water_fraction": 0.17, "bulk_density_mg_m3": 1.35, "drainage_class": "poorly drained",
        }
    )  # fmt: skip
    days = BlockDays(ames_weather, Place(soil, 42.0, False, 0.0), load_catalogue())
    return pd.Series(fit_to_work(days, drains_to(days)), index=days.dates)


def by_year(fit, first, last):
    key = fit.index.month * 100 + fit.index.day
    mine = fit[(key >= first) & (key <= last)]
    return mine.groupby(mine.index.year).sum()


def test_springs_have_about_as_many_fit_days_as_were_reported(fit):
    """W. Edwards, Ag Decision Maker, March 2020: 2 April to 17 June, statewide, from 48 days in 1964 to 35 in 2019.

    In the middle of 1988 to 2018 that is 48 - 13 * 39 / 55 = 38.8. A bare field is ready sooner than a state.
    """
    spring = by_year(fit, 402, 617)
    assert spring.loc[1988:2018].mean() == pytest.approx(38.8, abs=6)


def test_the_flood_year_is_among_the_wettest_springs(fit):
    """The same: fewer than 20 in 1993, one of the five fewest, all of them since then."""
    assert 1993 in by_year(fit, 402, 617).nsmallest(5).index


def test_two_weeks_at_corn_planting(fit):
    """Iowa State University, A3-25, 2014: northwest Iowa, 30 April to 13 May, median 4.0 + 4.3 days, 1964 to 2013."""
    assert by_year(fit, 430, 513).median() == pytest.approx(8.3, abs=1.5)


@pytest.mark.parametrize(
    ("first", "last", "reported"), [("2014-04-14", "2014-04-20", 3.2), ("2018-03-26", "2018-04-01", 0.4)]
)
def test_single_weeks(fit, first, last, reported):
    """USDA NASS, Iowa crop progress, weeks ending 20 April 2014 and 1 April 2018, statewide."""
    assert fit[first:last].sum() == pytest.approx(reported, abs=2)
