"""What `greengap catalogue` says is what the catalogue holds."""

import re

import pytest

from greengap.catalogue import load_catalogue
from greengap.output.catalogue_text import counts, every_value, find, list_lines, subject_lines, value_table

CATALOGUE = load_catalogue()


def test_counts_add_up_and_nothing_is_without_source():
    text = " ".join(counts(CATALOGUE))
    total = int(re.search(r"(\d+) values:", text)[1])
    parts = [int(n) for n in re.findall(r"(\d+) (?:read in|from memory|derived|our own)", text)]
    assert sum(parts) == total == len(every_value(CATALOGUE))
    assert "values without source: 0" in text


def test_the_list_names_every_species_mix_and_vegetable():
    text = "\n".join(list_lines(CATALOGUE))
    for key in (*CATALOGUE.species, *CATALOGUE.mixes, *CATALOGUE.vegetables):
        assert re.search(rf"^{key} ", text, re.M), key


@pytest.mark.parametrize("name", ["buckwheat", "Buckwheat", "pea_oat", "Field pea and oat", "lettuce", "Radish"])
def test_a_thing_is_found_by_key_or_by_name(name):
    assert find(CATALOGUE, name)[0] is not None


def test_every_value_of_a_species_is_shown_with_its_source():
    for species in CATALOGUE.species.values():
        text = "\n".join(subject_lines(CATALOGUE, species))
        for value in species.values.values():
            assert CATALOGUE.cite(value.source) in text
            if value.choice:
                assert f"chosen because: {value.choice}" in text
        assert text.count("not used:") == sum(len(v.alternatives) for v in species.values.values())


def test_the_table_has_every_value_in_si_and_as_printed():
    table = value_table(CATALOGUE, None)
    assert len(table) == len(every_value(CATALOGUE))
    assert (table["source"] != "").all()
    numbers = table[table["unit"].isin({"text", "class"}) == False]  # noqa: E712
    assert (numbers[["low", "typical", "high"]].notna().any(axis=1)).all()
    both = numbers.dropna(subset=["low", "high"])
    assert (both["low"] <= both["high"]).all()
    three = both.dropna(subset=["typical"])
    assert ((three["low"] <= three["typical"]) & (three["typical"] <= three["high"])).all()


def test_a_sellers_page_is_marked_as_the_weakest_source():
    text = "\n".join(subject_lines(CATALOGUE, CATALOGUE.species["japanese_millet"]))
    assert "a seller or maker" in text
