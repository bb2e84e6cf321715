"""The plan of July knows that June was dry, and the plan of next year does not."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from greengap import plan_farm, read_farm
from greengap.clean_ground_of import find_without_cover
from greengap.farm.season_record import record_of
from greengap.pack import pack, unpack
from greengap.plan import weather_of_gaps
from greengap.stand_check_of import check_stand

SAMPLE = Path(__file__).resolve().parents[1] / "sample_fields"
LAST = pd.Timestamp("2027-07-12")


@pytest.fixture(scope="module")
def folder(tmp_path_factory, sample_farm) -> Path:
    """The sample farm with a dry, warm first half of 2027, made up."""
    folder = Path(shutil.copytree(SAMPLE, tmp_path_factory.mktemp("season") / "farm"))
    site = sample_farm.weather.isel(site_id=0)
    year = site.sel(date=slice("2010-01-01", "2010-07-12"))
    days = pd.DataFrame(
        {
            "date": pd.date_range("2027-01-01", LAST),
            "tmin_c": year["tmin_degc"].to_numpy() + 2,
            "tmax_c": year["tmax_degc"].to_numpy() + 2,
            "precip_mm": 0.0,
        }
    )
    days.to_csv(folder / "gauge.csv", index=False)
    text = (folder / "farm.toml").read_text(encoding="utf-8")
    text = text.replace('weather = "weather.nc"', 'this_season = "gauge.csv"\nweather = "weather.nc"')
    text += '\n[station]\nname = "Yard"\nlat = 48.55\nlon = 13.9\n'
    (folder / "farm.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def plan(folder):
    return plan_farm(read_farm(folder))


def test_gaps_of_other_years_do_not_see_it_and_those_over_new_year_only_from_their_beginning(plan, sample_plan):
    gaps = sample_plan.gaps
    within = (gaps["start"].dt.year == 2027) & (gaps["end"].dt.year == 2027)
    later = (gaps["start"] - pd.Timedelta(days=40) > LAST) & ~within  # its first sowing looks 40 days back
    odds, before = (p.odds.merge(p.options[["option_id", "gap_id"]]) for p in (plan, sample_plan))
    other = before["gap_id"].isin(gaps.loc[later, "gap_id"])
    over = before["gap_id"].isin(gaps.loc[~later & ~within, "gap_id"])
    assert other.any()
    assert over.any()
    pd.testing.assert_frame_equal(odds[other], before[other])
    assert not odds[over].equals(before[over])
    assert not odds[~other & ~over].equals(before[~other & ~over])


def test_ground_without_a_cover_sees_the_same_days(folder, plan, sample_plan):
    farm, gap_id = read_farm(folder), "River 1/2"
    parts = weather_of_gaps(farm, plan.gaps)
    assert sorted(gap for some, _ in parts for gap in some["gap_id"]) == sorted(plan.gaps["gap_id"])
    found = find_without_cover(farm, plan)
    assert list(found.clean_ground["gap_id"].drop_duplicates()) == list(plan.gaps["gap_id"])
    flush = found.flush[found.flush["gap_id"] == gap_id].set_index("date")
    past = flush[flush.index <= LAST]
    assert len(past) > 1
    # These days are the same in every weather year, but for 29 February and the soil of the winter before.
    assert (past["up_p90_share"] - past["up_p10_share"]).max() < 0.001
    assert (flush["up_p90_share"] - flush["up_p10_share"]).max() > 0.02


def test_a_stand_is_judged_with_the_days_that_it_has_had(folder, sample_farm):
    base = {"written": "2027-07-12T06:00:00Z", "who": "", "block_id": "Pond", "gap_id": "Pond/2"}
    rows = [base | {"what": "sown", "date": pd.Timestamp("2027-07-02"), "cover_id": "buckwheat"}]
    rows += [
        base | {"what": "stand", "date": LAST, "frame": n, "frame_area_m2": 0.1, "plants": p}
        for n, p in enumerate((14, 17, 12), start=1)
    ]
    up, notes = [], []
    for farm in (read_farm(folder), sample_farm):
        found = check_stand(replace(farm, record=record_of(rows)), "Pond/2", LAST)
        up.append((found.beforehand.up_on[2] - found.beforehand.up_on[0]).days)
        notes.append(any("not in the farm" in note for note in found.notes))
    assert up[0] == 0  # these days are the same in every weather year
    assert notes == [False, True]


def test_what_is_past_is_the_same_in_every_weather_year(plan, sample_plan):
    gaps = plan.gaps.set_index("gap_id")
    past = plan.options[
        plan.options["sow_date"].between(pd.Timestamp("2027-03-01"), LAST - pd.Timedelta(days=15))
        & (plan.options["gap_id"].map(gaps["start"]).dt.year == 2027)
        & (plan.options["gap_id"].map(gaps["end"]).dt.year == 2027)
    ]
    agreed = []
    for one in (plan, sample_plan):
        warm = one.season[one.season["option_id"].isin(past["option_id"])].groupby("option_id")["soil_warm"]
        assert warm.ngroups > 50
        agreed.append((warm.min() == warm.max()).mean())
    # Not quite all: the water of last winter, which is each year's own, still cools or warms the soil a little.
    assert agreed[0] > 0.97
    assert agreed[1] < 0.9


def test_a_dry_half_year_drains_less_and_asks_for_more_water(plan, sample_plan):
    gaps = plan.gaps[(plan.gaps["start"].dt.year == 2027) & (plan.gaps["end"].dt.year == 2027)]
    options = plan.options[
        plan.options["gap_id"].isin(gaps["gap_id"]) & plan.options["sow_date"].between(pd.Timestamp("2027-05-01"), LAST)
    ]
    assert len(options) > 20
    drained, watered = (
        [p.season[p.season["option_id"].isin(options["option_id"])][what].mean() for p in (plan, sample_plan)]
        for what in ("drainage_mm", "irrigation_mm")
    )
    assert drained[0] < drained[1]
    assert watered[0] > watered[1]


def test_the_farm_file_carries_it(folder, plan, tmp_path):
    path = pack(folder, tmp_path / "farm.gpkg")
    unpack(path, tmp_path / "again")
    for where in (path, tmp_path / "again"):
        again = plan_farm(read_farm(where))
        pd.testing.assert_frame_equal(again.odds, plan.odds)
