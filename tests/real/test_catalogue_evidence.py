"""The catalogue against the tables of evidence that stand beside the project, and against FAO's crop requirements.

FAO's EcoCrop gives, for a crop, the range of mean temperature and of pH in which it grows, and how long it takes to
ripe seed. Its pH and temperatures are carried into the catalogue; how long a species takes to ripen there follows from
sums of other sources, so that the two can disagree.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from greengap.catalogue import load_catalogue
from greengap.units import to_si

pytestmark = pytest.mark.real
CATALOGUE = load_catalogue()
FAO_TRAITS = {
    "growth_temperature_optimum_range": ("growth_temperature_optimum", "degC"),
    "growth_temperature_absolute_range": ("growth_temperature_limit", "degC"),
    "soil_pH_optimum_range": ("ph_optimum", "pH"),
    "soil_pH_absolute_range": ("ph_limit", "pH"),
    "crop_cycle_length": ("crop_cycle", "d"),
}
# Ripe seed outside FAO's cycle: its oat is mostly the winter form.
OTHER_FORM = {"oat"}
NAMES = {"N_accumulation": "nitrogen_yield"}


@pytest.fixture(scope="module")
def evidence(shared_data: Path) -> list[dict[str, str]]:
    path = shared_data / "reference" / "species_evidence.csv"
    if not path.is_file():
        pytest.skip("no evidence tables in the folder shared")
    return list(csv.DictReader(path.open(encoding="utf-8")))


def test_every_species_of_the_evidence_is_in_the_catalogue(evidence):
    assert {row["species_key"] for row in evidence} == set(CATALOGUE.species)


def test_every_vegetable_of_the_evidence_is_in_the_catalogue(shared_data):
    rows = csv.DictReader((shared_data / "reference" / "vegetables.csv").open(encoding="utf-8"))
    assert {row["vegetable_key"] for row in rows} == set(CATALOGUE.vegetables)


def test_every_source_of_the_evidence_that_is_cited_is_the_same_work(shared_data):
    rows = {
        r["source_id"].lower(): r
        for r in csv.DictReader((shared_data / "reference" / "sources.csv").open(encoding="utf-8"))
    }
    cited = {v.source for s in CATALOGUE.species.values() for v in s.values.values()} & set(rows)
    assert len(cited) > 60
    for key in cited:
        assert CATALOGUE.sources[key].year[:4] == rows[key]["year"][:4] or not rows[key]["year"][:4].isdigit(), key


def test_ph_temperature_and_cycle_agree_with_fao(evidence):
    compared, other = 0, []
    for row in evidence:
        if row["source_id"] != "ECOCROP" or row["trait"] not in FAO_TRAITS:
            continue
        trait, unit = FAO_TRAITS[row["trait"]]
        species = CATALOGUE.species[row["species_key"]]
        value = species.values[trait]
        wanted = tuple(to_si(float(row[k]), unit) for k in ("value_low", "value_high"))
        compared += 1
        if value.source == "ecocrop" and species.range(trait) == pytest.approx(wanted):
            continue
        said = " ".join((*value.alternatives, value.conditions, value.where))
        other.append((species.key, trait, value.source, "ecocrop" in said.lower()))
    assert compared > 120
    assert all(source != "ecocrop" or known for _, _, source, known in other), other
    assert len(other) < 0.1 * compared, other  # another source, or another plant under the same trade name


def ripe_days(species, mean_degc: float) -> float:
    """Days to ripe seed at a steady mean temperature."""
    total = 0.0
    for trait in ("emergence_sum", "maturity_sum"):
        value = species.values[trait]
        total += species.number(trait) / (min(mean_degc, value.upper_degc or mean_degc) - value.base_degc)
    return total


def test_ripening_at_faos_best_temperatures_takes_as_long_as_fao_says():
    compared = set()
    for species in CATALOGUE.species.values():
        if not species.has("crop_cycle") or species.key in OTHER_FORM:
            continue
        cool, warm = species.range("growth_temperature_optimum")
        shortest, longest = species.range("crop_cycle")
        assert ripe_days(species, warm) <= longest, species.key
        assert ripe_days(species, cool) >= shortest, species.key
        compared.add(species.key)
    assert len(compared) == 25


def test_growth_starts_and_is_best_near_where_fao_has_it():
    for species in CATALOGUE.species.values():
        if (
            species.values["growth_temperature_limit"].source != "ecocrop"
            if species.has("growth_temperature_limit")
            else True
        ):
            continue
        low, _ = species.range("growth_temperature_limit")
        best_low, best_high = species.range("growth_temperature_optimum")
        assert low - 8 <= species.number("growth_base_temperature") <= best_low, species.key
        assert best_low - 6 <= species.number("optimum_temperature") <= best_high + 6, species.key


def test_seeds_a_pound_lie_within_what_was_published(evidence):
    for key, species in CATALOGUE.species.items():
        printed = []
        for row in evidence:
            if row["species_key"] == key and row["trait"] == "seed_count":
                a_pound = {"seeds/lb": 1.0, "seeds/kg": 0.45359237, "seeds/oz": 16.0}[row["unit"]]
                printed += [float(row[k]) * a_pound for k in ("value_low", "value_typical", "value_high") if row[k]]
        if not printed:
            continue
        count = 453.59237 * 1000 / species.number("seed_weight")
        assert 0.98 * min(printed) <= count <= 1.02 * max(printed), key


def test_no_evidence_of_a_rate_is_lost(evidence):
    """Each printed rate alone is in the catalogue, as its value or among what was not used."""
    traits = {"seeding_rate_drilled_alone", "seeding_rate_broadcast_alone", "seeding_rate_alone_method_not_stated"}
    lost = []
    for row in evidence:
        if row["trait"] not in traits or not row["unit"].startswith(("lb/ac", "kg/ha")):
            continue
        species = CATALOGUE.species[row["species_key"]]
        text = " ".join(
            f"{v.source} {' '.join(v.alternatives)}" for t, v in species.values.items() if t.startswith("seeding_rate")
        )
        source = "common practice" if row["source_id"] == "MEMORY" else row["source_id"].lower()
        if source not in text:
            lost.append((row["species_key"], row["trait"], row["source_id"]))
    assert len(lost) <= 12, lost


def test_seeds_that_a_rate_implies_lie_within_what_the_evidence_implies(evidence):
    """Catalogue rate and seed count together, against every printed rate with every printed count."""
    compared = 0
    for key, species in CATALOGUE.species.items():
        counts, rates = [], []
        for row in evidence:
            alone = row["trait"].startswith("seeding_rate") and "alone" in row["trait"]
            if row["species_key"] != key or not (row["trait"] == "seed_count" or alone):
                continue
            printed = [float(row[k]) for k in ("value_low", "value_typical", "value_high") if row[k]]
            if not alone:
                counts += [
                    v * {"seeds/lb": 1.0, "seeds/kg": 0.45359237, "seeds/oz": 16.0}[row["unit"]] for v in printed
                ]
            elif row["unit"].startswith(("lb/ac", "kg/ha")):
                rates += [v / (to_si(1, "lb/ac") if row["unit"].startswith("kg/ha") else 1.0) for v in printed]
        if not counts or not rates or species.values["seeding_rate_drilled"].confidence == "derived":
            continue
        per_acre = 100 / species.number("seed_weight") * 4046.8564224  # seeds for each kg/ha
        low, high = (rate * per_acre for rate in species.range("seeding_rate_drilled"))
        assert min(rates) * min(counts) * 0.98 <= low, key
        assert high <= max(rates) * max(counts) * 1.02, key
        compared += 1
    assert compared > 15
