"""Where blocks come from: read, checked, and what is known of a block going on with its ground."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from greengap.errors import ImportReport, InputProblem
from greengap.farm.lineage import ancestors, inherited, read_lineage, to_text

HEAD = "block,from_block,way,date\n"


def _read(tmp_path: Path, text: str, blocks: tuple[str, ...] = ("East a", "East b", "Home")) -> pd.DataFrame:
    path = tmp_path / "block_lineage.csv"
    path.write_text(text, encoding="utf-8")
    report = ImportReport()
    found = read_lineage(path, path.name, report, blocks)
    assert report.lost(path.name) == 0
    return found


def test_what_is_read_is_written_the_same(tmp_path: Path) -> None:
    text = 'block,from_block,way,date,outline\nEast a,East,split,2026-05-01,"POLYGON ((0 0, 1 0, 1 1, 0 0))"\n'
    found = _read(tmp_path, text)
    again = _read(tmp_path, to_text(found))
    pd.testing.assert_frame_equal(found, again)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("Nowhere,East,split,2026-05-01\n", "row 2 (Nowhere), block: Nowhere is not known"),
        ("East a,East,cloned,2026-05-01\n", "cloned is none of split"),
        ("East a,East,split,1 May\n", "1 May is not a date"),
        ("East a,East a,split,2026-05-01\n", "cannot come of itself"),
        ("East a,East b,renamed,2026-05-01\nEast b,East a,renamed,2026-06-01\n", "which comes of it"),
        ("East a,,split,2026-05-01\n", "the cell is empty"),
    ],
)
def test_unknown_blocks_and_circles_are_refused_with_their_row(tmp_path: Path, rows: str, said: str) -> None:
    with pytest.raises(InputProblem) as problem:
        _read(tmp_path, HEAD + rows)
    assert said in problem.value.sentence


def test_an_outline_that_is_none_is_refused(tmp_path: Path) -> None:
    text = "block,from_block,way,date,outline\nEast a,East,split,2026-05-01,POINT (0 0)\n"
    with pytest.raises(InputProblem, match="is not an outline in WKT"):
        _read(tmp_path, text)


def test_what_is_known_goes_on_with_the_ground_until_the_day_it_was_made(tmp_path: Path) -> None:
    lineage = _read(
        tmp_path,
        HEAD + "East a,East,split,2026-05-01\nEast b,East,split,2026-05-01\nHome,East b,renamed,2027-01-09\n",
        ("East a", "Home"),
    )
    assert {k: f"{v:%Y-%m-%d}" for k, v in ancestors(lineage, "Home").items()} == {
        "East b": "2027-01-09", "East": "2026-05-01",
    }  # fmt: skip
    days = ["2025-07-01", "2026-08-01", "2026-09-01", "2025-01-01"]
    table = pd.DataFrame({"block_id": ["East", "East", "East b", "Other"], "date": pd.to_datetime(days)})
    found = inherited(table, lineage, ["East a", "Home"])
    got = {(r.block_id, f"{r.date:%Y-%m-%d}", r.part_of) for r in found.itertuples()}
    # The row of East after it was split is of another block of that name, and stays with it.
    assert got == {
        ("East a", "2025-07-01", "East"), ("Home", "2025-07-01", "East"), ("East", "2026-08-01", ""),
        ("Home", "2026-09-01", "East b"), ("Other", "2025-01-01", ""),
    }  # fmt: skip
