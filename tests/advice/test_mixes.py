"""Mixes: rates against printed ones, bounds, boxes, and a proposer that only proposes what beats a cover alone."""

import csv
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.mixes import bounds, design, make_cover, share_for_plants
from greengap.catalogue import load_catalogue
from greengap.farm.settings import Aim, Purpose
from greengap.gap_mixes import propose_mixes
from greengap.output.mix_text import mix_lines, mix_table, own_lines
from greengap.plan import plan_farm
from greengap.units import to_si

CATALOGUE = load_catalogue()
CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "mixes.csv").open(encoding="utf-8")))
SPECIES = sorted(CATALOGUE.species)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_a_mix_is_sown_at_the_printed_rate(check):
    parts = {p.species: p for p in design(CATALOGUE.mixes[check["mix"]], "drilled", CATALOGUE).parts}
    rate = parts[check["species"]].rate_kg_ha / to_si(1, "lb/ac")
    assert float(check["low_lb_ac"]) - 0.3 <= rate <= float(check["high_lb_ac"]) + 0.3


def test_a_wanted_stand_comes_back_as_expected_plants():
    for species, plants in (("field_pea", 60.0), ("oat", 150.0), ("crimson_clover", 300.0)):
        share = share_for_plants(species, plants, "drilled", CATALOGUE)
        part = design(make_cover({species: share}, CATALOGUE), "drilled", CATALOGUE).parts[0]
        assert part.plants_m2 == pytest.approx(plants)


def test_a_wanted_stand_broadcast_takes_the_worse_emergence_once():
    drilled = share_for_plants("oat", 150.0, "drilled", CATALOGUE)
    spread = share_for_plants("oat", 150.0, "broadcast", CATALOGUE)
    kg = [
        design(make_cover({"oat": share}, CATALOGUE), method, CATALOGUE).rate_kg_ha
        for share, method in ((drilled, "drilled"), (spread, "broadcast"))
    ]
    rule = CATALOGUE.rule
    wanted = rule("emergence_fraction_drilled") / rule("emergence_fraction_broadcast_covered")
    assert kg[1] / kg[0] == pytest.approx(wanted)


def test_grass_too_thick_for_its_legume_is_a_fault():
    cover = make_cover({"field_pea": 0.5, "oat": 0.7}, CATALOGUE)
    assert any("shades the legume out" in fault for fault in design(cover, "drilled", CATALOGUE).faults)
    assert design(CATALOGUE.covers["pea_oat"], "drilled", CATALOGUE).faults == ()


def test_too_much_seed_and_too_many_kinds_are_faults():
    crowded = make_cover({"field_pea": 0.9, "sunflower": 0.6}, CATALOGUE)
    assert any("add up to 1.50" in fault for fault in design(crowded, "drilled", CATALOGUE).faults)
    many = make_cover(dict.fromkeys(["field_pea", "sunflower", "buckwheat", "flax"], 0.25), CATALOGUE)
    assert any("4 components" in fault for fault in bounds(many, 1.0, CATALOGUE))


def test_peas_and_clover_want_two_passes_and_say_so():
    made = design(make_cover({"field_pea": 0.6, "white_clover": 0.4}, CATALOGUE), "drilled", CATALOGUE)
    assert made.sowing.startswith("two passes: field pea deep, then white clover shallow")
    assert [p.box for p in made.parts] == [1, 2]


def test_seed_of_very_different_size_wants_two_boxes():
    made = design(make_cover({"oat": 0.5, "crimson_clover": 0.5}, CATALOGUE), "drilled", CATALOGUE)
    assert made.sowing.startswith("two boxes: crimson clover")


@given(st.sampled_from(SPECIES), st.sampled_from(SPECIES), st.floats(0.05, 1), st.floats(0.05, 1))
def test_a_design_adds_up(one, other, a, b):
    if one == other:
        return
    made = design(make_cover({one: a, other: b}, CATALOGUE), "drilled", CATALOGUE)
    assert made.rate_kg_ha == pytest.approx(sum(p.rate_kg_ha for p in made.parts))
    assert made.share_sum == pytest.approx(a + b)
    for part in made.parts:
        assert 0 < part.plants_m2 < part.live_seeds_m2 < part.seeds_m2


# --- proposing ---------------------------------------------------------------------------------

MANY_AIMS = (
    Purpose("weed_suppression", 1.0, Aim("ground_cover_fraction", 0.5, within_d=35)),
    Purpose("nitrogen_supply", 1.0, Aim("nitrogen_fixed_kg_ha", 20.0)),
    Purpose("pollinators", 1.0, None),
)


@pytest.fixture(scope="module")
def many_aims(sample_farm):
    """The sample farm with three purposes that no sole cover serves alone, and its plan."""
    farm = replace(sample_farm, settings=replace(sample_farm.settings, purposes=MANY_AIMS))
    return farm, plan_farm(farm)


def test_a_mix_is_proposed_where_it_beats_the_best_sole_cover_and_says_why(many_aims):
    farm, plan = many_aims
    gain = farm.catalogue.rule("mix_gain_least")
    found = {gap: propose_mixes(farm, plan, gap) for gap in ("Lane Strip/5", "Low Corner/2", "Upper Bench/3")}
    for gap, proposals in found.items():
        assert proposals, gap
        best = proposals[0]
        assert best.score >= best.sole_score + gain
        assert best.gains
        assert not best.design.faults
        assert best.row.eligible
        scores = [p.score for p in proposals]
        assert scores == sorted(scores, reverse=True)
        text = "\n".join(mix_lines(proposals, gap, farm.catalogue, "metric"))
        assert "For it: " in text
        assert "/ft²" in text
        assert len(mix_table(proposals)) == sum(len(p.design.parts) for p in proposals)


def test_the_reasons_of_a_proposal_are_what_the_plan_says_of_it(many_aims, tmp_path):
    farm, plan = many_aims
    best = propose_mixes(farm, plan, "Lane Strip/5")[0]
    alone = plan.recommendation[(plan.recommendation["gap_id"] == "Lane Strip/5")]
    sole = alone[alone["cover_id"].isin(plan.catalogue.species)].sort_values("rank").iloc[0]
    assert plan.catalogue.covers[sole["cover_id"]].name == best.sole
    assert sole["score"] == pytest.approx(best.sole_score, abs=0.02)  # its best date may be another


def test_no_mix_is_proposed_where_none_beats_the_cover_alone(sample_farm, sample_plan):
    assert propose_mixes(sample_farm, sample_plan, "River 1/2") == []
    lines = list(mix_lines([], "River 1/2", sample_farm.catalogue, "metric"))
    assert "no mix beats" in lines[0]


def test_a_proposed_mix_can_be_planned_as_the_farms_own(many_aims, tmp_path):
    from greengap.catalogue import with_own

    farm, plan = many_aims
    best = propose_mixes(farm, plan, "Lane Strip/5")[0]
    path = tmp_path / "catalogue.toml"
    path.write_text("\n".join(own_lines(best.design)), encoding="utf-8")
    own = with_own(farm.catalogue, path)
    (key,) = set(own.covers) - set(farm.catalogue.covers)
    parts = {c.species: c.share_of_sole_rate for c in own.covers[key].components}
    assert parts == {p.species: p.share_of_sole_rate for p in best.design.parts}
