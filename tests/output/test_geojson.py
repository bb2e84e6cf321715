import json

import geojson
import pyogrio
import pytest
import shapely
from shapely.geometry import Polygon

from greengap.farm.fields import geodesic_area_m2
from greengap.output.geojson import plan_features, rounded_polygon, write_geojson


@pytest.fixture(scope="module")
def written(sample_plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("plan") / "plan.geojson"
    write_geojson(sample_plan, path)
    return path


def test_an_independent_reader_finds_it_valid(written):
    collection = geojson.loads(written.read_text(encoding="utf-8"))
    assert collection.is_valid, collection.errors()
    assert len(collection["features"]) > 0


def test_it_keeps_the_obligations_of_rfc_7946(written):
    collection = json.loads(written.read_text(encoding="utf-8"))
    assert "crs" not in collection  # section 4
    west, south, east, north = collection["bbox"]  # section 5: south-west corner first
    assert west < east
    assert south < north
    assert "features" not in collection["plan"]  # section 7.1
    for feature in collection["features"]:
        assert isinstance(feature["id"], str)
        shape = feature["geometry"]
        polygons = [shape["coordinates"]] if shape["type"] == "Polygon" else shape["coordinates"]
        for rings in polygons:
            for number, ring in enumerate(rings):
                assert ring[0] == ring[-1]
                assert len(ring) >= 4
                assert all(len(position) == 2 for position in ring)
                turns_left = shapely.LinearRing(ring).is_ccw
                assert turns_left == (number == 0)  # section 3.1.6: right-hand rule


def test_gdal_reads_every_feature_in_wgs84(written, sample_plan):
    table = pyogrio.read_dataframe(written)
    assert len(table) == len(sample_plan.gaps)
    assert table.crs.to_epsg() == 4326
    assert set(table["gap_id"]) == set(sample_plan.gaps["gap_id"])


def test_outlines_keep_their_area_to_the_square_metre(sample_plan):
    for feature in plan_features(sample_plan)["features"]:
        area = geodesic_area_m2(shapely.geometry.shape(feature["geometry"]))
        assert area == pytest.approx(feature["properties"]["area_gross_m2"], abs=max(1.0, 1e-4 * area))


def test_seed_adds_up_to_the_order_to_the_gram(written, sample_plan):
    collection = json.loads(written.read_text(encoding="utf-8"))
    total = {}
    for feature in collection["features"]:
        parts = feature["properties"]["components"]
        assert sum(c["seed_g"] for c in parts) == feature["properties"]["seed_g"]
        for component in parts:
            total[component["species"]] = total.get(component["species"], 0) + component["seed_g"]
    assert total == sample_plan.seed_order.groupby("species")["seed_g"].sum().to_dict()


def test_a_thin_polygon_gets_more_digits_instead_of_collapsing():
    thin = Polygon([(6.0, 45.0), (6.001, 45.0), (6.001, 45.00000004), (6.0, 45.00000004)])
    shape = shapely.geometry.shape(rounded_polygon(thin))
    assert shape.is_valid
    assert shape.area > 0
