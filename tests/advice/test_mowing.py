"""Windows to keep bloom in, and the order of mowing, against every order there is."""

from itertools import product

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from greengap.advice.bloom_years import Bloom, bloom_by_year
from greengap.advice.continuity import bloom_periods, hungry_stretches
from greengap.advice.mowing import FlowerDays, flower_days, in_few_goes, keep_windows, stage, stage_mowing
from greengap.catalogue import load_catalogue
from greengap.farm_flowers import find_flowers

CATALOGUE = load_catalogue()
MANY = 10**6


def opened(*blooms, days=20):
    """Whether flowers are open, from the first and last day of each block in each year."""
    d = np.arange(days)
    return np.array([[(a <= d) & (d <= b) for a, b in years] for years in blooms])


def brute_force(earliest, latest, area, open_on, m2_d):
    """The most days with flowers of all schedules that the farm can mow, day by day; None if there is none."""
    best = None
    for days in product(*(range(a, b + 1) for a, b in zip(earliest, latest, strict=True))):
        mown = np.zeros(open_on.shape[2] + 1)
        begun = True
        for m2, day, first in zip(area, days, earliest, strict=True):
            while m2 > 1e-9:  # from the last day back
                begun &= day >= first
                mown[day] += min(m2, m2_d)
                m2, day = m2 - min(m2, m2_d), day - 1
        if begun and (mown <= m2_d + 1e-9).all():
            left = sum(
                any(open_on[k, y, d] and d < days[k] for k in range(len(days)))
                for y in range(open_on.shape[1])
                for d in range(open_on.shape[2])
            )
            best = left if best is None else max(best, left)
    return best


block = st.tuples(
    st.integers(0, 6), st.integers(0, 5), st.sampled_from([1.0, 2.0, 3.0]),
    st.lists(st.tuples(st.integers(0, 8), st.integers(0, 12)), min_size=2, max_size=2),
)  # fmt: skip


@settings(max_examples=60)
@given(st.lists(block, min_size=1, max_size=4), st.sampled_from([1.0, 2.0, 3.0]))
def test_no_order_within_the_windows_leaves_more_flowers(blocks, m2_d):
    earliest = np.array([b[0] for b in blocks])
    latest = np.array([b[0] + b[1] for b in blocks])
    area = np.array([b[2] for b in blocks])
    open_on = opened(*(b[3] for b in blocks))
    wanted = brute_force(earliest, latest, area, open_on, m2_d)
    found = stage(earliest, latest, area, open_on, m2_d, MANY)
    if wanted is None:
        assert not (found.fits.all() and found.exact)
    else:
        assert found.exact
        assert found.fits.all()
        assert flower_days(open_on, found.days).sum() == wanted
        assert ((earliest <= found.days) & (found.days <= latest)).all()


def test_with_room_for_all_each_is_mown_on_its_last_day():
    open_on = opened([(0, 9)], [(2, 15)])
    found = stage(np.array([3, 5]), np.array([8, 14]), np.array([1.0, 9.0]), open_on, None, 1)
    assert found.days.tolist() == [8, 14]
    assert found.exact


def test_of_two_that_cannot_be_mown_on_one_day_the_one_with_more_flowers_stands_longer():
    # Both windows close on day 10; the first has flowers to day 9, the second only to day 4.
    open_on = opened([(0, 9)], [(0, 4)])
    found = stage(np.array([3, 3]), np.array([10, 10]), np.array([1.0, 1.0]), open_on, 1.0, MANY)
    assert found.days.tolist() == [10, 9]
    assert flower_days(open_on, found.days).tolist() == [10]


def test_a_search_that_is_given_up_says_so_and_still_keeps_to_the_windows():
    n = 6
    open_on = opened(*([(k, 14)] for k in range(n)))
    found = stage(np.zeros(n, int), np.full(n, 15), np.ones(n), open_on, 1.0, 2)
    assert not found.exact
    assert found.fits.all()
    assert sorted(found.days.tolist()) == list(range(10, 16))


def test_few_goes_are_the_fewest_that_meet_every_window():
    earliest, latest = np.array([0, 3, 9, 4]), np.array([5, 8, 12, 9])
    days = in_few_goes(earliest, latest)
    assert ((earliest <= days) & (days <= latest)).all()
    fewest = min(len(set(some)) for some in product(*(range(a, b + 1) for a, b in zip(earliest, latest, strict=True))))
    assert len(set(days.tolist())) == fewest


# ---- on days of the calendar ------------------------------------------------------------------------


def bloom(block_id, cover, *years):
    opens, closes = (np.array([y[k] if y else "NaT" for y in years], "datetime64[D]") for k in (0, 1))
    return Bloom(f"{block_id}/1", block_id, cover, np.arange(len(years)), opens, closes)


def windows_of(blooms, by):
    return pd.DataFrame(
        {
            "gap_id": [b.gap_id for b in blooms], "block_id": [b.block_id for b in blooms],
            "keep_from": [pd.Timestamp(np.nanmin(b.opens)) for b in blooms],
            "mow_by": pd.to_datetime(by), "ended_by": "seed set",
        }
    )  # fmt: skip


@pytest.fixture
def farm_blocks():
    table = pd.DataFrame({"block_id": ["A", "B"], "area_sown_m2": [10_000.0, 15_000.0]})
    return gpd.GeoDataFrame(table, geometry=[shapely.box(0, 0, 1, 1)] * 2, crs=4326)


