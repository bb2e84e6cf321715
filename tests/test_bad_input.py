"""Input that is broken in one place: one sentence that names file, place, fault and remedy, and nothing written."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
import warnings
from collections.abc import Callable, Iterable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
import xarray as xr
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from rasterio.transform import Affine
from shapely.geometry import LineString, Polygon

from greengap.catalogue import load_catalogue
from greengap.cli import main
from greengap.errors import ImportReport, InputProblem
from greengap.farm.crop_calendar import read_crop_calendar
from greengap.farm.settings import read_settings

ROOT = Path(__file__).resolve().parents[1]
FILES = ("farm.toml", "blocks.gpkg", "crop_calendar.csv", "soil", "weather.nc")
Break = Callable[[Path], None]

# ------------------------------------------------------------------------------------------- a farm to break


@pytest.fixture(scope="session")
def whole_farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample farm with ten weather years instead of twenty-five."""
    folder = tmp_path_factory.mktemp("whole") / "farm"
    folder.mkdir()
    for name in FILES[:-1]:
        copy = shutil.copytree if (ROOT / "sample_fields" / name).is_dir() else shutil.copy
        copy(ROOT / "sample_fields" / name, folder / name)
    with xr.open_dataset(ROOT / "sample_fields" / "weather.nc") as weather:
        weather.sel(time=slice("2015", "2024")).to_netcdf(folder / "weather.nc")
    return folder


@pytest.fixture
def farm(whole_farm: Path, tmp_path: Path) -> Path:
    """A farm of its own for each test; files are links, so they are replaced and never changed in place."""
    return Path(shutil.copytree(whole_farm, tmp_path / "farm", copy_function=os.link))


def _replace(path: Path, text: str | bytes) -> None:
    path.unlink(missing_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())


def _edited(name: str, *changes: tuple[str, str]) -> Break:
    """Replace pieces of a text file; each has to be there."""

    def change(farm: Path) -> None:
        text = (farm / name).read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text, f"{name} has no {old!r}"
            text = text.replace(old, new, 1)
        _replace(farm / name, text)

    return change


def _toml(*changes: tuple[str, str]) -> Break:
    return _edited("farm.toml", *changes)


def _calendar(*changes: tuple[str, str]) -> Break:
    return _edited("crop_calendar.csv", *changes)


def _written(name: str, text: str | bytes) -> Break:
    return lambda farm: _replace(farm / name, text)


def _blocks(change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]) -> Break:
    """Write the polygon file anew, changed."""

    def write(farm: Path) -> None:
        frame = change(gpd.read_file(farm / "blocks.gpkg"))
        (farm / "blocks.gpkg").unlink()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # no CRS, when that is the case to be made
            frame.to_file(farm / "blocks.gpkg", layer="blocks")

    return write


