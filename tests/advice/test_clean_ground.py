"""No cover compared with the cover: nothing dropped, gates, who is better and why, the stale seedbed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from greengap.advice.clean_ground import WAYS, quantiles, stretch_of
from greengap.advice.stale_seedbed import kept_by
from greengap.clean_ground_of import find_without_cover
from greengap.farm.settings import Costs

SHORT, LONG = "River 1/2", "Low Corner/2"  # gaps of the sample farm: seven weeks of July and August, and autumn to May


@pytest.fixture(scope="module")
def found(sample_farm, sample_plan):
    return find_without_cover(sample_farm, sample_plan)


def with_settings(plan, **changed):
    return replace(plan, settings=replace(plan.settings, **changed))


def rows(table, gap_id):
    return table[table["gap_id"] == gap_id].set_index("way")


def test_every_gap_has_every_way_and_one_that_is_better(found, sample_plan):
    table = found.clean_ground
    assert list(table["gap_id"].drop_duplicates()) == list(sample_plan.gaps["gap_id"])
    for gap_id, ways in table.groupby("gap_id"):
        assert set(WAYS) <= set(ways["way"])
        assert not ways["way"].duplicated().any()
        assert ways["better"].sum() == 1, gap_id
        assert (ways["verdict"] == ways["verdict"].iloc[0]).all()
        assert ways["verdict"].iloc[0].endswith(".")
        assert ways["verdict"].iloc[0].count(". ") == 0
    sown = sample_plan.allocation.dropna(subset="option_id")
    beside = table[table["way"] == "cover"].set_index("gap_id")["cover_id"]
    assert (beside[sown["gap_id"]].to_numpy() == sown["cover_id"].to_numpy()).all()
    assert list(found.stale_seedbed["gap_id"]) == list(sample_plan.gaps["gap_id"])


def test_measures_lie_where_they_can(found):
    table = found.clean_ground
    assert (table["bare_p10_d"] <= table["bare_p50_d"]).all()
    assert (table["bare_p90_d"] <= table["days"]).all()
    assert (table["weeds_seeding_p50_share"] <= table["weeds_seeding_p90_share"] + 1e-12).all()
    harrow, tarp, leave = (table[table["way"] == way].set_index("gap_id") for way in ("harrow", "tarp", "leave"))
    assert (harrow["bare_p50_d"] == harrow["days"]).all()
    assert (tarp["bare_p90_d"] == 0).all()
    assert (harrow["weeds_standing_p50_share"] <= leave["weeds_standing_p50_share"] + 1e-9).all()
    assert (harrow["seed_free_years"] >= leave["seed_free_years"]).all()
    assert (harrow["water_p50_mm"] == 0).all(), "harrowed ground is the bare ground that covers are held against"
    assert (tarp["leached_p50_kg_ha"] == 0).all()
    assert leave["nitrate_p50_kg_ha"].isna().all()
    assert (leave["passes_p90"] == 0).all()
    assert (leave["hours"] == 0).all()


def test_sometimes_bare_ground_wins_and_sometimes_the_cover(found):
    beside = found.clean_ground[found.clean_ground["way"] == "cover"]
    assert beside["better"].any()
    assert not beside["better"].all()
    assert "is better" in rows(found.clean_ground, LONG)["verdict"].iloc[0]
    cover = rows(found.clean_ground, LONG).loc["cover"]
    assert cover["better"]
    assert cover["served_share"] > rows(found.clean_ground, LONG).loc["harrow", "served_share"]


def test_ground_that_grows_nothing_before_the_crop_is_left(found):
    winter = rows(found.clean_ground, "River 1/1")  # January to the first days of April
    assert winter.loc["leave", "better"]
    assert winter.loc["harrow", "passes_p90"] <= 1
    assert "nothing to do in most years" in winter.loc["harrow", "why_not"]


def test_what_the_farm_does_not_have_is_not_offered_and_said(sample_farm, sample_plan):
    bare_hands = with_settings(sample_plan, equipment=frozenset({"drill"}))
    table = find_without_cover(sample_farm, bare_hands, [SHORT])
    ways = rows(table.clean_ground, SHORT)
    assert ways["offered"].to_dict() == {"cover": True, "harrow": False, "tarp": False, "mow": False, "leave": True}
    assert ways.loc["harrow", "why_not"] == "there is no harrow"
    assert ways.loc["tarp", "why_not"] == "there is no tarp"
    assert not table.stale_seedbed["fits"].any()
    assert table.stale_seedbed["sentence"].iloc[0] == "A stale seedbed needs a harrow, and there is none."


def test_tarps_reach_only_so_far_and_a_part_is_never_the_answer(found, sample_plan):
    rule = sample_plan.catalogue.rule
    area = sample_plan.blocks.set_index("block_id")["area_sown_m2"]
    tarps = found.clean_ground[found.clean_ground["way"] == "tarp"]
    assert (tarps["area_m2"].to_numpy() == np.minimum(area[tarps["block_id"]], rule("tarp_area")).to_numpy()).all()
    large = tarps["area_m2"] < area[tarps["block_id"]].to_numpy()
    assert large.any()
    assert not tarps.loc[large, "better"].any()
    assert tarps.loc[large & tarps["offered"], "why_not"].str.startswith("reaches 0.20 ha of ").all()


def test_steep_ground_that_lies_bare_is_said_to_wash(sample_farm, sample_plan):
    steep = replace(sample_plan, ground=sample_plan.ground.assign(steep=True))
    ways = rows(find_without_cover(sample_farm, steep, [SHORT]).clean_ground, SHORT)
    assert "on a slope that washes" in ways.loc["harrow", "why_not"]
    assert "washes" not in ways.loc["tarp", "why_not"]


def test_money_is_told_only_where_every_price_is_known(found, sample_farm, sample_plan):
    ways = rows(found.clean_ground, SHORT)
    assert ways.loc[["harrow", "mow", "tarp"], "cost"].isna().all()
    assert ways.loc["leave", "cost"] == 0
    priced = with_settings(sample_plan, costs=Costs("USD", machine_h=60.0, hand_h=20.0, tarp_m2=0.1))
    dear = rows(find_without_cover(sample_farm, priced, [SHORT]).clean_ground, SHORT)
    assert dear.loc["harrow", "cost"] == pytest.approx(60 * dear.loc["harrow", "hours"])
    area = dear.loc["tarp", "area_m2"]
    assert dear.loc["tarp", "cost"] == pytest.approx(area / 250 * 20 + 0.1 * area)  # 250 m² an hour, derived
    assert (dear.loc[["harrow", "tarp", "mow"], "currency"] == "USD").all()
    no_tarp_price = with_settings(sample_plan, costs=Costs("USD", machine_h=60.0, hand_h=20.0))
    assert np.isnan(
        rows(find_without_cover(sample_farm, no_tarp_price, [SHORT]).clean_ground, SHORT).loc["tarp", "cost"]
    )


def test_hours_are_ground_over_what_an_hour_does(found, sample_plan):
    ways, rule = rows(found.clean_ground, SHORT), sample_plan.catalogue.rule
    harrow = ways.loc["harrow"]
    assert harrow["hours"] == pytest.approx(harrow["passes_p50"] * harrow["area_m2"] / rule("harrow_work"))
    cover = ways.loc["cover"]  # sown, mown and turned under
    each = sum(1 / rule(f"{work}_work") for work in ("sow", "mow", "till"))
    assert cover["passes_p50"] == 3
    assert cover["hours"] == pytest.approx(cover["area_m2"] * each)


def test_us_words(sample_farm, sample_plan):
    us = with_settings(sample_plan, units="us")
    table = find_without_cover(sample_farm, us, ["Upper Bench/1"]).clean_ground
    assert " ac" in rows(table, "Upper Bench/1").loc["tarp", "why_not"]
    assert " kg/ha" not in table["verdict"].iloc[0]
    assert " mm" not in table["verdict"].iloc[0]


def test_a_part_of_the_gaps_is_told_as_in_the_whole(found, sample_farm, sample_plan):
    alone = find_without_cover(sample_farm, sample_plan, [LONG, SHORT])
    for name in ("clean_ground", "stale_seedbed", "flush"):
        whole = getattr(found, name)
        some = whole[whole["gap_id"].isin([LONG, SHORT])].reset_index(drop=True)
        pd.testing.assert_frame_equal(pd.DataFrame(getattr(alone, name)), pd.DataFrame(some))


# -- the stale seedbed ---------------------------------------------------------------------------------


def test_the_flush_rises_and_its_band_is_in_order(found):
    flush = found.flush
    assert (flush["up_p10_share"] <= flush["up_p50_share"]).all()
    assert (flush["up_p50_share"] <= flush["up_p90_share"]).all()
    assert (flush["killed_years"] <= flush["up_years"]).all()
    assert (flush["up_years"] <= flush["years"]).all()
    for _, one in flush.groupby("gap_id"):
        assert one["date"].is_monotonic_increasing
        for column in ("up_p10_share", "up_p50_share", "up_p90_share", "up_years", "killed_years"):
            assert (one[column].diff().dropna() >= -1e-12).all()


def test_the_killing_pass_keeps_the_wanted_odds_and_says_whether_the_cover_still_fits(found, sample_plan):
    wanted, seen = sample_plan.settings.wanted_odds, set()
    for row in found.stale_seedbed.itertuples():
        if pd.isna(row.kill_on):
            assert not row.fits
            assert row.sentence.startswith("A stale seedbed does not fit")
            continue
        assert row.killed_years >= wanted * row.years
        assert 0 < row.weeds_gone_share < 1
        seen.add((bool(row.cover_id), row.fits))
        if row.cover_id and row.fits:
            assert row.sow_on >= row.kill_on
            assert row.holds_then_years >= wanted * row.years
            assert f"holds in {row.holds_then_years} of " in row.sentence
    assert {(True, True), (True, False), (False, True)} <= seen


def test_a_bed_that_lies_open_anyway_is_counted_from_its_first_day(sample_plan):
    gap = sample_plan.gaps.iloc[1]
    assert stretch_of(gap, 0).first == gap.opens
    assert stretch_of(gap, 3).first == gap.opens - pd.Timedelta(days=3)
    assert stretch_of(gap, 400).first == gap.start
    assert stretch_of(gap, 0).last == gap.end


def test_kept_by_takes_the_year_that_fills_the_share():
    days = np.array([9.0, 12.0, 10.0, 30.0, np.inf])
    assert [kept_by(days, share) for share in (0.2, 0.6, 0.8, 1.0)] == [9.0, 12.0, 30.0, np.inf]


def test_quantiles_are_numpys_over_the_years_that_ran():
    values, ran = np.random.default_rng(3).normal(size=(4, 9)), np.ones((4, 9), dtype=bool)
    ran[1, 2:5] = False
    ran[2, :] = False
    for share in (0.1, 0.5, 0.9):
        got = quantiles(values, ran, (share,))[0]
        for k in (0, 1, 3):
            assert got[k] == pytest.approx(np.quantile(values[k][ran[k]], share))
        assert np.isnan(got[2])


# -- edges ---------------------------------------------------------------------------------------------


def test_a_farm_without_gaps_and_weather_that_covers_none_are_no_fault(sample_farm, sample_plan):
    nothing = find_without_cover(sample_farm, sample_plan, [])
    assert [len(table) for table in (nothing.clean_ground, nothing.stale_seedbed, nothing.flush)] == [0, 0, 0]
    short = replace(sample_farm, weather=sample_farm.weather.sel(date=slice("2024-03-01", "2024-12-31")))
    found = find_without_cover(short, sample_plan, [LONG])
    ways = rows(found.clean_ground, LONG)
    assert not ways["offered"].any()
    assert not ways["better"].any()
    assert (ways["years"] == 0).all()
    assert ways["verdict"].iloc[0].startswith("No weather year covers the gap completely")
    assert found.flush.empty
    assert found.stale_seedbed["sentence"].iloc[0] == "No weather year covers the gap completely."
