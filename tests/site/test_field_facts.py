"""Soil tests, the grower's word, map-unit rasters, raw survey exports and slope: what stands over what, and is said."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

from greengap import plan_farm, read_farm
from greengap.errors import Fate, ImportReport, InputProblem
from greengap.farm.settings import DRAINAGE_WORDS, FACES, GrowersWord
from greengap.output.why import explain
from greengap.pack import pack, unpack
from greengap.site.growers_word import apply_word
from greengap.site.soil import DRAINAGE_CLASSES, no_soil
from greengap.site.soil_survey import soil_from_survey
from greengap.site.soil_tests import MATTER_PER_CARBON, soil_from_tests
from greengap.site.terrain import DIRECTIONS, block_slopes
from greengap.tables import ClassShare

SAMPLE = Path(__file__).resolve().parents[2] / "sample_fields"
UTM = 32618


def shown(path: Path) -> str:
    return path.name


def squares(*corners: tuple[float, float], size: float = 100.0, crs: int = UTM) -> gpd.GeoDataFrame:
    boxes = [shapely.box(x, y, x + size, y + size) for x, y in corners]
    return gpd.GeoDataFrame({"block_id": [f"B{i + 1}" for i in range(len(boxes))]}, geometry=boxes, crs=crs)


# --- soil tests ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "epsg"),
    [("BB_250", 25833), ("B_204", 32723), ("MGS_101", 32721), ("SC_50", 32722), ("G_150", 32722)],
)
def test_real_laboratory_points_become_values_of_blocks(shared_data, name, epsg):
    """LimeSoDa (CC BY-SA 4.0, Schmidinger et al.): means taken again with pandas, in the file's own CRS."""
    path = shared_data / "data/soil/limesoda" / f"{name}.csv"
    points = pd.read_csv(path)
    x, y = points.iloc[:, 0], points.iloc[:, 1]
    middle = float(x.median())
    halves = gpd.GeoDataFrame(
        {"block_id": ["west", "east"]},
        geometry=[
            shapely.box(x.min() - 1, y.min() - 1, middle, y.max() + 1),
            shapely.box(middle, y.min() - 1, x.max() + 1, y.max() + 1),
        ],
        crs=epsg,
    ).to_crs(4326)
    report = ImportReport()
    soil, shares = soil_from_tests(halves, path, shown, report)
    soil = soil.set_index("block_id")
    west = points[x < middle]
    assert soil.loc["west", "ph"] == pytest.approx(west["pH_target"].mean(), abs=0.02)
    assert soil.loc["west", "clay_fraction"] == pytest.approx(west["Clay_target"].mean() / 100, abs=0.002)
    expected = west["SOC_target"].mean() / 100 * 1.724  # the usual printed factor
    assert soil.loc["west", "organic_matter_fraction"] == pytest.approx(expected, rel=0.02)
    assert report.lost(path.name) == 0
    assert report.rows_read[path.name] == len(points)
    assert shares.empty
    assert any("organic carbon" in sentence for sentence in report.assumptions)


def test_one_row_for_a_block_with_units_in_the_heading(tmp_path):
    path = tmp_path / "tests.csv"
    path.write_text("block,pH,OM (%),clay_g_kg\nb1,6.2,3.5,180\nb 2,5.8,,\nNowhere,7,1,10\n", encoding="utf-8")
    report = ImportReport()
    soil, _ = soil_from_tests(squares((5e5, 5e6), (5e5, 5.1e6)), path, shown, report)
    assert soil["ph"].tolist() == [6.2, 5.8]
    assert soil["organic_matter_fraction"][0] == pytest.approx(0.035)
    assert soil["clay_fraction"][0] == pytest.approx(0.18)
    assert [f.fate for f in report.findings] == [Fate.SKIPPED]
    assert any("one test stands for all of B1, B2" in sentence for sentence in report.assumptions)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("block,pH\nB1,68\n", "cannot be; check the unit"),
        ("block,pH\nB1,acid\n", "'acid' is not a number"),
        ("block,clay (lb)\nB1,3\n", "unit 'lb' of clay .lb. is not known"),
        ("pH\n6.5\n", "does not say where the tests were taken"),
        ("block,zinc\nB1,3\n", "has no property that is known among block, zinc"),
        ("block,om,soc\nB1,3,2\n", "is there twice in meaning"),
        ("block,pH\nX,6.5\n", "no test lies in any block"),
        ("x_99999,y_99999,ph\n1,1,6.5\n", "EPSG:99999 is not known"),
    ],
)
def test_a_test_file_that_cannot_be_used_says_why(tmp_path, text, words):
    path = tmp_path / "tests.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputProblem, match=words):
        soil_from_tests(squares((5e5, 5e6)), path, shown, ImportReport())