def _outline(block: str, change: Callable[[Polygon], Polygon | None]) -> Break:
    """Change the outline of one block."""

    def put(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        shapes = [
            change(shape) if name == block else shape for name, shape in zip(frame["block"], frame.geometry, strict=True)
        ]
        return frame.set_geometry(gpd.GeoSeries(shapes, crs=frame.crs))

    return _blocks(put)


def _bow_tie(shape: Polygon) -> Polygon:
    west, south, east, north = shape.bounds
    return Polygon([(west, south), (east, north), (east, south), (west, north)])


def _with_a_loop(shape: Polygon) -> Polygon:
    """A slip of the hand on the first edge: a loop of less than half a square metre."""
    corners = np.array(shape.exterior.coords)
    along = (corners[1] - corners[0]) / np.hypot(*(corners[1] - corners[0]))
    across = np.array([-along[1], along[0]])
    middle = (corners[0] + corners[1]) / 2
    loop = [middle + 0.5 * along, middle + 0.25 * along + 0.5 * across, middle - 0.25 * across]
    return Polygon([corners[0], *loop, *corners[1:]])


def _named(column: str, old: str, new: str) -> Break:
    return _blocks(lambda frame: frame.assign(**{column: frame[column].replace(old, new)}))


def _raster(
    name: str, change: Callable[[np.ndarray, dict[str, object]], np.ndarray] = lambda cells, profile: cells
) -> Break:
    """Write a soil raster anew; `change` gets cells and profile."""

    def write(farm: Path) -> None:
        path = farm / "soil" / f"{name}.tif"
        with rasterio.open(path) as source:
            cells, profile, units = source.read(1), dict(source.profile), source.units
        cells = change(cells, profile)
        path.unlink()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with rasterio.open(path, "w", **profile) as target:
                target.write(cells, 1)
                target.units = units

    return write


def _elsewhere(cells: np.ndarray, profile: dict) -> np.ndarray:
    profile["transform"] = Affine.translation(200_000, 0) * profile["transform"]
    return cells


def _without_crs(cells: np.ndarray, profile: dict) -> np.ndarray:
    profile["crs"] = None
    return cells


def _all_nodata(cells: np.ndarray, profile: dict) -> np.ndarray:
    return np.full_like(cells, profile["nodata"])


def _western_part(cells: np.ndarray, profile: dict) -> np.ndarray:
    kept = cells[:, : cells.shape[1] // 2]
    profile["width"] = kept.shape[1]
    return kept


def _weather(change: Callable[[xr.Dataset], xr.Dataset]) -> Break:
    """Write the weather file anew, changed."""

    def write(farm: Path) -> None:
        weather = xr.load_dataset(farm / "weather.nc")
        for variable in weather.variables.values():
            variable.encoding = {}
        (farm / "weather.nc").unlink()
        change(weather).to_netcdf(farm / "weather.nc")

    return write


def _temperatures(reckon: Callable[[xr.DataArray], xr.DataArray], units: str | None) -> Break:
    """Both temperatures in another unit, declared as `units` or not at all."""

    def change(weather: xr.Dataset) -> xr.Dataset:
        for name in ("tmin", "tmax"):
            attributes = {key: value for key, value in weather[name].attrs.items() if key != "units"}
            weather[name] = reckon(weather[name]).assign_attrs(attributes, **({"units": units} if units else {}))
        return weather

    return _weather(change)


def _one_day(name: str, day: str, value: float) -> Break:
    def change(weather: xr.Dataset) -> xr.Dataset:
        weather[name].loc[{"time": day}] = value
        return weather

    return _weather(change)


# ---------------------------------------------------------------------------------------- running the command


@dataclass(frozen=True)
class Answer:
    """What the command printed, and its exit code."""

    code: int
    out: str
    err: str


def _run(*arguments: str | Path) -> Answer:
    """The command in this process; a warning that would reach the terminal fails the test."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("default")
        for quiet in (DeprecationWarning, PendingDeprecationWarning, ImportWarning, ResourceWarning):
            warnings.simplefilter("ignore", quiet)
        patch.setattr(sys, "argv", ["greengap", *map(str, arguments)])
        with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as stop:
            main()
    assert not warned, [str(w.message) for w in warned]
    code = stop.value.code
    return Answer(code if isinstance(code, int) else 0 if code is None else 1, out.getvalue(), err.getvalue())


def _run_alone(*arguments: str | Path) -> Answer:
    """The command in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "greengap.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "PYTHONIOENCODING": "utf-8"},
    )
    return Answer(done.returncode, done.stdout, done.stderr)


def _sentence(answer: Answer, *words: str) -> str:
    """The one sentence of a refusal, in which `words` stand in this order."""
    assert answer.code == 2, answer
    assert "Traceback" not in answer.out + answer.err
    lines = answer.err.splitlines()
    assert [line for line in lines if not line.startswith("greengap: ")] in ([], ["Reading the farm ..."])
    said = [line for line in lines if line.startswith("greengap: ")]
    assert len(said) == 1
    assert answer.out == ""
    at = 0
    for word in words:
        found = said[0].find(word, at)
        assert found >= 0, f"{word!r} does not stand after {said[0][:at]!r} in {said[0]!r}"
        at = found + len(word)
    assert said[0].endswith(".")
    assert not re.search(r"\.\.$|: :|, ,|\bNone\b|<class", said[0]), said[0]
    return said[0]


def _report(answer: Answer) -> str:
    """What `check` printed of a farm that can be used."""
    assert answer.code == 0, answer
    assert answer.err == ""
    return answer.out


# ------------------------------------------------------------------------------------------------- refusals

HEADER = "block,crop,establishment,start,end\n"
RIVER_1 = "River 1,garden_pea,seeded,2027-04-08,2027-06-28"

REFUSED: dict[str, tuple[Break, tuple[str, ...]]] = {
    # polygons
    "lines instead of polygons": (
        _blocks(lambda f: f.set_geometry([LineString(g.exterior.coords) for g in f.geometry], crs=f.crs)),
        ("blocks.gpkg",),
    ),
    "a table without geometry": (_written("blocks.gpkg", "block,field\nRiver 1,River\n"), ("blocks.gpkg",)),
    "a layer that is not there": (_toml(('layer = "blocks"', 'layer = "beds"')), ("blocks.gpkg",)),
    "polygons without a CRS": (
        _blocks(lambda f: f.set_crs(None, allow_override=True)),
        ("blocks.gpkg",),
    ),
    "a CRS that nobody knows": (
        _toml(('layer = "blocks"', 'layer = "blocks"\ncrs = "EPSG:999999"')),
        ("blocks.gpkg",),
    ),
    "the CRS of another place": (
        _toml(('layer = "blocks"', 'layer = "blocks"\ncrs = "EPSG:4326"')),
        ("blocks.gpkg",),
    ),
    "every outline crosses itself": (
        _blocks(lambda f: f.set_geometry([_bow_tie(g) for g in f.geometry], crs=f.crs)),
        ("blocks.gpkg",),
    ),
    "two blocks of one name": (_named("block", "River 2", "River 1"), ("blocks.gpkg",)),
    "two blocks whose names differ by a capital": (_named("block", "River 2", "river 1"), ("blocks.gpkg",)),
    "a block without a name": (_named("block", "River 2", ""), ("blocks.gpkg",)),
    "a block column that is not there": (_toml(('block_column = "block"', 'block_column = "bed"')), ("blocks.gpkg",)),
    "a field column that is not there": (_toml(('field_column = "field"', 'field_column = "part"')), ("blocks.gpkg",)),
    # crop calendar
    "a crop on a block that is not there": (_calendar(("River 1,garden_pea", "Rivver 1,garden_pea")), ("crop_calendar.csv",)),
    "two crops on a block at once": (_calendar(("Beds 1,beet,seeded,2027-07-24", "Beds 1,beet,seeded,2027-06-01")), ("crop_calendar.csv",)),
    "an end before the start": (_calendar((RIVER_1, "River 1,garden_pea,seeded,2027-04-08,2026-06-28")), ("crop_calendar.csv",)),
    "dates that can be read two ways": (
        _calendar((RIVER_1, "River 1,garden_pea,seeded,04/08/2027,28.6.2027"), ("2027-05-10", "2027-02-30")),
        ("crop_calendar.csv",),
    ),
    "a cell that is empty": (_calendar((RIVER_1, "River 1,garden_pea,seeded,,2027-06-28")), ("crop_calendar.csv",)),
    "a way to set up a crop that nobody knows": (_calendar(("garden_pea,seeded", "garden_pea,dropped")), ("crop_calendar.csv",)),
    "a column that is missing": (_calendar(("block,crop,establishment,start,end", "block,crop,establishment,start,harvest")), ("crop_calendar.csv",)),
    "a calendar without a row": (_written("crop_calendar.csv", HEADER), ("crop_calendar.csv",)),
    "a calendar without a byte": (_written("crop_calendar.csv", ""), ("crop_calendar.csv",)),
    "a calendar in UTF-16": (_written("crop_calendar.csv", (HEADER + RIVER_1).encode("utf-16")), ("crop_calendar.csv",)),
    "a spreadsheet under the name of a calendar": (_written("crop_calendar.csv", b"PK\x03\x04 and so on"), ("crop_calendar.csv",)),
    "a date that is a slip by a century": (_calendar((RIVER_1, "River 1,garden_pea,seeded,2027-04-08,2207-06-28")), ("crop_calendar.csv",)),
    # soil
    "a raster that misses the farm": (_raster("clay", _elsewhere), ("soil/clay.tif",)),
    "a raster without a value": (_raster("clay", _all_nodata), ("soil/clay.tif",)),
    "a raster without a CRS": (_raster("clay", _without_crs), ("soil/clay.tif",)),
    "a text under the name of a raster": (_written("soil/clay.tif", "12 14 19\n"), ("soil/clay.tif",)),
    "an empty file under the name of a raster": (_written("soil/clay.tif", ""), ("soil/clay.tif",)),
    "half a raster": (lambda farm: _replace(farm / "soil/clay.tif", (farm / "soil/clay.tif").read_bytes()[:2000]), ("soil/clay.tif",)),
    "a unit that is not one of clay": (_toml(('"soil/clay.tif", unit = "percent"', '"soil/clay.tif", unit = "bushel"')), ("soil/clay.tif",)),
    "percent declared as a fraction": (_toml(('"soil/clay.tif", unit = "percent"', '"soil/clay.tif", unit = "fraction"')), ("soil/clay.tif",)),
    "a drainage class without a name": (_toml(('5 = "somewhat poorly drained"\n', "")), ("soil/drainage.tif",)),
    "a drainage class that nobody knows": (_toml(('5 = "somewhat poorly drained"', '5 = "soggy"')), ("soil/drainage.tif",)),
    "a drainage class that is no number": (_toml(('5 = "somewhat poorly drained"', 'five = "somewhat poorly drained"')), ("farm.toml",)),
    # weather
    "kelvin without a unit": (_temperatures(lambda t: t + 273.15, None), ("weather.nc",)),
    "kelvin declared as degC": (_temperatures(lambda t: t + 273.15, "degC"), ("weather.nc",)),
    "degF declared as degC": (_temperatures(lambda t: t * 9 / 5 + 32, "degC"), ("weather.nc",)),
    "tenths of a degree declared as degC": (_temperatures(lambda t: t * 10, "degC"), ("weather.nc",)),
    "degC declared as kelvin": (_temperatures(lambda t: t, "K"), ("weather.nc",)),
    "a unit that is none of temperature": (_temperatures(lambda t: t, "mm"), ("weather.nc",)),
    "metres a second declared as mm": (_weather(lambda w: w.assign(precipitation=(w["precipitation"] / 86_400).assign_attrs(units="mm"))), ("weather.nc",)),
    "weather without minima": (_weather(lambda w: w.drop_vars("tmin")), ("weather.nc",)),
    "weather without rain": (_weather(lambda w: w.drop_vars("precipitation")), ("weather.nc",)),
    "weather of half a year": (_weather(lambda w: w.sel(time=slice("2020-01-01", "2020-06-30"))), ("weather.nc",)),
    "weather of another place": (_weather(lambda w: w.assign_coords(lon=w["lon"] - 90)), ("weather.nc",)),
    "weather of every month": (_weather(lambda w: w.resample(time="MS").mean().assign_coords()), ("weather.nc",)),
    "weather without a value": (_weather(lambda w: w.where(w["lat"] > 90)), ("weather.nc",)),
    "weather whose days come twice": (_weather(lambda w: xr.concat([w, w.isel(time=slice(-3, None))], "time")), ("weather.nc",)),
    "a text under the name of NetCDF": (_written("weather.nc", "date,tmin\n"), ("weather.nc",)),
    "a station without a place": (
        lambda farm: (_toml(('weather = "weather.nc"', 'weather = "days.csv"'))(farm), _replace(farm / "days.csv", "date,tmin_c,tmax_c,precip_mm\n2020-01-01,1,2,0\n"))[0],
        ("days.csv",),
    ),
    # farm.toml
    "a setting that nobody knows": (_toml(("organic = true", "organik = true")), ("farm.toml",)),
    "a purpose that nobody knows": (_toml(("[purposes.pollinators]", "[purposes.polinators]")), ("farm.toml",)),
    "a machine that nobody knows": (_toml(("drill = true", "dril = true")), ("farm.toml",)),
    "text where true or false is meant": (_toml(("organic = true", 'organic = "yes"')), ("farm.toml",)),
    "a number where a list is meant": (_toml(("not_wanted = []", "not_wanted = 3")), ("farm.toml",)),
    "a number in a list of names": (_toml(("not_wanted = []", "not_wanted = [3]")), ("farm.toml",)),
    "a list in a list of names": (_toml(("not_wanted = []", "not_wanted = [[]]")), ("farm.toml",)),
    "a number in the list of watered blocks": (_toml(('irrigation = ["Beds 1", ', "irrigation = [1, ")), ("farm.toml",)),
    "an offset that is no number": (_toml(("Hollow = -1.5", 'Hollow = "cold"')), ("farm.toml",)),
    "an offset that is not a number": (_toml(("Hollow = -1.5", "Hollow = nan")), ("farm.toml",)),
    "an offset beyond all valleys": (_toml(("Hollow = -1.5", "Hollow = -150")), ("farm.toml",)),
    "diseases that are no list": (_toml(("# [diseases]", '[diseases]\n"River 2" = 5')), ("farm.toml",)),
    "a weight that is not a number": (_toml(("weight = 3", "weight = nan")), ("farm.toml",)),
    "a weight below zero": (_toml(("weight = 3", "weight = -3")), ("farm.toml",)),
    "a table as a purpose's aim that is text": (_toml(("aim = { biomass_kg_ha = 2000 }", 'aim = "much"')), ("farm.toml",)),
    "an aim with two quantities": (_toml(("aim = { biomass_kg_ha = 2000 }", "aim = { biomass_kg_ha = 2000, bloom_d = 7 }")), ("farm.toml",)),
    "an aim without a quantity": (_toml(("aim = { biomass_kg_ha = 2000 }", "aim = { within_d = 30 }")), ("farm.toml",)),
    "an aim that is not a number": (_toml(("biomass_kg_ha = 2000", "biomass_kg_ha = nan")), ("farm.toml",)),
    "an aim by a day that no month has": (_toml(('by = "10-01"', 'by = "02-31"')), ("farm.toml",)),
    "an aim by a month in words": (_toml(('by = "10-01"', 'by = "first of October"')), ("farm.toml",)),
    "odds in percent": (_toml(("wanted_odds = 0.8", "wanted_odds = 80")), ("farm.toml",)),
    "days below zero": (_toml(("clean_up_d = 3", "clean_up_d = -3")), ("farm.toml",)),
    "units that nobody knows": (_toml(('units = "metric"', 'units = "imperial"')), ("farm.toml",)),
    "a polygon file that is not there": (_toml(('"blocks.gpkg"', '"bloks.gpkg"')), ("farm.toml",)),
    "a calendar that is not there": (_toml(('"crop_calendar.csv"', '"calendar.csv"')), ("farm.toml",)),
    "a raster that is not there": (_toml(('"soil/clay.tif"', '"soil/cley.tif"')), ("farm.toml",)),
    "weather that is not there": (_toml(('"weather.nc"', '"wether.nc"')), ("farm.toml",)),
    "a calendar that is a folder": (_toml(('"crop_calendar.csv"', '"soil"')), ("soil",)),
    "a raster that is a folder": (_toml(('"soil/clay.tif"', '"soil"')), ("soil",)),
    "weather that is a folder": (_toml(('"weather.nc"', '"soil"')), ("soil",)),
    "polygons that are a folder without any": (_toml(('"blocks.gpkg"', '"soil"')), ("soil",)),
    "a file name with a zero byte": (_toml(('"crop_calendar.csv"', '"crop\\u0000calendar.csv"')), ("farm.toml",)),
    "a file name without an end": (_toml(('"crop_calendar.csv"', f'"{"x" * 5000}.csv"')), ("farm.toml",)),
    "a file name that is a number": (_toml(('"crop_calendar.csv"', "7")), ("farm.toml",)),
    "no line for the weather": (_toml(('weather = "weather.nc"', "# none")), ("farm.toml",)),
    "an empty list of weather": (_toml(('weather = "weather.nc"', "weather = []")), ("farm.toml",)),
    "text that is not TOML": (_written("farm.toml", 'name = "Sample farm\nunits = metric\n'), ("farm.toml",)),
    "bytes that are not text": (_written("farm.toml", b'name = "\xff\xfe"\n'), ("farm.toml",)),
    "a nest of ten thousand lists": (_written("farm.toml", "not_wanted = " + "[" * 10_000), ("farm.toml",)),
    "an empty farm.toml": (_written("farm.toml", ""), ("farm.toml",)),
    "no farm.toml": (lambda farm: (farm / "farm.toml").unlink(), ("farm.toml",)),
    "a farm.toml that is a folder": (lambda farm: ((farm / "farm.toml").unlink(), (farm / "farm.toml").mkdir())[0], ("farm.toml",)),
    "water for a block that is not there": (_toml(('"River 1", "River 2"]', '"Rivver 1", "River 2"]')), ("farm.toml",)),
    "cold nights on a block that is not there": (_toml(("Hollow = -1.5", "Hallow = -1.5")), ("farm.toml",)),
    "a disease on a block that is not there": (_toml(("# [diseases]", '[diseases]\n"River 9" = ["white mold"]')), ("farm.toml",)),
    "a cover not wanted that nobody knows": (_toml(("not_wanted = []", 'not_wanted = ["sunflowr"]')), ("farm.toml",)),
    "a seed lot of a species that nobody knows": (_toml(("[seed_lots.oat]", "[seed_lots.oats]")), ("farm.toml",)),
    "purity in percent": (_toml(("purity_fraction = 0.98", "purity_fraction = 98")), ("farm.toml",)),
    "a seed lot without germination": (_toml(("germination_fraction = 0.90", "")), ("farm.toml",)),
}  # fmt: skip


@pytest.mark.parametrize("broken", REFUSED)
def test_it_is_refused_in_one_sentence_and_nothing_is_written(broken: str, farm: Path, tmp_path: Path):
    break_it, words = REFUSED[broken]
    break_it(farm)
    out = tmp_path / "out"
    sentence = _sentence(_run("plan", farm, "--out", out), *words)
    print(sentence)
    assert not out.exists()


# --------------------------------------------------------------------------- used all the same, and reported


def _lines_with(text: str, *words: str) -> list[str]:
    return [line for line in text.splitlines() if all(word in line for word in words)]


def test_a_bow_tie_is_set_aside_and_its_crops_are_reported_with_it(farm: Path):
    _outline("River 2", _bow_tie)(farm)
    report = _report(_run("check", farm))
    (line,) = _lines_with(report, "blocks.gpkg, row 3 (River 2): the outline crosses itself near 48.54")
    assert re.search(r"Redraw it .*\(area [\d.]+ m2 before, [\d.]+ m2 after\) \[needs review, not planned\]$", line)
    assert "blocks.gpkg: 15 rows read, 14 used" in report
    waiting = _lines_with(report, "crop_calendar.csv, row", "the outline of block River 2 cannot be used as it is drawn")
    assert [re.search(r"\(River 2, (\w+)\)", line)[1] for line in waiting] == ["lettuce", "spinach", "winter_squash"]
    assert "crop_calendar.csv: 42 rows read, 39 used" in report
    assert "4 rows are not planned." in report
    gaps = _run("gaps", farm)
    assert gaps.code == 0
    assert "River 2" not in gaps.out
    assert "River 1/1" in gaps.out


def test_a_small_loop_is_repaired_with_the_area_before_and_after(farm: Path):
    _outline("River 2", _with_a_loop)(farm)
    report = _report(_run("check", farm))
    (line,) = _lines_with(report, "blocks.gpkg, row 3 (River 2): the outline crosses or touches itself near", "repaired")
    before, after = (float(m) for m in re.search(r"area ([\d.]+) m2 before, ([\d.]+) m2 after", line).groups())
    assert line.endswith("[used after repair]")
    assert abs(after - before) < 1
    assert "blocks.gpkg: 15 rows read, 15 used" in report


def test_a_block_without_geometry_is_reported_and_so_are_its_crops(farm: Path):
    _outline("River 2", lambda shape: None)(farm)
    report = _report(_run("check", farm))
    assert "blocks.gpkg, row 3 (River 2): has no geometry [not used]" in report
    assert len(_lines_with(report, "crop_calendar.csv, row", "the outline of block River 2 cannot be used")) == 3
    assert "blocks.gpkg: 15 rows read, 14 used" in report


def test_a_calendar_of_set_aside_blocks_only_is_refused(farm: Path):
    _outline("River 2", _bow_tie)(farm)
    _replace(farm / "crop_calendar.csv", HEADER + "River 2,lettuce,transplanted,2027-04-22,2027-06-20\n")
    _sentence(_run("check", farm), "crop_calendar.csv", "outline cannot be used", "River 2", "Draw", "again")


def test_a_calendar_in_an_old_code_page_is_read_and_that_is_said(farm: Path):
    _replace(farm / "crop_calendar.csv", (HEADER + "River 1,Küchenzwiebel,seeded,2027-04-08,2027-08-28\n").encode("cp1252"))
    report = _report(_run("check", farm))
    assert "crop_calendar.csv: letters are read as Windows-1252, since the file is not UTF-8." in report
    assert "'Küchenzwiebel' is not a vegetable of the catalogue" in report


def test_a_block_without_a_crop_is_named(farm: Path):
    _replace(farm / "crop_calendar.csv", HEADER + RIVER_1 + "\n")
    report = _report(_run("check", farm))
    assert "crop_calendar.csv: no calendar for block River 2, so no gap is planned on it." in report


def test_a_raster_of_part_of_the_farm_is_used_and_the_share_reported(farm: Path):
    _raster("clay", _western_part)(farm)
    report = _report(_run("check", farm))
    shares = [
        int(re.search(r"has clay on (\d+) % of the block; that part stands for the whole", line)[1])
        for line in _lines_with(report, "soil/clay.tif, block", "stands for the whole")
    ]
    assert shares
    assert all(0 < share < 100 for share in shares)
    assert _lines_with(report, "soil/clay.tif, block Hedge Corner: the raster has no clay here")
    assert _lines_with(report, "Clay unknown on blocks", "Hedge Corner", "as in loam")


def test_a_minimum_above_its_maximum_is_flagged_and_not_used(farm: Path):
    _one_day("tmin", "2020-07-04", 40.0)(farm)
    _one_day("tmax", "2020-07-04", 20.0)(farm)
    report = _report(_run("check", farm))
    assert _lines_with(report, "weather.nc, tmin, 2020-07-04: 40.0 °C", "set as missing")


def test_a_minimum_slightly_above_its_maximum_is_flagged_and_neither_is_used(farm: Path):
    def crossed(weather: xr.Dataset) -> xr.Dataset:
        day = {"time": "2020-07-04"}
        weather["tmin"].loc[day] = weather["tmax"].loc[day] + 1.0
        return weather

    _weather(crossed)(farm)
    report = _report(_run("check", farm))
    assert _lines_with(report, "weather.nc, tmin, 2020-07-04", "lies above tmax on that day, both not used")
    assert _lines_with(report, "weather.nc, 2020-07-04: 1 day filled from the days around")


def test_a_day_of_72_8_degrees_below_zero_is_flagged_and_not_used(farm: Path):
    _one_day("tmin", "2020-01-10", -72.8)(farm)
    report = _report(_run("check", farm))
    assert _lines_with(report, "weather.nc, tmin, 2020-01-10: -72.8 °C is not possible; set as missing")


def test_three_weather_years_are_used_and_the_plan_says_how_little_they_tell(farm: Path):
    _weather(lambda w: w.sel(time=slice("2020", "2022")))(farm)
    report = _report(_run("check", farm))
    assert "Only 3 complete weather years in weather.nc: the odds are counts out of so few years" in report
    assert "give 10 or more" in report


def test_a_hole_of_a_month_leaves_its_year_out(farm: Path):
    _weather(lambda w: w.where((w["time"] < np.datetime64("2020-03-01")) | (w["time"] > np.datetime64("2020-03-31"))))(farm)
    report = _report(_run("check", farm))
    assert _lines_with(report, "weather.nc, 2020-03-01 to 2020-03-31: 31 days missing, too long to fill")
    assert "Only 9 complete weather years" in report


# -------------------------------------------------------------------------------------------- the command line


def test_a_folder_that_is_not_there_is_named(tmp_path: Path):
    _sentence(_run("check", tmp_path / "farmm"), "farmm", "there is no such farm folder", "farm.toml")


def test_a_file_in_the_way_of_the_output_is_refused_before_the_work(farm: Path, tmp_path: Path):
    (tmp_path / "out").write_text("notes")
    answer = _run("plan", farm, "--out", tmp_path / "out")
    _sentence(answer, "out", "is a file", "--out")
    assert "Reading" not in answer.err
    assert (tmp_path / "out").read_text() == "notes"


def test_a_file_above_the_output_folder_is_named(farm: Path, tmp_path: Path):
    (tmp_path / "notes").write_text("notes")
    _sentence(_run("plan", farm, "--out", tmp_path / "notes" / "plan"), "notes/plan", "notes is a file", "--out")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_folder_without_leave_to_write_is_refused(farm: Path, tmp_path: Path):
    (tmp_path / "locked").mkdir(mode=0o555)
    _sentence(_run("plan", farm, "--out", tmp_path / "locked" / "plan"), "locked/plan", "cannot be written", "--out")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("options", "River 1/9"), ("gap 'River 1/9'", "there is no such gap", "River 1/", "greengap gaps")),
        (("why", "Rivver 1", "oat"), ("block 'Rivver 1'", "there is no such block", "'River 1'")),
        (("why", "River 1", "buckwheet"), ("cover 'buckwheet'", "there is no such cover", "'buckwheat'")),
    ],
)
def test_a_name_that_is_not_there_is_answered_with_one_that_is(
    arguments: tuple[str, ...], words: tuple[str, ...], farm: Path
):
    command, *names = arguments
    _sentence(_run(command, farm, *names), *words)


