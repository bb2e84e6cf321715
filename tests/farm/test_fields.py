"""Polygons in: areas against other software, awkward outlines, national data sets, bad files."""

from __future__ import annotations

import csv
import json
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Polygon

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.farm.fields import geodesic_area_m2, read_blocks
from greengap.farm.settings import Repairs

HERE = Path(__file__).parent
AWKWARD = HERE / "data" / "awkward_made_up.geojson"
UNCLOSED = HERE / "data" / "awkward_made_up_unclosed_ring.geojson"
with (HERE.parent / "checks" / "geodesic_area.csv").open(encoding="utf-8") as file:
    CHECKS = list(csv.DictReader(file))

# folder, file, rows, smallest, median and largest hectares as printed beside the data
NATIONAL = [
    ("us_ca_scm", "i15_crop_mapping_2023_provisional_20241127.gdb.zip", 100, "0.159 1.31 41.2"),
    ("us_ca_scm", "ca_state_plane_zone2_usft_epsg2226_3d.gpkg", 100, "0.159 1.31 41.2"),
    ("us_ca_scm", "ca_utm10n_epsg32610.shp", 100, "0.159 1.31 41.2"),
    ("dk", "Marker_2026.zip", 100, "0.0452 1.46 23.1"),
    ("nl", "brpgewaspercelen_definitief_2023.gpkg", 100, "0.0004 0.06 5.4"),
    ("at", "inspire_schlaege_2025-1_polygon.gpkg.zip", 100, "0.0062 0.28 4.0"),
    ("at_block", "inspire_referenzen_2021_polygon.gpkg.zip", 100, "0.0057 0.08 6.3"),
    ("de_sh", "Feldbloecke_2026_GPKG.zip", 100, "0.1335 3.11 31.1"),
    ("jp", "jp_field_polygons_2024.parquet", 100, "0.0153 0.38 11.0"),
    ("ie", "GSAA_2024.zip", 100, "0.2082 2.67 12.9"),
    ("fi", "LandUse.ExistingLandUse.GSAAAgriculturalParcel.gpkg", 100, "0.0557 1.64 16.3"),
    ("se", "se2023.zip", 10, "0.0951 0.42 10.5"),
    ("nz", "irrigated-land-area-raw-2020-update.zip", 100, "0.2265 4.06 132.2"),
    ("br_ba_lem", "LEM_dataset.zip", 100, "3.4066 79.88 577.3"),
    ("cz", "cz_original.zip", 100, "0.0092 2.08 28.4"),
    ("ai4sf", "4_cambodia_areas.gpkg", 100, "0.0925 0.69 2.8"),
    ("ai4sf", "1_vietnam_areas.gpkg", 100, "0.0221 0.48 1.8"),
    ("us_usda_csb", "usda_csb_2017_2024_sample_epsg5070.gpkg", 100, "1.08 3.62 130.2"),
]


def a_box(west=-76.5, south=42.44, width=0.002, height=0.0015) -> Polygon:
    return shapely.box(west, south, west + width, south + height)


def a_file(folder: Path, geometries, crs=4326, name="fields.gpkg", **columns) -> Path:
    frame = gpd.GeoDataFrame(columns, geometry=list(geometries), crs=crs)
    frame.to_file(folder / name, engine="pyogrio")
    return folder / name


def read(path: Path, **settings):
    report = ImportReport()
    return read_blocks(path, path.name, report, **settings), report


def fates(report: ImportReport) -> dict[str, set[Fate]]:
    out: dict[str, set[Fate]] = {}
    for finding in report.findings:
        out.setdefault(finding.place.split("(")[-1].rstrip(")"), set()).add(finding.fate)
    return out


def geographiclib_m2(geometry) -> float:
    """The same area by another library, written by another hand than PROJ's port of it."""

    def ring_m2(ring) -> float:
        polygon = Geodesic.WGS84.Polygon()
        for lon, lat in list(ring.coords)[:-1]:
            polygon.AddPoint(lat, lon)
        return abs(polygon.Compute(False, True)[2])

    parts = geometry.geoms if geometry.geom_type == "MultiPolygon" else [geometry]
    return sum(ring_m2(p.exterior) - sum(ring_m2(h) for h in p.interiors) for p in parts)


