"""Whatever stands in a text file of the farm, it gives what can be used or one problem that names the file."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from greengap.catalogue import load_catalogue
from greengap.errors import ImportReport, InputProblem
from greengap.farm.crop_calendar import read_crop_calendar
from greengap.farm.gaps import find_gaps
from greengap.farm.settings import read_settings

SAMPLE = Path(__file__).resolve().parents[1] / "sample_fields"
TOML_PIECES = st.sampled_from(
    [
        "name", "units", "irrigation", "wanted_odds", "not_wanted", "[files]", "[files.soil]", "[purposes.pollinators]",
        "[equipment]", "[days]", "[waiting]", "[seed_lots.oat]", "[cold_offset_degc]", "[diseases]", "[station]",
        "[growth_aim]", "polygons", "weather", "crop_calendar", "clay", "aim", "weight", "lat", "lon", "drill", "by",
        "biomass_kg_ha", "classes", "file", " = ", "\n", '"', "'", "[", "]", "{", "}", ",", ".", "#", "true", "nan",
        "inf", "-1", "1e400", "1979-05-27", '"blocks.gpkg"', '"weather.nc"', '"crop_calendar.csv"', "[]", "\\u0000",
    ]
)  # fmt: skip
HEADER, ROW = "block,crop,establishment,start,end\n", "River 1,garden_pea,seeded,2027-04-08,2027-06-28"
CALENDAR_PIECES = st.sampled_from(
    [
        HEADER, ROW, "\n", ",", ";", "\t", '"', "#", "River 1", "lettuce", "seeded", "transplanted", "2027-04-08",
        "2027-06-28", "0000-00-00", "9999-12-31", "27.6.2027", "block", "start", "\r", "\x0c", "\u2028", "é", "\ufeff",
    ]
)  # fmt: skip


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample farm; its text files are written anew by each example."""
    folder = Path(shutil.copytree(SAMPLE, tmp_path_factory.mktemp("any") / "farm", copy_function=os.symlink))
    for name in ("farm.toml", "crop_calendar.csv"):
        (folder / name).unlink()
        shutil.copy(SAMPLE / name, folder / name)
    return folder


def _bytes_of(pieces: st.SearchStrategy[str]) -> st.SearchStrategy[bytes]:
    """Anything at all, or bits of the real thing in any order."""
    return st.binary(max_size=300) | st.lists(pieces, max_size=40).map(lambda parts: "".join(parts).encode())


def _file_of_the_problem(read: Callable[[], object]) -> str | None:
    try:
        read()
    except InputProblem as problem:
        return problem.file
    return None


SOME = settings(max_examples=150)


@SOME
@given(data=_bytes_of(TOML_PIECES))
@example(data=b"not_wanted = " + b"9" * 5000)
@example(data=b"wanted_odds = 1" + b"0" * 400)
def test_any_bytes_as_farm_toml_are_refused_under_its_name(data: bytes, farm: Path):
    (farm / "farm.toml").write_bytes(data)
    assert _file_of_the_problem(lambda: read_settings(farm)) in ("farm.toml", None)


@SOME
@given(slip=st.binary(min_size=1, max_size=3), where=st.floats(0, 1))
def test_a_slip_anywhere_in_farm_toml_gives_settings_or_a_problem(slip: bytes, where: float, farm: Path):
    text = (SAMPLE / "farm.toml").read_bytes()
    at = int(where * len(text))
    (farm / "farm.toml").write_bytes(text[:at] + slip + text[at + len(slip) :])
    assert _file_of_the_problem(lambda: read_settings(farm)) in ("farm.toml", None)


def _gaps_of(path: Path, data: bytes, blocks: list[str]) -> None:
    """Read the calendar and find its gaps; no row may be lost."""
    report, catalogue = ImportReport(), load_catalogue()
    path.write_bytes(data)
    calendar = read_crop_calendar(path, "crop_calendar.csv", report, blocks, catalogue)
    assert report.lost("crop_calendar.csv") == 0
    find_gaps(calendar, read_settings(SAMPLE), catalogue)


@SOME
@given(data=_bytes_of(CALENDAR_PIECES))
@example(data=(HEADER + ROW).encode())
def test_any_bytes_as_calendar_give_gaps_or_a_problem(data: bytes, farm: Path):
    path = farm / "crop_calendar.csv"
    assert _file_of_the_problem(lambda: _gaps_of(path, data, ["River 1"])) in ("crop_calendar.csv", None)


@SOME
@given(slip=st.text('0123456789-,;"\n aeR', max_size=3), where=st.floats(0, 1))
def test_a_slip_anywhere_in_the_calendar_gives_gaps_or_a_problem(slip: str, where: float, farm: Path):
    text = (SAMPLE / "crop_calendar.csv").read_text(encoding="utf-8")
    blocks = list(dict.fromkeys(line.split(",")[0] for line in text.splitlines()[2:]))
    at = int(where * len(text))
    data = (text[:at] + slip + text[at + len(slip) :]).encode()
    path = farm / "crop_calendar.csv"
    assert _file_of_the_problem(lambda: _gaps_of(path, data, blocks)) in ("crop_calendar.csv", None)
