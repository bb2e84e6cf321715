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


@given(lat=latitude, j=day)
def test_radiation_above_the_atmosphere_is_never_negative(lat, j):
    assert -1e-9 <= radiation.extraterrestrial_radiation(lat, j) < 50


def geometric_hours(lat, j):
    """FAO-56, equations 24, 25 and 34: no refraction, no width of the sun."""
    declination = 0.409 * np.sin(2 * np.pi * j / 365 - 1.39)
    return 24 / np.pi * np.arccos(-np.tan(np.radians(lat)) * np.tan(declination))


def test_the_equator_has_about_twelve_hours_all_year():
    assert np.allclose(radiation.day_length_cbm(0.0, np.arange(1, 366)), 12.1, atol=0.05)


@pytest.mark.parametrize("lat", [-45.0, 20.0, 45.0, 55.0])
def test_day_length_is_at_most_half_an_hour_ahead_of_the_geometric_one(lat):
    j = np.arange(1, 366)
    ahead = radiation.day_length_cbm(lat, j) - geometric_hours(lat, j)
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