def test_without_a_machine_to_sow_no_cover_is_planned_and_the_reason_stands_there(farm: Path, tmp_path: Path):
    _toml(("drill = true", "drill = false"), ("spreader = true", "spreader = false"))(farm)
    _replace(farm / "crop_calendar.csv", HEADER + RIVER_1 + "\nRiver 1,broccoli,transplanted,2027-08-22,2027-10-28\n")
    answer = _run("plan", farm, "--out", tmp_path / "out")
    assert answer.code == 3
    assert "greengap:" not in answer.err
    assert _lines_with(answer.out, "Sow nothing and keep it clean (3 gaps)")
    assert _lines_with(answer.out, "River 1/2", "equipment", "drill")
    assert "No cover fits any gap of this farm; there is no seed to order." in answer.out
    assert (tmp_path / "out" / "map.html").exists()
    assert len((tmp_path / "out" / "seed_order.csv").read_text().splitlines()) == 1


# ------------------------------------------------------------------------------------- in a process of its own

ALONE = ("polygons without a CRS", "a text under the name of a raster", "a text under the name of NetCDF", "odds in percent")


@pytest.mark.parametrize("broken", ALONE)
def test_the_installed_command_says_the_same(broken: str, farm: Path, tmp_path: Path):
    break_it, words = REFUSED[broken]
    break_it(farm)
    _sentence(_run_alone("plan", farm, "--out", tmp_path / "out"), *words)
    assert not (tmp_path / "out").exists()


