"""Visitors go with bloom dates, and families are counted by the year."""

import pandas as pd
import pytest

from greengap.advice.flowers import families_by_year, flower_dates, flower_lines, visitors_in_words


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