def test_carbon_becomes_matter_by_the_usual_factor():
    assert pytest.approx(1.724, abs=0.001) == MATTER_PER_CARBON


# --- the grower's word ---------------------------------------------------------------------------


def test_settings_and_soil_know_the_same_drainage_classes_and_directions():
    assert DRAINAGE_WORDS == DRAINAGE_CLASSES
    assert FACES == DIRECTIONS


def test_ground_that_ponds_is_wet_whatever_the_map_says():
    soil = no_soil(squares((5e5, 5e6))).assign(drainage_class="well drained", source="soil rasters")
    columns = list(ClassShare.to_schema().columns)
    shares = ClassShare.validate(pd.DataFrame([("B1", "drainage_class", "well drained", 1.0)], columns=columns))
    report = ImportReport()
    word = GrowersWord({"ph": 5.4}, True, None, "drowns every April", "Ann")
    out, classes = apply_word(soil, shares, {"B1": word}, report)
    assert out["drainage_class"][0] == "poorly drained"
    assert out["ph"][0] == 5.4
    assert classes["class_name"].tolist() == ["poorly drained"]
    assert out["source"][0] == "soil rasters; grower's word: pH, drainage"
    assert report.assumptions[1] == (
        "Drainage of B1 is the grower's word (Ann), poorly drained where the map says well drained: drowns every April"
    )


@pytest.fixture(scope="module")
def drowned(tmp_path_factory) -> Path:
    folder = Path(shutil.copytree(SAMPLE, tmp_path_factory.mktemp("word") / "farm"))
    with (folder / "farm.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[growers_word."River 1"]\ndrainage = "very poorly drained"\nreason = "drowns"\nby = "Ann"\n')
    return folder


def test_the_word_changes_the_plan_and_is_named_where_it_does(drowned, sample_plan):
    plan = plan_farm(read_farm(drowned))
    gaps = plan.gaps.loc[plan.gaps["block_id"] == "River 1", "gap_id"]
    rated = plan.suitability[plan.suitability["gap_id"].isin(gaps) & (plan.suitability["criterion"] == "drainage")]
    assert rated["reason"].str.endswith("(grower's word: drowns)").all()
    shown_on = plan.recommendation[plan.recommendation["gap_id"].isin(gaps)]
    assert shown_on["limiting_factor"].str.contains("grower's word").any()
    others = ~plan.recommendation["gap_id"].isin(gaps)
    assert not plan.recommendation[others]["limiting_factor"].str.contains("grower's word").any()
    before = sample_plan.recommendation[sample_plan.recommendation["gap_id"].isin(gaps)]
    assert shown_on["score"].sum() < before["score"].sum()
    assert any("grower's word" in line for line in explain(plan, "River 1", "buckwheat") if line.startswith("Soil:"))


def test_the_word_goes_through_the_farm_file_and_back(drowned, tmp_path):
    plan = plan_farm(read_farm(drowned))
    path = pack(drowned, tmp_path / "farm.gpkg")
    unpack(path, tmp_path / "again")
    for where in (path, tmp_path / "again"):
        again = plan_farm(read_farm(where))
        pd.testing.assert_frame_equal(again.soil, plan.soil)
        pd.testing.assert_frame_equal(again.recommendation, plan.recommendation)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('drainage = "wet"\nreason = "x"', "'wet' is not a class"),
        ("ph = 5.5", "growers_word.Pond.reason: is missing"),
        ('ph = 55\nreason = "x"', "55 is not between 3 and 10"),
        ('clay_percent = 60\nsand_percent = 60\nreason = "x"', "add up to more than 100"),
        ('colour = "red"\nreason = "x"', "is not a setting that is known"),
    ],
)
def test_a_word_that_cannot_be_meant_is_refused(tmp_path, lines, words):
    folder = shutil.copytree(SAMPLE, tmp_path / "farm")
    with (folder / "farm.toml").open("a", encoding="utf-8") as settings:
        settings.write(f"\n[growers_word.Pond]\n{lines}\n")
    with pytest.raises(InputProblem, match=words):
        read_farm(folder)


# --- the survey, raw and as a raster -------------------------------------------------------------


def survey_blocks(shared_data) -> gpd.GeoDataFrame:
    return squares((-91.21, 33.32), (-91.19, 33.30), size=0.004, crs=4326)


