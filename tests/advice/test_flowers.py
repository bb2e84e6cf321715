"""Visitors go with bloom dates, and families are counted by the year."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.flowers import families_by_year, flower_dates, flower_lines, visitors_in_words
from greengap.advice.suitability import _Rater
from greengap.catalogue import load_catalogue
from greengap.farm.settings import Aim, Purpose
from greengap.process.bloom import VISITORS, visited_days, visitor_level, visitor_share


@pytest.fixture(scope="module")
def buckwheat_on_pond(sample_plan):
    """The allocation with buckwheat on Pond in midsummer, and its flowers."""
    allocation = sample_plan.allocation.copy()
    ranked = sample_plan.recommendation
    option = ranked[(ranked["gap_id"] == "Pond/2") & (ranked["cover_id"] == "buckwheat")]["option_id"].item()
    allocation.loc[allocation["gap_id"] == "Pond/2", ["cover_id", "option_id"]] = ["buckwheat", option]
    return allocation, flower_dates(allocation, sample_plan.odds, sample_plan.catalogue)


def test_every_sown_species_has_its_visitors_with_a_source(sample_plan):
    table = flower_dates(sample_plan.allocation, sample_plan.odds, sample_plan.catalogue)
    sown = sample_plan.allocation[sample_plan.allocation["option_id"].notna()]
    assert set(table["gap_id"]) == set(sown["gap_id"])
    assert (table["source"] != "").all()
    assert (table[["honey_bees", "wild_bees", "natural_enemies"]] != "").all().all()


def test_wind_pollinated_covers_have_no_bloom_for_insects(buckwheat_on_pond):
    table = buckwheat_on_pond[1]
    assert table.loc[table["species"] == "oat", "first_flower"].isna().all()
    assert table.loc[table["species"] == "buckwheat", "first_flower"].notna().any()


def test_bloom_dates_are_those_of_the_odds(sample_plan):
    chosen = sample_plan.allocation.set_index("gap_id")["option_id"]
    odds = sample_plan.odds.set_index("option_id")
    for row in sample_plan.flowers.itertuples():
        if pd.notna(row.first_flower):
            assert row.first_flower == odds.loc[chosen[row.gap_id], "first_flower"]


def test_families_in_flower_are_families_that_were_sown(sample_plan, buckwheat_on_pond):
    allocation, flowers = buckwheat_on_pond
    years = families_by_year(allocation, sample_plan.options, flowers)
    assert years
    sown: set[str] = set()
    for grown, blooming in years.values():
        sown |= grown
        assert blooming <= sown
    lines = "\n".join(flower_lines(allocation, sample_plan.options, flowers, sample_plan.catalogue))
    assert "plant families sown" in lines
    assert "honey bees" in lines


def test_few_insects_are_called_few():
    row = pd.Series({"honey_bees": "little: some pollen", "wild_bees": "none", "natural_enemies": "little"})
    assert visitors_in_words(row) == "few insects"


def test_visitors_that_nobody_spoke_of_are_not_called_few():
    row = pd.Series({"honey_bees": "", "wild_bees": "", "natural_enemies": ""})
    assert visitors_in_words(row) == "which insects come is not known"
    row["honey_bees"] = "strong"
    assert visitors_in_words(row) == "honey bees; not known for wild bees, predators and parasitoids"


flower = st.tuples(st.integers(0, 60), st.integers(0, 60), st.sampled_from([0.0, 0.1, 0.5, 1.0]))


@given(st.lists(flower, min_size=1, max_size=4))
def test_visited_days_are_those_of_a_count_day_by_day(flowers):
    counted = sum(max((share for a, b, share in flowers if a <= day < b), default=0.0) for day in range(60))
    opens, closes = (np.array([[f[k]] for f in flowers], dtype=float) for k in (0, 1))
    assert visited_days(opens, closes, [f[2] for f in flowers])[0] == pytest.approx(counted)


def test_every_species_of_the_catalogue_says_who_comes():
    catalogue = load_catalogue()
    for s in catalogue.species.values():
        for group in VISITORS:
            assert visitor_level(s, group), (s.key, group)
            assert s.values[group].source


def test_a_day_in_flower_counts_for_a_group_no_more_than_a_day(sample_plan):
    season = sample_plan.season
    cover = season["option_id"].map(sample_plan.options.set_index("option_id")["cover_id"])
    buckwheat, grass, mustard = (season[cover == key] for key in ("buckwheat", "barley", "mustard"))
    assert (buckwheat["bloom_d"] > 0).any()
    for group in VISITORS:
        assert np.allclose(buckwheat[f"{group}_d"], buckwheat["bloom_d"])  # all three seek it strongly
        assert (season[f"{group}_d"] <= season["planned_end_d"] + 1).all()
    assert (grass["honey_bees_d"] == 0).all()
    assert (mustard["wild_bees_d"] <= mustard["honey_bees_d"]).all()
    assert (mustard["wild_bees_d"] < mustard["honey_bees_d"]).any()


FLOWERS = (Purpose("pollinators", 1.0, Aim("bloom_d", 10.0)),)


@pytest.fixture
def rater(sample_plan):
    """Rates visitors of buckwheat, with other words in the catalogue or other purposes if wanted."""

    def rate(words=None, purposes=FLOWERS, days=20.0):
        catalogue = sample_plan.catalogue
        species = catalogue.species["buckwheat"]
        values = {trait: v for trait, v in species.values.items() if trait not in VISITORS}
        for group, said in (words or {}).items():
            values[group] = replace(species.values[group], text=said)
        species = replace(species, values=values)
        catalogue = replace(catalogue, species=catalogue.species | {"buckwheat": species})
        seasons = np.array([[days * visitor_share(species, g, catalogue) for g in VISITORS]] * 3)
        settings = replace(sample_plan.settings, purposes=purposes)
        return list(_Rater(settings, catalogue, "metric").visitors(catalogue.covers["buckwheat"], seasons))

    return rate


def test_the_flower_purpose_weighs_who_comes(rater):
    everybody = dict.fromkeys(VISITORS, "strong")
    (full,) = rater(everybody)
    (bees,) = rater(everybody | {"natural_enemies": "none: no nectar"})
    (nobody,) = rater(dict.fromkeys(VISITORS, "none"))
    assert full.membership == 1
    assert bees.membership == pytest.approx(2 / 3)
    assert nobody.membership == 0
    assert "20.0 for honey bees, 20.0 for wild bees, 0.0 for predators and parasitoids" in bees.reason
    assert full.purpose == "pollinators"
    assert rater(everybody, purposes=(Purpose("weed_suppression", 1.0),)) == []


def test_visitors_that_are_not_known_are_said_to_be_and_do_not_count_as_none(rater):
    (known,) = rater(dict.fromkeys(VISITORS, "none"), days=8.0)
    (unknown,) = rater({}, days=8.0)
    assert known.membership == 0
    assert unknown.membership == pytest.approx(0.4)
    assert "not known whether honey bees and wild bees and predators and parasitoids come" in unknown.reason
    assert "not known" not in known.reason


def test_bloom_begins_with_a_flower_that_feeds_insects(sample_plan):
    season = sample_plan.season
    with_flowers = season["bloom_d"] > 0
    assert (season["bloom_from_d"].notna() == with_flowers).all()
    late = season[with_flowers & (season["bloom_from_d"] > season["first_flower_d"])]
    covers = set(late["option_id"].map(sample_plan.options.set_index("option_id")["cover_id"]))
    assert all(len(sample_plan.catalogue.covers[c].components) > 1 for c in covers)
