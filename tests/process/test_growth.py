import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process.growth import biomass, cover_of_layers, ground_cover, leaf_layer

total = st.floats(0, 3000)
curve = st.tuples(st.floats(500, 20_000), st.floats(100, 1200), st.floats(0.001, 0.02))


@given(a=total, b=total, numbers=curve)
def test_more_warmth_never_gives_less_biomass_and_never_more_than_the_ceiling(a, b, numbers):
    low, high = biomass([min(a, b), max(a, b)], *numbers)
    assert 0 <= low <= high <= numbers[0]


@given(numbers=curve)
def test_at_the_midpoint_the_curve_stands_at_one_e_th_of_the_ceiling_and_is_steepest(numbers):
    ceiling, midpoint, slope = numbers
    assert biomass(midpoint, *numbers) == pytest.approx(ceiling / np.e)
    around = biomass(midpoint + np.linspace(-2, 2, 41) / slope, *numbers)
    assert abs(np.diff(around).argmax() - 20) <= 1


@given(a=total, b=total, half=st.floats(50, 800))
def test_ground_cover_grows_from_nothing_towards_all(a, b, half):
    low, high = ground_cover([min(a, b), max(a, b)], half)
    assert 0 <= low <= high < 1
    assert ground_cover(0.0, half) == 0


@given(half=st.floats(50, 800))
def test_half_the_ground_is_covered_at_the_half_cover_sum(half):
    assert ground_cover(half, half) == pytest.approx(0.5)


@given(a=total, b=total, half=st.floats(50, 800))
def test_two_half_stands_of_one_species_cover_as_much_as_the_whole_stand(a, b, half):
    layer = leaf_layer([a, b], half)
    assert np.allclose(cover_of_layers(0.5 * layer + 0.5 * layer), ground_cover([a, b], half))


def test_the_canopy_stops_at_the_fullest_cover():
    assert ground_cover(1e6, 300.0) == pytest.approx(0.99)
    assert cover_of_layers(leaf_layer(1e6, 300.0, 0.9)) == pytest.approx(0.9)


def test_before_emergence_there_is_no_cover():
    assert ground_cover(-50.0, 300.0) == 0


def test_a_missing_sum_gives_missing_answers():
    assert np.isnan(biomass(np.nan, 5000.0, 400.0, 0.005))
    assert np.isnan(ground_cover(np.nan, 300.0))