# --- area --------------------------------------------------------------------------------------


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_area_agrees_with_the_check(check):
    corners = [tuple(map(float, corner.split())) for corner in check["corners_lat_lon"].split(";")]
    outline = Polygon([(lon, lat) for lat, lon in corners])
    assert geodesic_area_m2(outline) == pytest.approx(float(check["area_m2"]), abs=float(check["tolerance_m2"]), rel=0)


@given(
    west=st.floats(-179, 178),
    south=st.floats(-70, 70),
    width=st.floats(1e-4, 0.05),
    height=st.floats(1e-4, 0.05),
    skew=st.floats(-0.02, 0.02),
)
def test_area_of_any_field_agrees_with_geographiclib(west, south, width, height, skew):
    outline = Polygon(
        [(west, south), (west + width, south), (west + width + skew, south + height), (west + skew, south + height)]
    )
    assert geodesic_area_m2(outline) == pytest.approx(geographiclib_m2(outline), rel=1e-9, abs=1e-3)


def test_area_does_not_depend_on_how_rings_are_drawn():
    shell, hole = a_box(width=0.004, height=0.004), a_box(-76.499, 42.441, 0.001, 0.001)
    areas = [
        geodesic_area_m2(Polygon(outer, [inner]))
        for outer in (shell.exterior.coords, shell.exterior.coords[::-1])
        for inner in (hole.exterior.coords, hole.exterior.coords[::-1])
    ]
    assert areas == pytest.approx([geodesic_area_m2(shell) - geodesic_area_m2(hole)] * 4, rel=1e-12)


@pytest.mark.parametrize("crs", [4326, 4269, 32618, 2261, 5070, 3857])
def test_a_field_has_the_same_area_in_any_crs(tmp_path, crs):
    path = a_file(tmp_path, gpd.GeoSeries([a_box()], crs=4326).to_crs(crs), crs, block=["A"])
    blocks, _ = read(path)
    assert blocks["area_gross_m2"].iloc[0] == pytest.approx(27_418.301915, abs=0.001)
    assert blocks["area_sown_m2"].equals(blocks["area_gross_m2"])


# --- awkward outlines --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def awkward():
    return read(AWKWARD)


@pytest.mark.parametrize(
    ("name", "used", "fate", "words"),
    [
        ("bowtie", False, Fate.REVIEW, "crosses itself near 42.4510 N, 76.4990 W"),
        ("hole", True, None, ""),
        ("hole_touching_shell", True, Fate.REPAIRED, "touches itself"),
        ("sliver", True, Fate.USED, "very narrow, about 0.5 m wide"),
        ("multi", True, Fate.USED, "has 2 parts"),
        ("multi_overlapping", False, Fate.REVIEW, "another number of parts (1 for 2), 146,205 m²"),
        ("clockwise", True, None, ""),
        ("three_d", True, None, ""),
        ("repeated_vertices", True, None, ""),
        ("spike", True, Fate.REPAIRED, "touches itself"),
        ("empty_polygon", False, Fate.SKIPPED, "geometry is empty"),
        ("null_geometry", False, Fate.SKIPPED, "has no geometry"),
        ("point_not_polygon", False, Fate.SKIPPED, "is a point, not a polygon"),
        ("collection", True, Fate.REPAIRED, "lines beside the polygon are left out"),
        ("duplicate_a", True, None, ""),
        ("duplicate_b", False, Fate.REVIEW, "same outline as duplicate_a"),
        ("overlap_a", True, Fate.USED, "overlaps overlap_b by 27,4"),
        ("overlap_b", True, None, ""),
        ("swapped_axes", False, Fate.REVIEW, "latitude seems to stand before longitude"),
    ],
)
def test_each_awkward_outline_meets_its_fate(awkward, name, used, fate, words):
    blocks, report = awkward
    findings = [f for f in report.findings if f.place.endswith(f"({name})")]
    assert (name in set(blocks["block_id"])) == used
    assert [f.fate for f in findings] == ([fate] if fate else [])
    assert all(words in f.what for f in findings)


def test_awkward_rows_read_are_used_or_reported(awkward):
    blocks, report = awkward
    assert report.rows_read == {AWKWARD.name: 19}
    assert report.rows_used == {AWKWARD.name: len(blocks)} == {AWKWARD.name: 12}
    assert report.lost(AWKWARD.name) == 0


def test_heights_are_one_assumption_not_a_finding_each(awkward):
    _, report = awkward
    assert f"{AWKWARD.name}: heights of 1 outlines are left out; areas are those of the map." in report.assumptions


