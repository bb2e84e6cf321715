"""Ground without a cover: the flush of weeds, what harrow, tarp and mower leave of it, water and nitrate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from greengap.catalogue import load_catalogue
from greengap.process.clean_ground import (
    CleanRun,
    Stretch,
    WeedRules,
    fit_for_harrow,
    lacking_for_weeds,
    mown_leaf_area,
    next_fit,
    passes_due,
    weeds_harrowed,
    weeds_under_tarp,
)
from greengap.process.drivers import BlockDays, Place
from greengap.process.weeds import seedlings_emerged, sum_at_share

CATALOGUE = load_catalogue()
RULES = WeedRules.of(CATALOGUE)
LOAM = pd.Series(
    {"sand_fraction": 0.42, "clay_fraction": 0.2, "organic_matter_fraction": 0.03, "available_water_fraction": 0.18,
     "bulk_density_mg_m3": 1.35}
)  # fmt: skip
JUNE = Stretch(pd.Timestamp("2027-06-01"), pd.Timestamp("2027-08-29"))


def a_site(warmer: float = 0.0, rain: float = 1.0, years: int = 5) -> xr.Dataset:
    """Weather of a cool temperate place from 2001 on, made warmer or wetter day by day."""
    dates = pd.date_range("2001-01-01", f"{2000 + years}-12-31")
    rng, season = np.random.default_rng(7), -np.cos((dates.day_of_year.to_numpy() - 20) / 365.25 * 2 * np.pi)
    mean = 9 + 13 * season + rng.normal(0, 3, dates.size) + warmer
    half = rng.uniform(3, 8, dates.size)
    fallen = np.where(rng.random(dates.size) < 0.3, rng.gamma(0.8, 9, dates.size), 0) * rain
    series = {"tmin_degc": mean - half, "tmax_degc": mean + half, "precipitation_mm": fallen}
    return xr.Dataset({name: ("date", values) for name, values in series.items()}, coords={"date": dates.to_numpy()})


def a_run(site: xr.Dataset, *stretches: Stretch, irrigated: bool = False) -> CleanRun:
    days = BlockDays(site, Place(soil=LOAM, lat=42.5, irrigated=irrigated, cold_offset_degc=0.0), CATALOGUE)
    return CleanRun(days, CATALOGUE, stretches or (JUNE,), np.unique(site["date"].dt.year.to_numpy()))


# -- against what is printed ---------------------------------------------------------------------------


@pytest.mark.parametrize("station", ["noaa_new_york_2012_2015.csv", "nws_coop_ames_8_wsw_ia.csv"])
@pytest.mark.parametrize("tilled", ["06-01", "06-15", "07-01"])
def test_most_of_the_flush_is_up_two_to_three_weeks_after_tillage_in_june(shared_data, station, tilled):
    # published: Pacific Northwest Weed Management Handbook, stale and false seedbeds: the bed 2 to 3 weeks ahead, for
    # the most germination near the surface; the Buckwheat Cover Crop Handbook (Cornell 2008), bringing idle land into
    # production: harrow at about 2 weeks to kill weed seedlings
    table = pd.read_csv(
        shared_data / "data" / "weather_daily" / station, parse_dates=["date"], index_col="date"
    ).asfreq("D")
    named = {"tmin_degc": "tmin_c", "tmax_degc": "tmax_c", "precipitation_mm": "precip_mm"}
    site = xr.Dataset(
        {ours: ("date", table[theirs].to_numpy()) for ours, theirs in named.items()},
        coords={"date": table.index.to_numpy()},
    )
    first = pd.Timestamp(f"2027-{tilled}")
    run = a_run(site, Stretch(first, first + pd.Timedelta(days=60)))
    up = run.flush[0][run.ran[0]]
    assert (up[:, -1] > RULES.flush_share).all()
    assert 14 <= np.median((up >= RULES.flush_share).argmax(axis=1)) <= 21


# -- by hand -------------------------------------------------------------------------------------------


@given(share=st.floats(0.01, 0.99), half=st.floats(50, 800))
def test_the_sum_at_a_share_is_the_curve_turned_round(share, half):
    assert seedlings_emerged(sum_at_share(share, half), half) == pytest.approx(share)


def test_a_day_is_fit_for_a_harrow_on_dry_ground_without_rain_on_it_or_the_day_after():
    rain = np.array([0.0, 0.0, 0.0, 9.0, 0.0, 0.0, 0.0])
    lacks = np.array([1.0, 5.0, 6.0, 0.0, 2.0, 6.0, 7.0])
    #                first; too wet the evening before; rain next day; rain; wet; wet; last of the record
    assert fit_for_harrow(rain, lacks, 3.0, 2.0).tolist() == [False] * 7
    rain[3] = 0.0
    assert fit_for_harrow(rain, lacks, 3.0, 2.0).tolist() == [False, False, True, True, False, False, False]


def test_passes_come_when_the_sum_is_reached_and_the_ground_fit():
    sums = np.arange(0.0, 300.0, 10.0)  # ten a day
    every_day, fifth = np.ones(30, dtype=bool), np.arange(30) % 5 == 0
    start, last = np.array([[0]]), np.array([[29]])
    assert passes_due(sums, next_fit(every_day), start, last, 70.0, 70.0).ravel().tolist() == [7, 14, 21, 28]
    assert passes_due(sums, next_fit(fifth), start, last, 70.0, 70.0).ravel().tolist() == [10, 20]
    none = passes_due(sums, next_fit(~every_day), start, last, 70.0, 70.0)
    assert none.shape == (0, 1, 1)
    two = passes_due(sums, next_fit(every_day), np.array([[0, 20]]), np.array([[29, 29]]), 70.0, 70.0)
    assert two[:, 0, 1].tolist() == [27, 30, 30, 30]  # the length of the record: no pass


def test_one_pass_worked_by_hand():
    # 20 °C d a day. Pass on day 10, end on day 20. Share up after 200 °C d is a half; of those that came up before
    # day 4 (120 °C d earlier), F(80) = exp(-ln 2 exp(-2.5 (80/200 - 1))) = 0.0448, half survive, of the rest 15 %.
    sums = np.arange(0.0, 420.0, 20.0)
    at = np.array([[[10]]])
    found = weeds_harrowed(sums, sums, np.array([[0]]), np.array([[20]]), at, RULES)
    rooted = np.exp(-np.log(2) * np.exp(1.5))
    missed = rooted * 0.5 + (0.5 - rooted) * 0.15
    assert RULES.kills == 0.85
    assert RULES.kills_rooted == 0.5
    assert found.up.item() == pytest.approx(0.5 + 0.5 * 0.5)
    assert found.standing.item() == pytest.approx(missed + 0.25)
    assert found.seeding.item() == 0.0


def test_weeds_left_alone_seed_when_the_first_are_old_enough():
    sums = np.arange(0.0, 2000.0, 20.0)
    alone = weeds_harrowed(
        sums, sums, np.array([[0]]), np.array([[60]]), np.empty((0, 1, 1), dtype=int), RULES
    )  # 1200 °C d, those of the first 500 have seed
    assert alone.up.item() == pytest.approx(float(seedlings_emerged(1200.0, 200.0)))
    assert alone.seeding.item() == pytest.approx(float(seedlings_emerged(500.0, 200.0)))
    assert alone.standing == alone.up


def test_a_tarp_kills_in_proportion_to_its_warm_days_and_nothing_seeds_in_the_dark():
    sums, one = np.arange(0.0, 2000.0, 20.0), np.array([[0]])
    full, half, none = (
        weeds_under_tarp(sums, one, np.array([[60]]), np.array([[d]]), RULES)
        for d in (40.0, RULES.tarp_time_d / 2, 0.0)
    )
    assert full.standing.item() == pytest.approx(full.up.item() * (1 - RULES.tarp_kills))
    assert half.standing.item() == pytest.approx(half.up.item() * (1 - RULES.tarp_kills / 2))
    assert none.standing.item() == none.up.item()
    assert full.seeding.item() == 0.0


def test_mown_weeds_grow_on_from_the_stubble():
    warmth = np.arange(0.0, 500.0, 10.0)[None, None, :]
    alone = np.minimum(1e-3 * np.exp(0.016 * warmth), 4.0)
    cut = mown_leaf_area(alone, warmth, np.array([[[30]]]), 0.2, 0.016)[0, 0]
    assert (cut[:30] == alone[0, 0, :30]).all()
    assert cut[30] == pytest.approx(0.2 * alone[0, 0, 30])
    assert cut[40] == pytest.approx(cut[30] * np.exp(0.016 * 100))
    assert (mown_leaf_area(alone, warmth, np.array([[[999]]]), 0.2, 0.016) == alone).all()


# -- what has to hold whatever the weather -------------------------------------------------------------

rising = st.lists(st.floats(0, 25), min_size=40, max_size=120).map(np.cumsum)


@given(sums=rising, days=st.lists(st.integers(1, 110), max_size=6, unique=True), later=st.integers(1, 110))
def test_a_pass_more_after_all_others_never_leaves_more_weeds(sums, days, later):
    end = sums.size - 1
    passes = np.array(sorted(d for d in days if d < min(later, end)), dtype=int).reshape(-1, 1, 1)
    start, last = np.array([[0]]), np.array([[end]])
    before = weeds_harrowed(sums, sums, start, last, passes, RULES)
    more = np.concatenate([passes, [[[min(later, end)]]]])
    after = weeds_harrowed(sums, sums, start, last, more, RULES)
    assert after.standing.item() <= before.standing.item() + 1e-12
    assert after.seeding.item() <= before.seeding.item() + 1e-12
    for found in (before, after):
        assert 0 <= found.seeding.item() <= found.standing.item() + 1e-12 <= found.up.item() + 2e-12 <= 1 + 3e-12


@given(sums=rising, days=st.lists(st.integers(1, 100), max_size=6, unique=True), better=st.floats(0, 0.15))
def test_a_harrow_that_kills_more_never_leaves_more(sums, days, better):
    end = sums.size - 1
    passes = np.array(sorted(d for d in days if d <= end), dtype=int).reshape(-1, 1, 1)
    one, two = (
        weeds_harrowed(sums, sums, np.array([[0]]), np.array([[end]]), passes, rules)
        for rules in (RULES, replace(RULES, kills=RULES.kills + better, kills_rooted=RULES.kills_rooted + better))
    )
    assert two.standing.item() <= one.standing.item() + 1e-12
    assert two.seeding.item() <= one.seeding.item() + 1e-12


def test_a_warmer_year_brings_the_flush_earlier():
    cool, warm = (a_run(a_site(warmer)).flush[0] for warmer in (0.0, 3.0))
    ran = a_run(a_site()).ran[0]
    assert (warm[ran] >= cool[ran] - 1e-9).all()
    assert (warm[ran][:, 14] > cool[ran][:, 14]).all()


def test_a_wetter_seed_zone_brings_it_no_later():
    dry, watered = (a_run(a_site(), irrigated=wet) for wet in (False, True))
    ran = dry.ran[0]
    assert (watered.flush[0][ran] >= dry.flush[0][ran] - 1e-9).all()
    assert (a_run(a_site(rain=2.0)).flush[0][ran] >= dry.flush[0][ran] - 1e-9).all()


def test_harrowed_and_tarped_ground_has_fewer_weeds_than_ground_left_alone():
    run = a_run(a_site())
    ran, alone = run.ran, run.left_alone
    for found in (run.harrowed(run.harrowings), run.tarped()):
        assert (found.standing[ran] < alone.standing[ran]).all()
        assert (found.seeding[ran] <= alone.seeding[ran]).all()
    mown = run.mown(run.mowings)
    assert (mown.seeding[ran] <= alone.seeding[ran]).all()
    assert (mown.seeding[ran] < alone.seeding[ran]).any()


def test_years_without_all_of_their_days_are_left_out():
    site = a_site()
    site["tmin_degc"][np.flatnonzero(site["date"].to_numpy() == np.datetime64("2003-07-01"))[0]] = np.nan
    run = a_run(site, JUNE, Stretch(pd.Timestamp("2027-10-01"), pd.Timestamp("2028-05-01")))
    assert run.ran[0].tolist() == [True, True, False, True, True]
    assert run.ran[1].tolist() == [True, True, True, True, False]  # the record ends


def test_no_weeds_draw_no_water_and_weeds_draw_more_the_more_they_cover():
    run = a_run(a_site(), JUNE, Stretch(pd.Timestamp("2027-06-01"), pd.Timestamp("2027-06-20")))
    bare = np.zeros((3, *run.at.shape))
    bare[1], bare[2] = 0.4, 0.9
    none, some, many = lacking_for_weeds([run, run], [bare, bare])[0]
    assert (none == 0).all()
    assert (some >= -1e-9).all()
    assert many[run.ran].max() > 10
    assert (many[1] > some[1]).all()  # twenty days; later both have drawn the zone down and stand still
    alone = lacking_for_weeds([a_run(a_site(), JUNE)], [bare[:, :1]])[0]
    assert alone[2, 0] == pytest.approx(many[0])  # a block is the same beside others as by itself


def test_nitrate_is_washed_out_only_with_draining_water_and_never_more_than_there_is():
    wet, dry = a_run(a_site(rain=2.0)), a_run(a_site(rain=0.0))
    held = CATALOGUE.rule("mineral_nitrogen_at_sowing") + wet.set_free()
    assert (wet.washed_out() <= held + 1e-9).all()
    assert (wet.washed_out()[wet.ran] > 0).any()
    assert (dry.washed_out()[dry.ran] == 0).all()
    assert (wet.set_free()[wet.ran] > 0).all()


def test_ground_under_a_tarp_keeps_the_water_it_had():
    run = a_run(a_site())
    bare = run.bare_lacks_mm
    assert run.tarp_lacks_mm()[run.ran] == pytest.approx((bare[run.start - 1] - bare[run.last])[run.ran])
    assert (bare >= 0).all()
