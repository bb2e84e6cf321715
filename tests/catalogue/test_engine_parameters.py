"""The parameters of the daily engine are complete, of the right kind, and agree with each other."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from greengap.catalogue.loader import Species, load_catalogue

CHECKS = Path(__file__).parents[1] / "checks" / "practice_figures.csv"
CATALOGUE = load_catalogue()
SPECIES = sorted(CATALOGUE.species.values(), key=lambda s: s.key)
EVERY_SPECIES_HAS = {
    "seed_weight", "seeding_depth", "germination", "purity", "minimum_soil_temperature", "heat_limit_establishment",
    "growth_base_temperature", "optimum_temperature", "heat_growth_start", "heat_growth_half",
    "emergence_sum", "germination_sum_share", "seed_base_water_potential", "dry_loss",
    "flower_sum", "viable_seed_sum", "bloom_length_sum", "photoperiod_type",
    "maturity_sum", "leaf_area_maximum", "leaf_area_first_fraction", "leaf_area_first_share",
    "leaf_area_second_fraction", "leaf_area_second_share", "senescence_fraction", "light_extinction",
    "radiation_use", "radiation_use_multiplier", "shoot_share", "tissue_nitrogen", "carbon_to_nitrogen",
    "nitrogen_dilution_a", "nitrogen_dilution_b", "nitrogen_dilution_from",
    "basal_crop_coefficient", "depletion_fraction", "root_depth_maximum", "root_growth",
    "canopy_height", "height_at_flower", "frost_kill_temperature", "frost_kill_width",
}  # fmt: skip

ON_ONE_CLOCK = [s for s in SPECIES if s.values["half_cover_sum"].base_degc == s.values["maturity_sum"].base_degc]

by_species = pytest.mark.parametrize("species", SPECIES, ids=lambda s: s.key)


def sum_at_half_cover(species: Species) -> float:
    """Sum on the canopy's clock [°C d] at which half of the light is caught, by the S-curve of the leaf area."""
    number = species.number
    first, second = number("leaf_area_first_fraction"), number("leaf_area_second_fraction")
    at_first, at_second = number("leaf_area_first_share"), number("leaf_area_second_share")
    low, high = math.log(first / at_first - first), math.log(second / at_second - second)
    slope = (low - high) / (second - first)
    wanted = math.log(2) / number("light_extinction") / number("leaf_area_maximum")
    steps = [i / 1000 for i in range(1, 1001)]
    reached = next(f for f in steps if f / (f + math.exp(low + slope * first - slope * f)) >= wanted)
    return reached * number("maturity_sum")


@by_species
def test_every_species_has_what_the_daily_engine_reads(species: Species) -> None:
    assert set(species.values) >= EVERY_SPECIES_HAS, sorted(EVERY_SPECIES_HAS - set(species.values))


def test_a_species_whose_growth_the_season_cannot_tell_is_never_offered() -> None:
    kept = {s.key for s in SPECIES if s.not_offered}
    assert kept == {"red_clover", "white_clover", "foxtail_millet", "sesame"}
    assert not kept & {c.species for cover in CATALOGUE.covers.values() for c in cover.components}


def test_winter_types_live_by_their_crown_and_cereals_wait_for_their_cold() -> None:
    for key in ("cereal_rye", "winter_wheat", "triticale", "hairy_vetch"):
        assert CATALOGUE.species[key].text("overwintering_organ") == "crown"
        assert CATALOGUE.species[key].text("vernalisation")
        needs_cold = CATALOGUE.species[key].has("vernalisation_cold")
        assert needs_cold == CATALOGUE.species[key].has("vernalisation_below") == (key != "hairy_vetch")


@by_species
def test_the_leaf_area_curve_rises_through_its_points_and_ends_after_them(species: Species) -> None:
    number = species.number
    fractions = [number(f"leaf_area_{which}_fraction") for which in ("first", "second")]
    shares = [number(f"leaf_area_{which}_share") for which in ("first", "second")]
    assert 0 < fractions[0] < fractions[1] < number("senescence_fraction") < 1
    assert 0 < shares[0] < shares[1] < 1
    assert number("light_extinction") * number("leaf_area_maximum") > math.log(5)  # catches four fifths when full


@pytest.mark.parametrize("species", ON_ONE_CLOCK, ids=lambda s: s.key)
def test_the_canopy_covers_half_the_ground_about_when_the_half_cover_sum_says(species: Species) -> None:
    low, high = species.range("half_cover_sum")
    assert 0.8 * low <= sum_at_half_cover(species) <= 1.4 * high


@by_species
def test_a_canopy_ripens_after_it_flowers(species: Species) -> None:
    flower, canopy = species.values["flower_sum"], species.values["maturity_sum"]
    assert canopy.clock == "air"
    if flower.base_degc == canopy.base_degc:
        assert species.number("flower_sum") < species.number("maturity_sum")


