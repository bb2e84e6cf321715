"""Soil of blocks from map units: a survey worked by hand, and two real ones."""

from __future__ import annotations

import csv
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.affinity import scale
from shapely.geometry import box

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.site.soil_survey import map_unit_soil, read_components, read_horizons, soil_from_survey

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "soil_survey.csv").open(encoding="utf-8")))
COMPONENTS = """mukey,cokey,comppct_r,compname,drainagecl
10,1,80,Deep,Well drained
10,2,20,Wet,Poorly drained
20,3,100,Clay,Poorly drained
30,4,100,Water,
"""
HORIZONS = """cokey,hzdept_r,hzdepb_r,claytotal_r,sandtotal_r,om_r,ph1to1h2o_r,awc_r,dbthirdbar_r
1,0,20,18,40,3,6.0,0.20,1.30
1,20,60,24,40,1,6.6,0.18,1.40
2,0,30,30,20,5,7.0,0.22,1.20
3,0,10,50,10,4,7.2,0.14,1.10
3,10,90,56,,2,7.5,0.12,1.25
3,90,200,60,5,0,8.0,0.12,1.40
"""


def name(path: Path) -> str:
    return path.name


@pytest.fixture
def survey(tmp_path) -> tuple[Path, Path, Path]:
    """Three map units side by side, each 100 m wide and 100 m high, in UTM; unit 30 is water."""
    shapes = [box(400_000 + 100 * i, 4_700_000, 400_100 + 100 * i, 4_700_100) for i in range(3)]
    frame = gpd.GeoDataFrame({"MUKEY": ["10", "20", "30"]}, geometry=shapes, crs="EPSG:32618")
    frame.to_file(tmp_path / "units.gpkg")
    (tmp_path / "components.csv").write_text(COMPONENTS)
    (tmp_path / "horizons.csv").write_text(HORIZONS)
    return tmp_path / "units.gpkg", tmp_path / "components.csv", tmp_path / "horizons.csv"


def block(west: float, east: float, block_id: str = "B") -> gpd.GeoDataFrame:
    shape = box(400_000 + west, 4_700_020, 400_000 + east, 4_700_080)
    return gpd.GeoDataFrame({"block_id": [block_id]}, geometry=[shape], crs="EPSG:32618").to_crs("EPSG:4326")


def test_a_block_inside_one_map_unit_gets_its_mean_by_depth_and_component(survey):
    soil, shares = soil_from_survey(block(10, 90), *survey, name, ImportReport())
    row = soil.iloc[0]
    # Deep: clay (18 x 20 + 24 x 10) / 30 = 20; with 20 % of Wet at 30: 0.8 x 20 + 0.2 x 30 = 22 %.
    assert row.clay_fraction == pytest.approx(0.22, rel=1e-9)
    assert row.ph == pytest.approx(0.8 * 6.2 + 0.2 * 7.0, rel=1e-9)
    assert row.available_water_fraction == pytest.approx(0.8 * (0.20 * 20 + 0.18 * 10) / 30 + 0.2 * 0.22, rel=1e-9)
    assert (row.drainage_class, row.drainage_share_fraction) == ("well drained", pytest.approx(0.8))
    assert row.covered_fraction == pytest.approx(1.0, abs=1e-6)
    assert shares["share_fraction"].sum() == pytest.approx(1.0)


def test_a_block_across_map_units_is_weighted_by_area_and_water_stays_uncovered(survey):
    report = ImportReport()
    soil, _ = soil_from_survey(block(70, 240), *survey, name, report)  # 30 m, 100 m, 40 m of 170 m
    row = soil.iloc[0]
    clay = (50 * 10 + 56 * 20) / 30
    assert row.clay_fraction == pytest.approx((30 * 0.22 + 100 * clay / 100) / 130, rel=1e-6)
    assert row.sand_fraction == pytest.approx((30 * 0.36 + 100 * 0.10) / 130, rel=1e-6)  # only the horizon that has it
    assert row.covered_fraction == pytest.approx(130 / 170, rel=1e-6)
    assert row.drainage_class == "poorly drained"
    assert row.drainage_share_fraction == pytest.approx((30 * 0.2 + 100) / 130, rel=1e-6)
    assert any("76 % of the block (map units without values: 30)" in f.what for f in report.findings)


