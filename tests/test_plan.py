"""What a plan has to keep whatever it recommends; the sample farm is invented, so no figure of it is a fact."""

import dataclasses
import json

import numpy as np
import pandas as pd
import pytest

from greengap.output.geojson import plan_features
from greengap.output.map import map_payload
from greengap.plan import judge, judged_of, plan_farm
from greengap.tables import Gap


def test_every_gap_gets_one_answer_and_every_cover_a_rank(sample_plan):
    assert set(sample_plan.allocation["gap_id"]) == set(sample_plan.gaps["gap_id"])
    covers = len(sample_plan.catalogue.covers) + 1
    assert (sample_plan.recommendation.groupby("gap_id").size() == covers).all()
    for _, ranks in sample_plan.recommendation.groupby("gap_id")["rank"]:
        assert sorted(ranks) == list(range(1, covers + 1))


def test_rows_read_are_rows_used_and_rows_reported(sample_plan):
    assert sample_plan.report.rows_read
    assert all(sample_plan.report.lost(file) == 0 for file in sample_plan.report.rows_read)


def test_a_failed_gate_is_class_n_with_its_reason_and_never_chosen(sample_plan):
    failed = sample_plan.suitability[~sample_plan.suitability["passed"]]
    keys = failed.groupby(["gap_id", "cover_id"])["reason"].first()
    table = sample_plan.recommendation.set_index(["gap_id", "cover_id"])
    assert len(keys) > 0
    for key, reason in keys.items():
        assert table.loc[key, "suitability_class"] == "N"
        assert not table.loc[key, "eligible"]
        assert reason in table.loc[key, "limiting_factor"]
    chosen = sample_plan.allocation.merge(sample_plan.recommendation, on=["gap_id", "cover_id"])
    assert chosen["eligible"].all()


def test_n_comes_only_from_a_gate(sample_plan):
    passed = sample_plan.suitability.groupby(["gap_id", "cover_id"])["passed"].all()
    table = sample_plan.recommendation.set_index(["gap_id", "cover_id"])
    assert ((table["suitability_class"] == "N") == ~passed.loc[table.index]).all()


def test_counts_of_years_nest(sample_plan):
    odds = sample_plan.odds
    for part in ("soil_warm_years", "frost_spared_years", "aim_years"):
        assert (odds["holds_years"] <= odds[part]).all()
        assert (odds[part] <= odds["years"]).all()
    assert (odds["biomass_p10_kg_ha"] <= odds["biomass_p50_kg_ha"]).all()
    assert (odds["biomass_p50_kg_ha"] <= odds["biomass_p90_kg_ha"]).all()


def test_a_cover_is_sown_and_ended_inside_its_gap(sample_plan):
    sown = sample_plan.allocation[sample_plan.allocation["option_id"].notna()]
    table = sown.merge(sample_plan.recommendation, on=["gap_id", "cover_id"]).merge(sample_plan.gaps, on="gap_id")
    assert len(table) > 0
    assert (table["sow_best"] >= table["opens"]).all()
    least = pd.to_timedelta(np.where(table["crop_after"] == "", 0, sample_plan.catalogue.rule("waiting_least")), "D")
    frost = table["ended_by"] == "frost"
    assert (table["terminate_by"] <= table["end"] + pd.Timedelta(days=1) - least)[~frost].all()
    assert (table["terminate_by"] <= table["end"]).all()
    assert (table["sow_best"] < table["terminate_by"]).all()


def test_growth_ends_before_viable_seed_with_its_margin(sample_plan):
    season = sample_plan.season
    seeded = season[season["viable_seed_d"].notna()]
    margin = sample_plan.catalogue.rule("seed_margin")
    assert len(seeded) > 0
    assert (seeded["growth_end_d"] <= np.maximum(seeded["viable_seed_d"] - margin, 0)).all()


def test_frost_tender_covers_do_not_outlive_minus_five(sample_plan):
    # Penn State 2015 and K-State: sorghum, cowpea, buckwheat are dead after a night of -5 °C
    tender = sample_plan.options[sample_plan.options["cover_id"].isin(["buckwheat", "cowpea", "sorghum_sudangrass"])]
    season = sample_plan.season.merge(tender, on="option_id")
    overwinter = season[(season["sow_date"].dt.month >= 8) & (season["terminate_by"].dt.month.isin([3, 4, 5]))]
    up = overwinter[overwinter["emergence_d"].notna()]
    assert len(up) > 0
    assert up["frost_kill_d"].notna().all()


