"""The history of the blocks: what it asks to be looked at, and that it states no interval."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from greengap import read_farm
from greengap.errors import Fate, InputProblem
from greengap.pack import pack, unpack

SAMPLE = Path(__file__).resolve().parents[2] / "sample_fields"
ROWS = """block,date,kind,what,note
River 1,2026-05-10,herbicide,Product A,1 l/ha
river1,2025,crop,peas,
Pond,mid Oct 2026,manure,cattle manure,20 t/ha
Pond,2019-05-01,herbicide,Long ago,
Nowhere,2026-05-10,crop,lettuce,
"""


def farm_with(tmp_path: Path, text: str) -> Path:
    folder = Path(shutil.copytree(SAMPLE, tmp_path / "farm"))
    (folder / "history.csv").write_text(text, encoding="utf-8")
    settings = (folder / "farm.toml").read_text(encoding="utf-8")
    settings = settings.replace("[files]\n", '[files]\nhistory = "history.csv"\n')
    (folder / "farm.toml").write_text(settings, encoding="utf-8")
    return folder


def test_labels_manure_and_families_are_pointed_at(tmp_path):
    farm = read_farm(farm_with(tmp_path, ROWS))
    found = [f for f in farm.report.findings if f.file == "history.csv"]
    assert [f.fate for f in found].count(Fate.SKIPPED) == 1
    words = " | ".join(f.what for f in found)
    assert "Product A was used: read the rotation section of its label" in words
    assert "cattle manure was spread: count the days to the harvest" in words
    assert "returns to ground that had peas, both Fabaceae" in words
    assert "Long ago" not in words  # beyond three years
    assert not re.search(r"\d+ (days|months)", words)  # no interval is ours to state
    assert farm.report.lost("history.csv") == 0
    assert len(farm.history) == 4


def test_the_history_goes_through_the_farm_file_and_back(tmp_path):
    folder = farm_with(tmp_path, ROWS)
    path = pack(folder, tmp_path / "farm.gpkg")
    unpack(path, tmp_path / "again")
    expected = read_farm(folder).history
    for where in (path, tmp_path / "again"):
        assert read_farm(where).history.equals(expected)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("block,date,kind\n", "has no column what"),
        ("block,date,kind,what\nPond,10/7/2026,crop,lettuce\n", "could be 10 July or 7 October"),
        ("block,date,kind,what\nPond,2026,dance,x\n", "'dance' is none of crop, cover, herbicide, manure, weeds"),
        ("block,date,kind,what\nPond,2026,crop,\n", "what: the cell is empty"),
        ("", "has no column block, date, kind, what"),
    ],
)
def test_a_history_that_cannot_be_read_says_where(tmp_path, text, words):
    with pytest.raises(InputProblem, match=re.escape(words)):
        read_farm(farm_with(tmp_path, text))
