"""The catalogue is complete, consistent and sourced, and the loader refuses what is not."""

from __future__ import annotations

import csv
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from greengap.catalogue import loader
from greengap.catalogue.loader import CatalogueProblem, Species, Value, load_catalogue

CHECKS = Path(__file__).parents[1] / "checks" / "catalogue_figures.csv"
CATALOGUE = load_catalogue()
EVERY_SPECIES = sorted(CATALOGUE.species.values(), key=lambda s: s.key)
SPECIES = EVERY_SPECIES
UNSOURCED = {"common practice", "from memory"}
DRAINAGE = (
    "excessively drained",
    "somewhat excessively drained",
    "well drained",
    "moderately well drained",
    "somewhat poorly drained",
    "poorly drained",
    "very poorly drained",
)
EVERY_SPECIES_HAS = {
    "seeding_rate_drilled", "seed_weight", "seeding_depth", "germination", "purity",
    "minimum_soil_temperature", "heat_limit_establishment", "growth_base_temperature", "emergence_sum",
    "half_cover_sum", "flower_sum", "viable_seed_sum", "bloom_length_sum", "tissue_nitrogen",
    "carbon_to_nitrogen", "canopy_height", "frost_kill_temperature",
    "ph_optimum", "ph_limit", "drainage_optimum", "drainage_limit", "clay_comfort", "flower_value",
    "termination", "reseeding", "wildlife",
}  # fmt: skip
TRIGGERS = {
    "bare on a slope",
    "crusting ground",
    "steep for machines",
    "always",
    "animals eat",
    "flowers",
    "frost before termination",
    "herbicide history",
    "legal list",
    "next crop",
    "organic",
    "reseeds",
    "shared disease",
    "small seed next",
}

by_species = pytest.mark.parametrize("species", SPECIES, ids=lambda s: s.key)


def every_value() -> list[Value]:
    holders = [*EVERY_SPECIES, *CATALOGUE.covers.values(), *CATALOGUE.vegetables.values()]
    return [v for holder in holders for v in holder.values.values()] + list(CATALOGUE.practice.values())


# --- what the loader refuses -------------------------------------------------------------------