def test_blocks_are_in_file_order_anticlockwise_and_valid(awkward):
    blocks, _ = awkward
    order = [f["properties"]["id"] for f in json.loads(AWKWARD.read_text())["features"]]
    assert list(blocks["block_id"]) == [name for name in order if name in set(blocks["block_id"])]
    parts = blocks.geometry.explode(index_parts=False)
    assert blocks.geometry.is_valid.all()
    assert shapely.is_ccw(shapely.get_exterior_ring(parts.values)).all()
    assert not blocks.geometry.has_z.any()
    assert blocks.crs.to_epsg() == 4326


def test_areas_of_awkward_blocks_agree_with_geographiclib(awkward):
    blocks, _ = awkward
    expected = [geographiclib_m2(g) for g in blocks.geometry]
    assert blocks["area_gross_m2"].to_list() == pytest.approx(expected, rel=1e-9, abs=0.001)


def test_a_hole_is_not_sown(awkward):
    blocks, _ = awkward
    area = blocks.set_index("block_id")["area_gross_m2"]
    assert area["hole"] == pytest.approx(15 / 16 * 146_205, rel=1e-3)
    assert area["hole_touching_shell"] == pytest.approx(area["hole"], rel=1e-6)


def test_repairs_are_reported_with_area_before_and_after(awkward):
    _, report = awkward
    repaired = [f for f in report.findings if "touches itself" in f.what or "crosses itself" in f.what]
    assert len(repaired) == 4
    assert all(f.area_before_m2 > 0 and f.area_after_m2 > 0 for f in repaired)


def test_large_repairs_are_used_once_accepted():
    blocks, report = read(AWKWARD, accept_repairs=True)
    area = blocks.set_index("block_id")["area_gross_m2"]
    assert area["bowtie"] == pytest.approx(18_275.92, abs=0.01)  # both halves
    assert area["multi_overlapping"] == pytest.approx(2 * 82_241 - 18_276, rel=1e-4)  # the shared ground once
    assert fates(report)["bowtie"] == {Fate.REPAIRED}
    assert report.lost(AWKWARD.name) == 0


def test_a_hole_that_pokes_out_needs_review(tmp_path):
    shell = [(0, 0), (100, 0), (100, 100), (0, 100), (0, 0)]
    hole = [(50, 50), (130, 50), (130, 60), (50, 60), (50, 50)]
    path = a_file(
        tmp_path, [Polygon(np.add(shell, 5e5), [np.add(hole, 5e5)]), shapely.box(4e5, 5e5, 4.1e5, 5.1e5)], 32618
    )
    blocks, report = read(path)
    assert list(blocks["block_id"]) == ["2"]
    assert fates(report)["1"] == {Fate.REVIEW}


def test_a_small_loop_at_a_corner_is_repaired(tmp_path):
    ring = [(0, 0), (200, 0), (200, 200), (100, 200), (99.5, 200.5), (100.5, 200.5), (100, 200), (0, 200), (0, 0)]
    blocks, report = read(a_file(tmp_path, [Polygon(np.add(ring, 5e5))], 32618, block=["A"]))
    (finding,) = report.findings
    assert finding.fate is Fate.REPAIRED
    assert finding.area_after_m2 == pytest.approx(finding.area_before_m2, abs=0.5)
    assert blocks.geometry.iloc[0].geom_type == "Polygon"


def test_a_block_inside_another_is_said_to_count_twice(tmp_path):
    path = a_file(tmp_path, [a_box(), a_box(width=0.001)], block=["Home", "Home west"])
    blocks, report = read(path)
    assert len(blocks) == 2
    assert [(f.what, f.offer) for f in report.findings] == [
        (
            "lies inside Home; where both are planned, that ground is counted twice. Leave one of the two out, or cut "
            "it from Home",
            "cut_overlap",
        )
    ]


def test_a_shared_hedge_drawn_twice_is_no_overlap(tmp_path):
    boxes = [shapely.box(5e5, 5e6, 5e5 + 100, 5e6 + 200), shapely.box(5e5 + 99.6, 5e6, 5e5 + 200, 5e6 + 200)]
    _, report = read(a_file(tmp_path, boxes, 32618, block=["A", "B"]))
    assert report.findings == []


# --- national data sets ------------------------------------------------------------------------