def test_a_later_sowing_never_comes_up_earlier(sample_plan):
    table = sample_plan.season.merge(sample_plan.options, on="option_id")
    table = table[table["emergence_d"].notna()]
    table["up"] = table["sow_date"] + pd.to_timedelta(table["emergence_d"], unit="D")
    table["sown_in"] = table["sow_date"].dt.year  # the weather year is that of the sowing
    table = table.sort_values("sow_date", kind="stable")
    later = table.groupby(["gap_id", "cover_id", "weather_year", "sown_in"], sort=False)["up"].diff().dropna()
    assert len(later) > 100_000
    assert (later >= pd.Timedelta(days=-1)).all()  # one day: 29 February of the weather year, not of the plan's


def test_seed_of_order_geojson_and_map_is_the_same_to_the_gram(sample_plan):
    order = int(sample_plan.seed_order["seed_g"].sum())
    features = plan_features(sample_plan)["features"]
    assert order > 0
    assert sum(f["properties"]["seed_g"] for f in features) == order
    assert map_payload(sample_plan)["totals"]["seed_g_all"] == order


def test_the_same_farm_gives_the_same_plan_whatever_the_row_order(sample_farm, sample_plan):
    turned = dataclasses.replace(sample_farm, crop_calendar=sample_farm.crop_calendar.iloc[::-1].reset_index(drop=True))
    again = plan_farm(turned)
    assert json.dumps(plan_features(again), sort_keys=True) == json.dumps(plan_features(sample_plan), sort_keys=True)


def test_a_disease_known_on_a_block_is_a_gate(sample_farm, sample_plan):
    shares = sample_plan.suitability[
        (sample_plan.suitability["criterion"] == "shared disease") & (sample_plan.suitability["kind"] == "soft")
    ].iloc[0]
    disease = shares["reason"].split(" shares ")[1].split(" with ")[0]
    block = shares["gap_id"].rsplit("/", 1)[0]
    keep = sample_farm.crop_calendar["block_id"] == block
    settings = dataclasses.replace(sample_farm.settings, diseases={block: frozenset({disease})})
    farm = dataclasses.replace(sample_farm, settings=settings, crop_calendar=sample_farm.crop_calendar[keep])
    plan = plan_farm(farm)
    row = plan.recommendation.set_index(["gap_id", "cover_id"]).loc[(shares["gap_id"], shares["cover_id"])]
    assert row["suitability_class"] == "N"
    assert "the block has it" in row["limiting_factor"]


@pytest.mark.parametrize("system", ["metric", "us"])
def test_units_change_words_and_nothing_else(sample_farm, system):
    block = sample_farm.blocks["block_id"].iloc[0]
    keep = sample_farm.crop_calendar["block_id"] == block
    small = dataclasses.replace(
        sample_farm,
        settings=dataclasses.replace(sample_farm.settings, units=system),
        crop_calendar=sample_farm.crop_calendar[keep],
    )
    plan = plan_farm(small)
    assert int(plan.seed_order["seed_g"].sum()) == int(plan.seed_need["seed_g"].sum())
    other = plan_farm(dataclasses.replace(small, settings=dataclasses.replace(small.settings, units="metric")))
    pd.testing.assert_series_equal(plan.recommendation["score"], other.recommendation["score"])


def test_a_gap_is_judged_by_itself(sample_farm, sample_plan):
    """What the page and a plan from today rely on when they run only the gaps that have changed."""
    for gap_id in ("River 2/2", "Pond/3", "Beds 1/4"):
        gap = Gap.validate(sample_plan.gaps[sample_plan.gaps["gap_id"] == gap_id].reset_index(drop=True))
        alone, together = judge(sample_farm, gap), judged_of(sample_plan).of_gaps([gap_id])
        for name, table in vars(alone).items():
            pd.testing.assert_frame_equal(table, getattr(together, name), obj=f"{name} of {gap_id}")