@by_species
def test_roots_run_on_the_clock_of_the_canopy_and_reach_their_depth(species: Species) -> None:
    canopy, growth = species.values["maturity_sum"], species.values["root_growth"]
    assert growth.base_degc == canopy.base_degc
    assert species.number("root_growth") * species.number("maturity_sum") / 1000 > 0.5


@by_species
def test_temperatures_stand_in_order(species: Species) -> None:
    number = species.number
    assert number("frost_kill_temperature") < 0
    assert number("growth_base_temperature") < number("optimum_temperature")
    assert number("optimum_temperature") < number("heat_growth_half")
    assert number("heat_growth_start") < number("heat_growth_half")
    assert number("frost_kill_width") > 0


@by_species
def test_radiation_use_is_of_the_whole_plant_and_its_shoot_share_rises(species: Species) -> None:
    assert species.values["radiation_use"].conditions.startswith("whole plant")
    assert 1.0 <= species.number("radiation_use") <= 3.5
    emerged, ripe = species.range("shoot_share")
    assert 0.5 <= emerged < ripe < 1


@by_species
def test_a_multiplier_that_was_not_fitted_is_one_and_says_so(species: Species) -> None:
    multiplier = species.values["radiation_use_multiplier"]
    if multiplier.confidence == "design":
        assert multiplier.number == 1
        assert "uncalibrated" in multiplier.conditions


@by_species
def test_only_legumes_fix_nitrogen_and_then_not_all_of_it(species: Species) -> None:
    assert species.has("fixation_maximum") == (species.kind == "legume")
    if species.has("fixation_maximum"):
        assert species.number("fixed_share") <= species.number("fixation_maximum") < 1


@by_species
def test_critical_nitrogen_lies_above_what_a_grown_stand_holds(species: Species) -> None:
    at_two_tons = species.number("nitrogen_dilution_a") * 2 ** -species.number("nitrogen_dilution_b")
    assert 0.02 < at_two_tons < 0.06
    assert 1000 <= species.number("nitrogen_dilution_from") <= 2000


@by_species
def test_day_length_slows_by_one_rule_or_not_at_all(species: Species) -> None:
    kind = species.text("photoperiod_type")
    assert kind in {"long day", "short day", "day neutral"}
    slopes = [species.has(f"photoperiod_{part}") for part in ("critical", "sensitivity", "reference")]
    assert all(slopes) or not any(slopes)
    if all(slopes):
        assert kind != "day neutral"
        hours = species.number("photoperiod_critical") - species.number("photoperiod_reference")
        slow = hours if kind == "long day" else -hours
        assert 0 < species.number("photoperiod_sensitivity") * slow < 0.7


def test_a_cowpea_waits_longer_in_long_days_as_its_source_says() -> None:
    # APSIM 7.10 Cowpea.xml, cultivar Banjo: 573 at 13.3 h, 656 at 15 h, 704 at 16 h
    number = CATALOGUE.species["cowpea"].number

    def rate(day_length_h: float) -> float:
        beyond = max(0.0, day_length_h - number("photoperiod_critical"))
        return 1 - number("photoperiod_sensitivity") * beyond

    for day_length_h, wanted in ((13.3, 573), (15, 656), (16, 704)):
        got = number("flower_sum") * rate(number("photoperiod_reference")) / rate(day_length_h)
        assert got == pytest.approx(wanted, rel=0.03)


def test_heat_harms_warm_season_covers_last() -> None:
    start = {s.key: s.number("heat_growth_start") for s in SPECIES}
    assert max(start, key=lambda key: start[key]) == "sorghum_sudangrass"
    assert start["crimson_clover"] < start["buckwheat"] < start["cowpea"]


def test_published_figures_of_practice_come_back_in_si() -> None:
    with CHECKS.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows
    for row in rows:
        assert CATALOGUE.rule(row["rule"]) == pytest.approx(float(row["expected"]), abs=float(row["tolerance"])), row
        assert CATALOGUE.practice[row["rule"]].unit == row["unit"]


def test_weeds_are_counted_on_the_soil_clock_above_their_base() -> None:
    sums = {name: v for name, v in CATALOGUE.practice.items() if name.startswith("weed_emergence_half_")}
    assert len(sums) == 13
    for value in sums.values():
        assert (value.base_degc, value.clock) == (CATALOGUE.rule("weed_base_temperature"), "soil")


def test_heavier_ground_sheds_more_rain() -> None:
    grown = [CATALOGUE.rule(f"curve_number_close_grown_{g}") for g in "abcd"]
    assert grown == sorted(grown)
