"""Soil of blocks from rasters, and what is filled in where nothing is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from rasterio.transform import Affine
from shapely.geometry import box

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.site.soil import (
    complete_soil,
    drainage_class,
    merge_soil,
    no_soil,
    soil_defaults,
    soil_from_rasters,
    with_drainage,
)
from greengap.tables import ClassShare

WEST, NORTH, CELL = 400_000.0, 4_700_000.0, 10.0


@dataclass
class Raster:
    path: Path
    unit: str = ""
    classes: dict[int, str] = field(default_factory=dict)


def write(path: Path, cells, **more) -> Path:
    cells = np.asarray(cells)
    profile = {"width": cells.shape[1], "height": cells.shape[0], "count": 1, "dtype": cells.dtype, **more}
    transform = Affine(CELL, 0, WEST, 0, -CELL, NORTH)
    with rasterio.open(path, "w", driver="GTiff", crs="EPSG:32618", transform=transform, **profile) as out:
        out.write(cells, 1)
    return path


@pytest.fixture
def blocks() -> gpd.GeoDataFrame:
    shapes = [box(WEST, NORTH - 100, WEST + 40, NORTH), box(WEST + 60, NORTH - 100, WEST + 100, NORTH)]
    return gpd.GeoDataFrame({"block_id": ["West", "East"]}, geometry=shapes, crs="EPSG:32618")


def even(value, dtype="float32") -> np.ndarray:
    return np.full((10, 10), value, dtype)


def read(blocks, report=None, **rasters):
    return soil_from_rasters(blocks, rasters, lambda p: p.name, report if report is not None else ImportReport())


def stand_in(sand, clay, organic_matter):
    return ["loam"] * len(sand), np.full(len(sand), 0.15), np.full(len(sand), 1.4)


@pytest.mark.parametrize(
    ("stored", "unit"), [(0.22, "fraction"), (22.0, "percent"), (22.0, "%"), (220.0, "g/kg"), (0.22, "kg kg-1")]
)
def test_clay_in_any_declared_unit_becomes_a_fraction(tmp_path, blocks, stored, unit):
    soil, _ = read(blocks, clay=Raster(write(tmp_path / "clay.tif", even(stored)), unit))
    assert soil["clay_fraction"].to_numpy() == pytest.approx(0.22, rel=1e-6)
    assert soil["source"].tolist() == ["soil rasters"] * 2


@pytest.mark.parametrize(("stored", "unit"), [(0.17, "m3/m3"), (17.0, "percent"), (170.0, "mm/m")])
def test_available_water_in_any_declared_unit_becomes_a_fraction(tmp_path, blocks, stored, unit):
    soil, _ = read(blocks, available_water=Raster(write(tmp_path / "awc.tif", even(stored)), unit))
    assert soil["available_water_fraction"].to_numpy() == pytest.approx(0.17, rel=1e-6)


def test_the_units_tag_of_a_raster_is_read(tmp_path, blocks):
    path = write(tmp_path / "clay.tif", even(0.9))
    with rasterio.open(path, "r+") as edit:
        edit.update_tags(1, units="percent")
    report = ImportReport()
    soil, _ = read(blocks, report, clay=Raster(path))
    assert soil["clay_fraction"].to_numpy() == pytest.approx(0.009, rel=1e-6)
    assert not report.assumptions


def test_a_unit_that_nobody_declared_is_told_from_the_values_and_listed(tmp_path, blocks):
    report = ImportReport()
    soil, _ = read(blocks, report, clay=Raster(write(tmp_path / "clay.tif", even(31.0))))
    assert soil["clay_fraction"].to_numpy() == pytest.approx(0.31)
    assert report.assumptions == ["clay.tif does not say its unit; values from 31 to 31 are taken as percent."]


@pytest.mark.parametrize(
    ("name", "value", "unit", "words"),
    [
        ("organic_matter", 0.6, "", "does not say its unit"),
        ("organic_matter", 30.0, "", "does not say its unit"),
        ("clay", 31.0, "fraction", "31 cannot be clay in fraction"),
        ("clay", 31.0, "lb/ac", "unit 'lb/ac' is not known for clay"),
        ("ph", 65.0, "pH", "65 cannot be pH in pH"),
        ("ph", 1.5, "", "1.5 cannot be pH"),
        ("available_water", 0.9, "fraction", "0.9 cannot be available water"),
    ],
)
def test_a_value_that_does_not_fit_its_unit_is_refused_with_a_remedy(tmp_path, blocks, name, value, unit, words):
    with pytest.raises(InputProblem, match=words) as caught:
        read(blocks, **{name: Raster(write(tmp_path / "soil.tif", even(value)), unit)})
    assert "farm.toml" in caught.value.remedy


def test_clay_and_sand_beyond_the_whole_are_refused_and_a_rounding_excess_is_scaled(tmp_path, blocks):
    clay = Raster(write(tmp_path / "clay.tif", even(60.0)), "percent")
    with pytest.raises(InputProblem, match=r"clay and sand add up to 120 % with clay\.tif"):
        read(blocks, clay=clay, sand=Raster(write(tmp_path / "sand.tif", even(60.0)), "percent"))
    report = ImportReport()
    soil, _ = read(blocks, report, clay=clay, sand=Raster(write(tmp_path / "sand.tif", even(41.0)), "percent"))
    assert (soil["clay_fraction"] + soil["sand_fraction"]).to_numpy() == pytest.approx(1.0)
    assert [f.fate for f in report.findings] == [Fate.REPAIRED] * 2


def test_drainage_is_the_class_with_most_area_and_a_tie_goes_to_the_wetter(tmp_path, blocks):
    numbers = even(3, "uint8")
    numbers[:, :1] = 5  # a quarter of West
    numbers[:5, 6:] = 6  # half of East
    raster = Raster(
        write(tmp_path / "d.tif", numbers), "", {3: "Well drained", 5: "somewhat  poorly drained", 6: "poorly drained"}
    )
    soil, shares = read(blocks, drainage=raster)
    assert soil["drainage_class"].tolist() == ["well drained", "poorly drained"]
    assert soil["drainage_share_fraction"].tolist() == pytest.approx([0.75, 0.5])
    assert len(shares) == 4


def test_names_of_drainage_classes_are_found_in_tags_and_in_the_side_file(tmp_path, blocks):
    tagged = write(tmp_path / "tagged.tif", even(1, "uint8"))
    with rasterio.open(tagged, "r+") as edit:
        edit.update_tags(class_1="poorly drained")
    assert set(read(blocks, drainage=Raster(tagged))[0]["drainage_class"]) == {"poorly drained"}
    beside = write(tmp_path / "beside.tif", even(1, "uint8"))
    categories = "<Category></Category><Category>well drained</Category>"
    (tmp_path / "beside.tif.aux.xml").write_text(
        f'<PAMDataset><PAMRasterBand band="1"><CategoryNames>{categories}</CategoryNames></PAMRasterBand></PAMDataset>'
    )
    assert set(read(blocks, drainage=Raster(beside))[0]["drainage_class"]) == {"well drained"}


def test_a_drainage_word_outside_the_seven_classes_is_refused(tmp_path, blocks):
    path = write(tmp_path / "d.tif", even(1, "uint8"))
    with pytest.raises(InputProblem, match=r"'soggy' is not a drainage class\. Use one of: excessively drained, "):
        read(blocks, drainage=Raster(path, "", {1: "soggy"}))
    with pytest.raises(InputProblem, match="does not say which drainage class"):
        read(blocks, drainage=Raster(path))
    assert drainage_class(" Well Drained", "f", "") == "well drained"


def test_a_partly_covered_block_is_reported_and_an_uncovered_one_gets_defaults_that_are_listed(tmp_path, blocks):
    cells = even(25.0)
    cells[5:, :4] = -1
    cells[:, 4:] = -1
    report = ImportReport()
    soil, _ = read(blocks, report, clay=Raster(write(tmp_path / "clay.tif", cells, nodata=-1), "percent"))
    assert soil["covered_fraction"].tolist() == pytest.approx([0.5, 0.0])
    assert any("50 % of the block" in f.what and f.place == "block West" for f in report.findings)
    full = complete_soil(soil, report, stand_in).set_index("block_id")
    assert full.loc["West", "sand_fraction"] == pytest.approx(0.75 * 0.40 / 0.80)
    assert full.loc["East", ["clay_fraction", "sand_fraction"]].tolist() == [0.20, 0.40]
    assert "Texture unknown on block East: taken as loam." in report.assumptions
    assert "pH unknown on every block: taken as 6.5." in report.assumptions
    assert "Organic matter unknown on every block: taken as 2.5 %." in report.assumptions
    assert "Drainage unknown on every block: taken as well drained." in report.assumptions
    assert full.loc["West", "source"].startswith("soil rasters; default sand, ")
    assert full.loc["East", "source"].startswith("default texture, ")


def test_surveyed_water_capacity_is_kept_and_a_missing_one_is_inferred_and_listed(blocks):
    partial, report = no_soil(blocks), ImportReport()
    partial.loc[0, "available_water_fraction"] = 0.21
    full = complete_soil(partial, report, stand_in)
    assert full["available_water_fraction"].tolist() == [0.21, 0.15]
    assert any(a.startswith("Available water of block East is inferred") for a in report.assumptions)


def test_the_soil_model_of_the_project_fits_the_place_where_it_is_called(blocks):
    hydraulics = pytest.importorskip("greengap.process.soil_hydraulics")

    def called(sand, clay, organic_matter):
        water = hydraulics.saxton_rawls(sand, clay, organic_matter)
        available = water.field_capacity_fraction - water.wilting_point_fraction
        return hydraulics.texture_class(sand, clay), available, water.bulk_density_mg_m3

    full = complete_soil(no_soil(blocks), ImportReport(), called)
    assert set(full["texture_class"]) == {"loam"}
    assert full["available_water_fraction"].between(0.1, 0.2).all()


def test_rasters_go_before_the_survey_and_shares_are_never_mixed(blocks):
    first, second = no_soil(blocks), no_soil(blocks)
    first.loc[0, ["clay_fraction", "covered_fraction", "source"]] = [0.1, 1.0, "soil rasters"]
    second[["clay_fraction", "ph", "covered_fraction", "source"]] = [0.3, 7.0, 0.9, "soil survey"]
    rows = [("West", "drainage_class", "well drained", 1.0), ("East", "drainage_class", "poorly drained", 1.0)]
    shares = pd.DataFrame(rows, columns=["block_id", "soil_property", "class_name", "share_fraction"])
    second = with_drainage(second, shares)
    soil, merged = merge_soil((first, ClassShare.empty()), (second, shares))
    assert soil["clay_fraction"].tolist() == [0.1, 0.3]
    assert soil["ph"].tolist() == [7.0, 7.0]
    assert soil["source"].tolist() == ["soil rasters; soil survey", "soil survey"]
    assert soil["covered_fraction"].tolist() == pytest.approx([0.9, 0.9])
    assert soil["drainage_class"].tolist() == ["well drained", "poorly drained"]
    assert len(merged) == 2


def test_every_default_has_a_source():
    for name, entry in soil_defaults().items():
        for one in entry.values() if name == "raster" else [entry]:
            assert one["source"]


def test_a_raster_on_a_sliver_of_a_block_does_not_stand_for_it(tmp_path, blocks):
    clay = np.full((10, 10), -1.0, "float32")
    clay[0, 0], clay[:3, 6:] = 22.0, 30.0  # 2.5 % of West, 30 % of East
    drainage = np.zeros((10, 10), "uint8")
    drainage[0, 0] = drainage[:3, 6:] = 1
    report = ImportReport()
    soil, shares = read(
        blocks,
        report,
        clay=Raster(write(tmp_path / "clay.tif", clay, nodata=-1.0), "percent"),
        drainage=Raster(write(tmp_path / "d.tif", drainage, nodata=0), "", {1: "poorly drained"}),
    )
    assert np.isnan(soil["clay_fraction"][0])
    assert soil["clay_fraction"][1] == pytest.approx(0.30)
    assert soil["covered_fraction"].tolist() == pytest.approx([0.0, 0.3])
    assert soil["drainage_class"].isna().tolist() == [True, False]
    assert shares["block_id"].tolist() == ["East"]
    told = {(f.file, f.place): f.what for f in report.findings}
    assert told["clay.tif", "block West"].endswith("on 2 % of the block; that is too little to stand for the whole")
    assert told["clay.tif", "block East"].endswith("on 30 % of the block; that part stands for the whole")
    full = complete_soil(soil, report, stand_in)
    assert full["drainage_class"].tolist() == ["well drained", "poorly drained"]
    assert report.assumptions[0] == "Texture unknown on block West: taken as loam."


def test_less_than_one_per_cent_is_never_told_as_nothing(tmp_path, blocks):
    clay = np.full((1000, 1000), -1.0, "float32")
    clay[:, 0], clay[:, 600:] = 22.0, 30.0
    path = tmp_path / "clay.tif"
    grid = Affine(0.1, 0, WEST, 0, -0.1, NORTH)
    profile = {"width": 1000, "height": 1000, "count": 1, "dtype": "float32", "nodata": -1.0}
    with rasterio.open(path, "w", driver="GTiff", crs="EPSG:32618", transform=grid, **profile) as out:
        out.write(clay, 1)
    report = ImportReport()
    read(blocks, report, clay=Raster(path, "percent"))
    assert [f.what for f in report.findings] == [
        "the raster has clay on <1 % of the block; that is too little to stand for the whole"
    ]