def test_the_three_spellings_of_a_header_give_the_same_soil(survey, tmp_path):
    units, components, horizons = survey
    expected = soil_from_survey(block(70, 240), units, components, horizons, name, ImportReport())[0]
    for old, new, separator in (("_r", ".r", ","), ("_r", "_R", "|")):
        for path, text in ((components, COMPONENTS), (horizons, HORIZONS)):
            path.write_text(text.replace(old, new).replace(",", separator))
        found = soil_from_survey(block(70, 240), units, components, horizons, name, ImportReport())[0]
        pd.testing.assert_frame_equal(found, expected)


def test_every_row_that_bears_on_the_blocks_is_used_or_reported(survey):
    units, components, horizons = survey
    components.write_text(COMPONENTS + "20,5,,Unweighted,Well drained\n")
    horizons.write_text(HORIZONS + "3,,,,,,,,\n2,30,60,40,20,1,7,0.1,1.4\n1,5,9,,,,,,\n")
    report = ImportReport()
    soil_from_survey(block(70, 240), units, components, horizons, name, report)
    for file in ("units.gpkg", "components.csv", "horizons.csv"):
        assert report.lost(file) == 0
        assert report.rows_read[file] > 0
    assert sum(f.fate is Fate.SKIPPED for f in report.findings) == 3


@pytest.mark.parametrize(
    ("file", "text", "words"),
    [
        (
            "components.csv",
            "|80||Bowdre|Series|565248|21851316\n",
            "has no header line, nor the columns of a raw survey export",
        ),
        ("components.csv", "mukey,cokey,comppct_r\n10,1,80\n", "has no column drainagecl"),
        ("components.csv", COMPONENTS.replace("Well drained", "Soggy"), "'Soggy' is not a drainage class"),
        ("horizons.csv", HORIZONS.replace("0.20", "much"), "column awc_r: 'much' is not a number"),
    ],
)
def test_a_table_that_cannot_be_used_is_named_with_its_reason(survey, tmp_path, file, text, words):
    (tmp_path / file).write_text(text)
    with pytest.raises(InputProblem, match=words) as caught:
        soil_from_survey(block(10, 90), *survey, name, ImportReport())
    assert caught.value.file == file


def test_polygons_that_miss_the_farm_or_have_no_key_are_refused(survey, tmp_path):
    with pytest.raises(InputProblem, match=r"misses the farm: it covers -76\.\d+ to"):
        soil_from_survey(block(90_000, 90_100), *survey, name, ImportReport())
    frame = gpd.read_file(survey[0]).rename(columns={"MUKEY": "unit"})
    frame.to_file(tmp_path / "unkeyed.gpkg")
    with pytest.raises(InputProblem, match="has no column mukey"):
        soil_from_survey(block(10, 90), tmp_path / "unkeyed.gpkg", *survey[1:], name, ImportReport())
    (tmp_path / "text.gpkg").write_text("no")
    with pytest.raises(InputProblem, match=r"ends in \.gpkg, but is something else"):
        soil_from_survey(block(10, 90), tmp_path / "text.gpkg", *survey[1:], name, ImportReport())


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_available_water_and_drainage_of_real_map_units_equal_the_survey_s_own_summary(check, shared_data):
    folder = shared_data / "data/soil/ssurgo_ar017/tabular"
    mix = read_components(folder / "component_with_header.csv", name, {check["mukey"]}, ImportReport())
    depth = float(check["depth_cm"])
    profile = read_horizons(folder / "chorizon_with_header.csv", name, set(mix["cokey"]), depth, ImportReport())
    values, drainage = map_unit_soil(mix, profile, depth)
    water_cm = values["available_water_fraction"].iloc[0] * depth
    assert water_cm == pytest.approx(float(check["available_water_cm"]), abs=float(check["tolerance"]))
    assert drainage.loc[drainage["share_fraction"].idxmax(), "class_name"] == check["drainage_class"]


def test_every_map_unit_of_a_real_county_equals_the_survey_s_own_summary(shared_data):
    folder = shared_data / "data/soil/ssurgo_ar017/tabular"
    summary = pd.read_csv(folder / "muaggatt_with_header.csv", dtype={"mukey": str}).set_index("mukey")
    report = ImportReport()
    mix = read_components(folder / "component_with_header.csv", name, set(summary.index), report)
    for depth, column in ((25, "aws025wta"), (50, "aws050wta")):
        profile = read_horizons(folder / "chorizon_with_header.csv", name, set(mix["cokey"]), depth, report)
        values = map_unit_soil(mix, profile, depth)[0].set_index("mukey")["available_water_fraction"] * depth
        np.testing.assert_allclose(values.reindex(summary.index), summary[column], atol=0.0051)
    assert report.lost("component_with_header.csv") == 0


