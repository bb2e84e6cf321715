"""The sample farm is small, invented, repeatable, and shaped as its README says."""

from __future__ import annotations

import importlib.util
import itertools
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import rasterio.features
import xarray as xr

from greengap.farm.settings import SOIL_PROPERTIES, FarmSettings, read_settings

FOLDER = Path(__file__).parents[2] / "sample_fields"
RASTERS = [f"soil/{name}.tif" for name in SOIL_PROPERTIES]

# Families as botany has them; the rotation check reads it.
FAMILY = {
    "lettuce": "Asteraceae",
    "spinach": "Amaranthaceae",
    "beet": "Amaranthaceae",
    "radish": "Brassicaceae",
    "broccoli": "Brassicaceae",
    "cabbage": "Brassicaceae",
    "garden_pea": "Fabaceae",
    "snap_bean": "Fabaceae",
    "tomato": "Solanaceae",
    "pepper": "Solanaceae",
    "potato": "Solanaceae",
    "sweet_corn": "Poaceae",
    "cucumber": "Cucurbitaceae",
    "summer_squash": "Cucurbitaceae",
    "winter_squash": "Cucurbitaceae",
    "muskmelon": "Cucurbitaceae",
    "watermelon": "Cucurbitaceae",
    "carrot": "Apiaceae",
    "onion": "Amaryllidaceae",
    "garlic": "Amaryllidaceae",
}


@pytest.fixture(scope="module")
def settings() -> FarmSettings:
    return read_settings(FOLDER)


@pytest.fixture(scope="module")
def blocks() -> gpd.GeoDataFrame:
    return gpd.read_file(FOLDER / "blocks.gpkg", layer="blocks")


@pytest.fixture(scope="module")
def calendar() -> pd.DataFrame:
    dates = ["start", "end", "start_early", "start_late", "end_early", "end_late"]
    table = pd.read_csv(FOLDER / "crop_calendar.csv", parse_dates=dates, comment="#").sort_values(["block", "start"])
    table["next_start"] = table.groupby("block")["start"].shift(-1)
    table["gap_d"] = (table["next_start"] - table["end"]).dt.days - 1
    return table.reset_index(drop=True)


@pytest.fixture(scope="module")
def middle_cell() -> xr.Dataset:
    with xr.open_dataset(FOLDER / "weather.nc") as weather:
        return weather.isel(lat=1, lon=1).load()


@pytest.fixture(scope="module")
def generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("sample_generate", FOLDER / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_folder_is_smaller_than_5_mb_and_its_weather_than_2_mb():
    assert sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file()) < 5e6
    assert (FOLDER / "weather.nc").stat().st_size < 2e6


def test_the_generator_makes_the_stored_files_again(generator, tmp_path, blocks):
    generator.generate(tmp_path)
    again = gpd.read_file(tmp_path / "blocks.gpkg", layer="blocks")
    assert again.crs == blocks.crs
    assert again.drop(columns="geometry").equals(blocks.drop(columns="geometry"))
    # corners lie on whole centimetres; another build of the geometry library may round one the other way
    assert (again.symmetric_difference(blocks).area < 1.0).all()
    assert (tmp_path / "crop_calendar.csv").read_bytes() == (FOLDER / "crop_calendar.csv").read_bytes()
    for name in RASTERS:
        with rasterio.open(FOLDER / name) as old, rasterio.open(tmp_path / name) as new:
            assert old.transform == new.transform
            np.testing.assert_allclose(new.read(1), old.read(1), atol=0.0 if "drainage" in name else 0.1)
    with xr.open_dataset(FOLDER / "weather.nc") as old, xr.open_dataset(tmp_path / "weather.nc") as new:
        xr.testing.assert_allclose(new, old, atol=0.11, rtol=0)


def test_every_file_that_can_say_so_says_invented(generator):
    for name in ("README.md", "farm.toml", "generate.py", "crop_calendar.csv"):
        assert "invented" in (FOLDER / name).read_text(encoding="utf-8").lower()
    with xr.open_dataset(FOLDER / "weather.nc") as weather:
        assert weather.attrs["invented"].startswith("yes")
    for name in RASTERS:
        with rasterio.open(FOLDER / name) as raster:
            assert raster.tags()["INVENTED"].startswith("yes")
    assert generator.INVENTED.encode() in (FOLDER / "blocks.gpkg").read_bytes()


