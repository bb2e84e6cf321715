import csv
from pathlib import Path

import pandas as pd
import pytest

from greengap.advice.drill import HUNDREDTH_ACRE_M2, Drill, catch_g, wheel_area_m2
from greengap.advice.seeding import (
    bulk_rate,
    plants_per_m2,
    pls_fraction,
    seed_needs,
    seeds_per_m2,
    sole_rate,
    sowing_depth,
    typical_pls,
)
from greengap.catalogue import load_catalogue
from greengap.farm.settings import SeedLot
from greengap.process.seedbed import method_share
from greengap.seed_order import make_order
from greengap.units import FOOT_M, POUND_KG, to_si

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "seeding.csv").open(encoding="utf-8")))


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    a, *b_all = (float(x) for x in (check["a"], *check["b"].split()))
    b = b_all[0]
    acre = to_si(1, "lb/ac")
    answer = {
        "pls_fraction": lambda: pls_fraction(a, b),
        "bulk_rate": lambda: bulk_rate(a, b),
        "seeds_per_m2_us": lambda: seeds_per_m2(to_si(a, "lb/ac"), to_si(b, "seeds/lb")),
        "pls_with_hard_seed": lambda: pls_fraction(a, b, b_all[1]),
        "rate_for_seeds_ft2": lambda: a / FOOT_M**2 / seeds_per_m2(acre, to_si(b, "seeds/lb")),
        "wheel_area_ft2": lambda: wheel_area_m2(Drill(b * 0.0254, None, a * FOOT_M, int(b_all[1]))) / FOOT_M**2,
        "catch_g_us": lambda: catch_g(to_si(a, "lb/ac"), b * FOOT_M**2),
        "way_ft_of_a_twentieth_acre": lambda: 5 * HUNDREDTH_ACRE_M2 / (a * FOOT_M) / FOOT_M,
    }[check["quantity"]]()
    assert answer == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


DENSITIES = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "seed_density.csv").open(encoding="utf-8")))


@pytest.mark.parametrize("check", DENSITIES, ids=lambda c: c["check_id"])
def test_seeds_that_the_rates_imply_reach_what_was_published(check):
    species = load_catalogue().species[check["species"]]
    low, high = (
        seeds_per_m2(rate, species.number("seed_weight")) * FOOT_M**2 for rate in species.range("seeding_rate_drilled")
    )
    assert low <= float(check["high_seeds_ft2"])
    assert high >= float(check["low_seeds_ft2"])


@pytest.fixture
def one_gap():
    allocation = pd.DataFrame(
        [{"gap_id": "A/1", "block_id": "A", "cover_id": "buckwheat", "option_id": "A/1 buckwheat 2027-07-10"}]
    )
    options = pd.DataFrame([{"option_id": "A/1 buckwheat 2027-07-10", "sow_date": pd.Timestamp("2027-07-10")}])
    blocks = pd.DataFrame([{"block_id": "A", "area_sown_m2": 4_046.8564224}])
    return allocation, options, blocks


def test_an_acre_drilled_at_the_printed_rate_needs_that_many_pounds_and_the_allowance(one_gap):
    catalogue = load_catalogue()
    need = seed_needs(*one_gap, catalogue, frozenset({"drill"}), {})
    printed = catalogue.species["buckwheat"].number("seeding_rate_drilled") / to_si(1, "lb/ac")
    pounds = need["seed_g"].iloc[0] / 1000 / POUND_KG
    assert pounds == pytest.approx(printed * (1 + catalogue.rule("seed_allowance")), rel=1e-4)


def test_twice_the_area_needs_twice_the_seed(one_gap):
    allocation, options, blocks = one_gap
    catalogue = load_catalogue()
    once = seed_needs(allocation, options, blocks, catalogue, frozenset({"drill"}), {})
    twice = seed_needs(allocation, options, blocks.assign(area_sown_m2=2 * blocks["area_sown_m2"]), catalogue,
                       frozenset({"drill"}), {})  # fmt: skip
    assert abs(int(twice["seed_g"].iloc[0]) - 2 * int(once["seed_g"].iloc[0])) <= 1