@pytest.mark.real
@pytest.mark.parametrize(
    ("folder", "name", "rows", "hectares"), NATIONAL, ids=lambda v: v if isinstance(v, str) else ""
)
def test_a_national_data_set_is_read_and_accounted_for(shared_data, folder, name, rows, hectares):
    blocks, report = read(shared_data / "data" / "field_boundaries" / folder / name)
    assert report.rows_read[name] == rows
    assert report.rows_used[name] == len(blocks)
    assert report.lost(name) == 0
    area = blocks["area_gross_m2"]
    assert area.to_list() == pytest.approx([geographiclib_m2(g) for g in blocks.geometry], rel=1e-8, abs=0.001)
    for found_ha, printed in zip(
        (area.min() / 1e4, area.median() / 1e4, area.max() / 1e4), hectares.split(), strict=True
    ):
        last_digit = 10.0 ** -len(printed.partition(".")[2])
        assert found_ha == pytest.approx(float(printed), abs=0.51 * last_digit)


@pytest.mark.real
def test_the_touching_rings_of_crop_sequence_boundaries_keep_their_area(shared_data):
    blocks, report = read(shared_data / "data/field_boundaries/us_usda_csb/usda_csb_2017_2024_sample_epsg5070.gpkg")
    repaired = [f for f in report.findings if f.fate is Fate.REPAIRED]
    assert len(repaired) == 4
    assert all(f.area_after_m2 == pytest.approx(f.area_before_m2, abs=0.01) for f in repaired)
    assert len(blocks) == 100


# --- files of many kinds -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["fields.gpkg", "fields.geojson", "fields.shp", "fields.kml", "fields.fgb", "fields.gml"]
)
def test_a_block_keeps_name_and_ground_in_any_format(tmp_path, name):
    # KML calls its name column Name
    path = a_file(tmp_path, [a_box(), a_box(-76.49)], name=name, Name=["River 3", "River 4"])
    before = sorted(p.name for p in tmp_path.iterdir())
    blocks, report = read(path)
    west_first = blocks.iloc[blocks.geometry.bounds["minx"].argsort()]  # one format orders rows by place
    assert list(west_first["block_id"]) == ["River 3", "River 4"]
    assert blocks["area_gross_m2"].to_list() == pytest.approx([27_418.3] * 2, abs=0.1)
    assert report.lost(name) == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == before  # nothing is written beside the input


def test_a_csv_with_outlines_as_text_needs_its_crs(tmp_path):
    path = tmp_path / "fields.csv"
    path.write_text(f'block;geometry\n01;"{a_box().wkt}"\n', encoding="utf-8")
    with pytest.raises(InputProblem, match=r'does not say which coordinate reference system.*crs = "EPSG:\.\.\."'):
        read(path)
    blocks, _ = read(path, crs="EPSG:4326")
    assert list(blocks["block_id"]) == ["01"]


@pytest.mark.parametrize("inner", ["a/b/fields.gpkg", "fields.dat", "fields"])
def test_a_zipped_file_is_found_whatever_it_is_called(tmp_path, inner):
    source = a_file(tmp_path, [a_box()], block=["A"])
    with zipfile.ZipFile(tmp_path / "parcels.download", "w") as packed:
        packed.write(source, inner)
        packed.writestr("read me.txt", "hello")
    blocks, _ = read(tmp_path / "parcels.download")
    assert list(blocks["block_id"]) == ["A"]


def test_a_zip_that_climbs_out_of_its_folder_is_refused(tmp_path):
    source = a_file(tmp_path, [a_box()], block=["A"])
    with zipfile.ZipFile(tmp_path / "fields.zip", "w") as packed:
        packed.write(source, "../fields.gpkg")
    with pytest.raises(InputProblem, match="unsafe name"):
        read(tmp_path / "fields.zip")


def test_a_zip_without_polygons_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "fields.zip", "w") as packed:
        packed.writestr("read me.txt", "hello")
    with pytest.raises(InputProblem, match=r"fields.zip: the zip holds no polygon file\. Unpack it"):
        read(tmp_path / "fields.zip")


def test_a_zip_with_two_files_lists_them(tmp_path):
    source = a_file(tmp_path, [a_box()], block=["A"])
    with zipfile.ZipFile(tmp_path / "fields.zip", "w") as packed:
        packed.write(source, "old.gpkg")
        packed.write(source, "new.gpkg")
    with pytest.raises(InputProblem, match=r"several polygon files: new\.gpkg, old\.gpkg"):
        read(tmp_path / "fields.zip")


