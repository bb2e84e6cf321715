"""Gaps between crops: counted by hand, across New Year, with soft ends, and as properties."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from greengap.farm.gaps import find_gaps
from greengap.tables import CropCalendar

AS_IN_THE_CATALOGUE = SimpleNamespace(stale_seedbed_d=0, clean_up_d=None, seedbed_d=None, waiting_d={})


def a_crop(block, crop, establishment, start, end, **soft) -> dict:
    """A row; `soft` gives early and late days where they differ from the usual ones."""
    row = {"block_id": block, "crop": crop, "establishment": establishment}
    row |= {f"start_{s}": start for s in ("early", "usual", "late")} | {
        f"end_{s}": end for s in ("early", "usual", "late")
    }
    return row | soft


def a_calendar(*rows: dict) -> pd.DataFrame:
    columns = list(CropCalendar.to_schema().columns)
    return CropCalendar.validate(pd.DataFrame(list(rows), columns=columns))


GARLIC = a_crop("Home", "garlic", "planted", "2026-10-15", "2027-07-10")
CARROT = a_crop("Home", "carrot", "seeded", "2027-08-25", "2027-11-05")
TOMATO = a_crop("Home", "tomato", "transplanted", "2028-05-20", "2028-09-30")


@pytest.fixture(scope="module")
def home(catalogue):
    return find_gaps(a_calendar(TOMATO, GARLIC, CARROT), AS_IN_THE_CATALOGUE, catalogue).set_index("gap_id")


def test_gaps_are_numbered_by_date_with_the_crops_around_them(home):
    assert list(home.index) == ["Home/1", "Home/2", "Home/3", "Home/4"]
    assert list(home["crop_before"]) == ["", "garlic", "carrot", "tomato"]
    assert list(home["crop_after"]) == ["garlic", "carrot", "tomato", ""]
    assert list(home["establishment_after"]) == ["planted", "seeded", "transplanted", ""]
    assert list(home["season"]) == ["early spring", "midsummer", "overwinter", "autumn"]


def test_a_gap_counts_up_as_on_the_fingers(home):
    gap = home.loc["Home/2"]
    # garlic off on 10 July, carrots in on 25 August: 11 July to 24 August
    assert (gap["start"], gap["end"], gap["length_d"]) == (
        pd.Timestamp(2027, 7, 11),
        pd.Timestamp(2027, 8, 24),
        21 + 24,
    )
    # 3 days to clear, 4 for the seedbed; 21 days of waiting before small seed
    assert (gap["clean_up_d"], gap["seedbed_d"], gap["waiting_d"]) == (3, 4, 21)
    assert (gap["opens"], gap["closes"]) == (pd.Timestamp(2027, 7, 18), pd.Timestamp(2027, 8, 4))
    assert gap["usable_p10_d"] == gap["usable_p50_d"] == gap["usable_p90_d"] == 14 + 4


def test_a_gap_over_new_year_is_one_gap(home):
    gap = home.loc["Home/3"]
    assert (gap["start"], gap["end"]) == (pd.Timestamp(2027, 11, 6), pd.Timestamp(2028, 5, 19))
    assert gap["length_d"] == 25 + 31 + 31 + 29 + 31 + 30 + 19
    assert gap["waiting_d"] == 10


def test_before_the_first_crop_nothing_is_cleared_and_after_the_last_nothing_is_waited_for(home):
    first, last = home.loc["Home/1"], home.loc["Home/4"]
    assert (first["start"], first["opens"], first["clean_up_d"]) == (
        pd.Timestamp(2026, 1, 1),
        pd.Timestamp(2026, 1, 5),
        0,
    )
    assert first["opens_early"] == first["opens_late"] == first["opens"]
    assert (last["end"], last["closes"], last["waiting_d"]) == (
        pd.Timestamp(2028, 12, 31),
        pd.Timestamp(2028, 12, 31),
        0,
    )
    assert last["closes_early"] == last["closes_late"] == last["closes"]


def test_the_last_gap_of_every_block_runs_to_the_end_of_the_whole_calendar(catalogue):
    hill = a_crop("Hill", "tomato", "transplanted", "2027-05-20", "2027-09-30")
    gaps = find_gaps(a_calendar(GARLIC, CARROT, TOMATO, hill), AS_IN_THE_CATALOGUE, catalogue)
    last = gaps[gaps["block_id"] == "Hill"].iloc[-1]
    assert last["end"] == pd.Timestamp(2028, 12, 31)
    assert last["season"] == "overwinter"


def test_days_of_the_farm_come_before_those_of_the_catalogue(catalogue):
    own = SimpleNamespace(stale_seedbed_d=0, clean_up_d=0, seedbed_d=1, waiting_d={"seeded": 5})
    gap = find_gaps(a_calendar(GARLIC, CARROT), own, catalogue).set_index("gap_id").loc["Home/2"]
    assert (gap["clean_up_d"], gap["seedbed_d"], gap["waiting_d"]) == (0, 1, 5)


@pytest.mark.parametrize(
    ("crop", "establishment", "waiting_d"),
    [
        ("carrot", "seeded", 21),
        ("snap_bean", "seeded", 14),
        ("lettuce", "transplanted", 10),
        ("garlic", "planted", 12),
        ("the farm's own word", "seeded", 14),
    ],
)
def test_waiting_depends_on_how_the_next_crop_is_set_up(catalogue, crop, establishment, waiting_d):
    after = a_crop("Home", crop, establishment, "2027-08-25", "2027-11-05")
    gaps = find_gaps(a_calendar(GARLIC, after), AS_IN_THE_CATALOGUE, catalogue)
    assert gaps["waiting_d"].iloc[1] == waiting_d


def test_a_gap_of_a_week_is_listed_and_a_shorter_one_is_not(catalogue):
    week = a_crop("Home", "lettuce", "transplanted", "2027-07-18", "2027-12-31")
    less = a_crop("Home", "lettuce", "transplanted", "2027-07-17", "2027-12-31")
    assert find_gaps(a_calendar(GARLIC, week), AS_IN_THE_CATALOGUE, catalogue)["length_d"].to_list()[1:] == [7]
    assert len(find_gaps(a_calendar(GARLIC, less), AS_IN_THE_CATALOGUE, catalogue)) == 1


def test_a_gap_too_short_for_its_own_work_has_usable_days_below_zero(catalogue):
    after = a_crop("Home", "carrot", "seeded", "2027-07-20", "2027-11-05")
    gap = find_gaps(a_calendar(GARLIC, after), AS_IN_THE_CATALOGUE, catalogue).iloc[1]
    assert gap["length_d"] == 9
    assert gap["usable_p50_d"] == 9 + 1 - 3 - 4 - 21


def test_soft_ends_give_a_range_as_drawing_at_random_does(catalogue):
    before = GARLIC | {"end_early": "2027-07-01", "end_late": "2027-07-25"}
    after = CARROT | {"start_early": "2027-08-20", "start_late": "2027-09-15"}
    gap = find_gaps(a_calendar(before, after), AS_IN_THE_CATALOGUE, catalogue).iloc[1]
    assert (gap["opens_early"], gap["opens_late"]) == (pd.Timestamp(2027, 7, 9), pd.Timestamp(2027, 8, 2))
    assert (gap["closes_early"], gap["closes_late"]) == (pd.Timestamp(2027, 7, 30), pd.Timestamp(2027, 8, 25))
    # days from 1 July: opens 8, 17, 32; closes 29, 34, 55
    random = np.random.default_rng(1)
    usable = random.triangular(29, 34, 55, 200_000) - random.triangular(8, 17, 32, 200_000) + 1
    expected = np.quantile(usable, [0.1, 0.5, 0.9])
    found = gap[["usable_p10_d", "usable_p50_d", "usable_p90_d"]].to_numpy(float)
    assert found == pytest.approx(expected, abs=0.75)  # whole days, and a grid of 25 by 25


@pytest.mark.parametrize(
    ("end", "start", "north", "south"),
    [
        ("2027-02-28", "2027-04-20", "early spring", "autumn"),
        ("2027-06-20", "2027-08-10", "midsummer", "overwinter"),
        ("2027-09-01", "2027-11-15", "autumn", "early spring"),
        ("2027-10-15", "2028-04-01", "overwinter", "early spring"),
        ("2027-12-10", "2028-02-01", "overwinter", "midsummer"),
    ],
)
def test_seasons_are_half_a_year_apart_on_the_two_halves_of_the_earth(catalogue, end, start, north, south):
    rows = [
        a_crop("Home", "snap_bean", "seeded", "2027-01-01", end),
        a_crop("Home", "tomato", "transplanted", start, "2028-12-31"),
    ]
    for southern, season in ((False, north), (True, south)):
        gaps = find_gaps(a_calendar(*rows), AS_IN_THE_CATALOGUE, catalogue, southern=southern)
        assert gaps["season"].to_list() == [season]


def test_blocks_come_in_order_of_their_numbers(catalogue):
    rows = [a_crop(f"R{i}", "tomato", "transplanted", "2027-05-20", "2027-09-30") for i in (10, 2, 1)]
    gaps = find_gaps(a_calendar(*rows), AS_IN_THE_CATALOGUE, catalogue)
    assert gaps["block_id"].drop_duplicates().to_list() == ["R1", "R2", "R10"]


def test_overlapping_crops_are_a_broken_promise(catalogue):
    with pytest.raises(ValueError, match="garlic and carrot overlap on block Home"):
        find_gaps(a_calendar(GARLIC, CARROT | {"start_usual": "2027-07-01"}), AS_IN_THE_CATALOGUE, catalogue)


def test_an_empty_calendar_has_no_gaps(catalogue):
    assert find_gaps(a_calendar(), AS_IN_THE_CATALOGUE, catalogue).empty


# --- properties --------------------------------------------------------------------------------

CROPS = ["snap_bean", "carrot", "garlic", "lettuce", "tomato", "something else"]
# bare days before, days that the crop stands, how soft its start and end are
crops_in_a_row = st.lists(
    st.tuples(st.integers(0, 120), st.integers(1, 250), st.integers(0, 15), st.integers(0, 15), st.sampled_from(CROPS)),
    min_size=1,
    max_size=5,
)
farms = st.dictionaries(st.sampled_from(["A", "B2", "B10"]), crops_in_a_row, min_size=1, max_size=3)


def grown(farm, first="2026-03-01") -> pd.DataFrame:
    rows = []
    for block, crops in farm.items():
        day = pd.Timestamp(first)
        for bare_d, standing_d, soft_start_d, soft_end_d, crop in crops:
            start = day + pd.Timedelta(days=bare_d)
            end = start + pd.Timedelta(days=standing_d - 1)
            softness = {
                "start_early": start - pd.Timedelta(days=soft_start_d),
                "end_late": end + pd.Timedelta(days=soft_end_d),
            }
            rows.append(a_crop(block, crop, "seeded", start, end, **softness))
            day = end + pd.Timedelta(days=1)
    return a_calendar(*rows)


@settings(max_examples=40)
@given(farm=farms, seed=st.integers(0, 2**16))
def test_shuffled_rows_give_the_same_gaps(catalogue, farm, seed):
    calendar = grown(farm)
    shuffled = calendar.sample(frac=1, random_state=seed)
    pd.testing.assert_frame_equal(
        find_gaps(calendar, AS_IN_THE_CATALOGUE, catalogue), find_gaps(shuffled, AS_IN_THE_CATALOGUE, catalogue)
    )


@settings(max_examples=40)
@given(farm=farms, moved_d=st.integers(-1500, 1500))
def test_moving_all_dates_changes_no_length_between_crops(catalogue, farm, moved_d):
    calendar = grown(farm)
    moved = calendar.copy()
    dates = [c for c in calendar.columns if c.startswith(("start", "end"))]
    moved[dates] += pd.Timedelta(days=moved_d)
    columns = ["block_id", "crop_before", "crop_after", "length_d", "usable_p10_d", "usable_p50_d", "usable_p90_d"]
    one, other = (find_gaps(c, AS_IN_THE_CATALOGUE, catalogue) for c in (calendar, moved))
    one, other = (g.loc[(g["crop_before"] != "") & (g["crop_after"] != ""), columns] for g in (one, other))
    pd.testing.assert_frame_equal(one.reset_index(drop=True), other.reset_index(drop=True))


@settings(max_examples=40)
@given(farm=farms)
def test_gaps_and_crops_tile_the_calendar(catalogue, farm):
    calendar = grown(farm)
    gaps = find_gaps(calendar, AS_IN_THE_CATALOGUE, catalogue, shortest_d=1)
    last_day = pd.Timestamp(calendar["end_usual"].max().year, 12, 31)
    for block, crops in calendar.groupby("block_id"):
        stretches = list(zip(crops["start_usual"], crops["end_usual"], strict=True))
        own = gaps[gaps["block_id"] == block]
        stretches = sorted(stretches + list(zip(own["start"], own["end"], strict=True)))
        assert stretches[0][0] == pd.Timestamp(crops["start_usual"].min().year, 1, 1)
        assert stretches[-1][1] == last_day
        assert all(after[0] - before[1] == pd.Timedelta(days=1) for before, after in pairwise(stretches))


@settings(max_examples=40)
@given(farm=farms)
def test_every_gap_keeps_its_ends_and_ranges_in_order(catalogue, farm):
    gaps = find_gaps(grown(farm), AS_IN_THE_CATALOGUE, catalogue)
    for early, usual, late in (("opens_early", "opens", "opens_late"), ("closes_early", "closes", "closes_late")):
        assert (gaps[early] <= gaps[usual]).all()
        assert (gaps[usual] <= gaps[late]).all()
    assert (gaps["usable_p10_d"] <= gaps["usable_p50_d"]).all()
    assert (gaps["usable_p50_d"] <= gaps["usable_p90_d"]).all()
    assert (gaps["length_d"] == (gaps["end"] - gaps["start"]).dt.days + 1).all()
    widest = (gaps["closes_late"] - gaps["opens_early"]).dt.days + 1
    assert (gaps["usable_p90_d"] <= widest).all()
