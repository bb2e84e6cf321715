"""What is left for the next crop, and what the next crop asks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from greengap.advice.after import crop_uptake_kg_ha
from greengap.advice.next_crop import farm_ending, next_crops, pest_interval_d
from greengap.catalogue import load_catalogue

CATALOGUE = load_catalogue()
WITH_NITROGEN = sorted(
    key for key, v in CATALOGUE.vegetables.items() if {"nitrogen_recommendation", "days_to_harvest"} <= v.values.keys()
)


@pytest.mark.parametrize("crop", WITH_NITROGEN)
def test_a_crop_takes_up_what_is_recommended_by_its_harvest_and_never_gives_back(crop):
    value = CATALOGUE.vegetables[crop].values["nitrogen_recommendation"]
    total = value.number if value.number is not None else (value.low + value.high) / 2
    taken = crop_uptake_kg_ha(crop, np.arange(0, 400.0), CATALOGUE)
    assert taken[0] < 0.02 * total
    assert taken[-1] == pytest.approx(total, rel=0.02)
    assert (np.diff(taken) >= 0).all()


def test_a_crop_that_nobody_knows_takes_up_nobody_knows_what():
    assert np.isnan(crop_uptake_kg_ha("moon melon", np.array([0.0, 30.0]), CATALOGUE)).all()


def test_crops_that_seedcorn_maggots_take_wait_and_small_seed_waits():
    green, small = (int(CATALOGUE.rule(f"pest_wait_{kind}")) for kind in ("green", "small_seeded"))
    bean, lettuce, carrot = (CATALOGUE.vegetables[k] for k in ("snap_bean", "lettuce", "carrot"))
    assert pest_interval_d(bean, "seeded", CATALOGUE) >= green
    assert pest_interval_d(carrot, "seeded", CATALOGUE) >= small
    assert pest_interval_d(lettuce, "transplanted", CATALOGUE) in (0, green)
    assert pest_interval_d(None, "seeded", CATALOGUE) == 0


def test_a_gap_without_a_next_crop_has_nothing_to_wait_for(sample_farm, sample_plan):
    crops = next_crops(sample_plan.gaps, sample_farm.settings, sample_farm.catalogue)
    followed = sample_plan.gaps[sample_plan.gaps["crop_after"].astype(bool)]
    assert set(crops) == set(followed["gap_id"])
    for gap in followed.itertuples():
        assert crops[gap.gap_id].date == gap.end + pd.Timedelta(days=1)
        assert crops[gap.gap_id].sown == (gap.establishment_after == "seeded")


@pytest.mark.parametrize(("tools", "worked_in", "chopped"), [
    ({"tillage", "mower"}, True, True), ({"tillage"}, True, False), ({"mower"}, False, True), (set(), False, False),
])  # fmt: skip
def test_a_farm_ends_covers_with_the_machines_it_has(sample_farm, tools, worked_in, chopped):
    from dataclasses import replace

    ending = farm_ending(replace(sample_farm.settings, equipment=frozenset(tools)))
    assert (ending.incorporated, ending.chopped) == (worked_in, chopped)


def test_the_table_counts_what_the_season_holds(sample_plan):
    """Medians and counts reckoned again from the season, for every cover of some gaps."""
    plan = sample_plan
    by_option = plan.season.groupby("option_id")
    rows = plan.after[plan.after["gap_id"].isin(["Pond/2", "Beds 2/2", "River 1/2"])]
    assert len(rows) > 20
    for row in rows.itertuples():
        years = by_option.get_group(row.option_id)
        assert row.years == len(years)
        assert row.ready_years == int(years["residue_clear"].sum())
        assert row.waiting_p50_d == pytest.approx(np.quantile(years["waiting_d"], 0.5))
        assert row.biomass_p50_kg_ha == pytest.approx(np.quantile(years["biomass_kg_ha"], 0.5))
        drivers = years["waiting_driver"].astype(str).value_counts()
        assert drivers[row.waiting_driver] == drivers.max()
        at = plan.nitrogen[(plan.nitrogen["gap_id"] == row.gap_id) & (plan.nitrogen["cover_id"] == row.cover_id)]
        for given in at.itertuples():
            same = years[f"nitrogen_{given.after_planting_d}d_kg_ha"].quantile([0.1, 0.5, 0.9]).to_numpy()
            found = [given.release_p10_kg_ha, given.release_p50_kg_ha, given.release_p90_kg_ha]
            np.testing.assert_allclose(found, same)
