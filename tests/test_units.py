import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.units import ACRE_M2, CONVERSIONS, LB_AC_KG_HA, POUND_KG, to_si, write


def test_definitions_agree_with_the_published_ones():
    # NIST Handbook 44, appendix C (acre from the international foot); NIST SP 811, appendix B (pound)
    assert pytest.approx(4046.8564224, rel=1e-12) == ACRE_M2
    assert POUND_KG == 0.45359237
    assert pytest.approx(1.120851156194456, rel=1e-12) == LB_AC_KG_HA


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (32, "degF", 0),
        (212, "degF", 100),
        (273.15, "K", 0),
        (1, "ft", 0.3048),
        (1.8, "degF d", 1),
        (1, "short ton/ac", 2241.702),
    ],
)
def test_printed_units_become_si(value, unit, expected):
    assert to_si(value, unit) == pytest.approx(expected, abs=1e-3)


def test_a_thousand_seeds_weigh_what_the_count_says():
    # 18,000 buckwheat seeds to the pound: 453.59237 g / 18 thousands
    assert to_si(18_000, "seeds/lb") == pytest.approx(25.1996, abs=1e-4)


def test_an_unknown_unit_is_named_with_the_allowed_ones():
    with pytest.raises(ValueError, match=r"bushel.*kg/ha"):
        to_si(1, "bushel")


@given(st.sampled_from(sorted(set(CONVERSIONS) - {"seeds/lb"})), st.floats(-100, 1e4), st.floats(0.1, 100))
def test_a_larger_printed_value_is_a_larger_si_value(unit, value, more):
    assert to_si(value + more, unit) > to_si(value, unit)


def test_people_read_their_own_units():
    assert write(2500, "biomass_kg_ha", "metric") == "2.5 t/ha"
    assert write(2500, "biomass_kg_ha", "us") == "2,230 lb/ac"
    assert write(1000, "g", "us") == "2.205 lb"
    assert write(25.4, "depth_mm", "us") == "1.00 in"
