"""How the odds move with the plant's figures, and what each sowing date counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.next_crop import next_crops
from greengap.advice.odds_by_date import dates_by_year, odds_by_date, worth_showing
from greengap.advice.options import list_options
from greengap.advice.purposes import growth_target
from greengap.advice.uncertainty import (
    COUNTED,
    LEADING,
    LEADING_RULE,
    PARAMETERS,
    drawn_catalogue,
    latin_hypercube,
    odds_spread,
    parameter_range,
    triangle,
)
from greengap.catalogue import load_catalogue
from greengap.cover_odds import find_odds
from greengap.errors import InputProblem

CATALOGUE = load_catalogue()
COVERS = sorted(CATALOGUE.covers)


@pytest.fixture(scope="module")
def pond(sample_farm):
    """Buckwheat in the midsummer gap of one block."""
    return find_odds(sample_farm, "Pond", "buckwheat", "Pond/2", draws=50)


# -- draws ----------------------------------------------------------------------------------------


@given(st.integers(1, 200), st.integers(1, 8), st.integers(0, 99))
def test_each_part_of_each_parameter_is_drawn_once(draws, parameters, seed):
    positions = latin_hypercube(draws, parameters, seed)
    assert positions.shape == (draws, parameters)
    parts = np.sort(np.floor(positions * draws).astype(int), axis=0)
    assert (parts == np.arange(draws)[:, None]).all()


def test_the_same_seed_gives_the_same_draws():
    assert np.array_equal(latin_hypercube(64, PARAMETERS), latin_hypercube(64, PARAMETERS))


def test_there_are_at_most_eight_parameters():
    assert PARAMETERS == 8


@given(st.floats(0, 1), st.floats(-50, 50), st.floats(0, 10), st.floats(0, 10))
def test_a_triangle_stays_between_its_ends(position, mode, below, above):
    low, high = mode - below, mode + above
    assert low - 1e-9 <= triangle(position, low, mode, high) <= high + 1e-9


@given(st.floats(-5, 5), st.floats(0.1, 10), st.floats(0.1, 10))
def test_a_triangle_has_its_mode_where_the_area_below_it_says(mode, below, above):
    low, high = mode - below, mode + above
    assert triangle(below / (below + above), low, mode, high) == pytest.approx(mode, abs=1e-6)


@pytest.mark.parametrize("key", COVERS)
def test_every_leading_figure_of_every_cover_has_a_range_around_it(key):
    for component in CATALOGUE.covers[key].components:
        values = CATALOGUE.species[component.species].values
        for trait in (trait for traits in LEADING for trait in traits):
            low, mode, high = parameter_range(values[trait], CATALOGUE)
            assert low <= mode <= high, trait
            assert low < high, trait
            assert mode == CATALOGUE.species[component.species].number(trait)


def test_a_range_of_the_catalogue_goes_before_the_rule():
    values = CATALOGUE.species["buckwheat"].values
    assert parameter_range(values["flower_sum"], CATALOGUE) == (300.0, 340.0, 440.0)
    assert values["maturity_sum"].low is None
    assert parameter_range(values["maturity_sum"], CATALOGUE) == pytest.approx((0.85 * 670, 670, 1.15 * 670))


def test_a_temperature_without_a_range_moves_by_degrees_not_by_a_share():
    value = CATALOGUE.species["oat"].values["frost_kill_temperature"]
    low, mode, high = parameter_range(value, CATALOGUE)
    assert high - mode == pytest.approx(mode - low)
    assert high - mode == pytest.approx(CATALOGUE.rule("parameter_spread_temperature"))


@pytest.mark.parametrize("key", COVERS)
@pytest.mark.parametrize("position", [0.0, 1.0])
def test_seed_never_ripens_before_the_flower_opens(key, position):
    other = drawn_catalogue(CATALOGUE.covers[key], CATALOGUE, np.full(PARAMETERS, position))
    for component in CATALOGUE.covers[key].components:
        species = other.species[component.species]
        assert species.number("viable_seed_sum") > species.number("flower_sum")


def test_a_draw_moves_the_leading_figures_of_the_cover_and_nothing_else():
    cover = CATALOGUE.covers["pea_oat"]
    other = drawn_catalogue(cover, CATALOGUE, np.full(PARAMETERS, 0.9))
    moved = {trait for traits in LEADING for trait in traits}
    own = {component.species for component in cover.components}
    for key, species in CATALOGUE.species.items():
        changed = {t for t, value in species.values.items() if other.species[key].values[t] != value}
        assert changed == (moved if key in own else set())
    assert {name for name in CATALOGUE.practice if other.practice[name] != CATALOGUE.practice[name]} == {LEADING_RULE}
    assert other.rule(LEADING_RULE) <= 1


# -- the spread -----------------------------------------------------------------------------------


def test_the_levels_of_the_spread_are_in_order_and_within_the_years(pond):
    spread = pond.gaps[0].spread
    assert list(spread["option_id"]) == list(pond.gaps[0].dates["option_id"])
    for name in (*COUNTED, "biomass_p50_kg_ha"):
        low, middle, high = (spread[f"{name}_p{p}"] for p in (10, 50, 90))
        assert (low <= middle).all()
        assert (middle <= high).all()
        if name != "biomass_p50_kg_ha":
            assert (high <= spread["years"]).all()


def test_other_figures_of_the_plant_move_its_dry_matter(pond):
    spread = pond.gaps[0].spread
    assert (spread["biomass_p50_kg_ha_p90"] > spread["biomass_p50_kg_ha_p10"]).all()


def test_the_catalogue_lies_inside_its_own_spread(pond):
    one = pond.gaps[0]
    mass = one.dates["biomass_p50_kg_ha"]
    inside = mass.between(one.spread["biomass_p50_kg_ha_p10"], one.spread["biomass_p50_kg_ha_p90"])
    assert inside.mean() >= 0.8


@pytest.mark.parametrize("draws", [49, 201])
def test_too_few_or_too_many_draws_are_refused(sample_plan, sample_farm, draws):
    options = sample_plan.options.head(1)
    aim = growth_target(None, CATALOGUE, "metric")
    with pytest.raises(ValueError, match="draws"):
        odds_spread(options, sample_farm.weather, sample_farm.site_of_block, {}, CATALOGUE, aim, draws)


def test_one_cover_at_a_time(sample_plan, sample_farm):
    aim = growth_target(None, CATALOGUE, "metric")
    with pytest.raises(ValueError, match="one"):
        odds_spread(sample_plan.options, sample_farm.weather, sample_farm.site_of_block, {}, CATALOGUE, aim, 50)


# -- counts by sowing date ------------------------------------------------------------------------


def test_counts_are_those_of_the_plan(sample_plan):
    crops = next_crops(sample_plan.gaps, sample_plan.settings, sample_plan.catalogue)
    options = list_options(sample_plan.gaps, sample_plan.catalogue, crops)
    dates = odds_by_date(options, sample_plan.season).set_index("option_id")
    odds = sample_plan.odds.set_index("option_id").loc[dates.index]
    for name in ("years", "established_years", "aim_years", "holds_years"):
        assert (dates[name] == odds[name]).all(), name
    assert (dates["frost_killed_years"] == dates["years"] - odds["frost_spared_years"]).all()
    for p in (10, 50, 90):
        assert np.allclose(dates[f"biomass_p{p}_kg_ha"], odds[f"biomass_p{p}_kg_ha"])


def test_the_fan_widens_outwards(sample_plan):
    dates = odds_by_date(sample_plan.options, sample_plan.season)
    fan = dates[[f"biomass_p{p}_kg_ha" for p in (10, 25, 50, 75, 90)]].to_numpy()
    assert (np.diff(fan, axis=1) >= -1e-9).all()


def test_no_year_is_terminated_after_what_the_next_crop_allows_or_after_its_seed(pond, sample_farm):
    years = pond.gaps[0].years
    least = pd.Timedelta(days=CATALOGUE.rule("waiting_least"))
    assert (years["terminate_by"] <= pond.gaps[0].gap.end + pd.Timedelta(days=1) - least).all()
    seeded = years[years["viable_seed"].notna()]
    assert len(seeded) > 0
    margin = pd.Timedelta(days=CATALOGUE.rule("seed_margin"))
    assert (seeded["terminate_by"] <= seeded["viable_seed"] - margin).all()


def test_a_year_comes_up_before_it_flowers_and_flowers_before_it_seeds(pond):
    years = pond.gaps[0].years
    assert (years["emergence"] >= years["sow_date"]).all()
    flowers = years.dropna(subset=["first_flower"])
    assert (flowers["first_flower"] > flowers["emergence"]).all()
    seeds = flowers.dropna(subset=["viable_seed"])
    assert (seeds["viable_seed"] > seeds["first_flower"]).all()


def test_a_season_without_rows_counts_zero(sample_plan):
    options, none = sample_plan.options.head(3), sample_plan.season.iloc[:0]
    assert (odds_by_date(options, none)["years"] == 0).all()
    assert dates_by_year(options, none, 7.0).empty


@given(st.lists(st.booleans(), min_size=1, max_size=30), st.data())
def test_dates_that_are_shown_hold_the_best_and_all_that_reach_the_aim(reached, data):
    best = data.draw(st.integers(0, len(reached) - 1))
    dates = pd.DataFrame({"option_id": [str(k) for k in range(len(reached))], "aim_years": np.array(reached, int)})
    shown = worth_showing(dates, str(best))
    assert str(best) in set(shown["option_id"])
    assert shown["aim_years"].sum() == sum(reached)


# -- names ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (("Pnd", "buckwheat"), "there is no such block. Perhaps 'Pond' is meant"),
        (("Pond", "bukwheat"), "there is no such cover. Perhaps 'buckwheat' is meant"),
        (("Pond", "no_cover"), "there is no such cover"),
        (("Pond", "buckwheat", "River 1/2"), "there is no such gap on Pond"),
    ],
)
def test_a_name_that_is_not_known_is_told_with_what_may_be_meant(sample_farm, names, said):
    with pytest.raises(InputProblem) as problem:
        find_odds(sample_farm, *names)
    assert said in problem.value.sentence
