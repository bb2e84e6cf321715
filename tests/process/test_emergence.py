import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process.emergence import depth_factor, dry_day, emergence_total, moisture_factor, stand_fraction

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "emergence.csv").open(encoding="utf-8")))
share, mass = st.floats(0, 1), st.floats(0.1, 500)
depth = st.floats(0, 150)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    parts = (float(check[name]) for name in ("germination_degc_d", "elongation_degc_d_per_mm", "depth_mm"))
    assert emergence_total(*parts) == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


@given(a=st.floats(-5, 0), b=st.floats(-5, 0), base=st.floats(-3, -0.05))
def test_wetter_soil_never_slows_germination(a, b, base):
    dry, wet = moisture_factor([min(a, b), max(a, b)], base)
    assert 0 <= dry <= wet <= 1


@given(potential=st.floats(-5, 0), base=st.floats(-3, -0.05), hardier=st.floats(0, 2))
def test_a_seed_that_stands_drought_is_never_slower(potential, base, hardier):
    assert moisture_factor(potential, base - hardier) >= moisture_factor(potential, base) - 1e-12


def test_germination_stands_still_at_the_base_potential_and_runs_full_in_wet_soil():
    assert moisture_factor([-0.8, 0.0, np.nan], -0.8).tolist()[:2] == [0.0, 1.0]
    assert np.isnan(moisture_factor(np.nan, -0.8))


@given(a=depth, b=depth, high=st.floats(2, 80), mass=mass)
def test_deeper_seed_never_comes_up_better(a, b, high, mass):
    shallow, deep = depth_factor([min(a, b), max(a, b)], 1.0, high, mass)
    assert 0 <= deep <= shallow <= 1
    assert depth_factor(high, 1.0, high, mass) == 1


@given(depth=depth, high=st.floats(2, 80), mass=mass, heavier=st.floats(0, 300))
def test_a_heavier_seed_never_comes_up_worse_from_the_same_depth(depth, high, mass, heavier):
    assert depth_factor(depth, 1.0, high, mass + heavier) >= depth_factor(depth, 1.0, high, mass) - 1e-12


def test_the_recommended_depth_holds_for_a_seed_too_small_for_it():
    assert depth_factor([38.0, 39.0], 13.0, 38.0, 1.0).tolist() == [1.0, 0.0]


@given(g=share, m=share, dry=st.floats(0, 40), more=st.floats(0, 20), d=share, loss=st.floats(0, 0.3))
def test_dry_days_never_add_to_the_stand_and_it_never_exceeds_the_seed(g, m, dry, more, d, loss):
    few, many = stand_fraction(g, m, [dry, dry + more], d, loss)
    assert 0 <= many <= few <= min(g, m, d)


def test_a_good_rain_or_moist_soil_ends_a_dry_spell():
    assert dry_day([0.0, 2.9, 3.0, 0.0], [-1.2, -1.2, -1.2, -0.9], -1.0).tolist() == [True, True, False, False]


def test_numbers_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match="below zero"):
        moisture_factor(-0.1, 0.8)
    with pytest.raises(ValueError, match="recommended_low_mm"):
        depth_factor(10.0, 30.0, 20.0, 5.0)
