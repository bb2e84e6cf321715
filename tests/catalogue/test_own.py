"""A farm's own species, cultivars and mixes are checked as the catalogue is."""

from pathlib import Path

import pytest

from greengap.advice.mixes import design, share_for_plants
from greengap.catalogue import CatalogueProblem, load_catalogue, with_own

CATALOGUE = load_catalogue()
DIXIE = """
[species.dixie]
cultivar_of = "crimson_clover"
name = "Crimson clover Dixie"
[species.dixie.seeding_rate_drilled]
value = 18
unit = "kg/ha"
source = "own record"
confidence = "read"
"""
MIX = """
[mixes.our_mix]
name = "Our mix"
[mixes.our_mix.components.dixie]
value = 0.5
unit = "fraction"
source = "own record"
confidence = "read"
[mixes.our_mix.components.oat]
value = 0.4
unit = "fraction"
source = "own_trial"
confidence = "read"
[sources.own_trial]
title = "Strip trial"
authors = "the farm"
publisher = "the farm"
year = "2026"
"""


def own(tmp_path: Path, text: str):
    path = tmp_path / "catalogue.toml"
    path.write_text(text, encoding="utf-8")
    return with_own(CATALOGUE, path)


def test_a_cultivar_takes_from_its_species_what_it_does_not_say(tmp_path):
    catalogue = own(tmp_path, DIXIE)
    dixie, crimson = catalogue.species["dixie"], CATALOGUE.species["crimson_clover"]
    assert dixie.number("seeding_rate_drilled") == 18
    assert dixie.values["flower_sum"] == crimson.values["flower_sum"]
    assert dixie.family == crimson.family
    assert "dixie" in catalogue.covers
    assert catalogue.cite("own record").startswith("the farm")


def test_a_mix_of_ones_own_is_offered_and_the_version_tells(tmp_path):
    catalogue = own(tmp_path, DIXIE + MIX)
    assert [c.species for c in catalogue.covers["our_mix"].components] == ["dixie", "oat"]
    assert catalogue.version.startswith(CATALOGUE.version + "+own.")
    assert "our_mix" not in CATALOGUE.covers


def test_a_cultivar_of_a_species_that_is_not_offered_is_not_offered_either(tmp_path):
    catalogue = own(tmp_path, '[species.own_clover]\ncultivar_of = "red_clover"\nname = "Our clover"\n')
    assert catalogue.species["own_clover"].not_offered
    assert "own_clover" not in catalogue.covers


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (DIXIE.replace('source = "own record"\n', ""), "species.dixie, seeding_rate_drilled: no source"),
        (DIXIE.replace("own record", "hearsay"), "source 'hearsay' is not in sources.toml"),
        (DIXIE.replace("kg/ha", "stone"), "unit 'stone' is unknown"),
        (DIXIE.replace("crimson_clover", "crimson"), "cultivar_of 'crimson' is not a species of the catalogue"),
        (DIXIE.replace("species.dixie", "species.oat"), "species.oat: is in the catalogue already"),
        (DIXIE.replace("seeding_rate_drilled", "seeding_rat"), "seeding_rat: is not a trait that is used"),
        (DIXIE.replace('cultivar_of = "crimson_clover"\n', ""), "species.dixie: no family"),
        (
            '[species.x]\nname = "X"\nscientific_name = "X x"\nfamily = "Xaceae"\nkind = "grass"\n',
            "is offered as a cover without",
        ),
        (
            '[species.x]\nname = "X"\nscientific_name = "X x"\nfamily = "Xaceae"\nkind = "shrub"\n',
            "kind: 'shrub' is unknown",
        ),
        (DIXIE + MIX.replace("components.oat", "components.oats"), "oats: is not a species of the catalogue"),
        (DIXIE + MIX.replace("value = 0.4", "value = 1.4"), "a share must lie above 0 and not above 1"),
        (MIX, "dixie: is not a species of the catalogue"),
        ('[mixes.alone]\nname = "Alone"\n', "mixes.alone: is no mix"),
        ('[cover.x]\nname = "X"\n', "cover: is not a part that is known"),
        ('[sources.x]\ntitle = "T"\n', "x: no authors"),
        ("species = 3\n", "species: is not a table"),
        ("[species.dixie", "is not valid TOML"),
    ],
)
def test_what_breaks_the_rules_is_refused_in_a_sentence(tmp_path, text, sentence):
    with pytest.raises(CatalogueProblem) as caught:
        own(tmp_path, text)
    assert sentence in caught.value.sentence
    assert caught.value.sentence.startswith("catalogue.toml")


@pytest.mark.parametrize("data", [b"\xff\xfe", b"a = " + b"[" * 5000, b"a = " + b"9" * 6000])
def test_bytes_that_are_no_toml_get_a_sentence(tmp_path, data):
    path = tmp_path / "catalogue.toml"
    path.write_bytes(data)
    with pytest.raises(CatalogueProblem):
        with_own(CATALOGUE, path)


PLANTS = """
[mixes.by_plants]
name = "By plants"
[mixes.by_plants.components.field_pea]
value = 30
unit = "1/m2"
source = "own record"
confidence = "read"
[mixes.by_plants.components.oat]
value = 60
unit = "1/m2"
source = "own record"
conditions = "strip of 2026"
confidence = "read"
"""


def test_a_mix_may_be_given_in_plants_and_comes_up_with_them(tmp_path):
    catalogue = own(tmp_path, PLANTS)
    mix = catalogue.covers["by_plants"]
    shares = {c.species: c.share_of_sole_rate for c in mix.components}
    for species, plants in (("field_pea", 30.0), ("oat", 60.0)):
        assert shares[species] == pytest.approx(share_for_plants(species, plants, "drilled", catalogue))
    assert [p.plants_m2 for p in design(mix, "drilled", catalogue).parts] == pytest.approx([30.0, 60.0])
    assert mix.values["share of oat"].conditions == "strip of 2026; for 60 plants on a square metre"


@pytest.mark.parametrize(
    ("value", "sentence"),
    [("3000", "are more than its rate alone gives"), ("-1", "is no number of plants"), ('"many"', "is no number")],
)
def test_plants_that_cannot_be_are_refused(tmp_path, value, sentence):
    with pytest.raises(CatalogueProblem, match=sentence):
        own(tmp_path, PLANTS.replace("value = 30", f"value = {value}"))
