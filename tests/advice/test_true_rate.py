"""The rate at which a block was really sown."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.true_rate import true_rate
from greengap.units import LB_AC_KG_HA

FOOT_M = 0.3048  # NIST Special Publication 811 (2008), appendix B.8


def test_the_printed_catch_of_a_drill_is_the_printed_rate():
    """Soil Health Labs, "How to calibrate a grain drill": 26.06 g on 100 square feet are 25 lb/ac, at 454 g a pound."""
    found = true_rate(0.02606, 100 * FOOT_M**2, 25 * LB_AC_KG_HA, 0.1)
    assert found.rate_kg_ha / LB_AC_KG_HA == pytest.approx(25, abs=0.05)
    assert not found.differs


@given(st.floats(0.1, 1e4), st.floats(1, 1e6), st.floats(0.1, 500))
def test_twice_the_seed_or_half_the_area_is_twice_the_rate(seed, area, planned):
    one = true_rate(seed, area, planned, 0.1)
    assert true_rate(2 * seed, area, planned, 0.1).rate_kg_ha == pytest.approx(2 * one.rate_kg_ha)
    assert true_rate(seed, area / 2, planned, 0.1).rate_kg_ha == pytest.approx(2 * one.rate_kg_ha)
    assert one.differs == (abs(one.rate_kg_ha / planned - 1) > 0.1)


def test_without_a_planned_rate_nothing_is_called_off():
    assert not true_rate(10, 1000, float("nan"), 0.1).differs
    with pytest.raises(ValueError, match="above zero"):
        true_rate(0, 1000, 50, 0.1)