def test_a_block_on_the_real_arkansas_survey_is_covered_where_its_units_have_values(shared_data):
    folder = shared_data / "data/soil/ssurgo_ar017"
    units = gpd.read_file(folder / "spatial/soilmu_a_ar017_subset.shp")
    shape = scale(units[units["MUKEY"] == "565248"].geometry.iloc[0].envelope, 0.5, 0.5)
    blocks = gpd.GeoDataFrame({"block_id": ["A"]}, geometry=[shape], crs=units.crs)
    tables = (folder / "tabular/component_with_header.csv", folder / "tabular/chorizon_with_header.csv")
    path = folder / "spatial/soilmu_a_ar017_subset.shp"
    soil, shares = soil_from_survey(blocks, path, *tables, name, ImportReport())
    summary = pd.read_csv(folder / "tabular/muaggatt_with_header.csv", dtype={"mukey": str})
    rated = units[units["MUKEY"].isin(summary["mukey"][summary["aws025wta"].notna()])].to_crs("EPSG:32615")
    outline = blocks.to_crs("EPSG:32615").geometry.iloc[0]
    expected = rated.intersection(outline).area.sum() / outline.area
    assert soil["covered_fraction"].iloc[0] == pytest.approx(expected, abs=1e-4)
    assert soil["clay_fraction"].between(0.08, 0.61).all()
    assert soil["organic_matter_fraction"].between(0.01, 0.03).all()
    assert shares["share_fraction"].sum() == pytest.approx(1.0)


def test_a_raw_table_of_another_width_is_refused_rather_than_guessed(shared_data, tmp_path):
    raw = (shared_data / "data/soil/ssurgo_ar017/tabular/comp.txt").read_text(encoding="utf-8")
    (tmp_path / "comp.txt").write_text(raw.replace("\n", "|\n"), encoding="utf-8")
    with pytest.raises(InputProblem, match=r"comp\.txt: has no header line"):
        read_components(tmp_path / "comp.txt", name, {"565248"}, ImportReport())


def test_the_real_iowa_survey_gives_the_mean_worked_by_hand(shared_data):
    folder = shared_data / "data/soil/ssurgo_ames_iowa"
    units = gpd.read_file(folder / "ISUAG_SSURGO_Mapunits.shp")
    shape = units[units["MUKEY"] == "2765522"].geometry.iloc[0].buffer(-1e-5)
    blocks = gpd.GeoDataFrame({"block_id": ["A"]}, geometry=[shape], crs=units.crs)
    tables = (folder / "ISUAG_SSURGO_component.csv", folder / "ISUAG_SSURGO_chorizon.csv")
    soil, _ = soil_from_survey(blocks, folder / "ISUAG_SSURGO_Mapunits.shp", *tables, name, ImportReport())
    # Clarion 85 %: clay 21; Storden 10 %: (18 x 20 + 21 x 10) / 30 = 19; Nicollet 5 %: 26.
    assert soil["clay_fraction"].iloc[0] == pytest.approx((0.85 * 21 + 0.10 * 19 + 0.05 * 26) / 100, rel=1e-9)
    assert soil["drainage_class"].iloc[0] == "well drained"
    assert soil["drainage_share_fraction"].iloc[0] == pytest.approx(0.95)


def test_a_survey_of_a_sliver_of_a_block_does_not_stand_for_it(survey):
    report = ImportReport()
    soil, shares = soil_from_survey(block(198, 298), *survey, name, report)  # 2 m of clay, the rest water
    row = soil.iloc[0]
    assert np.isnan(row.clay_fraction)
    assert pd.isna(row.drainage_class)
    assert (row.covered_fraction, row.source) == (0.0, "")
    assert shares.empty
    told = "on 2 % of the block (map units without values: 30); that is too little to stand for the whole"
    assert any(told in f.what for f in report.findings)


def test_a_map_unit_with_a_corner_that_is_no_number_is_refused(survey):
    polygons, components, horizons = survey
    units = gpd.read_file(polygons)
    units.loc[0, "geometry"] = type(units.geometry[0])(
        [(4e5, 4.7e6), (float("nan"), 4.7e6), (4e5, 4.8e6), (4e5, 4.7e6)]
    )
    units.to_file(polygons)
    with pytest.raises(InputProblem, match="1 outlines have a coordinate that is not a number"):
        soil_from_survey(block(10, 90), polygons, components, horizons, name, ImportReport())