@pytest.fixture
def broken(tmp_path: Path) -> Callable[[str, str, str], CatalogueProblem]:
    """Copy the catalogue, change one place in one file, and give back the refusal."""

    def change(file: str, old: str, new: str) -> CatalogueProblem:
        folder = tmp_path / "catalogue"
        shutil.copytree(loader.HERE, folder, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
        text = (folder / file).read_text(encoding="utf-8")
        assert old in text, f"{file} no longer holds {old!r}"
        (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")
        with pytest.raises(CatalogueProblem) as caught:
            load_catalogue(folder)
        return caught.value

    return change


BUCKWHEAT_RATE = '[seeding_rate_drilled]\nrange = [48, 70]\nunit = "lb/ac"\nsource = "ctahr_bw"\n'


@pytest.mark.parametrize(
    ("new", "what"),
    [
        ('[seeding_rate_drilled]\nrange = [48, 70]\nunit = "lb/ac"\n', "no source"),
        (BUCKWHEAT_RATE.replace("lb/ac", "stone/rood"), "unit 'stone/rood' is unknown"),
        (BUCKWHEAT_RATE.replace("lb/ac", "degF"), "unit 'degF' does not convert to kg/ha"),
        (BUCKWHEAT_RATE.replace("ctahr_bw", "hearsay"), "source 'hearsay' is not in sources.toml"),
        (BUCKWHEAT_RATE + 'mood = "good"\n', "unknown key 'mood'"),
        (BUCKWHEAT_RATE + "value = 90\n", "value 90 lies outside its range"),
        ('[seeding_rate_drilled]\nunit = "lb/ac"\nsource = "ctahr_bw"\n', "neither value nor range"),
    ],
)
def test_a_value_that_breaks_the_rules_is_refused_by_file_trait_and_reason(broken, new: str, what: str) -> None:
    problem = broken("species/buckwheat.toml", BUCKWHEAT_RATE, new)
    assert what in str(problem)
    assert "species/buckwheat.toml" in str(problem)
    assert "seeding_rate_drilled" in str(problem)


@pytest.mark.parametrize("missing", ['method = "clipped average"\n', "base = 10\n", 'clock = "air"\n'])
def test_a_thermal_sum_without_method_base_or_clock_is_refused(broken, missing: str) -> None:
    start = '[flower_sum]\nvalue = 340\nrange = [300, 440]\nunit = "degC d"\n'
    rest = 'method = "clipped average"\nbase = 10\nupper = 30\nclock = "air"\n'
    problem = broken("species/buckwheat.toml", start + rest, start + rest.replace(missing, ""))
    assert "thermal sum without its method, base or clock" in str(problem)


def test_a_trait_that_nobody_reads_is_refused(broken) -> None:
    assert "is not a trait that is used" in str(broken("species/oat.toml", "[canopy_height]", "[canopy_hight]"))


def test_a_mix_with_a_species_that_is_not_offered_is_kept_and_not_offered() -> None:
    assert "Red clover: perennial" in CATALOGUE.mixes["crimson_clover_red_clover"].not_offered
    assert "crimson_clover_red_clover" not in CATALOGUE.covers


def test_not_offered_says_why(broken) -> None:
    problem = broken("species/red_clover.toml", 'not_offered = "perennial', 'not_offered = true\nmood = "perennial')
    assert "not_offered: True is not words" in str(problem)


def test_a_range_that_falls_is_refused(broken) -> None:
    problem = broken("species/buckwheat.toml", BUCKWHEAT_RATE, BUCKWHEAT_RATE.replace("[48, 70]", "[70, 48]"))
    assert "range [70, 48] is not two numbers in order" in str(problem)


def test_a_rate_counts_seed_or_live_seed_and_nothing_else(broken) -> None:
    problem = broken("species/buckwheat.toml", BUCKWHEAT_RATE, BUCKWHEAT_RATE + 'basis = "bags"\n')
    assert "basis 'bags' is unknown" in str(problem)


def test_a_species_without_a_family_is_refused(broken) -> None:
    assert "no family" in str(broken("species/oat.toml", 'family = "Poaceae"\n', ""))


def test_a_mix_of_an_unknown_species_is_refused(broken) -> None:
    problem = broken("mixes/pea_oat.toml", "[components.oat]", "[components.triffid]")
    assert "triffid: is not a species of the catalogue" in str(problem)


def test_a_mix_share_above_one_is_refused(broken) -> None:
    problem = broken("mixes/pea_oat.toml", "value = 0.35\nrange = [0.3, 0.5]", "value = 1.35\nrange = [0.3, 1.5]")
    assert "a share must lie above 0 and not above 1" in str(problem)


def test_a_source_without_a_year_is_refused(broken) -> None:
    problem = broken("sources.toml", 'publisher = "this project"\nyear = "2026"', 'publisher = "this project"')
    assert "greengap_design: no year" in str(problem)


def test_a_file_that_is_not_toml_is_refused_by_name(broken) -> None:
    assert "oat.toml" in str(broken("species/oat.toml", "[canopy_height]", "[canopy_height"))


# --- sources -----------------------------------------------------------------------------------


def test_every_cited_source_exists_and_every_alternative_names_one() -> None:
    known = set(CATALOGUE.sources) | UNSOURCED
    for value in every_value():
        assert value.source in known, (value.subject, value.trait)
        for alternative in value.alternatives:
            assert alternative.split(", ")[1] in known, (value.subject, value.trait, alternative)
    for caution in CATALOGUE.cautions:
        assert caution.source in known, caution.hazard


def test_every_source_is_cited() -> None:
    files = [p for p in loader.HERE.rglob("*.toml") if p.name != "sources.toml"]
    words = set(re.findall(r"[a-z0-9_]+", "\n".join(p.read_text(encoding="utf-8") for p in files)))
    assert set(CATALOGUE.sources) <= words, sorted(set(CATALOGUE.sources) - words)


def test_design_and_memory_are_marked_as_such() -> None:
    for value in every_value():
        place = (value.subject, value.trait)
        assert (value.confidence == "design") == (value.source == "greengap_design"), place
        if value.source in UNSOURCED:
            assert value.confidence in {"memory", "derived"}, place
        if value.source == "sare2007":
            assert value.confidence in {"memory", "derived"}, place


def test_a_seed_sellers_figure_says_why_it_is_used() -> None:
    vendors = {k for k, s in CATALOGUE.sources.items() if s.publisher.startswith(("vendor", "grower", "equipment"))}
    for species in EVERY_SPECIES:
        for trait, value in species.values.items():
            assert value.source not in vendors or value.choice, (species.key, trait)


# --- species -----------------------------------------------------------------------------------


def test_the_catalogue_holds_the_trade() -> None:
    assert len(SPECIES) == 28
    offered = {s.key for s in SPECIES if not s.not_offered}
    assert {k for k, c in CATALOGUE.covers.items() if not c.is_mix} == offered
    assert len(offered) == 24
    mixes = {k: [c.species for c in mix.components] for k, mix in CATALOGUE.mixes.items()}
    assert len(mixes) == 14
    assert mixes["pea_oat"] == ["field_pea", "oat"]
    assert mixes["sunn_hemp_sorghum_sudangrass"] == ["sunn_hemp", "sorghum_sudangrass"]


def test_every_mix_is_sown_within_its_bounds() -> None:
    for mix in CATALOGUE.mixes.values():
        total = sum(c.share_of_sole_rate for c in mix.components)
        assert total <= CATALOGUE.rule("mix_share_sum_most") or mix.key == "hairy_vetch_sudangrass", mix.key


VISITORS = ("honey_bees", "wild_bees", "natural_enemies")


@by_species
def test_visitors_are_told_by_group_in_one_of_four_words(species: Species) -> None:
    for group in VISITORS:
        assert species.text(group).split(":")[0].split(" ")[0].rstrip(",") in {"strong", "moderate", "little", "none"}
    if species.text("flower_value") == "none":
        assert all(species.text(group).split(":")[0] in {"none", "little"} for group in VISITORS)


@by_species
def test_legal_names_hold_the_scientific_name_of_a_species_or_its_parents(species: Species) -> None:
    first = species.scientific_name.replace("x ", "").split(" ")[0]
    assert first in species.text("legal_names")


@by_species
def test_every_species_has_what_the_engine_needs(species: Species) -> None:
    assert set(species.values) >= EVERY_SPECIES_HAS, sorted(EVERY_SPECIES_HAS - set(species.values))
    assert species.kind in {"legume", "grass", "broadleaf"}


@by_species
def test_only_legumes_have_hard_seed_inoculant_and_fixed_nitrogen(species: Species) -> None:
    for trait in ("hard_seed", "inoculant", "fixed_share"):
        assert species.has(trait) == (species.kind == "legume"), trait


@by_species
def test_live_seed_is_never_more_than_the_seed(species: Species) -> None:
    hard = species.number("hard_seed") if species.has("hard_seed") else 0.0
    assert species.number("purity") * (species.number("germination") + hard) <= 1


@by_species
def test_thermal_sums_run_on_their_clock_and_follow_each_other(species: Species) -> None:
    clocks = {t: v.clock for t, v in species.values.items() if t.endswith("_sum") and not t.startswith("biomass")}
    assert clocks.pop("emergence_sum") == "soil"
    assert set(clocks.values()) == {"air"}
    flower, seed = species.values["flower_sum"], species.values["viable_seed_sum"]
    assert (flower.base_degc, flower.upper_degc, flower.method) == (seed.base_degc, seed.upper_degc, seed.method)
    assert species.number("flower_sum") < species.number("viable_seed_sum")


@by_species
def test_soil_limits_enclose_the_optimum(species: Species) -> None:
    low, high = species.range("ph_limit")
    best_low, best_high = species.range("ph_optimum")
    assert low <= best_low < best_high <= high
    assert DRAINAGE.index(species.text("drainage_optimum")) <= DRAINAGE.index(species.text("drainage_limit"))


@by_species
def test_flower_value_is_one_of_five_words(species: Species) -> None:
    assert species.text("flower_value") in {"none", "low", "moderate", "good", "excellent"}


@by_species
def test_nitrogen_and_carbon_go_together(species: Species) -> None:
    carbon = species.number("tissue_nitrogen") * species.number("carbon_to_nitrogen")
    assert 0.38 <= carbon <= 0.48


def test_buckwheat_flowers_in_about_a_month_of_summer_and_has_ten_days_before_it_must_end() -> None:
    buckwheat, per_day = CATALOGUE.species["buckwheat"], 11.5  # degC d a day by the 50-86 method at 21-22 °C
    emerged_d = 4
    first_flower_d = emerged_d + buckwheat.number("flower_sum") / per_day
    end_d = emerged_d + buckwheat.number("viable_seed_sum") / per_day - CATALOGUE.rule("seed_margin")
    assert 30 <= first_flower_d <= 40
    assert 7 <= end_d - first_flower_d <= 11


def test_published_figures_come_back_in_si() -> None:
    with CHECKS.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows
    for row in rows:
        species = CATALOGUE.species[row["species"]]
        low, high = species.range(row["trait"])
        got = {"low": low, "high": high, "number": species.number(row["trait"])}[row["which"]]
        assert got == pytest.approx(float(row["expected"]), abs=float(row["tolerance"])), row
        assert species.values[row["trait"]].unit == row["unit"]


# --- vegetables, cautions, practice --------------------------------------------------------------


def test_there_are_twenty_vegetables_with_family_temperature_time_and_nitrogen() -> None:
    assert len(CATALOGUE.vegetables) == 20
    for vegetable in CATALOGUE.vegetables.values():
        assert vegetable.family.endswith("aceae")
        assert {"minimum_soil_temperature", "days_to_harvest", "nitrogen_recommendation"} <= set(vegetable.values)


def test_small_seeded_vegetables_include_those_that_fresh_residue_holds_back() -> None:
    small = {k for k, v in CATALOGUE.vegetables.items() if v.small_seeded}
    assert {"lettuce", "carrot", "onion", "beet", "spinach", "radish"} <= small
    assert not small & {"snap_bean", "sweet_corn", "garden_pea", "potato", "garlic"}


@by_species
def test_a_covers_diseases_are_written_as_in_the_vegetables(species: Species) -> None:
    written = {d for v in CATALOGUE.vegetables.values() for d in v.shared_diseases}
    assert {d.strip() for d in species.text("shared_diseases").split(",") if d.strip()} <= written


def test_cautions_have_a_known_trigger_a_known_cover_and_defer_to_somebody() -> None:
    assert {c.trigger for c in CATALOGUE.cautions} == TRIGGERS
    for caution in CATALOGUE.cautions:
        assert caution.applies_to == ("all",) or set(caution.applies_to) <= set(CATALOGUE.species), caution.hazard
        assert caution.text.endswith(".")
        assert caution.defers_to


def test_practice_rules_are_numbers_in_si() -> None:
    assert CATALOGUE.rule("waiting_transplanted") == 14
    assert CATALOGUE.rule("worthwhile_biomass") == 1000
    assert CATALOGUE.rule("class_s1") > CATALOGUE.rule("class_s2")
    for name in CATALOGUE.practice:
        below_zero = {"weed_seed_base_water_potential", "available_least", "nitrogen_at_planting_poor"}
        assert (CATALOGUE.rule(name) < 0) == (name in below_zero)


def test_every_value_can_be_cited_in_one_line() -> None:
    for value in every_value():
        cited = CATALOGUE.cite(value.source)
        assert cited
        assert "\n" not in cited
