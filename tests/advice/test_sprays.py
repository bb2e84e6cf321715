"""Planned sprays against blocks in flower."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod

from greengap.advice.bloom_years import Bloom, bloom_by_year, with_seen
from greengap.advice.sprays import block_distances_m, free_days, spray_conflicts, spray_table
from greengap.catalogue import load_catalogue
from greengap.farm.season_record import record_of
from greengap.farm.sprays import PlannedSpray

CATALOGUE = load_catalogue()
NEAR_M = CATALOGUE.rule("spray_near_bloom")


def square(lon, lat, side=0.001):
    return shapely.box(lon, lat, lon + side, lat + side)


@pytest.fixture(scope="module")
def blocks():
    """A and B share a side, C lies 0.004° of latitude north of A."""
    places = {"A": square(10, 48), "B": square(10.001, 48), "C": square(10, 48.005)}
    table = pd.DataFrame({"block_id": list(places), "field": "x", "area_gross_m2": 1.0, "area_sown_m2": 1.0})
    return gpd.GeoDataFrame(table, geometry=list(places.values()), crs=4326)


def bloom(block, *years, cover="buckwheat"):
    """Bloom from pairs of days, None for a year without a flower."""
    opens, closes = (np.array([y[k] if y else "NaT" for y in years], "datetime64[D]") for k in (0, 1))
    return Bloom(f"{block}/1", block, cover, np.arange(len(years)), opens, closes)


def spray(**cells):
    given = {"place": "list row 2", "block_id": "", "neighbour": "", "distance_m": None} | cells
    first = pd.Timestamp(given.pop("first"))
    return PlannedSpray(first=first, last=pd.Timestamp(given.pop("last", first)), **given)


JULY = (("2027-07-01", "2027-07-10"), ("2027-07-06", "2027-07-15"), None, ("2027-07-20", "2027-07-30"))


def test_the_rule_is_the_widest_buffer_for_a_ground_boom_that_its_source_names():
    assert pytest.approx(310 * 0.3048) == NEAR_M  # "ground boom from 0 to 310 feet", Drift and the ESA


def test_distances_are_those_of_the_ellipsoid(blocks):
    ways = block_distances_m(blocks)
    assert ways.loc["A", "A"] == ways.loc["A", "B"] == pytest.approx(0, abs=0.01)
    _, _, north = Geod(ellps="WGS84").inv(10, 48.001, 10, 48.005)
    assert ways.loc["A", "C"] == pytest.approx(north, rel=1e-5)
    assert ways.loc["C", "A"] == pytest.approx(ways.loc["A", "C"], rel=1e-9)


def test_odds_are_years_with_a_flower_open_on_one_of_the_days(blocks):
    table = spray_table([spray(block_id="A", first="2027-07-08", last="2027-07-09", harms_bees=True)])
    found = spray_conflicts(table, [bloom("A", *JULY), bloom("B", *JULY[2:])], blocks, NEAR_M)
    assert found[["block_id", "bloom_years", "years"]].to_numpy().tolist() == [["A", 2, 4]]
    (row,) = found.itertuples()
    assert (row.bloom_first, row.bloom_last) == (pd.Timestamp("2027-07-01"), pd.Timestamp("2027-07-30"))
    assert (row.end_before, row.begin_after) == (row.bloom_first, row.bloom_last)
    assert "end before 01 Jul 2027 or to begin after 30 Jul 2027" in row.advice


def test_a_spray_beside_the_flowers_counts_and_one_far_off_does_not(blocks):
    table = spray_table([spray(block_id="A", first="2027-07-08")])
    flowers = [bloom("B", *JULY), bloom("C", *JULY)]
    assert list(spray_conflicts(table, flowers, blocks, NEAR_M)["block_id"]) == ["B"]
    assert list(spray_conflicts(table, flowers, blocks, 500.0)["block_id"]) == ["B", "C"]
    assert "drift" in spray_conflicts(table, flowers, blocks, NEAR_M)["advice"].iloc[0]


@pytest.mark.parametrize(("metres", "hits"), [(0.0, 2), (90.0, 2), (None, 2), (95.0, 0)])
def test_a_neighbours_ground_counts_by_its_distance_and_one_not_known_counts_as_near(blocks, metres, hits):
    table = spray_table([spray(neighbour="lane", distance_m=metres, first="2027-07-08")])
    assert len(spray_conflicts(table, [bloom("A", *JULY), bloom("C", *JULY)], blocks, NEAR_M)) == hits


def test_what_is_not_known_counts_as_harmful_and_nothing_is_called_safe(blocks):
    said = {True: "yes", False: "no", None: "not known"}
    table = spray_table([spray(block_id="A", first="2027-07-08", harms_bees=h, call="Ann") for h in said])
    found = spray_conflicts(table, [bloom("A", *JULY)], blocks, NEAR_M)
    assert list(found["harms_bees"]) == list(said.values())
    assert found["advice"].str.contains("call before spraying: Ann").all()
    assert not found["advice"].str.contains("safe", case=False).any()
    assert "counts as harmful" in found["advice"].iloc[2]
    assert "the label again" in found["advice"].iloc[1]


def test_sorted_by_day_then_by_the_surest_flowers(blocks):
    table = spray_table([spray(block_id="A", first="2027-07-06"), spray(block_id="B", first="2027-07-22")])
    found = spray_conflicts(table, [bloom("A", *JULY), bloom("B", *JULY[:2])], blocks, NEAR_M)
    assert found[["spray", "block_id"]].to_numpy().tolist() == [[1, "B"], [1, "A"], [2, "A"]]


def test_the_days_to_move_to_leave_room_for_the_whole_spray(blocks):
    early, late = bloom("A", ("2027-07-01", "2027-07-10")), bloom("B", ("2027-07-14", "2027-07-30"))
    day = pd.Timestamp("2027-07-05")
    three, four = pd.Timedelta(days=2), pd.Timedelta(days=3)
    assert free_days(day, day + three, [early, late]) == (pd.Timestamp("2027-07-01"), pd.Timestamp("2027-07-10"))
    assert free_days(day, day + four, [late, early]) == (pd.Timestamp("2027-07-01"), pd.Timestamp("2027-07-30"))
    assert free_days(pd.Timestamp("2027-08-05"), pd.Timestamp("2027-08-05"), [early]) == (None, None)


def record(*rows):
    return record_of([{"written": "2027-07-01T08:00:00Z", **one} for one in rows])


def row(what, day, **more):
    return {"what": what, "date": day, "block_id": "A", "gap_id": "A/1", "who": "x"} | more


def test_a_first_flower_that_was_seen_stands_in_place_of_the_reckoned():
    seen = with_seen([bloom("A", *JULY)], record(row("flower", "2027-06-25")), CATALOGUE)[0]
    assert seen.seen
    assert (seen.opens == np.datetime64("2027-06-25")).all()
    # ten days as reckoned in two years, eleven in the last and, as the longest, in the one that was to have none
    assert [str(d) for d in seen.closes] == ["2027-07-04", "2027-07-04", "2027-07-05", "2027-07-05"]
    before = pd.Timestamp("2027-06-20")
    assert not with_seen([bloom("A", *JULY)], record(row("flower", "2027-06-25")), CATALOGUE, before)[0].seen


def test_flowers_of_a_grass_in_the_mix_are_no_first_flower_for_bees():
    mix = bloom("A", *JULY, cover="crimson_clover_oat")
    assert not with_seen([mix], record(row("flower", "2027-06-25", species="oat")), CATALOGUE)[0].seen
    assert with_seen([mix], record(row("flower", "2027-06-25", species="crimson_clover")), CATALOGUE)[0].seen


def test_nothing_flowers_after_a_cover_has_been_ended():
    left = with_seen([bloom("A", *JULY)], record(row("ended", "2027-07-08")), CATALOGUE)[0]
    assert left.flowers.tolist() == [True, True, False, False]
    assert str(left.closes[1]) == "2027-07-08"
    assert with_seen([bloom("A", *JULY)], record(row("ended", "2027-06-08")), CATALOGUE) == []


def test_bloom_by_year_is_that_of_the_seasons(sample_plan):
    blooms = {b.gap_id: b for b in bloom_by_year(sample_plan.allocation, sample_plan.options, sample_plan.season)}
    odds = sample_plan.odds.set_index("option_id")
    chosen = sample_plan.allocation.dropna(subset="option_id").set_index("gap_id")["option_id"]
    counts = sample_plan.season[sample_plan.season["bloom_d"] > 0].groupby("option_id").size()
    assert set(blooms) == {g for g, o in chosen.items() if o in counts.index}
    for gap, b in blooms.items():
        assert b.flowers.sum() == counts[chosen[gap]]
        assert (b.closes[b.flowers] < np.datetime64(odds.loc[chosen[gap], "terminate_by"])).all()