def test_staged_mowing_keeps_flowers_where_one_go_takes_them_all(farm_blocks):
    blooms = [
        bloom("A", "buckwheat", ("2027-07-01", "2027-07-20"), ("2027-07-03", "2027-07-20")),
        bloom("B", "lacy_phacelia", ("2027-07-05", "2027-07-31"), None),
    ]
    by = ["2027-07-15", "2027-07-28"]
    mowing, flowers = stage_mowing(blooms, windows_of(blooms, by), {}, farm_blocks, None, MANY)
    assert mowing[["turn", "block_id"]].to_numpy().tolist() == [[1, "A"], [2, "B"]]
    assert [f"{d:%m-%d}" for d in mowing["mow_on"]] == ["07-15", "07-28"]
    assert [f"{d:%m-%d}" for d in mowing["together"]] == ["07-15", "07-15"]
    # 1 to 27 July in the first year, 3 to 14 July in the second; mown at once, 1 to 14 and 3 to 14.
    assert flowers.staged_d.tolist() == [27, 12]
    assert flowers.together_d.tolist() == [14, 12]
    assert flowers.goes == (2, 1)
    assert mowing["alone_d"].tolist() == [(4 + 12) / 2, 13 / 2]


def test_a_block_that_takes_days_begins_early_enough(farm_blocks):
    blooms = [bloom(b, "buckwheat", ("2027-07-01", "2027-07-20")) for b in "AB"]
    mowing, _ = stage_mowing(blooms, windows_of(blooms, ["2027-07-15"] * 2), {}, farm_blocks, 10_000.0, MANY)
    found = {m.block_id: (m.first_day.day, m.mow_on.day) for m in mowing.itertuples()}
    # 1.5 ha at 1 ha a day are a half and a whole day, and the 1 ha block needs a day of its own.
    assert found in ({"A": (15, 15), "B": (13, 14)}, {"A": (13, 13), "B": (14, 15)})
    assert mowing["fits"].all()


def test_no_turn_comes_before_the_aim_or_the_first_flower(farm_blocks):
    blooms = [bloom(b, "buckwheat", ("2027-07-01", "2027-07-20")) for b in "AB"]
    ready = {"A/1": pd.Timestamp("2027-07-09"), "B/1": pd.Timestamp("2027-06-01")}
    mowing, _ = stage_mowing(blooms, windows_of(blooms, ["2027-07-15"] * 2), ready, farm_blocks, None, MANY)
    assert {m.block_id: m.mow_from.day for m in mowing.itertuples()} == {"A": 9, "B": 1}


def days_open(*spans, until="2027-10-31"):
    days = np.arange("2027-03-01", np.datetime64(until), dtype="datetime64[D]")
    open_on = np.array(
        [[any(np.datetime64(a) <= d <= np.datetime64(b) for a, b in year) for d in days] for year in spans]
    )
    return FlowerDays(days, open_on, open_on.sum(axis=1), open_on.sum(axis=1), (0, 0), True)


def test_a_hungry_stretch_lies_between_flowers_of_one_year():
    spring, summer = ("2027-05-01", "2027-05-20"), ("2027-06-10", "2027-06-30")
    (found,) = hungry_stretches(days_open([spring, summer], [spring, summer], [spring]), 7).itertuples()
    assert (f"{found.start:%m-%d}", f"{found.end:%m-%d}", found.length_d) == ("05-21", "06-09", 20)
    assert (found.empty_years, found.years) == (3, 3)
    assert hungry_stretches(days_open([spring, summer], [spring, summer]), 21).empty


def test_three_species_are_asked_for_in_each_of_three_periods():
    blooms = [
        bloom("A", "crimson_clover_oat", ("2027-05-01", "2027-05-20"), ("2027-05-03", "2027-05-22")),
        bloom("B", "buckwheat", ("2027-07-01", "2027-07-20"), None),
        bloom("C", "flax", None, None, ("2027-07-01", "2027-07-20")),
    ]
    found = bloom_periods(blooms, days_open([("2027-05-01", "2027-05-20")] * 2), CATALOGUE, southern=False)
    assert found[["period", "species", "names", "wanted"]].to_numpy().tolist() == [
        ["spring", 1, "crimson_clover", 3], ["summer", 1, "buckwheat", 3], ["fall", 0, "", 3],
    ]  # fmt: skip
    assert list(found["start"].dt.month) == [3, 6, 9]
    southern = bloom_periods(blooms, days_open([]), CATALOGUE, southern=True)
    assert dict(zip(southern["period"], southern["start"].dt.month, strict=True)) == {
        "spring": 9, "summer": 12, "fall": 3,
    }  # fmt: skip


# ---- on the sample farm ------------------------------------------------------------------------------


def test_a_window_ends_before_the_day_of_mowing_and_counts_its_years(sample_plan):
    p = sample_plan
    blooms = bloom_by_year(p.allocation, p.options, p.season)
    windows = keep_windows(blooms, p.allocation, p.options, p.odds, p.season)
    odds = p.odds.set_index("option_id")
    chosen = p.allocation.dropna(subset="option_id").set_index("gap_id")["option_id"]
    assert len(windows) == len(blooms) > 0
    for w in windows.itertuples():
        told = odds.loc[chosen[w.gap_id]]
        assert w.keep_from <= w.keep_until < w.mow_by
        if told["ended_by"] != "frost":
            assert w.mow_by == told["terminate_by"]
        rows = p.season[p.season["option_id"] == chosen[w.gap_id]]
        assert w.days_p50 == rows["bloom_d"].median()  # of all years, those without a flower with none
        assert w.bloom_years == (rows["bloom_d"] > 0).sum()


def test_the_flowers_of_a_plan_are_told_whole(sample_plan):
    found = find_flowers(sample_plan)
    assert set(found.mowing["gap_id"]) <= set(found.windows["gap_id"])
    assert (found.mowing["mow_on"] <= found.mowing["mow_by"]).all()
    assert (found.flowers.staged_d >= found.flowers.together_d).all()
    assert found.conflicts.empty  # nothing is planned to be sprayed there
