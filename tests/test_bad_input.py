"""Input that is broken in one place: one sentence that names file, place, fault and remedy, and nothing written."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
import warnings
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import xarray as xr
from rasterio.transform import Affine
from shapely.geometry import LineString, Polygon

from greengap.cli import main

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
            change(shape) if name == block else shape
            for name, shape in zip(frame["block"], frame.geometry, strict=True)
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
    profile["transform"] = Affine.translation(200_000, 0) @ profile["transform"]
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
STATION = "date,tmin_c,tmax_c,precip_mm\n2020-01-01,1,2,0\n"

# What is broken, how, and words of the sentence in their order: file, place, fault, remedy.
POLYGONS: dict[str, tuple[Break, tuple[str, ...]]] = {
    "lines instead of polygons": (
        _blocks(lambda f: f.set_geometry([LineString(g.exterior.coords) for g in f.geometry], crs=f.crs)),
        ("holds no polygons", "Give the outlines"),
    ),
    "a text under the name of polygons": (
        _written("blocks.gpkg", "block,field\nRiver 1,River\n"),
        ("ends in .gpkg, but is something else", "GeoPackage"),
    ),
    "a layer that is not there": (
        _toml(('layer = "blocks"', 'layer = "beds"')),
        ("no layer 'beds'", "layers are blocks"),
    ),
    "polygons without a CRS": (
        _blocks(lambda f: f.set_crs(None, allow_override=True)),
        ("coordinate reference system", 'crs = "EPSG:..."', "farm.toml"),
    ),
    "a CRS that nobody knows": (
        _toml(('layer = "blocks"', 'layer = "blocks"\ncrs = "EPSG:999999"')),
        ("CRS 'EPSG:999999'", "not known", "EPSG code"),
    ),
    "the CRS of another place": (
        _toml(('layer = "blocks"', 'layer = "blocks"\ncrs = "EPSG:4326"')),
        ("row 1:", "not a longitude and latitude", "row 3:", "and 12 more", "metres or feet", "crs ="),
    ),
    "every outline crosses itself": (
        _blocks(lambda f: f.set_geometry([_bow_tie(g) for g in f.geometry], crs=f.crs)),
        ("row 1 (Low Corner)", "crosses itself near 48.54", "and 12 more", "Draw the outlines again"),
    ),
    "two blocks of one name": (
        _named("block", "River 2", "River 1"),
        ("row 3 (River 1)", "same name as row 2 (River 1)", "a name of its own", "block_column"),
    ),
    "two blocks whose names differ by a capital": (
        _named("block", "River 2", "river 1"),
        ("row 3 (river 1)", "but for capitals and blanks the same name as row 2 (River 1)", "a name of its own"),
    ),
    "a block without a name": (
        _named("block", "River 2", ""),
        ("row 3", "has no name", "a name of its own"),
    ),
    "a block column that is not there": (
        _toml(('block_column = "block"', 'block_column = "bed"')),
        ("no column 'bed'", "block, field, note", "block_column"),
    ),
    "a field column that is not there": (
        _toml(('field_column = "field"', 'field_column = "part"')),
        ("no column 'part'", "block, field, note", "field_column"),
    ),
}
CALENDAR: dict[str, tuple[Break, tuple[str, ...]]] = {
    "a crop on a block that is not there": (
        _calendar(("River 1,garden_pea", "Rivver 1,garden_pea")),
        ("row 5", "no block 'Rivver 1'", "the closest is 'River 1'", "as in the polygon file"),
    ),
    "two crops on a block at once": (
        _calendar(("Beds 1,beet,seeded,2027-07-24", "Beds 1,beet,seeded,2027-06-01")),
        ("row 23", "beet from 2027-06-01", "Beds 1", "lettuce of row 22", "ends 2027-06-12", "Correct the dates"),
    ),
    "an end before the start": (
        _calendar((RIVER_1, RIVER_1.replace("2027-06", "2026-06"))),
        ("row 5 (River 1, garden_pea)", "2026-06-28 lies before the start 2027-04-08", "over New Year"),
    ),
    "early after usual": (
        _calendar(("2027-06-28,2027-04-01", "2027-06-28,2027-04-09")),
        ("row 5 (River 1, garden_pea), start", "not in order early, usual, late", "Correct"),
    ),
    "dates that can be read two ways": (
        _calendar((RIVER_1, "River 1,garden_pea,seeded,04/08/2027,28.6.2027"), ("2027-05-10", "2027-02-30")),
        ("row 3", "'2027-02-30'", "row 5", "'04/08/2027' could be 4 August or 8 April", "as 2027-07-10", "date_order"),
    ),
    "a year of the next century": (
        _calendar((RIVER_1, RIVER_1.replace("2027-06", "2207-06"))),
        ("row 5", "end", "'2207-06-28' is not a date from 1900 to 2200", "Write year"),
    ),
    "a year with two figures changed round": (
        _calendar((RIVER_1, RIVER_1.replace("2027-06-28", "2072-06-28"))),
        ("row 5", "end", "2072-06-28 lies far from 2027", "Correct the year"),
    ),
    "a cell that is empty": (
        _calendar((RIVER_1, RIVER_1.replace("2027-04-08", ""))),
        ("row 5", "start", "the cell is empty", "Fill"),
    ),
    "a way to set up a crop that nobody knows": (
        _calendar(("garden_pea,seeded", "garden_pea,dropped")),
        ("row 5", "establishment", "'dropped'", "transplanted, seeded or planted"),
    ),
    "a column that is missing": (
        _calendar(("establishment,start,end", "establishment,start,harvest")),
        ("row 2", "the column end", "cannot be found among", "harvest", "needed are block, crop"),
    ),
    "a calendar without a row": (_written("crop_calendar.csv", HEADER), ("names no crop", "Add a row")),
    "a calendar without a byte": (_written("crop_calendar.csv", ""), ("is empty", "columns block, crop")),
    "a calendar in UTF-16": (
        _written("crop_calendar.csv", (HEADER + RIVER_1).encode("utf-16")),
        ("is not a CSV file", "CSV (UTF-8)"),
    ),
    "a spreadsheet under the name of a calendar": (
        _written("crop_calendar.csv", b"PK\x03\x04 and so on"),
        ("is a damaged file", "save it as CSV"),
    ),
}
CLAY: dict[str, tuple[Break, tuple[str, ...]]] = {
    "a raster that misses the farm": (
        _raster("clay", _elsewhere),
        ("misses the farm", "16.6", "the farm 13.89", "Give a raster of the farm", "coordinate reference system"),
    ),
    "a raster without a value": (_raster("clay", _all_nodata), ("no value under any block", "with data on the farm")),
    "a raster without a CRS": (_raster("clay", _without_crs), ("no coordinate reference system", "Assign")),
    "a text under the name of a raster": (
        _written("soil/clay.tif", "12 14 19\n"),
        ("cannot be read as a raster (it is not recognized", "GeoTIFF"),
    ),
    "an empty file under the name of a raster": (
        _written("soil/clay.tif", ""),
        ("cannot be read as a raster (it is not recognized", "GeoTIFF"),
    ),
    "the first half of a raster": (
        lambda farm: _replace(farm / "soil/clay.tif", (farm / "soil/clay.tif").read_bytes()[:2000]),
        ("cannot be read", "Give a GeoTIFF"),
    ),
    "a unit that is not one of clay": (
        _toml(('"soil/clay.tif", unit = "percent"', '"soil/clay.tif", unit = "bushel"')),
        ("unit 'bushel'", "not known for clay", "fraction, percent, g/kg"),
    ),
    "percent declared as a fraction": (
        _toml(('"soil/clay.tif", unit = "percent"', '"soil/clay.tif", unit = "fraction"')),
        ("block Low Corner", "36.6 cannot be clay in fraction", "Correct the unit of clay in farm.toml"),
    ),
}
DRAINAGE: dict[str, tuple[Break, tuple[str, ...]]] = {
    "a drainage class without a name": (
        _toml(('5 = "somewhat poorly drained"\n', "")),
        ("block Low Corner", "class 5 has no name", "Add 5 = ...", "farm.toml"),
    ),
    "a drainage class that nobody knows": (
        _toml(('5 = "somewhat poorly drained"', '5 = "soggy"')),
        ("class 5 as farm.toml names it", "'soggy' is not a drainage class", "Use one of", "poorly drained"),
    ),
}
WEATHER: dict[str, tuple[Break, tuple[str, ...]]] = {
    "kelvin without a unit": (
        _temperatures(lambda t: t + 273.15, None),
        ("tmin", "252.8 to 294.6 cannot be °C", "kelvin", "units attribute to K"),
    ),
    "kelvin declared as degC": (
        _temperatures(lambda t: t + 273.15, "degC"),
        ("tmin", "252.8 to 294.6 cannot be °C", "kelvin", "units attribute to K"),
    ),
    "degF declared as degC": (
        _temperatures(lambda t: t * 9 / 5 + 32, "degC"),
        ("tmin", "66.4 on 2015-05-26 cannot be °C", "°F", "units attribute to degF"),
    ),
    "tenths of a degree declared as degC": (
        _temperatures(lambda t: t * 10, "degC"),
        ("tmin", "78.0 on 2015-03-23 cannot be °C", "tenths of a degree", "divide"),
    ),
    "degC declared as kelvin": (
        _temperatures(lambda t: t, "K"),
        ("tmin", "-20.3 to 21.5 cannot be kelvin", "units attribute to degC"),
    ),
    "a unit that is none of temperature": (
        _temperatures(lambda t: t, "mm"),
        ("tmin", "unit 'mm'", "not known for a temperature", "degC, degF or K"),
    ),
    "millimetres a second declared as mm": (
        _weather(lambda w: w.assign(precipitation=(w["precipitation"] / 86_400).assign_attrs(units="mm"))),
        ("precipitation", "wettest of 3653 days", "cannot be mm", "rate per second", "kg m-2 s-1"),
    ),
    "weather without minima": (
        _weather(lambda w: w.drop_vars("tmin")),
        ("no variable is tmin", "elevation, precipitation, tmax", "tasmin"),
    ),
    "weather without rain": (
        _weather(lambda w: w.drop_vars("precipitation")),
        ("no variable is precipitation", "elevation, tmax, tmin", "Add a file with pr"),
    ),
    "weather of half a year": (
        _weather(lambda w: w.sel(time=slice("2020-01-01", "2020-06-30"))),
        ("no full year", "182 days", "at least one year"),
    ),
    "weather of every month": (
        _weather(lambda w: w.resample(time="MS").mean()),
        ("time", "is not daily", "31 days", "Give daily"),
    ),
    "weather of another place": (
        _weather(lambda w: w.assign_coords(lon=w["lon"] - 90)),
        ("misses the farm", "-76.14", "the farm 13.89", "Give weather of the farm's place"),
    ),
    "weather without a value": (_weather(lambda w: w.where(w["lat"] > 90)), ("tmin", "has no value", "Give a file")),
    "weather with days that come twice": (
        _weather(lambda w: xr.concat([w, w.isel(time=slice(-3, None))], "time", data_vars="minimal")),
        ("time", "2024-12-29 comes twice", "Keep one value a day"),
    ),
    "a text under the name of NetCDF": (
        _written("weather.nc", "date,tmin\n"),
        ("cannot be read as NetCDF", "Give a NetCDF file"),
    ),
}
OLD_AIM = "aim = { biomass_kg_ha = 2000 }"
# Old line of farm.toml, new line, and words of the sentence in their order: place, fault, remedy.
FARM_TOML: dict[str, tuple[str, ...]] = {
    "a setting that nobody knows": ("organic = true", "organik = true", "organik", "not a setting", "'organic'"),
    "a purpose that nobody knows": (
        "[purposes.pollinators]", "[purposes.polinators]", "purposes.polinators", "not a purpose", "'pollinators'"),
    "a machine that nobody knows": ("drill = true", "dril = true", "equipment.dril", "not a setting", "'drill'"),
    "text where true or false is meant": (
        "organic = true", 'organic = "yes"', "organic", "'yes' is not true or false", "Write true or false"),
    "a number where a list is meant": ("not_wanted = []", "not_wanted = 3", "not_wanted", "3 is not a list", "Write"),
    "a number in a list of names": ("not_wanted = []", "not_wanted = [3]", "not_wanted", "3 is not a name", "quotes"),
    "a list in a list of names": ("not_wanted = []", "not_wanted = [[]]", "not_wanted", "[] is not a name", "quotes"),
    "a number among watered blocks": (
        'irrigation = ["Beds 1", ', "irrigation = [1, ", "irrigation", "1 is not a name", "quotes"),
    "a width without a unit": (
        '"3 m"   #', '"3" #', "machinery.working_width", "'3' is not a number with a unit", "Write it as '3 m'"),
    "a speed in another unit": (
        '"7 km/h"', '"7 kn"', "machinery.speed", "'7 kn' is not a number with a unit", "Write it as '6 km/h'"),
    "a way to drive that is none": (
        '"fewest turns"', '"round and round"', "machinery.heading", "is not a way to drive", "longest edge"),
    "a heading beyond the compass": (
        '"River 1" = 65.5', '"River 1" = 655', "machinery.headings.River 1", "655 is not a heading", "0 to 359"),
    "beds without a pitch": (
        'bed_pitch = "1.5 m"', "", "machinery.bed_pitch", "is missing", 'bed_pitch = "1.5 m"'),
    "turns that take an hour": (
        "turn_s = 20", "turn_s = 3600", "machinery.turn_s", "is not a time for a turn", "0 to 600"),
    "a heading for a block that is not there": (
        '"River 1" = 65.5', '"Rivver 1" = 65.5', "machinery.headings", "'Rivver 1' is not a block", "'River 1'"),
    "an offset in words": (
        "Hollow = -1.5", 'Hollow = "cold"', "cold_offset_degc.Hollow", "'cold' is not a number", "Write a number"),
    "an offset without an amount": (
        "Hollow = -1.5", "Hollow = nan", "cold_offset_degc.Hollow", "nan is not an amount", "Write a number"),
    "an offset beyond all valleys": (
        "Hollow = -1.5", "Hollow = -150", "cold_offset_degc.Hollow", "-150 °C is more than", "as -1.5"),
    "diseases that are no list": (
        "# [diseases]", '[diseases]\n"River 2" = 5', "diseases.River 2", "5 is not a list", "Write a list"),
    "a weight without an amount": ("weight = 3", "weight = nan", "weed_suppression.weight", "not an amount", "Write"),
    "a weight below zero": ("weight = 3", "weight = -3", "weed_suppression.weight", "-3 is not above zero", "Leave"),
    "an aim in words": (OLD_AIM, 'aim = "much"', "purposes.organic_matter.aim:", "'much' is not a table", "Write"),
    "an aim with two quantities": (
        OLD_AIM, "aim = { biomass_kg_ha = 2000, bloom_d = 7 }", "purposes.organic_matter.aim:",
        "states 2 quantities", "exactly one of biomass_kg_ha"),
    "an aim without a quantity": (
        OLD_AIM, "aim = { within_d = 30 }", "purposes.organic_matter.aim:", "states 0 quantities", "exactly one of"),
    "an aim without an amount": (
        OLD_AIM, "aim = { biomass_kg_ha = inf }", "aim.biomass_kg_ha", "inf is not an amount", "Write a number"),
    "an aim by a day that no month has": (
        'by = "10-01"', 'by = "02-31"', "pollinators.aim.by", "'02-31' is not a day of the year", '"06-15"'),
    "an aim by a month in words": (
        'by = "10-01"', 'by = "autumn"', "pollinators.aim.by", "'autumn' is not a day of the year", '"06-15"'),
    "odds in percent": (
        "wanted_odds = 0.8", "wanted_odds = 80", "wanted_odds", "80 is not a share between 0 and 1", "85 % as 0.85"),
    "days below zero": ("clean_up_d = 3", "clean_up_d = -3", "days.clean_up_d", "-3 is not", "from 0 to 120"),
    "units that nobody knows": (
        'units = "metric"', 'units = "imperial"', "units", "'imperial' is not a system of units", '"metric" or "us"'),
    "a polygon file that is not there": (
        '"blocks.gpkg"', '"bloks.gpkg"', "files.polygons", "no file 'bloks.gpkg'", "Correct the name"),
    "a calendar that is not there": (
        '"crop_calendar.csv"', '"calendar.csv"', "files.crop_calendar", "no file 'calendar.csv'", "Correct the name"),
    "a raster that is not there": (
        '"soil/clay.tif"', '"soil/cley.tif"', "files.soil.clay.file", "no file 'soil/cley.tif'", "Correct the name"),
    "weather that is not there": (
        '"weather.nc"', '"wether.nc"', "files.weather", "no file 'wether.nc'", "Correct the name"),
    "a calendar that is a folder": (
        '"crop_calendar.csv"', '"soil"', "files.crop_calendar", "'soil' is a folder", "Name the file in it"),
    "a raster that is a folder": (
        '"soil/clay.tif"', '"soil"', "files.soil.clay.file", "'soil' is a folder", "Name the file in it"),
    "weather that is a folder": (
        '"weather.nc"', '"soil"', "files.weather", "'soil' is a folder", "Name the file in it"),
    "a file name with a zero byte": (
        '"crop_calendar.csv"', '"crop\\u0000.csv"', "files.crop_calendar", "no file 'crop", "Correct the name"),
    "a file name of five thousand letters": (
        '"crop_calendar.csv"', f'"{"x" * 5000}"', "files.crop_calendar", "no file 'xxx", "...'", "Correct the name"),
    "a file name that is a number": (
        '"crop_calendar.csv"', "7", "files.crop_calendar", "7 is not text in quotes", "Write text in quotes"),
    "no line for the weather": (
        'weather = "weather.nc"', "# none", "files.weather", "is missing", "weather = ... under [files]"),
    "an empty list of weather": ('weather = "weather.nc"', "weather = []", "files.weather", "names no file", "Name a"),
    "a drainage class that is no number": (
        '5 = "some', 'five = "some', "files.soil.drainage.classes.five", "is not the number of a class", "3 ="),
    "water for a block that is not there": (
        '"River 1", "River 2"]', '"Rivver 1"]', "irrigation", "'Rivver 1' is not a block", "'River 1' is meant"),
    "cold nights on a block that is not there": (
        "Hollow = -1.5", "Hallow = -1.5", "cold_offset_degc", "'Hallow' is not a block", "'Hollow' is meant"),
    "a disease on a block that is not there": (
        "# [diseases]", '[diseases]\n"River 9" = ["rot"]', "diseases", "'River 9' is not a block", "'River 1' or"),
    "drains under a block that is not there": (
        "not_wanted = []", 'tile_drained = ["Pnd"]', "tile_drained", "'Pnd' is not a block", "'Pond' is meant"),
    "a list among drained blocks": (
        "not_wanted = []", "tile_drained = [[]]", "tile_drained", "[] is not a name", "quotes"),
    "a cover not wanted that nobody knows": (
        "not_wanted = []", 'not_wanted = ["sunflowr"]', "not_wanted", "'sunflowr' is not in", "'sunflower'"),
    "a seed lot of a species that nobody knows": (
        "[seed_lots.oat]", "[seed_lots.oats]", "seed_lots", "'oats' is not in the catalogue", "'oat' is meant"),
    "purity in percent": (
        "purity_fraction = 0.98", "purity_fraction = 98", "seed_lots.oat.purity_fraction", "98 is not a share", "0.85"),
    "a seed lot without germination": (
        "germination_fraction = 0.90", "", "seed_lots.oat.germination_fraction", "is missing", "[seed_lots.oat]"),
}  # fmt: skip
WHOLE_FARM_TOML: dict[str, tuple[Break, tuple[str, ...]]] = {
    "text that is not TOML": (
        _written("farm.toml", 'name = "Sample farm\nunits = metric\n'),
        ("cannot be read", "line 1", "Correct that line"),
    ),
    "letters that are not UTF-8": (
        _written("farm.toml", 'units = "us"\nname = "Küche"\n'.encode("latin-1")),
        ("line 2", "is not in UTF-8", "Save the file as UTF-8"),
    ),
    "a nest of ten thousand lists": (
        _written("farm.toml", "not_wanted = " + "[" * 10_000),
        ("lists in lists without end", "docs/inputs.md"),
    ),
    "an empty farm.toml": (_written("farm.toml", ""), ("files.polygons", "is missing", "polygons = ...", "[files]")),
    "no farm.toml": (lambda farm: (farm / "farm.toml").unlink(), ("is not in the folder", "Add it")),
}
REFUSED: dict[str, tuple[Break, tuple[str, ...]]] = {
    name: (break_it, (f"greengap: {file}", *words))
    for file, cases in (
        ("blocks.gpkg", POLYGONS),
        ("crop_calendar.csv", CALENDAR),
        ("soil/clay.tif", CLAY),
        ("soil/drainage.tif", DRAINAGE),
        ("weather.nc", WEATHER),
        ("farm.toml", WHOLE_FARM_TOML),
        ("farm.toml", {name: (_toml((old, new)), words) for name, (old, new, *words) in FARM_TOML.items()}),
    )
    for name, (break_it, words) in cases.items()
}


@pytest.mark.parametrize("broken", REFUSED)
def test_it_is_refused_in_one_sentence_and_nothing_is_written(broken: str, farm: Path, tmp_path: Path):
    break_it, words = REFUSED[broken]
    break_it(farm)
    _sentence(_run("plan", farm, "--out", tmp_path / "out"), *words)
    assert not (tmp_path / "out").exists()


def test_a_farm_toml_that_is_a_folder_is_refused(farm: Path):
    (farm / "farm.toml").unlink()
    (farm / "farm.toml").mkdir()
    _sentence(_run("check", farm), "greengap: farm.toml", "cannot be opened", "a file that you may read")


def test_a_folder_without_polygons_is_refused_as_polygon_file(farm: Path):
    _toml(('"blocks.gpkg"', '"soil"'))(farm)
    _sentence(_run("check", farm), "greengap: soil", "is not a polygon file", "GeoPackage")


def test_a_station_without_a_place_is_refused(farm: Path):
    _toml(('weather = "weather.nc"', 'weather = "days.csv"'))(farm)
    _replace(farm / "days.csv", STATION)
    _sentence(_run("check", farm), "greengap: days.csv", "does not say where", "[station]", "lat", "lon", "farm.toml")


# --------------------------------------------------------------------------- used all the same, and reported


def _lines_with(text: str, *words: str) -> list[str]:
    return [line for line in text.splitlines() if all(word in line for word in words)]


def test_a_bow_tie_is_set_aside_and_its_crops_are_reported_with_it(farm: Path):
    _outline("River 2", _bow_tie)(farm)
    report = _report(_run("check", "--quick", farm))
    (line,) = _lines_with(report, "blocks.gpkg, row 3 (River 2): the outline crosses itself near 48.54")
    assert re.search(
        r"Redraw it .*\(area [\d.]+ m2 before, [\d.]+ m2 after\) \[needs review, not planned; to have it so: accept",
        line,
    )
    assert "blocks.gpkg: 15 rows read, 14 used" in report
    waiting = _lines_with(report, "crop_calendar.csv, row", "block River 2 has no outline that can be used")
    assert [re.search(r"\(River 2, (\w+)\)", line)[1] for line in waiting] == ["lettuce", "spinach", "winter_squash"]
    assert "crop_calendar.csv: 42 rows read, 39 used" in report
    assert "4 rows are not planned." in report
    gaps = _run("gaps", farm)
    assert gaps.code == 0
    assert "River 2" not in gaps.out
    assert "River 1/1" in gaps.out


def test_a_small_loop_is_repaired_with_the_area_before_and_after(farm: Path):
    _outline("River 2", _with_a_loop)(farm)
    report = _report(_run("check", "--quick", farm))
    (line,) = _lines_with(
        report, "blocks.gpkg, row 3 (River 2): the outline crosses or touches itself near", "repaired"
    )
    before, after = (float(m) for m in re.search(r"area ([\d.]+) m2 before, ([\d.]+) m2 after", line).groups())
    assert line.endswith("[used after repair]")
    assert abs(after - before) < 1
    assert "blocks.gpkg: 15 rows read, 15 used" in report


def test_a_block_without_geometry_is_reported_and_so_are_its_crops(farm: Path):
    _outline("River 2", lambda shape: None)(farm)
    report = _report(_run("check", "--quick", farm))
    assert "blocks.gpkg, row 3 (River 2): has no geometry [not used]" in report
    assert len(_lines_with(report, "crop_calendar.csv, row", "block River 2 has no outline that can be used")) == 3
    assert "blocks.gpkg: 15 rows read, 14 used" in report


def test_a_calendar_of_set_aside_blocks_only_is_refused(farm: Path):
    _outline("River 2", _bow_tie)(farm)
    _replace(farm / "crop_calendar.csv", HEADER + "River 2,lettuce,transplanted,2027-04-22,2027-06-20\n")
    _sentence(_run("check", farm), "crop_calendar.csv", "no outline that can be used: River 2", "Draw", "again")


def test_a_calendar_in_an_old_code_page_is_read_and_that_is_said(farm: Path):
    _replace(
        farm / "crop_calendar.csv", (HEADER + "River 1,Küchenzwiebel,seeded,2027-04-08,2027-08-28\n").encode("cp1252")
    )
    report = _report(_run("check", "--quick", farm))
    assert "crop_calendar.csv: letters are read as Windows-1252, since the file is not UTF-8." in report
    assert "'Küchenzwiebel' is not a vegetable of the catalogue" in report


def test_a_block_without_a_crop_is_named(farm: Path):
    _replace(farm / "crop_calendar.csv", HEADER + RIVER_1 + "\n")
    report = _report(_run("check", "--quick", farm))
    assert "crop_calendar.csv: no calendar for block River 2, so no gap is planned on it." in report


def test_a_raster_of_part_of_the_farm_is_used_and_the_share_reported(farm: Path):
    _raster("clay", _western_part)(farm)
    report = _report(_run("check", "--quick", farm))
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
    report = _report(_run("check", "--quick", farm))
    assert _lines_with(report, "weather.nc, tmin, 2020-07-04: 40.0 °C", "set as missing")


def test_a_minimum_slightly_above_its_maximum_is_flagged_and_neither_is_used(farm: Path):
    def crossed(weather: xr.Dataset) -> xr.Dataset:
        day = {"time": "2020-07-04"}
        weather["tmin"].loc[day] = weather["tmax"].loc[day] + 1.0
        return weather

    _weather(crossed)(farm)
    report = _report(_run("check", "--quick", farm))
    assert _lines_with(report, "weather.nc, tmin, 2020-07-04", "lies above tmax on that day, both not used")
    assert _lines_with(report, "weather.nc, 2020-07-04: 1 day filled from the days around")


def test_a_day_of_72_8_degrees_below_zero_is_flagged_and_not_used(farm: Path):
    _one_day("tmin", "2020-01-10", -72.8)(farm)
    report = _report(_run("check", "--quick", farm))
    assert _lines_with(report, "weather.nc, tmin, 2020-01-10: -72.8 °C is not possible; set as missing")


def test_three_weather_years_are_used_and_the_plan_says_how_little_they_tell(farm: Path):
    _weather(lambda w: w.sel(time=slice("2020", "2022")))(farm)
    report = _report(_run("check", "--quick", farm))
    assert "Only 3 complete weather years in weather.nc: the odds are counts out of so few years" in report
    assert "give 10 or more" in report


def test_a_hole_of_a_month_leaves_its_year_out(farm: Path):
    _weather(lambda w: w.where((w["time.year"] != 2020) | (w["time.month"] != 3)))(farm)
    report = _report(_run("check", "--quick", farm))
    assert _lines_with(report, "weather.nc, 2020-03-01 to 2020-03-31: 31 days missing, too long to fill")
    assert "Only 9 complete weather years" in report


# -------------------------------------------------------------------------------------------- the command line


def test_a_folder_that_is_not_there_is_named(tmp_path: Path):
    _sentence(_run("check", tmp_path / "farmm"), "/farmm", "there is no such farm folder", "farm.toml")


def test_a_file_given_as_farm_is_named(farm: Path):
    _sentence(_run("check", farm / "farm.toml"), "farm.toml: is a file, not a farm folder", "Name the folder")


@pytest.mark.parametrize("arguments", [("check", "x" * 5000), ("plan", "{farm}", "--out", "x" * 5000)])
def test_a_name_that_no_file_system_takes_is_refused(arguments: tuple[str, ...], farm: Path):
    _sentence(_run(*(a.format(farm=farm) for a in arguments)), "greengap: xxx", "Name")


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
    assert _lines_with(answer.out, "bare, unless you know one that does (3 gaps)")
    assert _lines_with(answer.out, "River 1/2", "equipment", "drill")
    assert "No cover fits any gap of this farm; there is no seed to order." in answer.out
    assert (tmp_path / "out" / "map.html").exists()
    assert len((tmp_path / "out" / "seed_order.csv").read_text().splitlines()) == 1


# ------------------------------------------------------------------------------------- in a process of its own

ALONE = (
    "polygons without a CRS",
    "a text under the name of a raster",
    "a text under the name of NetCDF",
    "odds in percent",
)


@pytest.mark.parametrize("broken", ALONE)
def test_the_installed_command_says_the_same(broken: str, farm: Path, tmp_path: Path):
    break_it, words = REFUSED[broken]
    break_it(farm)
    _sentence(_run_alone("plan", farm, "--out", tmp_path / "out"), *words)
    assert not (tmp_path / "out").exists()
