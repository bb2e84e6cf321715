"""The four clocks: days to spare in the wanted share of years, and which one binds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.clocks import CLOCKS, four_clocks, margin_kept
from greengap.process.afterwards import NextCrop

margins = st.lists(st.floats(-60, 60), min_size=1, max_size=40).map(np.array)


@given(days=margins, wanted=st.floats(0.05, 1.0))
def test_as_many_years_as_are_wanted_leave_those_days_or_more(days, wanted):
    assert (days >= margin_kept(days, wanted)).sum() >= wanted * days.size - 1e-6


@given(days=margins)
def test_all_years_leave_the_least_and_a_higher_wish_never_leaves_more(days):
    assert margin_kept(days, 1.0) == days.min()
    kept = [margin_kept(days, wanted) for wanted in (0.5, 0.7, 0.8, 0.9, 1.0)]
    assert kept == sorted(kept, reverse=True)


@given(days=margins, wanted=st.sampled_from([0.5, 0.75, 0.8, 0.9]))
def test_it_is_the_empirical_quantile_of_numpy(days, wanted):
    # the smallest value with at most a share 1 - wanted of the years below it: "higher" of numpy at that rank
    rank = int(np.floor((1 - wanted) * days.size + 1e-9))
    at = rank / max(days.size - 1, 1)
    assert margin_kept(days, wanted) == np.quantile(days, min(at, 1.0), method="nearest")


def a_table(years: list[dict]) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """One gap with one cover, sown on 10 June; a row of season for each weather year."""
    gap = {"gap_id": "Pond/1", "opens": pd.Timestamp("2027-06-01")}
    window = {
        "gap_id": "Pond/1", "cover_id": "buckwheat", "option_id": "one", "sow_best": pd.Timestamp("2027-06-10"),
        "sow_until": pd.Timestamp("2027-06-20"),
    }  # fmt: skip
    plain = {
        "option_id": "one", "soil_warm": True, "half_cover_d": 30.0, "weeds_close_d": 40.0, "viable_seed_d": 70.0,
        "planned_end_d": 50.0, "ready_d": 60.0,
    }  # fmt: skip
    return pd.DataFrame([gap]), pd.DataFrame([window]), pd.DataFrame([plain | year for year in years])


def margins_of(years: list[dict], crop: str | None = "2027-08-20", wanted: float = 0.8) -> pd.DataFrame:
    crops = {} if crop is None else {"Pond/1": NextCrop(pd.Timestamp(crop), 7, 0)}
    found = four_clocks(*a_table(years), crops, wanted, seed_margin_d=7)
    assert list(found["clock"]) == list(CLOCKS)
    return found.set_index("clock")


def test_days_to_spare_worked_by_hand():
    found = margins_of([{}] * 5)
    # 1 to 20 June; weeds on day 40 against 30; seed on day 70 less 7 against the end on 50; 20 August is day 71
    assert found["margin_d"].to_dict() == {"seedbed": 19, "canopy": 10, "seed": 13, "residue": 11}
    assert list(found.index[found["binds"]]) == ["canopy"]
    assert (found["holds_years"] == 5).all()


def test_one_bad_year_of_five_is_what_eight_of_ten_allow():
    worse = [{"ready_d": 90.0}, {}, {}, {}, {}]
    assert margins_of(worse).loc["residue", "margin_d"] == 11
    assert margins_of(worse).loc["residue", "holds_years"] == 4
    strict = margins_of(worse, wanted=1.0)
    assert strict.loc["residue", "margin_d"] == 71 - 90
    assert list(strict.index[strict["binds"]]) == ["residue"]


def test_a_clock_that_does_not_run_binds_nothing():
    idle = {"weeds_close_d": np.nan, "viable_seed_d": np.nan}
    found = margins_of([idle] * 5, crop=None)
    assert found["margin_d"].isna()[["canopy", "seed", "residue"]].all()
    assert list(found.index[found["binds"]]) == ["seedbed"]
    assert (found["holds_years"] == 5).all()


def test_a_canopy_that_never_closes_is_late_in_every_year_and_binds():
    found = margins_of([{"half_cover_d": np.nan}] * 5)
    assert pd.isna(found.loc["canopy", "margin_d"])
    assert found.loc["canopy", "holds_years"] == 0
    assert bool(found.loc["canopy", "binds"])


def test_on_the_sample_farm_years_in_time_go_with_the_days_to_spare(sample_plan):
    clocks = sample_plan.clocks
    wanted = sample_plan.settings.wanted_odds
    runs = clocks["margin_d"].notna()
    enough = clocks["holds_years"] >= np.floor(wanted * clocks["years"] + 1e-9)
    assert runs.sum() > 1000
    assert (enough == (clocks["margin_d"] >= 0))[runs].mean() > 0.95
    assert not (enough & (clocks["margin_d"] < -1e-9))[runs & (clocks["years"] % 5 == 0)].any()
    assert clocks.groupby(["gap_id", "cover_id"])["binds"].sum().min() >= 1


@pytest.mark.parametrize("clock", CLOCKS)
def test_each_clock_binds_somewhere_or_never_runs_short(sample_plan, clock):
    one = sample_plan.clocks[sample_plan.clocks["clock"] == clock]
    others = sample_plan.clocks.groupby(["gap_id", "cover_id"])["margin_d"].min()
    least = others.reindex(pd.MultiIndex.from_frame(one[["gap_id", "cover_id"]])).to_numpy()
    assert one["binds"].any()
    run = one["margin_d"].notna().to_numpy()
    assert (one["margin_d"].to_numpy()[run & one["binds"].to_numpy()] <= least[run & one["binds"].to_numpy()]).all()
