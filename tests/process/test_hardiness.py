import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process.hardiness import crown_temperature, hardened_share, killed_share, snow_water_mm

SNOW = {"falls_below_degc": 1.0, "melts_above_degc": 0.5, "melt_mm_per_degc_d": 4.5}
CROWN = {"share_under_snow": 0.2, "share_without": 0.5, "deep_snow_cm": 15.0}
air = st.floats(-40, 35)


@given(days=st.lists(st.tuples(st.floats(0, 60), air, st.floats(0, 20)), min_size=1, max_size=60))
def test_snow_is_never_less_than_none_nor_more_than_what_fell(days):
    rain, mean, range_degc = np.array(days).T
    lying = snow_water_mm(rain, mean, mean + range_degc / 2, **SNOW)
    assert (lying >= 0).all()
    assert (lying <= np.cumsum(np.where(mean < 1.0, rain, 0)) + 1e-9).all()


def test_rain_does_not_lie_and_snow_stays_while_it_freezes():
    mean, tmax = [6.0, -5.0, -8.0, -2.0, 8.0], [9.0, -1.0, -3.0, 0.5, 12.0]
    lying = snow_water_mm([10.0, 10.0, 0.0, 0.0, 0.0], mean, tmax, **SNOW)
    assert lying == pytest.approx([0.0, 10.0, 10.0, 10.0, 0.0])


@given(tmin=air, snow=st.floats(0, 60), more=st.floats(0, 60))
def test_the_crown_is_never_colder_than_the_air_nor_colder_for_more_snow(tmin, snow, more):
    thin, thick = crown_temperature(tmin, snow, **CROWN), crown_temperature(tmin, snow + more, **CROWN)
    assert tmin <= thin <= thick + 1e-12


def test_two_cold_weeks_harden_and_a_warm_month_takes_it_away():
    mean = np.concatenate([np.full(30, 12.0), np.full(14, 2.0), np.full(28, 12.0)])
    hard = hardened_share(mean, 5.0, 14, 28)
    assert (hard[29], hard[36], hard[43], hard[-1]) == (0.0, 0.5, 1.0, 0.0)


@given(mean=st.lists(air, min_size=1, max_size=80), colder=st.floats(0, 20))
def test_a_colder_autumn_never_hardens_less(mean, colder):
    assert (hardened_share(np.array(mean) - colder, 5.0, 14, 28) >= hardened_share(mean, 5.0, 14, 28)).all()


@given(a=st.floats(-60, 40), b=st.floats(-60, 40), lt50=st.floats(-30, 0), width=st.floats(0.05, 4))
def test_a_colder_night_never_kills_less(a, b, lt50, width):
    cold, mild = killed_share(np.sort([a, b]), lt50, width)
    assert 0 <= mild <= cold <= 1
    assert killed_share(lt50, lt50, width) == 0.5


def test_ten_and_ninety_per_cent_die_2_2_widths_from_the_middle():
    assert killed_share([-9.0 + 2.2 * 1.5, -9.0 - 2.2 * 1.5], -9.0, 1.5) == pytest.approx([0.1, 0.9], abs=0.001)


def test_a_night_without_a_reading_kills_no_share():
    assert killed_share([np.nan, -40.0], -9.0, 1.0).tolist() == [0.0, pytest.approx(1.0)]


def test_a_stand_without_spread_is_refused():
    with pytest.raises(ValueError, match="width_degc"):
        killed_share(-5.0, -9.0, 0.0)