def test_two_layers_with_polygons_ask_which(tmp_path):
    path = tmp_path / "farm.gpkg"
    for layer in ("fields", "blocks"):
        gpd.GeoDataFrame({"block": ["A"]}, geometry=[a_box()], crs=4326).to_file(path, layer=layer)
    gpd.GeoDataFrame(geometry=[a_box().centroid], crs=4326).to_file(path, layer="wells")
    with pytest.raises(InputProblem, match=r"2 layers hold polygons: fields, blocks\. Say which one"):
        read(path)
    with pytest.raises(InputProblem, match="no layer 'beds'"):
        read(path, layer="beds")
    blocks, _ = read(path, layer="blocks")
    assert len(blocks) == 1


# --- bad files ---------------------------------------------------------------------------------


def test_an_unclosed_ring_is_named_and_its_closing_offered():
    """The ring is a box less its last edge; GeographicLib has its area. The bow-tie beside it is no better."""
    with pytest.raises(InputProblem) as caught:
        read(UNCLOSED)
    assert caught.value.sentence.startswith(
        "awkward_made_up_unclosed_ring.geojson, row 1 (unclosed): the outline is not closed, its last corner differs "
        "from the first; closed with a straight line it would hold 82,2"
    )
    blocks, report = read(UNCLOSED, repairs=Repairs(accept=frozenset({"unclosed"})))
    assert blocks["block_id"].tolist() == ["unclosed"]
    ring = Geodesic.WGS84.Polygon()
    for lon, lat in ((-76.42, 42.45), (-76.417, 42.45), (-76.417, 42.453), (-76.42, 42.453)):
        ring.AddPoint(lat, lon)
    assert blocks["area_gross_m2"][0] == pytest.approx(abs(ring.Compute(False, True)[2]), rel=1e-9)
    assert report.lost(UNCLOSED.name) == 0
    assert [f.fate for f in report.findings] == [Fate.REPAIRED, Fate.REVIEW]


def test_one_unclosed_ring_does_not_cost_the_whole_file(tmp_path):
    features = json.loads(UNCLOSED.read_text(encoding="utf-8"))["features"][:1]
    box = [[-76.5, 42.45], [-76.49, 42.45], [-76.49, 42.46], [-76.5, 42.46], [-76.5, 42.45]]
    whole = {"type": "Feature", "properties": {"id": "whole"}, "geometry": {"type": "Polygon", "coordinates": [box]}}
    path = tmp_path / "fields.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [*features, whole]}), encoding="utf-8")
    blocks, report = read(path)
    assert blocks["block_id"].tolist() == ["whole"]
    assert report.lost(path.name) == 0
    assert [(f.fate, f.offer) for f in report.findings] == [(Fate.REVIEW, "accept")]
    assert blocks.attrs["set_aside"] == ["unclosed"]


@pytest.mark.parametrize("content", ['{"type":"FeatureCollection","features":[]}', "{", "hello", ""])
def test_a_file_without_polygons_is_refused_in_one_sentence(tmp_path, content):
    path = tmp_path / "fields.geojson"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(
        InputProblem,
        match=r"^fields\.geojson: (holds no polygons|is not a polygon file|is empty|ends in \.geojson, but)",
    ):
        read(path)


def test_points_alone_are_no_farm(tmp_path):
    with pytest.raises(InputProblem, match="holds no polygons"):
        read(a_file(tmp_path, [a_box().centroid]))


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(InputProblem, match=r"^none\.gpkg: there is no such file"):
        read(tmp_path / "none.gpkg")


def test_an_unknown_crs_is_named(tmp_path):
    with pytest.raises(InputProblem, match="the CRS 'EPSG:999999' given for it is not known"):
        read(a_file(tmp_path, [a_box()]), crs="EPSG:999999")


def test_a_shapefile_without_projection_asks_for_it(tmp_path):
    path = a_file(tmp_path, gpd.GeoSeries([a_box()], crs=4326).to_crs(32618), 32618, "fields.shp", block=["A"])
    path.with_suffix(".prj").unlink()
    with pytest.raises(InputProblem, match="does not say which coordinate reference system"):
        read(path)
    blocks, _ = read(path, crs="32618")
    assert blocks["area_gross_m2"].iloc[0] == pytest.approx(27_418.302, abs=0.01)


