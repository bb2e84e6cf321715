"""Names are asked about and never cleared; intervals are those that were typed."""

import pandas as pd
import pytest

from greengap.advice.law import label_interval, listed_names, matching_names
from greengap.catalogue import load_catalogue
from greengap.farm.law_lists import ListedPlant, Sprayed

CATALOGUE = load_catalogue()
SOW = pd.Timestamp("2027-06-15")

# Names as three state lists have them (job map: Ohio shatter cane, Alaska restricted seed, Arkansas genus).
STATE_LISTS = [
    ("Sorghum bicolor", "Ohio, as shatter cane", "sorghum_sudangrass"),
    ("Brassica juncea", "Alaska, restricted seed", "mustard"),
    ("Crotalaria spp.", "Arkansas, genus", "sunn_hemp"),
    ("Avena fatua L.", "Alaska", "oat"),
    ("Vicia cracca", "Alaska", "hairy_vetch"),
    ("Raphanus raphanistrum", "Alaska", "forage_radish"),
]


@pytest.mark.parametrize(("name", "where", "species"), STATE_LISTS)
def test_a_name_of_a_state_list_is_matched_with_the_cover_it_takes_in(name, where, species):
    plants = [ListedPlant(name, where)]
    assert matching_names(CATALOGUE.species[species], plants) == plants
    question = listed_names([species], plants, True, CATALOGUE)["question"].iloc[0]
    assert "ask before you order" in question
    assert where in question


def test_a_name_of_another_plant_is_not_matched():
    plants = [
        ListedPlant("Cirsium arvense", "list"),
        ListedPlant("Sorghastrum nutans", "list"),
        ListedPlant("oatgrass", "l"),
    ]
    for key in ("oat", "sorghum_sudangrass", "mustard"):
        assert matching_names(CATALOGUE.species[key], plants) == []


def test_nothing_is_ever_cleared():
    for named in (True, False):
        for question in listed_names(list(CATALOGUE.species), [], named, CATALOGUE)["question"]:
            assert "Ask" in question
            assert not any(word in question.lower() for word in ("allowed", "legal.", "safe", "cleared to"))
    assert "clears nothing" in listed_names(["oat"], [], True, CATALOGUE)["question"].iloc[0]
    assert "no list was entered" in listed_names(["oat"], [], False, CATALOGUE)["question"].iloc[0]


def used(species, days, product="Kilweed", applied="2027-05-01"):
    return Sprayed("A", product, pd.Timestamp(applied), species, days)


def test_the_strictest_component_of_a_mix_decides():
    sprayed = [used("field_pea", 30.0), used("oat", 120.0)]
    (found,) = label_interval(CATALOGUE.covers["pea_oat"], "A", SOW, sprayed, CATALOGUE)
    assert found["strictest"] == "oat"
    assert found["not_before"] == pd.Timestamp("2027-08-29")
    assert not found["allowed"]


def test_a_species_that_the_label_does_not_name_follows_its_line_for_other_crops():
    (found,) = label_interval(
        CATALOGUE.covers["buckwheat"], "A", SOW, [used("oat", 10.0), used("other", 400.0)], CATALOGUE
    )
    assert found["interval_d"] == 400.0
    assert not found["allowed"]


def test_an_interval_that_was_not_entered_is_said_and_never_guessed():
    (found,) = label_interval(CATALOGUE.covers["pea_oat"], "A", SOW, [used("oat", 10.0)], CATALOGUE)
    assert "interval not entered for field pea" in found["verdict"]
    assert found["allowed"]
    (found,) = label_interval(CATALOGUE.covers["oat"], "A", SOW, [used("", None)], CATALOGUE)
    assert found["interval_d"] is None
    assert "not entered" in found["verdict"]


def test_other_blocks_and_later_sprays_do_not_count():
    later = Sprayed("A", "Kilweed", pd.Timestamp("2027-07-01"), "oat", 300.0)
    elsewhere = Sprayed("B", "Kilweed", pd.Timestamp("2027-05-01"), "oat", 300.0)
    assert label_interval(CATALOGUE.covers["oat"], "A", SOW, [later, elsewhere], CATALOGUE) == []