def test_farm_toml_reads_without_an_assumption(settings, blocks):
    assert settings.assumptions == ()
    names = set(blocks["block"])
    assert settings.irrigated is not None
    assert settings.irrigated < names
    assert set(settings.cold_offset_degc) < names
    assert [(p.key, p.weight) for p in settings.purposes] == [
        ("weed_suppression", 3.0),
        ("organic_matter", 1.0),
        ("nitrogen_supply", 1.0),
        ("pollinators", 2.0),
    ]
    assert set(settings.soil_rasters) == set(SOIL_PROPERTIES)
    assert len(settings.soil_rasters["drainage"].classes) == 7


def test_blocks_measure_from_a_tenth_to_four_hectares(blocks):
    geodesic = gpd.GeoSeries(blocks.to_crs(4326).geometry)
    area_ha = np.array([abs(geodesic.crs.get_geod().geometry_area_perimeter(shape)[0]) for shape in geodesic]) / 1e4
    assert len(blocks) == 15
    assert area_ha.min() >= 0.1
    assert area_ha.max() <= 4
    assert 12 <= area_ha.sum() <= 20


def test_blocks_are_clean_and_none_overlaps_another(blocks):
    assert blocks.crs.is_projected
    assert blocks.geometry.is_valid.all()
    assert (blocks.geom_type == "Polygon").all()
    assert blocks["block"].is_unique
    assert blocks["block"].map(str.isascii).all()
    assert blocks["note"].str.len().gt(0).all()
    for a, b in itertools.combinations(blocks.geometry, 2):
        assert a.intersection(b).area == pytest.approx(0, abs=1e-6)


def test_the_shapes_are_those_of_a_farm(blocks):
    shape = blocks.set_index("block").geometry
    assert len(shape["Pond"].interiors) == 1
    assert shape["River 1"].intersection(shape["River 2"]).length > 80  # a shared edge, not a sliver between
    assert shape["Middle Bench"].area < 0.9 * shape["Middle Bench"].convex_hull.area  # bends around the yard
    assert shape["Beds 1"].area == pytest.approx(shape["Beds 1"].minimum_rotated_rectangle.area, rel=1e-3)
    strip = shape["Orchard Strip"]
    assert strip.length**2 / strip.area > 60  # a square has 16


def test_the_calendar_is_in_order_and_names_known_blocks(calendar, blocks):
    assert set(calendar["block"]) == set(blocks["block"])
    assert set(calendar["crop"]) == set(FAMILY)
    assert set(calendar["establishment"]) == {"transplanted", "seeded", "planted"}
    assert (calendar["start"] < calendar["end"]).all()
    assert set(calendar["start"].dt.year) | set(calendar["end"].dt.year) == {2027, 2028}
    assert (calendar["gap_d"].dropna() >= 1).all()
    soft = calendar.dropna(subset=["start_early"])
    assert 0 < len(soft) < len(calendar)
    assert (soft["start_early"] <= soft["start"]).all()
    assert (soft["start"] <= soft["start_late"]).all()
    assert (soft["end_early"] <= soft["end"]).all()
    assert (soft["end"] <= soft["end_late"]).all()


def test_no_family_comes_twice_on_a_block(calendar):
    family = calendar.assign(family=calendar["crop"].map(FAMILY))
    twice = family[family.duplicated(["block", "family"], keep=False)]
    assert twice.empty, twice[["block", "crop", "start"]]


def test_the_calendar_leaves_early_spring_midsummer_and_autumn_gaps(calendar):
    end, following, gap_d = calendar["end"], calendar["next_start"], calendar["gap_d"]
    same_year = end.dt.year == following.dt.year
    early_spring = same_year & (end.dt.month <= 4) & (following.dt.month.isin([5, 6])) & (gap_d >= 50)
    midsummer = end.dt.month.isin([6, 7]) & same_year & (following.dt.month == 8) & (gap_d >= 35)
    until_next_year = end.dt.month.isin([7, 8]) & (following.dt.year > end.dt.year)
    autumn = end.dt.month.isin([8, 9, 10]) & (following.dt.year > end.dt.year)
    too_short = gap_d < 20
    first_start = calendar.groupby("block")["start"].min()
    bare_until_summer = (first_start.dt.month >= 5) & (first_start.dt.day >= 20) | (first_start.dt.month == 6)
    assert early_spring.sum() + bare_until_summer.sum() >= 4
    assert midsummer.sum() >= 5
    assert until_next_year.sum() >= 2
    assert autumn.sum() >= 6
    assert too_short.sum() >= 1
    spring_bare = autumn & (following.dt.month >= 5) & (following.dt.day_of_year >= 140)
    assert spring_bare.sum() >= 4