def test_the_raw_export_gives_what_the_tables_with_headings_give(shared_data):
    folder = shared_data / "data/soil/ssurgo_ar017"
    polygons = folder / "spatial/soilmu_a_ar017_subset.shp"
    blocks, raw_report, plain_report = survey_blocks(shared_data), ImportReport(), ImportReport()
    raw, raw_shares = soil_from_survey(
        blocks, polygons, folder / "tabular/comp.txt", folder / "tabular/chorizon.txt", shown, raw_report
    )
    plain, plain_shares = soil_from_survey(
        blocks, polygons, folder / "tabular/component_with_header.csv", folder / "tabular/chorizon_with_header.csv",
        shown, plain_report,
    )  # fmt: skip
    pd.testing.assert_frame_equal(raw, plain)
    pd.testing.assert_frame_equal(raw_shares, plain_shares)
    assert sum("raw survey export" in sentence for sentence in raw_report.assumptions) == 2
    assert raw["clay_fraction"].notna().all()


def test_the_survey_joined_by_hand_gives_our_clay_and_slope(shared_data):
    """The same join in plain pandas on one map unit that fills a block, from the tables with headings."""
    folder = shared_data / "data/soil/ssurgo_ar017"
    units = gpd.read_file(folder / "spatial/soilmu_a_ar017_subset.shp")
    components = pd.read_csv(folder / "tabular/component_with_header.csv")
    horizons = pd.read_csv(folder / "tabular/chorizon_with_header.csv")
    mukey = int(units.loc[units.area.idxmax(), "MUKEY"])
    inside = units.loc[units.area.idxmax()].geometry.representative_point().buffer(0.0002)
    block = gpd.GeoDataFrame({"block_id": ["B"]}, geometry=[inside], crs=4326)
    soil, _ = soil_from_survey(
        block, folder / "spatial/soilmu_a_ar017_subset.shp", folder / "tabular/component_with_header.csv",
        folder / "tabular/chorizon_with_header.csv", shown, ImportReport(),
    )  # fmt: skip
    mine = components[components["mukey"] == mukey]
    total = weight = 0.0
    for row in mine.itertuples():
        layers = horizons[(horizons["cokey"] == row.cokey) & horizons["claytotal_r"].notna()]
        thick = (layers["hzdepb_r"].clip(upper=30) - layers["hzdept_r"]).clip(lower=0)
        if thick.sum() > 0:
            total += row.comppct_r * (layers["claytotal_r"] * thick).sum() / thick.sum()
            weight += row.comppct_r
    assert soil["clay_fraction"][0] == pytest.approx(total / weight / 100, rel=1e-9)
    sloped = mine[mine["slope_r"].notna()]
    expected = (sloped["slope_r"] * sloped["comppct_r"]).sum() / sloped["comppct_r"].sum() / 100
    assert soil["slope_fraction"][0] == pytest.approx(expected, rel=1e-9)


def test_a_raster_of_map_unit_keys_is_counted_and_never_averaged(shared_data, tmp_path):
    """gSSURGO Illinois; the tables are made up, one component a key, with clay = key number modulo 50."""
    path = shared_data / "data/soil/gssurgo_il/gssurgo_mukey_il_10m.tif"
    with rasterio.open(path) as source:
        keys, grid, crs = source.read(1), source.transform, source.crs
    left, top, size = 100, 120, 40
    outline = shapely.box(
        grid.c + left * grid.a, grid.f + (top + size) * grid.e, grid.c + (left + size) * grid.a, grid.f + top * grid.e
    )
    block = gpd.GeoDataFrame({"block_id": ["B"]}, geometry=[outline], crs=crs)
    window = keys[top : top + size, left : left + size].astype(int)
    there = np.unique(keys[keys < 2e9].astype(int))
    (tmp_path / "component.csv").write_text(
        "mukey,cokey,comppct_r,drainagecl\n" + "".join(f"{k},{k},100,Well drained\n" for k in there), encoding="utf-8"
    )
    (tmp_path / "horizon.csv").write_text(
        "cokey,hzdept_r,hzdepb_r,claytotal_r,sandtotal_r,om_r,ph1to1h2o_r,awc_r,dbthirdbar_r\n"
        + "".join(f"{k},0,30,{k % 50},40,2,6.5,0.2,1.4\n" for k in there),
        encoding="utf-8",
    )
    report = ImportReport()
    soil, _ = soil_from_survey(block, path, tmp_path / "component.csv", tmp_path / "horizon.csv", shown, report)
    valid = window[window < 2_000_000_000]
    assert len(np.unique(valid)) > 2
    assert soil["clay_fraction"][0] == pytest.approx((valid % 50).mean() / 100, rel=1e-6)
    assert soil["clay_fraction"][0] != pytest.approx(valid.mean() % 50 / 100, rel=1e-3)  # keys averaged
    assert any("raster of map-unit keys" in sentence for sentence in report.assumptions)


# --- slope ---------------------------------------------------------------------------------------


