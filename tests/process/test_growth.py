import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process.growth import (
    PHOTOSYNTHETIC_SHARE,
    heat_factor,
    intercepted,
    leaf_area_fraction,
    shoot_share,
    temperature_factor,
)

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "growth.csv").open(encoding="utf-8")))


def potential_growth_kg_ha(radiation_use_kg_ha_mj, radiation_mj_m2_d, extinction, leaf_area_index):
    light = PHOTOSYNTHETIC_SHARE * radiation_mj_m2_d * intercepted(extinction * leaf_area_index)
    return radiation_use_kg_ha_mj * light


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    words = {"check_id", "quantity", "expected", "tolerance", "kind", "source"}
    inputs = {name: float(text) for name, text in check.items() if text and name not in words}
    of_temperature = check["quantity"] == "temperature_factor"
    answer = (temperature_factor if of_temperature else potential_growth_kg_ha)(**inputs)
    assert float(answer) == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


@given(a=st.floats(-20, 60), b=st.floats(-20, 60), base=st.floats(-5, 12), span=st.floats(5, 25))
def test_growth_rises_to_the_optimum_and_falls_beyond_it(a, b, base, span):
    optimum = base + span
    nearer, farther = sorted([a, b], key=lambda t: abs(t - optimum))
    fast, slow = temperature_factor([nearer, farther], base, optimum)
    assert 0 <= slow <= fast + 1e-9
    assert fast <= 1
    assert temperature_factor(optimum, base, optimum) == 1
    assert temperature_factor([base - 1, base, 2 * optimum - base + 1e-9], base, optimum).tolist() == [0, 0, 0]


@given(base=st.floats(-5, 12), span=st.floats(5, 25))
def test_half_way_to_the_optimum_a_tenth_of_growth_is_lost(base, span):
    assert temperature_factor(base + span / 2, base, base + span) == pytest.approx(0.9, abs=1e-4)


@given(a=st.floats(0, 60), b=st.floats(0, 60), start=st.floats(25, 40), span=st.floats(2, 12))
def test_a_hotter_day_never_helps(a, b, start, span):
    mild, hot = heat_factor(np.sort([a, b]), start, start + span)
    assert 0 <= hot <= mild <= 1
    assert heat_factor([start, start + span, start + 2 * span], start, start + span).round(9).tolist() == [1, 0.5, 0]


@given(
    a=st.floats(0, 1),
    b=st.floats(0, 1),
    f=st.tuples(st.floats(0.05, 0.3), st.floats(0.4, 0.7)),
    y=st.tuples(st.floats(0.01, 0.05), st.floats(0.9, 0.98)),  # as species have them
)
def test_leaf_area_passes_both_points_and_only_ever_grows(a, b, f, y):
    points = (f[0], y[0]), (f[1], y[1])
    low, high = leaf_area_fraction(np.sort([a, b]), *points)
    assert 0 <= low <= high + 1e-12
    assert high <= 1
    assert np.allclose(leaf_area_fraction(f, *points), y)
    assert leaf_area_fraction(-0.1, *points) == 0


@given(a=st.floats(0, 12), b=st.floats(0, 12))
def test_two_layers_take_what_one_leaves_of_the_other(a, b):
    assert 1 - intercepted(a + b) == pytest.approx((1 - intercepted(a)) * (1 - intercepted(b)))
    assert 0 <= intercepted(a) <= intercepted(a + b) <= 1


def test_the_shoot_takes_a_growing_share_until_maturity():
    assert shoot_share([-1.0, 0.0, 0.5, 1.0, 2.0]).round(9).tolist() == [0.6, 0.6, 0.7, 0.8, 0.8]


def test_a_missing_temperature_or_sum_stays_missing():
    answers = temperature_factor(np.nan, 5, 20), heat_factor(np.nan, 32, 40)
    assert np.isnan([*answers, leaf_area_fraction(np.nan, (0.15, 0.01), (0.5, 0.95))]).all()


def test_points_and_temperatures_out_of_order_are_refused():
    with pytest.raises(ValueError, match="optimum_degc"):
        temperature_factor(10.0, 20.0, 15.0)
    with pytest.raises(ValueError, match="half_degc"):
        heat_factor(30.0, 40.0, 32.0)
    with pytest.raises(ValueError, match="must rise"):
        leaf_area_fraction(0.3, (0.5, 0.95), (0.15, 0.01))