def test_a_lot_with_half_the_germination_takes_twice_the_bulk_seed(one_gap):
    catalogue = load_catalogue()
    species = catalogue.species["buckwheat"]
    full = SeedLot(species.number("purity"), species.number("germination"))
    half = SeedLot(species.number("purity"), species.number("germination") / 2)
    rates = [
        seed_needs(*one_gap, catalogue, frozenset({"drill"}), {"buckwheat": lot})["bulk_rate_kg_ha"].iloc[0]
        for lot in (full, half)
    ]
    assert rates[1] == pytest.approx(2 * rates[0])


def test_broadcast_never_takes_less_seed_than_drilled():
    catalogue = load_catalogue()
    for species in catalogue.species.values():
        assert sole_rate(species, "broadcast", catalogue) >= sole_rate(species, "drilled", catalogue), species.key


def test_every_component_is_sown_within_what_it_emerges_from():
    catalogue = load_catalogue()
    for cover in catalogue.covers.values():
        depth = sowing_depth(cover, catalogue)
        for component in cover.components:
            low, high = catalogue.species[component.species].range("seeding_depth")
            sown = depth.depth_mm[component.species]
            assert low - catalogue.rule("mix_depth_tolerance") <= sown <= high + 1e-9, cover.key


def test_the_order_is_the_sum_of_the_gaps_to_the_gram():
    catalogue = load_catalogue()
    blocks = pd.DataFrame([{"block_id": b, "area_sown_m2": 1_234.5 * (i + 1)} for i, b in enumerate("ABC")])
    covers = ["pea_oat", "sunflower_oat", "oat"]
    allocation = pd.DataFrame(
        [
            {"gap_id": f"{b}/1", "block_id": b, "cover_id": c, "option_id": f"{b}"}
            for b, c in zip("ABC", covers, strict=True)
        ]
    )
    options = pd.DataFrame([{"option_id": b, "sow_date": pd.Timestamp("2027-04-10")} for b in "ABC"])
    need = seed_needs(allocation, options, blocks, catalogue, frozenset({"drill"}), {})
    order = make_order(need, catalogue).set_index("species")
    assert need.groupby("species")["seed_g"].sum().to_dict() == order["seed_g"].to_dict()
    assert order.loc["oat", "blocks"] == "A, B, C"
    assert order.loc["field_pea", "inoculant_group"]
    assert order.loc["oat", "inoculant_group"] == ""


def test_a_rate_in_live_seed_is_carried_to_an_ordinary_lot():
    catalogue = load_catalogue()
    triticale = catalogue.species["triticale"]
    assert triticale.values["seeding_rate_drilled"].basis == "pure live seed"
    live = sole_rate(triticale, "drilled", catalogue) * typical_pls(triticale)
    assert live == pytest.approx(to_si(72, "lb/ac"))  # the middle of the printed 48 to 96


def test_the_broadcast_rate_and_the_broadcast_emergence_are_not_both_counted():
    catalogue = load_catalogue()
    for species in catalogue.species.values():
        drilled = plants_per_m2(species, 1.0, method_share(species, "drilled", catalogue), catalogue)
        spread = plants_per_m2(species, 1.0, method_share(species, "broadcast", catalogue), catalogue)
        more = sole_rate(species, "broadcast", catalogue) / sole_rate(species, "drilled", catalogue)
        by_hand = (
            seeds_per_m2(sole_rate(species, "broadcast", catalogue), species.number("seed_weight"))
            * typical_pls(species)
            * catalogue.rule("emergence_fraction_broadcast_covered")
        )
        assert spread == pytest.approx(min(drilled, by_hand)), species.key
        assert more >= 1


def test_flax_stands_as_thick_as_its_growers_ask():
    # Manitoba Crop Alliance 2021: 300 to 400 plants on a square metre
    catalogue = load_catalogue()
    assert 300 <= plants_per_m2(catalogue.species["flax"], 1.0, 1.0, catalogue) <= 400


def test_wheat_at_its_printed_rate_has_the_seeds_of_the_kentucky_chart_within_its_range():
    # University of Kentucky: 30 to 35 seeds on a square foot
    wheat = load_catalogue().species["winter_wheat"]
    low, high = (
        seeds_per_m2(rate, wheat.number("seed_weight")) * FOOT_M**2 for rate in wheat.range("seeding_rate_drilled")
    )
    assert low <= 30 < 35 <= high