def heights(path: Path, rise: tuple[float, float], epsg: int = UTM, cell: float = 10.0) -> Path:
    """A plane that rises by `rise` metres a metre to the east and to the north."""
    y, x = np.mgrid[0:60, 0:60]
    z = (x * rise[0] + (59 - y) * rise[1]) * cell
    with rasterio.open(
        path, "w", driver="GTiff", width=60, height=60, count=1, dtype="float32", crs=f"EPSG:{epsg}",
        transform=from_origin(5e5, 5e6 + 600, cell, cell),
    ) as out:  # fmt: skip
        out.write(z.astype("float32"), 1)
    return path


@pytest.mark.parametrize("rise", [(0.0, 0.0), (0.03, 0.04), (-0.1, 0.0), (0.0, 0.2)])
def test_the_slope_of_a_plane_is_known(tmp_path, rise):
    found = block_slopes(squares((500_200, 5_000_200)), heights(tmp_path / "z.tif", rise), shown, ImportReport())
    assert found.loc["B1", "slope_fraction"] == pytest.approx(np.hypot(*rise), abs=1e-5)


def test_slope_agrees_with_the_gradient_of_numpy_on_a_dome(tmp_path):
    path = heights(tmp_path / "z.tif", (0, 0))
    y, x = np.mgrid[0:60, 0:60]
    dome = 30 * np.exp(-((x - 30) ** 2 + (y - 30) ** 2) / 400.0)
    with rasterio.open(path, "r+") as out:
        out.write(dome.astype("float32"), 1)
    dy, dx = np.gradient(dome, 10.0)
    expected = np.hypot(dx, dy)[20:40, 20:40].mean()
    found = block_slopes(squares((500_200, 5_000_200), size=200.0), path, shown, ImportReport())
    assert found.loc["B1", "slope_fraction"] == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(
    ("rise", "falls_to"),
    [((0.0, 0.1), 180.0), ((0.0, -0.1), 0.0), ((-0.1, 0.0), 90.0), ((0.1, 0.0), 270.0), ((0.1, 0.1), 225.0)],
)
def test_a_plane_faces_where_it_falls_to(tmp_path, rise, falls_to):
    found = block_slopes(squares((500_200, 5_000_200)), heights(tmp_path / "z.tif", rise), shown, ImportReport())
    assert found.loc["B1", "aspect_deg"] == pytest.approx(falls_to, abs=1e-3)


def test_slope_and_aspect_of_rough_ground_are_those_of_horns_kernel_laid_on_every_cell(tmp_path):
    rng = np.random.default_rng(3)
    path = heights(tmp_path / "z.tif", (0.05, 0.02))
    with rasterio.open(path, "r+") as out:
        z = out.read(1) + rng.normal(0, 0.3, (60, 60))
        out.write(z.astype("float32"), 1)
    z = z.astype("float32").astype(float)
    kernel = np.array([[1, 0, -1], [2, 0, -2], [1, 0, -1]]) / 80.0
    inside = [(r, c) for r in range(30, 40) for c in range(20, 30)]  # rows from the north; the block is 100 m wide
    east = np.array([(z[r - 1 : r + 2, c - 1 : c + 2] * kernel).sum() for r, c in inside])
    south = np.array([(z[r - 1 : r + 2, c - 1 : c + 2] * kernel.T).sum() for r, c in inside])
    found = block_slopes(squares((500_200, 5_000_200)), path, shown, ImportReport())
    assert found.loc["B1", "slope_fraction"] == pytest.approx(np.hypot(east, south).mean(), rel=1e-5)
    expected = np.degrees(np.arctan2(east.mean(), -south.mean())) % 360
    assert found.loc["B1", "aspect_deg"] == pytest.approx(expected, abs=1e-2)


def test_level_ground_and_a_ridge_face_nowhere(tmp_path):
    level = block_slopes(squares((500_200, 5_000_200)), heights(tmp_path / "z.tif", (0, 0)), shown, ImportReport())
    assert np.isnan(level.loc["B1", "aspect_deg"])
    path = heights(tmp_path / "ridge.tif", (0, 0))
    ridge = -0.1 * np.abs(np.arange(60) * 10.0 + 5.0 - 250.0) * np.ones((60, 1))
    with rasterio.open(path, "r+") as out:
        out.write(ridge.astype("float32"), 1)
    found = block_slopes(squares((500_200, 5_000_200)), path, shown, ImportReport())
    assert found.loc["B1", "slope_fraction"] > 0.08
    assert np.isnan(found.loc["B1", "aspect_deg"])


def test_heights_that_cannot_be_metres_are_refused(tmp_path):
    with pytest.raises(InputProblem, match="Check that heights are in metres"):
        block_slopes(squares((500_200, 5_000_200)), heights(tmp_path / "z.tif", (3.0, 0)), shown, ImportReport())
    with pytest.raises(InputProblem, match="misses the farm"):
        block_slopes(squares((600_200, 5_000_200)), heights(tmp_path / "z.tif", (0, 0)), shown, ImportReport())
