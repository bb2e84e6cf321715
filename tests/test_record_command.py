"""`greengap record` as it is typed: rows by option, list and line, corrections, what other devices give."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from greengap import read_farm
from greengap.farm.season_record import RECORD_FILE, current, from_text

YEAR = date.today().year - 1
Run = Callable[..., Any]


@pytest.fixture
def farm(gone_season: Path, tmp_path: Path) -> Path:
    return shutil.copytree(gone_season, tmp_path / "farm")


def record(farm: Path, *said: str, code: int = 0, typed: str = "") -> str:
    """What the command prints; the input problem if it ends with 2."""
    command = [sys.executable, "-m", "greengap.cli", "record", str(farm), *said]
    done = subprocess.run(command, check=False, capture_output=True, text=True, input=typed)
    assert done.returncode == code, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout if code == 0 else done.stderr


def test_a_sowing_is_written_down_and_its_true_rate_is_told_at_once(farm: Path) -> None:
    """Buckwheat on 2.1513 ha: 120 kg are 55.8 kg/ha by hand."""
    row = ("--block", "river 1", "--date", f"{YEAR}-07-02", "--cover", "buckwheat")
    said = record(farm, "sown", *row, "--set", "seed_kg=120", "--who", "Ann", "--dry-run")
    assert "1 row would be written" in said
    assert not (farm / RECORD_FILE).exists()
    said = record(farm, "sown", *row, "--set", "seed_kg=120", "--who", "Ann")
    assert "True rate 56 kg/ha, " in said
    assert "below the planned" in said
    assert "look at the setting" in said
    said = record(farm, "sown", *row, "--set", "seed_kg=120", "--who", "Ann")
    assert "0 rows written down" in said
    assert "1 was there already" in said
    [held] = current(read_farm(farm).record).to_dict("records")
    assert (held["gap_id"], held["who"], held["what"]) == ("River 1/2", "Ann", "sown")


def test_lines_of_the_sheet_take_the_cover_from_the_plan_and_correct_what_is_there(
    farm: Path, sample_plan: Any
) -> None:
    planned = sample_plan.allocation.set_index("gap_id")["cover_id"]["River 1/2"]
    record(farm, "line", "-", "--who", "Bo", typed="# evening\nRiver 1/2 so 0702 kg 61 lo A77\n\n")
    said = record(farm, "line", "River 1/2 kg 64")
    assert "64 kg" in said
    rows = read_farm(farm).record
    assert len(rows) == 2
    [held] = current(rows).to_dict("records")
    assert (held["cover_id"], held["seed_kg"], held["lot"]) == (planned, 64, "A77")
    assert rows["who"].tolist().count("Bo") == 1
    said = record(farm, "list", "--all")
    assert said.count("River 1/2") == 2
    assert "corrected" in said
    number = held["record_id"][:8]
    record(farm, "struck", "--corrects", number, "--note", "wrong gap")
    assert "Nothing is written down yet" in record(farm, "list")
    assert "struck out" in record(farm, "list", "--all")


def test_lists_records_and_small_files_merge_in_either_order(farm: Path, tmp_path: Path) -> None:
    other = shutil.copytree(farm, tmp_path / "other")
    rows = tmp_path / "stand.csv"
    rows.write_text(f"block,date,frame_area_ft2,plants\nPond,{YEAR}-07-14,1,6\nPond,{YEAR}-07-14,1,6\n")
    record(farm, "stand", str(rows))
    rain = {
        "entry_id": "u1",
        "written": f"{YEAR}-07-15T08:00:00Z",
        "what": "rain",
        "date": f"{YEAR}-07-15",
        "water_mm": 7,
    }
    name = read_farm(farm).settings.name
    small = {"kind": "greengap season record", "version": 1, "farm": name, "rows": [rain]}
    phone = tmp_path / "phone.json"
    phone.write_text(json.dumps(small))
    export = tmp_path / "export.csv"
    export.write_text(record(farm, "list", "--csv"))
    record(other, "merge", str(phone))
    assert "2 rows written down" in record(other, "merge", str(export))
    assert "1 row written down" in record(farm, "merge", str(export), str(phone))
    one, two = (from_text((f / RECORD_FILE).read_text()) for f in (farm, other))
    assert one.equals(two)
    assert len(one) == 3
    assert from_text(record(farm, "list", "--csv", "--all")).equals(one)


@pytest.mark.parametrize(
    ("said", "problem"),
    [
        (("sawn",), "there is no such kind. Perhaps 'sown' is meant"),
        (("sown",), "nothing is said of it"),
        (("up", "--block", "River1"), "there is no block 'River1'. Perhaps 'River 1' is meant"),
        (("up", "--block", "River 1", "--set", "x"), "is not COLUMN=VALUE"),
        (("up", "--block", "River 1", "--date", "2999-01-01"), "has not come yet"),
        (("up", "rows.csv"), "rows.csv: cannot be opened"),
        (("up", "rows.csv", "--block", "Pond"), "options of one row stand beside a list"),
        (("line",), "is empty"),
        (("merge",), "no file is named"),
        (("merge", "nothing.json"), "nothing.json: cannot be opened"),
    ],
)
def test_what_cannot_be_is_told_in_one_sentence_and_nothing_is_written(farm: Path, said: tuple, problem: str) -> None:
    assert problem in record(farm, *said, code=2)
    assert not (farm / RECORD_FILE).exists()


def test_a_farm_in_us_units_reads_and_says_pounds(farm: Path) -> None:
    toml = farm / "farm.toml"
    toml.write_text('units = "us"\n' + "\n".join(x for x in toml.read_text().splitlines() if not x.startswith("units")))
    said = record(farm, "line", f"Pond/2 so {YEAR}-07-05 kg 60 lb bd 1ac", "--dry-run")
    assert "60 lb" in said
    assert "True rate 60 lb/ac" in said


def test_the_help_does_not_load_the_tables() -> None:
    code = "import sys, greengap.cli; sys.exit('pandas' in sys.modules or 'greengap.farm' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
