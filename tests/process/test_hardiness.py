import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process.hardiness import killed_share, next_kill

NIGHTS = [4.0, -1.0, 2.0, -2.5, np.nan, -6.0, 1.0]


def test_the_first_night_at_or_below_the_limit_kills():
    assert next_kill(NIGHTS, -2.5).tolist() == [3, 3, 3, 3, 5, 5, -1]


def test_a_frost_hollow_is_killed_earlier():
    assert next_kill(NIGHTS, -2.5, offset_degc=-1.5)[0] == 1


def test_never_is_what_the_caller_says():
    assert next_kill(NIGHTS, -20.0, never=999).tolist() == [999] * 7


def test_a_missing_night_kills_nothing():
    assert next_kill([np.nan, np.nan], 0.0).tolist() == [-1, -1]


@given(tmin=st.lists(st.floats(-20, 20), min_size=1, max_size=40), limit=st.floats(-15, 5), hardier=st.floats(0, 10))
def test_a_hardier_species_never_dies_sooner(tmin, limit, hardier):
    assert (next_kill(tmin, limit - hardier, never=1000) >= next_kill(tmin, limit, never=1000)).all()


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