def test_soil_covers_every_block_and_stays_in_its_bounds(blocks):
    bounds = {
        "clay": (5, 40),
        "sand": (15, 72),
        "organic_matter": (1, 5),
        "ph": (5.4, 7.3),
        "available_water": (0.1, 0.22),
        "drainage": (1, 7),
    }
    for name, (low, high) in bounds.items():
        with rasterio.open(FOLDER / f"soil/{name}.tif") as raster:
            west, south, east, north = blocks.total_bounds
            assert raster.crs == blocks.crs
            assert raster.bounds.left < west
            assert raster.bounds.right > east
            assert raster.bounds.bottom < south
            assert raster.bounds.top > north
            assert raster.res == (10, 10)
            values = raster.read(1)
            assert not (values == raster.nodata).any()
            assert low <= values.min()
            assert values.max() <= high
            assert raster.units[0] in {"percent", "pH", "fraction", "class"}


def test_the_low_corner_is_heavy_and_wet_and_the_creek_bank_is_sandy(blocks):
    def at(name: str, block: str) -> np.ndarray:
        with rasterio.open(FOLDER / f"soil/{name}.tif") as raster:
            shape = blocks.set_index("block").geometry[block]
            mask = rasterio.features.geometry_mask([shape], raster.shape, raster.transform, invert=True)
            return raster.read(1)[mask]

    assert np.median(at("clay", "Low Corner")) > 27
    assert np.median(at("drainage", "Low Corner")) >= 5
    assert at("sand", "River 1").max() > 55
    assert np.median(at("drainage", "Upper Bench")) == 3


def test_the_weather_holds_25_whole_years_and_no_minimum_above_its_maximum():
    with xr.open_dataset(FOLDER / "weather.nc") as weather:
        days = pd.date_range("2000-01-01", "2024-12-31")
        assert weather["time"].to_index().equals(days)
        assert weather["tmin"].shape == (len(days), 3, 3)
        assert not np.isnan(weather["tmin"]).any()
        assert (weather["tmin"] <= weather["tmax"]).all()
        assert (weather["precipitation"] >= 0).all()
        assert {weather[v].attrs["units"] for v in ("tmin", "tmax", "precipitation")} == {"degC", "mm"}
        assert len(np.unique(weather["tmin"].mean("time").values.round(4))) == 9


def test_the_farm_lies_inside_the_weather_grid_and_in_more_than_one_cell(blocks):
    with xr.open_dataset(FOLDER / "weather.nc") as weather:
        lon, lat = weather["lon"].values, weather["lat"].values
    west, south, east, north = blocks.to_crs(4326).total_bounds
    assert lon[0] < west < east < lon[-1]
    assert lat[0] < south < north < lat[-1]
    assert west < lon[1:].mean() < east


def test_the_climate_is_cool_temperate(middle_cell):
    mean = (middle_cell["tmin"] + middle_cell["tmax"]) / 2
    by_month = mean.groupby("time.month").mean()
    assert float(by_month.sel(month=1)) == pytest.approx(-0.6, abs=0.7)
    assert 19 <= float(by_month.sel(month=7)) <= 21
    rain = middle_cell["precipitation"].groupby("time.year").sum()
    assert 800 <= float(rain.mean()) <= 900


def test_frost_ends_in_late_april_and_begins_in_early_october(middle_cell):
    frosty = middle_cell["time"].where(middle_cell["tmin"] <= 0, drop=True).to_index()
    day = pd.Series(frosty.day_of_year, index=frosty)
    last = day[frosty.month <= 7].groupby(lambda when: when.year).max()
    first = day[frosty.month >= 8].groupby(lambda when: when.year).min()
    assert len(last) == len(first) == 25
    assert 110 <= last.median() <= 120  # 20 to 30 April
    assert 281 <= first.median() <= 285  # 8 to 12 October
