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
    assert not re.search(r"\.\.$|: :|, ,|\bNone\b|\bnan\b|<class", said[0]), said[0]
    return said[0]


def _report(answer: Answer) -> str:
    """What `check` printed of a farm that can be used."""
    assert answer.code == 0, answer
    assert answer.err == ""
    return answer.out