# ------------------------------------------------------------------------------------------------- any bytes

TOML_PIECES = st.sampled_from(
    [
        "name", "units", "irrigation", "wanted_odds", "not_wanted", "[files]", "[files.soil]", "[purposes.pollinators]",
        "[equipment]", "[days]", "[waiting]", "[seed_lots.oat]", "[cold_offset_degc]", "[diseases]", "[station]",
        "[growth_aim]", "polygons", "weather", "crop_calendar", "clay", "aim", "weight", "lat", "lon", "drill", "by",
        "biomass_kg_ha", "classes", "file", " = ", "\n", "\"", "'", "[", "]", "{", "}", ",", ".", "#", "true", "nan",
        "inf", "-1", "1e400", "1979-05-27", "\"blocks.gpkg\"", "\"weather.nc\"", "\"crop_calendar.csv\"", "[]", "\\u0000",
    ]
)  # fmt: skip
CALENDAR_PIECES = st.sampled_from(
    [
        HEADER, RIVER_1, "\n", ",", ";", "\t", "\"", "#", "River 1", "lettuce", "seeded", "transplanted", "2027-04-08",
        "2027-06-28", "0000-00-00", "9999-12-31", "27.6.2027", "block", "start", "\r", "\x0c", "\u2028", "é", "\ufeff",
    ]
)  # fmt: skip


