import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process import radiation

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "radiation.csv").open(encoding="utf-8")))
latitude, day = st.floats(-89, 89), st.integers(1, 366)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    words = {"check_id", "quantity", "expected", "tolerance", "kind", "source"}
    inputs = {name: float(text) for name, text in check.items() if text and name not in words}
    answer = getattr(radiation, check["quantity"])(**inputs)
    assert float(answer) == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


@given(lat=latitude, j=day)
def test_a_day_has_at_most_24_hours_and_twilight_never_shortens_it(lat, j):
    sun_up, twilight = radiation.day_length_cbm(lat, j), radiation.day_length_cbm(lat, j, 6.0)
    assert 0 <= sun_up <= twilight <= 24
    assert 0 <= radiation.daylight_hours(lat, j) <= 24


@given(lat=latitude, j=day)
def test_radiation_above_the_atmosphere_is_never_negative(lat, j):
    assert -1e-9 <= radiation.extraterrestrial_radiation(lat, j) < 50


def test_the_equator_has_twelve_hours_all_year():
    assert np.allclose(radiation.daylight_hours(0.0, np.arange(1, 366)), 12.0)


@pytest.mark.parametrize("lat", [-45.0, 20.0, 45.0, 55.0])
def test_the_two_day_lengths_agree_to_about_half_an_hour(lat):
    j = np.arange(1, 366)
    ahead = radiation.day_length_cbm(lat, j) - radiation.daylight_hours(lat, j)
    assert ahead.min() > -0.05
    assert ahead.max() < 0.55


@given(tmin=st.floats(-30, 25), spread=st.floats(0, 40), lat=latitude, j=day)
def test_estimated_radiation_never_exceeds_that_of_a_clear_day(tmin, spread, lat, j):
    above = radiation.extraterrestrial_radiation(lat, j)
    estimate = radiation.hargreaves_radiation(tmin, tmin + spread, above)
    assert estimate <= radiation.clear_sky_radiation(above) + 1e-9


def test_a_missing_temperature_gives_missing_radiation():
    assert np.isnan(radiation.hargreaves_radiation(np.nan, 20.0, 30.0))


def test_a_minimum_above_its_maximum_is_refused():
    with pytest.raises(ValueError, match="must not lie above"):
        radiation.hargreaves_radiation([21.0], [20.0], 30.0)
