"""A new farm folder: what is made reads, and what is missing is said in one sentence at a time."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from greengap import plan_farm, read_farm
from greengap.cli import app
from greengap.errors import InputProblem
from greengap.farm.new_farm import TEMPLATE, new_farm

SAMPLE = Path(__file__).resolve().parents[2] / "sample_fields"


def made(folder: Path, polygons: Path | None = None, weather: tuple[Path, ...] = (), **more) -> list[str]:
    return list(new_farm(folder, polygons, more.get("layer"), more.get("block_column"), weather))


def test_from_nothing_to_a_plan_in_four_steps(tmp_path):
    """Folder with polygons and weather, one row in the calendar, read, planned."""
    folder = tmp_path / "my farm"
    lines = made(folder, SAMPLE / "blocks.gpkg", (SAMPLE / "weather.nc",), layer="blocks")
    assert "15 blocks: " in lines[1]
    with pytest.raises(InputProblem, match=r"crop_calendar\.csv: names no crop\. Add a row"):
        read_farm(folder)
    with (folder / "crop_calendar.csv").open("a", encoding="utf-8") as calendar:
        calendar.write("River 1,lettuce,transplanted,2027-04-15,mid June 2027\n")
        calendar.write("River 1,broccoli,transplanted,2027-09-01,2027-10-20\n")
    plan = plan_farm(read_farm(folder))
    assert len(plan.gaps) == 3
    assert any("taken as loam" in sentence for sentence in plan.report.assumptions)


def test_an_empty_folder_says_what_is_missing_first(tmp_path):
    lines = made(tmp_path / "farm")
    assert sum(line.startswith("Next: ") for line in lines) == 3
    with pytest.raises(InputProblem, match=r"files\.polygons: is missing"):
        read_farm(tmp_path / "farm")


def test_every_commented_setting_of_the_template_is_one_that_is_read(tmp_path):
    """All remarks that are settings turned on: nothing in them is unknown."""
    folder = Path(shutil.copytree(SAMPLE, tmp_path / "farm"))
    text = TEMPLATE.read_text(encoding="utf-8")
    lines = [
        re.sub(r"^# (?=[\w\[\"])", "", line) if re.match(r"# (\[|[\w\"]+ = )", line) else line
        for line in text.splitlines()
    ]
    on = "\n".join(lines).replace("@NAME@", '"All on"')
    on = on.replace(
        "@FILES@",
        'polygons = "blocks.gpkg"\nlayer = "blocks"\ncrop_calendar = "crop_calendar.csv"\nweather = "weather.nc"',
    )
    on = re.sub(r"^(crs|weather_fill|soil_tests|elevation|history) = .*$", "", on, flags=re.MULTILINE)
    on = re.sub(r"\[files\.soil\].*?(?=# Where a weather)", "", on, flags=re.DOTALL)
    on = on.replace('accept = ["River 3"]', 'accept = ["River 2"]')
    (folder / "farm.toml").write_text(on, encoding="utf-8")
    farm = read_farm(folder)
    assert farm.settings.name == "All on"
    assert farm.settings.growers_word["River 1"].ponds
    assert farm.settings.station.name == "Yard"


def test_a_shapefile_is_copied_with_all_its_parts(tmp_path):
    import geopandas as gpd

    gpd.read_file(SAMPLE / "blocks.gpkg", layer="blocks").to_file(tmp_path / "blocks.shp")
    made(tmp_path / "farm", tmp_path / "blocks.shp")
    assert {p.suffix for p in (tmp_path / "farm").glob("blocks.*")} >= {".shp", ".shx", ".dbf", ".prj"}


def test_nothing_is_written_over_and_nothing_left_behind(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("keep", encoding="utf-8")
    with pytest.raises(InputProblem, match="is there already"):
        made(tmp_path / "mine")
    with pytest.raises(InputProblem, match="there is no such file"):
        made(tmp_path / "new", weather=(tmp_path / "none.csv",))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine"]


def test_the_command_makes_it(tmp_path):
    result = CliRunner().invoke(app, ["init", str(tmp_path / "farm")])
    assert result.exit_code == 0
    assert "Then: greengap check" in result.output
