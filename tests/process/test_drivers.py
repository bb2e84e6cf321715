"""What is known of a block and a species before growth is run, on invented weather."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from greengap.catalogue import load_catalogue
from greengap.process import day_loop as loop
from greengap.process.drivers import (
    NEVER,
    BlockDays,
    Place,
    component_events,
    component_numbers,
    run_soil_temperature,
)
from greengap.process.growth import intercepted, leaf_area_fraction
from greengap.process.seedbed import method_share, sole_rate

CATALOGUE = load_catalogue()
SPECIES = sorted(CATALOGUE.species)
SOILS = {
    "loam": {"sand_fraction": 0.42, "clay_fraction": 0.2, "available_water_fraction": 0.18},
    "sand": {"sand_fraction": 0.88, "clay_fraction": 0.05, "available_water_fraction": 0.07},
    "clay": {"sand_fraction": 0.2, "clay_fraction": 0.45, "available_water_fraction": 0.15},
}


@cache
def a_site(seed: int = 1, years: int = 4) -> xr.Dataset:
    """Weather of a cool temperate place from 2001 on."""
    dates = pd.date_range("2001-01-01", f"{2000 + years}-12-31")
    rng, season = np.random.default_rng(seed), -np.cos((dates.day_of_year.to_numpy() - 20) / 365.25 * 2 * np.pi)
    mean = 9 + 13 * season + rng.normal(0, 3, dates.size)
    half = rng.uniform(3, 8, dates.size)
    rain = np.where(rng.random(dates.size) < 0.3, rng.gamma(0.8, 9, dates.size), 0)
    series = {"tmin_degc": mean - half, "tmax_degc": mean + half, "precipitation_mm": rain}
    return xr.Dataset({name: ("date", values) for name, values in series.items()}, coords={"date": dates.to_numpy()})


def a_place(soil: str = "loam", irrigated: bool = False) -> Place:
    row = pd.Series({**SOILS[soil], "organic_matter_fraction": 0.03, "bulk_density_mg_m3": 1.35})
    return Place(soil=row, lat=42.5, irrigated=irrigated, cold_offset_degc=0.0, elevation_m=200.0)


@cache
def a_block(soil: str = "loam", irrigated: bool = False, seed: int = 1) -> BlockDays:
    return BlockDays(a_site(seed), a_place(soil, irrigated), CATALOGUE)


def events(block: BlockDays, species: str) -> dict[str, np.ndarray]:
    """Sown on each day of the second and third year."""
    return component_events(block, CATALOGUE.species[species], np.arange(365, 365 + 730)[:, None], margin_d=7)


@pytest.mark.parametrize("soil", SOILS)
@pytest.mark.parametrize("species", SPECIES)
def test_a_later_sowing_never_comes_up_earlier(species, soil):
    emerged = events(a_block(soil), species)["emerged"][:, 0]
    up = emerged < NEVER
    assert (np.diff(emerged[up]) >= 0).all()
    assert (emerged[up] >= np.arange(365, 365 + 730)[up]).all()


@pytest.mark.parametrize("soil", SOILS)
def test_in_a_humid_summer_seed_comes_up_from_most_sowings_on_any_soil(soil):
    for species in ("buckwheat", "sorghum_sudangrass", "sunflower", "oat"):
        june = events(a_block(soil), species)["emerged"][151:181, 0]
        assert (june < NEVER).mean() > 0.8, species


@pytest.mark.parametrize("species", SPECIES)
def test_events_come_in_their_order_and_a_dead_stand_neither_flowers_nor_sets_seed(species):
    e = events(a_block(), species)
    flowers, seeds = e["flower"] < NEVER, e["seed"] < NEVER
    assert (e["flower"] > e["emerged"])[flowers].all()
    assert (e["bloom_end"] >= e["flower"])[flowers].all()
    assert (e["seed"] > e["flower"])[seeds].all()
    assert (e["seed_end"] == e["seed"] - 7)[seeds].all()
    assert (e["flower"] < e["kill"])[flowers].all()
    assert (e["seed"] < e["kill"])[seeds].all()
    assert (e["kill"] > e["emerged"])[e["kill"] < NEVER].all()
    never_up = e["emerged"] == NEVER
    assert (e["stand_share"][never_up] == 0).all()
    assert all((e[name][never_up] == NEVER).all() for name in ("flower", "seed", "kill"))


@pytest.mark.parametrize("species", SPECIES)
def test_a_watered_seedbed_comes_up_no_later_and_no_thinner_by_drought(species):
    dry, watered = events(a_block(), species), events(a_block(irrigated=True), species)
    assert (watered["emerged"] <= dry["emerged"]).all()
    cool = watered["heat_share"] == 0
    up = watered["emerged"] < NEVER
    assert watered["stand_share"][cool & up] == pytest.approx(1.0)
    assert dry["stand_share"].min() >= 0
    assert dry["stand_share"].max() <= 1


def test_heat_before_it_is_up_thins_the_stand_of_a_cool_season_species_only():
    hot = a_site().copy(deep=True)
    hot["tmax_degc"] = hot["tmax_degc"] + 9
    block = BlockDays(hot, a_place(irrigated=True), CATALOGUE)
    phacelia, sorghum = events(block, "lacy_phacelia"), events(block, "sorghum_sudangrass")
    summer = slice(170, 230)
    assert phacelia["stand_share"][summer].mean() < 0.8
    assert sorghum["stand_share"][summer].mean() > 0.95


@pytest.mark.parametrize("soil", SOILS)
def test_rain_wets_the_seed_zone_and_it_holds_no_more_than_it_can(soil):
    block = a_block(soil)
    evaporable = block.ground[loop.EVAPORABLE]
    assert block.bare_surface_mm.min() >= 0
    assert block.bare_surface_mm.max() <= evaporable * (1 + 1e-6)
    assert (block.seed_zone_mpa(38.0) < 0).all()
    change, soaked = np.diff(block.seed_zone_mpa(38.0)), block.rain_after_runoff[1:] > 15
    wetter = change[soaked] > 0
    assert wetter.size > 20
    assert wetter.mean() > 0.7  # it may have been wet before
    dry = (block.rain[1:] == 0) & (block.reference_evapotranspiration[1:] > 0)
    assert (change[dry] <= 1e-12).all()


def test_the_running_counts_never_fall():
    block = a_block()
    for species in CATALOGUE.species.values():
        for series in (
            block.emergence_sums(species, 30.0), block.development_sums(species), block.frost_sums(species),
            block.dry_days(species, 30.0), block.hot_days(species),
        ):  # fmt: skip
            assert (np.diff(series) >= -1e-12).all()
        warmth, heat = block.growth_factors(species)
        assert min(warmth.min(), heat.min()) >= 0
        assert max(warmth.max(), heat.max()) <= 1


def test_warm_soil_is_a_running_mean_that_holds():
    block, warm = a_block(), a_block().soil_warm(15.0)
    mean_d, hold_d = int(CATALOGUE.rule("soil_warm_mean")), int(CATALOGUE.rule("soil_warm_hold"))
    degc = block.soil_temperature
    for day in range(mean_d, 700, 13):
        means = [degc[d - mean_d + 1 : d + 1].mean() for d in range(day, day + hold_d)]
        assert warm[day] == (min(means) >= 15.0)


def test_soil_temperature_of_many_blocks_at_once_is_that_of_each_alone():
    blocks = [BlockDays(a_site(seed), a_place(soil), CATALOGUE) for seed in (1, 2) for soil in SOILS]
    run_soil_temperature(blocks)
    for block in blocks:
        alone = BlockDays.soil_temperature.func(block)
        assert (block.soil_temperature == alone).all()


def test_days_without_weather_are_counted_and_bridged():
    gappy = a_site().copy(deep=True)
    gappy["tmin_degc"][100:103] = np.nan
    gappy["precipitation_mm"][200] = np.nan
    block = BlockDays(gappy, a_place(), CATALOGUE)
    assert block.missing_before[-1] == 4
    assert np.diff(block.missing_before)[[100, 101, 102, 200]].tolist() == [1, 1, 1, 1]
    assert np.isfinite(block.soil_temperature).all()
    assert np.isfinite(block.bare_surface_mm).all()


def test_measured_radiation_takes_the_place_of_the_estimate():
    bright = a_site().assign(radiation_mj_m2_d=("date", np.full(a_site().sizes["date"], 17.0)))
    bright["radiation_mj_m2_d"][5] = np.nan
    block = BlockDays(bright, a_place(), CATALOGUE)
    assert (np.delete(block.radiation, 5) == 17.0).all()
    assert block.radiation[5] == a_block().radiation[5]
    assert not np.allclose(block.reference_evapotranspiration, a_block().reference_evapotranspiration)


@pytest.mark.parametrize("species", SPECIES)
def test_the_canopy_of_the_day_loop_is_the_one_of_growth(species):
    s = CATALOGUE.species[species]
    numbers = component_numbers(s, 1.0, CATALOGUE)
    age = np.linspace(0.01, s.number("senescence_fraction"), 50)
    points = [(s.number(f"leaf_area_{n}_fraction"), s.number(f"leaf_area_{n}_share")) for n in ("first", "second")]
    leaf = age / (age + np.exp(numbers[loop.CURVE_1] - numbers[loop.CURVE_2] * age))
    assert leaf == pytest.approx(leaf_area_fraction(age, *points))
    half = np.interp(0.5, intercepted(numbers[loop.LAYER_MOST] * leaf), age)
    assert 0.1 < half < 0.5


@given(weight=st.floats(0.05, 1))
@settings(max_examples=10)
def test_a_share_of_a_mix_has_that_share_of_the_leaf_layer_and_is_else_the_same(weight):
    s = CATALOGUE.species["oat"]
    whole, part = component_numbers(s, 1.0, CATALOGUE), component_numbers(s, weight, CATALOGUE)
    assert part[loop.LAYER_MOST] == pytest.approx(weight * whole[loop.LAYER_MOST])
    part[loop.LAYER_MOST] = whole[loop.LAYER_MOST]
    assert (part == whole).all()


@pytest.mark.parametrize("species", SPECIES)
def test_critical_nitrogen_follows_the_dilution_curve_within_a_hundredth_of_a_percent(species):
    s = CATALOGUE.species[species]
    numbers = component_numbers(s, 1.0, CATALOGUE)
    if s.kind == "legume":
        assert numbers[loop.LEGUME] == 1
        assert (numbers[loop.CRITICAL_FROM : loop.CRITICAL_4 + 1] == 0).all()
        return
    mass = np.linspace(numbers[loop.CRITICAL_FROM], 20, 500)
    curve = np.vander(mass**0.25, 5, increasing=True) @ numbers[loop.CRITICAL_0 : loop.CRITICAL_4 + 1]
    expected = 1000 * mass * s.number("nitrogen_dilution_a") * mass ** -s.number("nitrogen_dilution_b")
    assert curve == pytest.approx(expected, rel=1e-4)
    assert numbers[loop.CRITICAL_LOW] * numbers[loop.CRITICAL_FROM] == pytest.approx(expected[0])


def test_broadcast_stands_are_no_thicker_and_at_the_drilled_rate_clearly_thinner():
    # common practice: broadcast takes more seed because less of it comes up
    covered = CATALOGUE.rule("emergence_fraction_broadcast_covered") / CATALOGUE.rule("emergence_fraction_drilled")
    assert covered < 0.8
    for species in CATALOGUE.species.values():
        if species.not_offered:
            continue
        more = sole_rate(species, "broadcast", CATALOGUE) / sole_rate(species, "drilled", CATALOGUE)
        assert method_share(species, "broadcast", CATALOGUE) == pytest.approx(min(1.0, more * covered))
        assert method_share(species, "drilled", CATALOGUE) == 1


def test_pea_sown_shallow_finds_a_drier_seedbed():
    block, pea = a_block(), CATALOGUE.species["field_pea"]
    start = np.arange(365, 365 + 730)[:, None]
    shallow, deep = (component_events(block, pea, start, 7, depth) for depth in (15.0, 60.0))
    both = (shallow["emerged"] < NEVER) & (deep["emerged"] < NEVER)
    assert (shallow["emerged"][both] >= deep["emerged"][both]).all()
    assert shallow["stand_share"].mean() < deep["stand_share"].mean()


def test_seed_buried_beyond_its_strength_gives_a_thin_stand():
    block, clover = a_block(), CATALOGUE.species["crimson_clover"]
    start = np.arange(365, 465)[:, None]
    proper, buried = (component_events(block, clover, start, 7, depth)["stand_share"] for depth in (8.0, 45.0))
    assert buried.max() < 0.5 * proper.max()
