import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from greengap.process.hardiness import next_kill

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
