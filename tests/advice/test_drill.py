"""Setting a drill: what is caught stands for the rate, and beds add up to the order."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.drill import Drill, bed_seed, calibration, catch_g, true_rate_kg_ha
from greengap.catalogue import load_catalogue

CATALOGUE = load_catalogue()


@given(st.floats(1, 300), st.floats(0.1, 1e4))
def test_the_rate_comes_back_from_the_catch(rate, area):
    assert true_rate_kg_ha(catch_g(rate, area), area) == pytest.approx(rate)


def test_a_slip_agrees_with_itself_by_every_way_of_catching(sample_plan):
    drill = Drill(width_m=1.5, row_spacing_m=0.15, wheel_m=2.0, wheel_turns=20)
    for row in calibration(sample_plan.seed_need, sample_plan.order_lines, CATALOGUE, drill).itertuples():
        assert row.g_per_100_m_row / (100 * 0.15) == pytest.approx(row.g_per_100_m2 / 100)
        assert row.g_per_wheel_turns / (1.5 * 2.0 * 20) == pytest.approx(row.g_per_100_m2 / 100)
        assert row.g_per_hundredth_acre / (row.strip_m * 1.5) == pytest.approx(row.g_per_100_m2 / 100)
        assert row.rate_kg_ha == pytest.approx(row.g_per_100_m2 / 10)


def test_what_was_not_measured_stays_empty(sample_plan):
    slip = calibration(sample_plan.seed_need, sample_plan.order_lines, CATALOGUE, Drill())
    assert slip[["g_per_100_m_row", "g_per_wheel_turns", "strip_m"]].isna().all().all()
    assert (slip["g_per_100_m2"] > 0).all()


def test_beds_add_up_to_the_order_to_the_gram(sample_plan):
    beds = bed_seed(sample_plan.seed_need, sample_plan.order_lines)
    by_bed = beds.groupby([beds["sow_date"].dt.year, "species"])["seed_g"].sum()
    by_lot = sample_plan.order_lines.groupby(["year", "species"])["seed_g"].sum()
    assert by_bed.to_dict() == by_lot.to_dict()
    assert (beds["half_g"] * 2 <= beds["seed_g"]).all()
