"""The search record that an inspector asks for: complete, or what it lacks."""

import pandas as pd
import pytest

from greengap.catalogue import load_catalogue
from greengap.errors import InputProblem
from greengap.farm.seed_search import read_search, what_is_missing

HEAD = (
    "year,species,variety,quantity,attempt,supplier_asked,date,organic_offered,"
    "why_not_equivalent_form_quality_quantity,taken_instead"
)
FULL = [
    "2027,Buckwheat,,25 kg,1,Hill,2027-01-10,no,,",
    "2027,Buckwheat,,25 kg,2,Dale,2027-01-11,yes,quantity: 5 kg only,",
    "2027,Buckwheat,,25 kg,3,Moor,2027-01-12,no,,untreated Mancan of Hill",
]


@pytest.fixture
def record(tmp_path):
    def read(*rows):
        path = tmp_path / "seed_search.csv"
        path.write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")
        return read_search(path, load_catalogue())

    return read


def test_a_complete_record_lacks_nothing(record):
    attempts = record(*FULL)
    assert attempts[0].date == pd.Timestamp("2027-01-10")
    assert what_is_missing(attempts, "buckwheat", 2027, 3) == []


@pytest.mark.parametrize(
    ("rows", "lacks"),
    [
        (FULL[:2], ["2 of 3 suppliers asked", "not said what was taken instead"]),
        ([r.replace("Dale", "Hill") for r in FULL], ["2 of 3 suppliers asked"]),
        ([r.replace("2027-01-11", "") for r in FULL], ["no date for Dale"]),
        ([r.replace("quantity: 5 kg only", "too dear") for r in FULL],
         ["no reason (form, quality or quantity) against the offer of Dale"]),
        ([r.replace(",no,", ",,") for r in FULL], ["not said whether organic seed was offered by Hill, Moor"]),
        (["2027,Buckwheat,,25 kg,1,Hill,,,,"], ["0 of 3 suppliers asked"]),  # the blank record, as it was written
        ([], ["0 of 3 suppliers asked"]),
    ],
)  # fmt: skip
def test_what_is_missing_is_told(record, rows, lacks):
    assert what_is_missing(record(*rows), "buckwheat", 2027, 3) == lacks


def test_other_species_and_years_do_not_count(record):
    attempts = record(*FULL)
    assert what_is_missing(attempts, "buckwheat", 2028, 3) == ["0 of 3 suppliers asked"]
    assert what_is_missing(attempts, "oat", 2027, 3) == ["0 of 3 suppliers asked"]


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("soon,Buckwheat,,,1,Hill,,,,", "soon is not a number"),
        ("27,Buckwheat,,,1,Hill,,,,", "27 is not a year"),
        ("2027,Buckweat,,,1,Hill,,,,", "Buckweat is not a species of the catalogue"),
        ("2027,Buckwheat,,,1,Hill,10/1/2027,,,", "10/1/2027 is not a date"),
        ("2027,Buckwheat,,,1,Hill,2027-01-10,perhaps,,", "perhaps is neither yes nor no"),
    ],
)
def test_a_slip_gets_one_sentence(record, row, sentence):
    with pytest.raises(InputProblem) as problem:
        record(row)
    assert sentence in problem.value.sentence
