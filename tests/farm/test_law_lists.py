"""Lists of noxious weeds and of what was sprayed."""

import pytest

from greengap.catalogue import load_catalogue
from greengap.errors import ImportReport, InputProblem
from greengap.farm.law_lists import read_law_lists

CATALOGUE = load_catalogue()
HEAD = "block,product,applied,species,interval_d,interval_months\n"


def herbicides(tmp_path, text):
    path = tmp_path / "herbicides.csv"
    path.write_text(text, encoding="utf-8")
    return read_law_lists(None, path, ["A", "B"], CATALOGUE, ImportReport())


def test_intervals_are_read_in_days_or_months_and_may_be_left_out(tmp_path):
    lists = herbicides(
        tmp_path, HEAD + "A,Kilweed,2026-05-01,oat,,4\nA,Kilweed,2026-05-01,other,300,\nB,Drift,2026-06-01,,,\n"
    )
    assert [s.interval_d for s in lists.sprayed] == [pytest.approx(121.75), 300.0, None]
    assert [s.species for s in lists.sprayed] == ["oat", "other", ""]
    assert not lists.named


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("C,Kilweed,2026-05-01,oat,30,", "block: C is not a block"),
        ("A,Kilweed,May 2026,oat,30,", "applied: May 2026 is not a date"),
        ("A,Kilweed,2026-05-01,oats?,30,", "species: oats? is not a species of the catalogue"),
        ("A,Kilweed,2026-05-01,oat,-1,", "an interval of -1 is below nothing"),
        ("A,Kilweed,2026-05-01,oat,30,1", "both are filled"),
        ("A,Kilweed,2026-05-01,,30,", "an interval without a species"),
        ("A,,2026-05-01,oat,30,", "product: the cell is empty"),
    ],
)
def test_each_bad_cell_gets_its_sentence(tmp_path, row, sentence):
    with pytest.raises(InputProblem) as caught:
        herbicides(tmp_path, HEAD + row + "\n")
    assert sentence in caught.value.sentence