def _bytes_of(pieces: st.SearchStrategy[str]) -> st.SearchStrategy[bytes]:
    """Anything at all, or bits of the real thing in any order."""
    return st.binary(max_size=300) | st.lists(pieces, max_size=40).map(lambda parts: "".join(parts).encode())


ONE_FOLDER = settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])


@ONE_FOLDER
@given(data=_bytes_of(TOML_PIECES))
@example(data=b"not_wanted = " + b"9" * 5000)
def test_any_bytes_as_farm_toml_give_settings_or_one_problem(data: bytes, farm: Path):
    _replace(farm / "farm.toml", data)
    try:
        read_settings(farm)
    except InputProblem as problem:
        assert problem.file == "farm.toml"


@ONE_FOLDER
@given(changed=st.binary(min_size=1, max_size=3), data=st.data())
def test_a_slip_anywhere_in_farm_toml_gives_settings_or_one_problem(changed: bytes, data: st.DataObject, farm: Path):
    text = (ROOT / "sample_fields" / "farm.toml").read_bytes()
    at = data.draw(st.integers(0, len(text)))
    _replace(farm / "farm.toml", text[:at] + changed + text[at + len(changed) :])
    try:
        read_settings(farm)
    except InputProblem as problem:
        assert problem.file == "farm.toml"


@ONE_FOLDER
@given(data=_bytes_of(CALENDAR_PIECES))
def test_any_bytes_as_calendar_give_rows_or_one_problem(data: bytes, farm: Path):
    _replace(farm / "crop_calendar.csv", data)
    report = ImportReport()
    try:
        read_crop_calendar(farm / "crop_calendar.csv", "crop_calendar.csv", report, ["River 1"], load_catalogue())
    except InputProblem as problem:
        assert problem.file == "crop_calendar.csv"
    else:
        assert report.lost("crop_calendar.csv") == 0
