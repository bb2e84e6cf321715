import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.calibration import skill

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "skill.csv").open(encoding="utf-8")))
SERIES = st.lists(st.floats(0.1, 100), min_size=3, max_size=20)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    measured, predicted = (np.array(check[k].split(), float) for k in ("measured", "predicted"))
    answer = getattr(skill, check["measure"])(measured, predicted)
    assert answer == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


@given(SERIES)
def test_a_perfect_prediction_has_no_error(values):
    for measure in (skill.rmse, skill.bias, skill.mae, skill.median_absolute_error, skill.rrmse):
        assert measure(values, values) == 0


@given(SERIES, st.floats(-5, 5))
def test_a_constant_shift_is_the_bias_and_the_error(values, shift):
    shifted = np.asarray(values) + shift
    assert skill.bias(values, shifted) == pytest.approx(shift, abs=1e-9)
    assert skill.rmse(values, shifted) == pytest.approx(abs(shift), abs=1e-9)


def test_pairs_with_a_missing_value_are_left_out():
    assert skill.rmse([1.0, np.nan, 3.0], [2.0, 5.0, np.nan]) == 1.0


def test_series_without_a_pair_are_refused():
    with pytest.raises(ValueError, match="no pair"):
        skill.rmse([np.nan], [1.0])


def test_series_of_different_length_are_refused():
    with pytest.raises(ValueError, match="one shape"):
        skill.mae([1.0, 2.0], [1.0])


def test_efficiency_is_not_known_where_nothing_varies():
    assert np.isnan(skill.nash_sutcliffe([2.0, 2.0], [1.0, 3.0]))


def test_odds_outside_0_to_1_are_refused():
    with pytest.raises(ValueError, match="between 0 and 1"):
        skill.brier([1, 0], [0.5, 1.2])


def test_reliability_counts_every_forecast_once():
    table = skill.reliability([1, 0, 1, 1, 0], [0.0, 0.1, 0.9, 1.0, 0.5], classes=5)
    assert table["n"].sum() == 5
    assert table["share_happened"].iloc[-1] == 1.0
    assert np.isnan(table["mean_odds"].iloc[1])


def test_ranks_are_compared_within_a_site_only():
    site = ["a"] * 3 + ["b"] * 3 + ["c"]
    measured = [1, 2, 3, 101, 102, 103, 5]
    mean, sites = skill.spearman_within(measured, [3, 2, 1, 10, 20, 30, 7], site)
    assert mean == pytest.approx(0.0)
    assert sites == 2


def test_the_species_mean_counts_a_site_year_once():
    train = pd.DataFrame(
        {
            "cover_id": "oat",
            "quantity": "biomass_kg_ha",
            "site_year": ["a", "a", "a", "b"],
            "value": [1000.0, 1000.0, 1000.0, 3000.0],
        }
    )
    wanted = pd.DataFrame({"cover_id": ["oat", "buckwheat"], "quantity": "biomass_kg_ha"})
    mean = skill.species_mean(train, wanted)
    assert mean[0] == 2000
    assert np.isnan(mean[1])
