import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process import nitrogen
from greengap.process.nitrogen import (
    critical_nitrogen_fraction,
    decay_temperature_factor,
    decay_water_factor,
    fixed,
    mineralised,
    nitrogen_limit,
)

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "nitrogen.csv").open(encoding="utf-8")))
biomass, amount, share = st.floats(0, 30), st.floats(0, 400), st.floats(0, 1)
curve = st.tuples(st.floats(0.02, 0.07), st.floats(0.1, 0.6), st.floats(0.5, 2))


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    words = {"check_id", "quantity", "expected", "tolerance", "kind", "source"}
    inputs = {name: float(text) for name, text in check.items() if text and name not in words}
    answer = getattr(nitrogen, check["quantity"])(**inputs)
    assert float(answer) == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


@given(a=biomass, b=biomass, curve=curve)
def test_nitrogen_thins_as_the_stand_grows_but_the_amount_never_falls(a, b, curve):
    stand = np.sort([a, b])
    young, old = critical_nitrogen_fraction(stand, *curve)
    assert 0 < old <= young
    assert young * stand[0] <= old * stand[1] + 1e-12


@given(a=amount, b=amount, critical=amount)
def test_more_nitrogen_never_slows_growth(a, b, critical):
    poor, rich = nitrogen_limit(np.sort([a, b]), critical)
    assert 0 <= poor <= rich <= 1
    assert nitrogen_limit(critical, critical) == 1


@given(a=st.floats(-10, 45), b=st.floats(-10, 45), humus=st.floats(0, 12_000), wet=share)
def test_humus_gives_more_when_warmer_and_nothing_in_the_cold(a, b, humus, wet):
    cool, warm = mineralised(np.sort([a, b]), humus, wet)
    assert 0 <= cool <= warm <= 8.3e-5 * humus
    assert mineralised(4.0, humus, wet) == 0
    assert decay_temperature_factor(50.0) == 1


@given(theta=st.floats(0, 0.6), room=st.floats(0, 0.3))
def test_decay_is_fastest_at_field_capacity_and_never_negative(theta, room):
    speed = decay_water_factor(theta, 0.05, 0.30, 0.30 + room)
    assert 0 <= speed <= decay_water_factor(0.30, 0.05, 0.30, 0.30 + room) == 1


@given(uptake=amount, supply=amount, highest=share, nodulated=share, richer=amount)
def test_a_legume_fixes_at_most_its_share_and_less_on_rich_soil(uptake, supply, highest, nodulated, richer):
    from_air = fixed(uptake, supply, highest, nodulated)
    assert 0 <= from_air <= highest * uptake + 1e-9
    assert fixed(uptake, supply + richer, highest, nodulated) <= from_air + 1e-9
    assert from_air + min(supply, uptake) <= uptake + 1e-9
