import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from greengap.process.phenology import flower_day, next_long_day, photoperiod_factor, viable_seed_day
from greengap.process.thermal_time import cumulative

TEN_A_DAY = cumulative(np.full(100, 10.0))
LENGTHENING = 12.0 + np.arange(100) * 0.05  # 13 h on day 20


def test_a_day_neutral_species_flowers_when_its_sum_is_reached():
    assert flower_day(TEN_A_DAY, [0, 30], 200.0).tolist() == [19, 49]


def test_a_long_day_species_waits_for_long_days():
    gate = next_long_day(LENGTHENING, 14.0)
    assert flower_day(TEN_A_DAY, [0, 30], 200.0, gate).tolist() == [40, 49]


def test_a_long_day_species_does_not_flower_once_days_are_too_short():
    gate = next_long_day(LENGTHENING[::-1], 14.0)
    assert flower_day(TEN_A_DAY, [0, 70], 200.0, gate).tolist() == [19, -1]


def test_what_never_emerges_neither_flowers_nor_seeds():
    flower = flower_day(TEN_A_DAY, [-1], 200.0, next_long_day(LENGTHENING, 13.0))
    assert flower.tolist() == [-1]
    assert viable_seed_day(TEN_A_DAY, [-1], 200.0, 400.0, flower).tolist() == [-1]


def test_seed_follows_a_flower_that_had_to_wait():
    flower = flower_day(TEN_A_DAY, [0], 200.0, next_long_day(LENGTHENING, 14.0))
    assert viable_seed_day(TEN_A_DAY, [0], 200.0, 400.0, flower).tolist() == [60]


@given(start=st.integers(0, 60), to_flower=st.floats(50, 300), to_seed=st.floats(10, 300), hours=st.floats(12, 16))
def test_seed_never_comes_before_the_flower(start, to_flower, to_seed, hours):
    flower = flower_day(TEN_A_DAY, start, to_flower, next_long_day(LENGTHENING, hours))
    seed = viable_seed_day(TEN_A_DAY, start, to_flower, to_flower + to_seed, flower)
    assert (seed == -1) | (seed >= flower)
    assert (flower >= 0) | (seed == -1)


def test_seed_of_a_flower_that_did_not_wait_is_counted_from_emergence():
    flower = flower_day(TEN_A_DAY, 0, 195.0)
    assert viable_seed_day(TEN_A_DAY, 0, 195.0, 400.0, flower) == 39


@given(a=st.floats(6, 24), b=st.floats(6, 24), critical=st.floats(10, 18), strength=st.floats(0, 1))
def test_longer_days_hurry_a_long_day_plant_and_hold_a_short_day_plant(a, b, critical, strength):
    days = np.sort([a, b])
    short, long = photoperiod_factor(days, critical, strength)
    assert 0 <= short <= long <= 1
    short, long = photoperiod_factor(days, critical, -strength)
    assert 0 <= long <= short <= 1


def test_day_length_does_not_matter_to_a_day_neutral_plant_nor_beyond_the_critical_one():
    assert photoperiod_factor([8.0, 14.0, 18.0], 14.0, 0.0).tolist() == [1, 1, 1]
    assert photoperiod_factor([14.0, 18.0], 14.0, 0.5).tolist() == [1, 1]
    assert photoperiod_factor([8.0, 14.0], 14.0, -0.5).tolist() == [1, 1]