def test_a_shapefile_without_its_index_says_what_to_copy(tmp_path):
    path = a_file(tmp_path, [a_box()], name="fields.shp", block=["A"])
    path.with_suffix(".shx").unlink()
    with pytest.raises(InputProblem, match=r"the \.shx file of this shapefile is missing\. Copy all its parts"):
        read(path)


def test_metres_taken_for_degrees_are_refused(tmp_path):
    boxes = [shapely.box(376000, 4700000, 376200, 4700200)]
    path = a_file(tmp_path, boxes, 4326, "fields.geojson", block=["A"])
    with pytest.raises(InputProblem, match=r"row 1: 376200, 4700200 is not a longitude and latitude.*give their CRS"):
        read(path)
    blocks, report = read(path, crs="EPSG:32618")
    assert blocks["area_gross_m2"].iloc[0] == pytest.approx(40_000, rel=1e-3)
    assert any("are taken as WGS 84 / UTM zone 18N" in a for a in report.assumptions)


def swapped(outline: Polygon) -> Polygon:
    return shapely.transform(outline, lambda xy: xy[:, ::-1])


def test_a_whole_file_with_latitude_first_asks(tmp_path):
    boxes = [swapped(a_box()), swapped(a_box(-76.49))]
    with pytest.raises(InputProblem, match="where nothing grows; latitude seems to stand before longitude"):
        read(a_file(tmp_path, boxes, block=["A", "B"]))
    beyond = [swapped(a_box(-98.0)), swapped(a_box(-98.1))]
    with pytest.raises(InputProblem, match=r"row 1: latitude .* lies beyond the pole.*; row 2: .*Put longitude first"):
        read(a_file(tmp_path, beyond, name="more.gpkg", block=["A", "B"]))


def test_block_names_that_differ_only_in_blanks_and_capitals_are_refused_in_one_go(tmp_path):
    boxes = [a_box(-76.5 + 0.01 * i) for i in range(4)]
    path = a_file(tmp_path, boxes, block=["River 3", "river3 ", "Hill", "Hill"])
    with pytest.raises(InputProblem) as caught:
        read(path)
    assert "row 2 (river3): but for capitals and blanks the same name as row 1 (River 3)" in caught.value.sentence
    assert "row 4 (Hill): the same name as row 3 (Hill)" in caught.value.sentence


def test_a_block_without_a_name_is_refused(tmp_path):
    with pytest.raises(InputProblem, match="row 2: the block has no name"):
        read(a_file(tmp_path, [a_box(), a_box(-76.49)], block=["A", None]))


def test_a_missing_name_column_lists_those_there(tmp_path):
    with pytest.raises(InputProblem, match=r"no column 'plot'\. Its columns are block, crop; correct block_column"):
        read(a_file(tmp_path, [a_box()], block=["A"], crop=["x"]), block_column="plot")


def test_blocks_without_names_are_numbered(tmp_path):
    blocks, report = read(a_file(tmp_path, [a_box(), a_box(-76.49)], crop=["x", "y"]))
    assert list(blocks["block_id"]) == ["1", "2"]
    assert "numbered in the order of the file" in report.assumptions[0]


def test_whole_numbers_as_names_lose_no_sense(tmp_path):
    blocks, _ = read(
        a_file(tmp_path, [a_box(), a_box(-76.49)], ID=[7.0, 12.0], Field=["North", None]), block_column="id"
    )
    assert list(blocks["block_id"]) == ["7", "12"]
    assert list(blocks["field"]) == ["North", "12"]


def test_a_file_of_which_nothing_can_be_used_says_why(tmp_path):
    bowtie = Polygon([(0, 0), (0.002, 0.002), (0.002, 0), (0, 0.002), (0, 0)])
    with pytest.raises(InputProblem, match=r"row 1 \(A\): the outline crosses itself near .*none of them can be used"):
        read(a_file(tmp_path, [bowtie], block=["A"]))


def test_multipart_blocks_stay_one_block(tmp_path):
    parts = MultiPolygon([a_box(), a_box(-76.49)])
    blocks, _ = read(a_file(tmp_path, [parts], block=["A"]))
    assert blocks["area_gross_m2"].iloc[0] == pytest.approx(2 * 27_418.301915, abs=0.001)
