"""Days fit to work: wetter is never fitter, sand is never behind clay, and what the drainage class says holds."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from greengap.catalogue import load_catalogue
from greengap.process.drivers import BlockDays, Place
from greengap.process.fit_days import (
    DRAINAGE,
    drains_to,
    fit_to_work,
    morning_water,
    water_above_capacity_mm,
    workable_share,
)
from greengap.process.soil_hydraulics import saxton_rawls

CATALOGUE = load_catalogue()


def block(rain_mm, clay=0.2, sand=0.4, drainage="well drained", tmin=8.0, tmax=20.0, organic=0.03):
    """A block under made-up days; its water limits are those of its texture."""
    water = saxton_rawls(sand, clay, organic)
    soil = pd.Series(
        {
            "clay_fraction": clay, "sand_fraction": sand, "organic_matter_fraction": organic,
            "available_water_fraction": float(water.field_capacity_fraction - water.wilting_point_fraction),
            "bulk_density_mg_m3": float(water.bulk_density_mg_m3), "drainage_class": drainage,
        }
    )  # fmt: skip
    rain = np.asarray(rain_mm, dtype=float)
    days = pd.date_range("2021-04-01", periods=rain.size)
    site = xr.Dataset(
        {
            "tmin_degc": ("date", np.full(rain.size, tmin, float)),
            "tmax_degc": ("date", np.full(rain.size, tmax, float)),
            "precipitation_mm": ("date", rain),
        },
        coords={"date": days.to_numpy()},
    )
    return BlockDays(site, Place(soil, 45.0, False, 0.0), CATALOGUE)


def fit_of(days):
    return fit_to_work(days, drains_to(days))


def test_a_day_of_rain_is_no_fit_day_and_dry_days_after_it_are():
    fit = fit_of(block([0, 0, 0, 0, 0, 25, 0, 0, 0, 0, 0, 0]))
    assert fit[3:5].all()
    assert not fit[5]
    assert not fit[6]  # the morning after, at field capacity and above
    assert fit[-2:].all()


def test_water_drains_as_worked_by_hand():
    """30 mm into room for 20, half of it left each day: 10, 5, then 5 + 4 = 9 to half."""
    np.testing.assert_allclose(water_above_capacity_mm([30, 0, 4], 0.5, 20.0), [10.0, 5.0, 4.5])


def test_water_of_the_working_depth_as_worked_by_hand():
    """No rain for some days: field capacity less what evaporation took, over the working depth."""
    days = block([0.0] * 6)
    lacking = np.concatenate([[0.0], days.bare_surface_mm[:-1]])
    expected = days.hydraulics["capacity"] - lacking / 150
    np.testing.assert_allclose(morning_water(days, 0.3), expected)


def test_frozen_ground_and_snow_are_not_worked():
    assert not fit_of(block([0.0] * 20, tmin=-12, tmax=-4))[5:].any()
    snowed = fit_of(block([0.0] * 6 + [20.0] + [0.0] * 3, tmin=-4, tmax=1))
    assert not snowed[6:].any()


rains = st.lists(st.sampled_from([0.0, 0.0, 0.0, 0.5, 3.0, 12.0, 40.0]), min_size=15, max_size=40)


@given(rain=rains, more=rains)
def test_more_rain_never_makes_a_fit_day(rain, more):
    wetter = np.array(rain) + np.array((more + [0.0] * len(rain))[: len(rain)])
    assert not (fit_of(block(wetter)) & ~fit_of(block(rain))).any()


@given(rain=rains)
def test_sand_is_never_behind_clay_and_drained_ground_never_behind_wet(rain):
    sand = fit_of(block(rain, clay=0.05, sand=0.88, organic=0.02))
    clay = fit_of(block(rain, clay=0.50, sand=0.15, organic=0.02))
    assert sand.sum() >= clay.sum()
    by_class = [fit_of(block(rain, drainage=name)) for name in DRAINAGE]
    for drier, wetter in itertools.pairwise(by_class):
        assert not (wetter & ~drier).any()


def test_the_share_of_heavy_soils_is_that_of_its_source():
    """Terzaghi, Hoogmoed and Miedema 1988, abstract: 7.5 + 1.91 OM + 0.34 clay, per cent by mass; Saxton and Rawls."""
    clay, organic = 0.45, 0.03
    water = saxton_rawls(0.20, clay, organic)
    limit = (7.5 + 1.91 * 3 + 0.34 * 45) / 100 * float(water.bulk_density_mg_m3)
    assert float(workable_share(clay, CATALOGUE)) == pytest.approx(
        limit / float(water.field_capacity_fraction), abs=0.02
    )
    assert float(workable_share(0.10, CATALOGUE)) == 0.95  # Baier 1973


def test_tiles_make_wet_ground_quicker():
    days = block([0.0], drainage="poorly drained")
    assert drains_to(days, 1) == CATALOGUE.rule("fit_left_somewhat_poorly_drained") < drains_to(days)
    assert drains_to(block([0.0], drainage="excessively drained"), 2) == 0.0
