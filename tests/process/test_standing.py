"""A stand as it was found: nothing moves where nothing was seen, and what was seen is what is run."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.catalogue import load_catalogue
from greengap.process.season import Target, simulate
from greengap.process.standing import Standing, seen_of, weeds_from
from greengap.process.weeds import weed_leaf_area

_spec = importlib.util.spec_from_file_location("invented_season", Path(__file__).with_name("test_season.py"))
assert _spec is not None
assert _spec.loader is not None
invented = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(invented)

CATALOGUE = load_catalogue()
AIM = Target("growth", "biomass_kg_ha", 1000.0)
SOWN = pd.Timestamp("2027-06-20")
AREA, RATE = CATALOGUE.rule("weed_seedling_area"), CATALOGUE.rule("weed_relative_growth")


def day(after: int) -> pd.Timestamp:
    return SOWN + pd.Timedelta(days=after)


def grown(standing: dict[str, Standing] | None, covers=("buckwheat",), gap_ids=("wet/1",)) -> pd.DataFrame:
    rows = [
        (f"{gap} {cover}", gap, "wet", cover, SOWN, pd.Timestamp("2027-09-20")) for gap in gap_ids for cover in covers
    ]
    options = pd.DataFrame(rows, columns=["option_id", "gap_id", "block_id", "cover_id", "sow_date", "terminate_by"])
    season, _ = simulate(
        options, invented.invented_weather(), invented.SITES, invented.PLACES, CATALOGUE, AIM, [], standing=standing
    )
    return season


def test_nothing_moves_where_nothing_was_seen():
    before = grown(None, ("buckwheat", "oat"))
    for none in ({}, {"wet/1": Standing()}, {"other/1": Standing({"oat": 0.1}, day(14), weeds_on=day(14))}):
        pd.testing.assert_frame_equal(before, grown(none, ("buckwheat", "oat")), check_exact=True)


def test_the_stand_that_was_reckoned_gives_the_season_that_was_reckoned():
    before = grown(None)
    for row in before.itertuples():
        seen = grown({"wet/1": Standing({"buckwheat": row.stand_share})})
        same = seen[seen["weather_year"] == row.weather_year].reset_index(drop=True)
        expected = before[before["weather_year"] == row.weather_year].reset_index(drop=True)
        pd.testing.assert_frame_equal(same, expected, rtol=1e-6)


def test_weeds_as_they_were_reckoned_go_on_as_they_were_reckoned():
    """Exponential growth may be cut anywhere: the sum up to a day, carried on, is the sum."""
    rng = np.random.default_rng(7)
    up = np.cumsum(rng.uniform(0, 5, (3, 40)), axis=-1)
    warmth = np.cumsum(rng.uniform(0, 15, (3, 40)), axis=-1)
    whole = weed_leaf_area(up, warmth, AREA, RATE)
    for cut in (0, 5, 17, 39):
        for row in range(3):
            later = weeds_from(cut, whole[row, cut], None, 1.0, up[row], warmth[row], AREA, RATE)
            assert np.isnan(later[:cut]).all()
            assert np.allclose(later[cut:], whole[row, cut:], rtol=1e-9)


@given(st.integers(0, 20), st.floats(0, 0.5), st.integers(0, 10), st.floats(0, 1))
def test_leaf_area_is_that_of_every_seedling_followed_by_itself(cut, leaf_area, wait, left):
    warm, new = [7.0 + (k % 5) for k in range(30)], [float(k % 3) for k in range(30)]
    warmth, up = np.cumsum(warm), np.cumsum(new)
    pulled = cut + wait
    found = weeds_from(cut, leaf_area, pulled, left, up, warmth, AREA, RATE)
    old, young = leaf_area, 0.0
    for t in range(cut, 30):
        if t > cut:
            old, young = old * math.exp(RATE * warm[t]), young * math.exp(RATE * warm[t]) + AREA * new[t]
        if t == pulled:
            old, young = old * left, young * left
        if old + young > 3.5:  # the canopy of the weeds is closing: growth ends at the most
            return
        assert found[t] == pytest.approx(old + young, rel=1e-6, abs=1e-12)


def test_fewer_plants_close_later_and_weigh_less():
    close, mass = [], []
    for share in (1.0, 0.6, 0.3, 0.1):
        season = grown({"wet/1": Standing({"buckwheat": share}, day(14))})
        close.append(season["half_cover_d"].fillna(999).to_numpy())
        mass.append(season["biomass_kg_ha"].to_numpy())
    assert (np.diff(close, axis=0) >= 0).all()
    assert (np.diff(mass, axis=0) <= 0).all()
    assert (close[0] < close[-1]).any()


def test_bare_ground_closes_never_and_weighs_nothing():
    season = grown({"wet/1": Standing({"buckwheat": 0.0}, day(14))})
    assert season["half_cover_d"].isna().all()
    assert (season["biomass_kg_ha"] == 0).all()
    assert (season["weed_share"] == 1).all()


def test_more_weeds_close_sooner_and_pulling_holds_them_up():
    clean, some, many = (
        grown({"wet/1": Standing(weeds_on=day(12), weed_leaf_area=area)})["weeds_close_d"].fillna(999).to_numpy()
        for area in (0.0, 0.05, 0.3)
    )
    assert (clean >= some).all()
    assert (some >= many).all()
    assert (some > many).any()
    pulled = grown({"wet/1": Standing({}, None, None, day(12), 0.3, day(13), 0.1)})["weeds_close_d"].fillna(999)
    assert (pulled.to_numpy() >= many).all()
    assert (pulled.to_numpy() > many).any()
    whole = grown({"wet/1": Standing({}, None, None, day(12), 0.3, day(13), 1.0)})["weeds_close_d"].fillna(999)
    assert (whole.to_numpy() == many).all()  # pulling that leaves all of them does nothing


def test_weeds_that_close_before_they_are_pulled_have_won():
    never = grown({"wet/1": Standing({}, None, None, day(12), 0.3)})["weeds_close_d"]
    late = grown({"wet/1": Standing({}, None, None, day(12), 0.3, day(30), 0.1)})["weeds_close_d"]
    assert (never < 30).all()
    assert late.equals(never)
    over = grown({"wet/1": Standing({}, None, None, day(12), 2.0, day(13), 0.1)})["weeds_close_d"].fillna(999)
    assert (over > 13).all()  # over the cover when they were seen, and pulled at once


def test_the_day_it_was_up_is_the_day_it_grows_from():
    season = grown({"wet/1": Standing(up_on=day(9))})
    assert (season["emergence_d"] == 9).all()
    counted = grown({"wet/1": Standing({"buckwheat": 0.8}, day(3))})
    assert (counted["emergence_d"] <= 3).all()  # what is counted is up
    assert np.allclose(counted["stand_share"], 0.8)


def test_each_gap_is_run_from_its_own():
    two = {"wet/1": Standing({"buckwheat": 0.2}, day(12)), "wet/2": Standing({"buckwheat": 0.9}, day(12))}
    both = grown(two, gap_ids=("wet/1", "wet/2"))
    for gap, one in two.items():
        alone = grown({gap: one}, gap_ids=(gap,))
        mine = both[both["option_id"] == f"{gap} buckwheat"].reset_index(drop=True)
        pd.testing.assert_frame_equal(mine, alone, check_exact=True)


def test_a_mix_is_thin_where_it_was_found_thin():
    season = grown({"wet/1": Standing({"oat": 0.9, "field_pea": 0.0}, day(12))}, ("pea_oat",))
    alone = grown({"wet/1": Standing({"oat": 0.9}, day(12))}, ("pea_oat",))
    assert (season["nitrogen_fixed_kg_ha"] == 0).all()
    assert (alone["nitrogen_fixed_kg_ha"] > 0).any()


@pytest.mark.parametrize(
    "wrong",
    [
        {"stand_share": {"oat": -0.1}},
        {"stand_share": {"oat": float("nan")}},
        {"weed_leaf_area": -1.0},
        {"weeds_left_share": 1.5},
        {"weeds_on": day(9), "weeded_on": day(8)},
    ],
)
def test_what_cannot_have_been_seen_is_refused(wrong):
    with pytest.raises(ValueError, match="must"):
        Standing(**wrong)


def test_nothing_seen_of_a_species_is_none():
    assert seen_of("oat", [Standing({"rye": 0.5}), None], [SOWN, SOWN], np.zeros((2, 3), int)) is None
