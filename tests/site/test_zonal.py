"""Zonal summaries against areas cut by shapely, a library that knows nothing of rasters."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import Affine
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Point, Polygon, box

from greengap.errors import InputProblem
from greengap.site import zonal

UTM, LAEA = "EPSG:32618", "EPSG:3035"
WEST, NORTH, CELL = 400_000.0, 4_700_000.0, 10.0


def write(path: Path, cells: np.ndarray, transform: Affine | None = None, crs: str | None = UTM, **more) -> Path:
    transform = transform or Affine(CELL, 0, WEST, 0, -CELL, NORTH)
    bands = cells if cells.ndim == 3 else cells[None]
    shape = {"count": bands.shape[0], "height": bands.shape[1], "width": bands.shape[2], "dtype": cells.dtype}
    with rasterio.open(path, "w", driver="GTiff", transform=transform, crs=crs, **shape, **more) as out:
        out.write(bands)
    return path


def shapes() -> list:
    ring = Point(WEST + 150, NORTH - 140).buffer(93).difference(Point(WEST + 160, NORTH - 150).buffer(41))
    two = MultiPolygon(
        [box(WEST + 20.5, NORTH - 61.2, WEST + 57, NORTH - 22), Point(WEST + 260, NORTH - 55).buffer(23)]
    )
    tiny = box(WEST + 41.3, NORTH - 88.9, WEST + 41.9, NORTH - 88.2)
    speck = translate(Point(0, 0).buffer(0.05), WEST + 130.02, NORTH - 30.01)
    sliver = Polygon([(WEST + 5, NORTH - 5), (WEST + 281, NORTH - 271), (WEST + 280.6, NORTH - 272)])
    return [ring, two, tiny, speck, sliver]


def blocks_of(geometries: list, crs: str = UTM) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"block_id": [f"B{i}" for i in range(len(geometries))]}, geometry=geometries, crs=crs)


def by_cutting(geometry, cells: np.ndarray, transform: Affine) -> tuple[float, float]:
    """Mean and covered share, cell by cell with shapely."""
    rows, columns = np.indices(cells.shape)
    x, y = transform.c + transform.a * columns, transform.f + transform.e * rows
    areas = shapely.area(shapely.intersection(shapely.box(x, y + transform.e, x + transform.a, y), geometry))
    valid = np.isfinite(cells)
    covered = areas[valid].sum()
    mean = (areas[valid] * cells[valid]).sum() / covered if covered else np.nan
    return mean, covered / geometry.area


@pytest.fixture
def cells() -> np.ndarray:
    return np.random.default_rng(7).normal(20.0, 6.0, (30, 32))


def test_means_equal_the_areas_that_shapely_cuts(tmp_path, cells):
    transform = Affine(CELL, 0, WEST, 0, -CELL, NORTH)
    cells[10:14, 12:20] = np.nan
    path = write(tmp_path / "clay.tif", np.where(np.isnan(cells), -9.0, cells), nodata=-9.0)
    found = zonal.zonal_means(blocks_of(shapes()), {"clay": path})
    for row, geometry in zip(found.itertuples(), shapes(), strict=True):
        mean, covered = by_cutting(geometry, cells, transform)
        assert row.clay == pytest.approx(mean, rel=1e-6)
        assert row.clay_covered_fraction == pytest.approx(covered, rel=1e-6)


def test_a_block_in_another_crs_is_taken_to_the_raster(tmp_path, cells):
    blocks = blocks_of(shapes()).to_crs(LAEA)
    path = write(tmp_path / "clay.tif", cells)
    found = zonal.zonal_means(blocks, {"clay": path})
    for mean, geometry in zip(found["clay"], blocks.to_crs(UTM).geometry, strict=True):
        assert mean == pytest.approx(by_cutting(geometry, cells, Affine(CELL, 0, WEST, 0, -CELL, NORTH))[0], rel=1e-6)


def test_a_raster_stored_south_up_gives_the_same_means(tmp_path, cells):
    north_up = write(tmp_path / "n.tif", cells)
    upside = Affine(CELL, 0, WEST, 0, CELL, NORTH - CELL * cells.shape[0])
    south_up = write(tmp_path / "s.tif", cells[::-1].copy(), upside)
    found = zonal.zonal_means(blocks_of(shapes()), {"n": north_up, "s": south_up})
    np.testing.assert_allclose(found["n"], found["s"], rtol=1e-9)


def test_large_windows_are_read_in_parts_without_changing_the_answer(tmp_path, cells, monkeypatch):
    path = write(tmp_path / "clay.tif", cells)
    whole = zonal.zonal_means(blocks_of(shapes()), {"clay": path})
    monkeypatch.setattr(zonal, "MOST_CELLS", 50)
    np.testing.assert_allclose(zonal.zonal_means(blocks_of(shapes()), {"clay": path})["clay"], whole["clay"], rtol=1e-9)


def test_scale_and_offset_of_the_band_are_applied(tmp_path):
    path = write(tmp_path / "ph.tif", np.full((30, 32), 65, "int16"))
    with rasterio.open(path, "r+") as edit:
        edit.scales = (0.1,)
    assert zonal.zonal_means(blocks_of(shapes()), {"ph": path})["ph"].to_numpy() == pytest.approx(6.5)


def test_a_raster_that_covers_half_a_block_says_so_and_one_off_the_raster_is_empty(tmp_path):
    path = write(tmp_path / "clay.tif", np.full((30, 32), 25.0))
    half, off = box(WEST - 50, NORTH - 100, WEST + 50, NORTH - 50), box(WEST - 900, NORTH - 100, WEST - 800, NORTH - 50)
    found = zonal.zonal_means(blocks_of([half, off]), {"clay": path})
    assert found["clay"][0] == 25.0
    assert found["clay_covered_fraction"].tolist() == pytest.approx([0.5, 0.0])
    assert np.isnan(found["clay"][1])


def test_class_shares_equal_the_areas_that_shapely_cuts_and_add_up_to_one(tmp_path):
    transform = Affine(CELL, 0, WEST, 0, -CELL, NORTH)
    numbers = np.random.default_rng(3).integers(1, 4, (30, 32)).astype("uint8")
    numbers[0:4, 0:4] = 0
    path = write(tmp_path / "drainage.tif", numbers, nodata=0)
    found, covered = zonal.class_shares(blocks_of(shapes()), path, {1: "a", 2: "b", 3: "c"})
    assert found.groupby("block_id")["share_fraction"].sum().to_numpy() == pytest.approx(1.0, rel=1e-6)
    for block_id, geometry in zip(covered.index, shapes(), strict=True):
        valid = by_cutting(geometry, np.where(numbers == 0, np.nan, 1.0), transform)[1]
        assert covered[block_id] == pytest.approx(valid, rel=1e-6)
        for number, name in ((1, "a"), (2, "b"), (3, "c")):
            expected = by_cutting(geometry, np.where(numbers == 0, np.nan, numbers == number), transform)[0]
            here = found[(found["block_id"] == block_id) & (found["class_name"] == name)]["share_fraction"].sum()
            assert here == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_map_unit_keys_of_a_real_raster_come_back_as_shares(shared_data):
    path = shared_data / "data/soil/gssurgo_il/gssurgo_mukey_il_10m.tif"
    with rasterio.open(path) as source:
        west, south, east, north = source.bounds
        crs = source.crs.to_wkt()
    block = box(west + 333, south + 333, east - 333, north - 333)
    found, covered = zonal.class_shares(blocks_of([block], crs), path)
    assert found["share_fraction"].sum() == pytest.approx(1.0, rel=1e-6)
    assert set(found["class_name"].astype(int)) <= set(range(188674, 188744))
    assert 0 < covered["B0"] <= 1


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: write(p, np.ones((30, 32)), crs=None), "no coordinate reference system"),
        (lambda p: write(p, np.ones((2, 30, 32))), "2 bands"),
        (lambda p: write(p, np.ones((30, 32)), Affine(9, 3, WEST, 3, -9, NORTH)), "rotated"),
        (lambda p: write(p, np.full((30, 32), -1.0), nodata=-1.0), "no value under any block"),
        (lambda p: write(p, np.ones((30, 32)), Affine(CELL, 0, WEST + 9000, 0, -CELL, NORTH)), "misses the farm"),
        (lambda p: p.write_text("not a raster") and p, "cannot be read"),
        (lambda p: p, "cannot be read"),
    ],
)
def test_a_raster_that_cannot_be_used_is_named_with_its_reason(tmp_path, make, words):
    path = make(tmp_path / "clay.tif")
    with pytest.raises(InputProblem, match=words) as caught:
        zonal.zonal_means(blocks_of(shapes()), {"clay": path}, lambda p: p.name)
    assert caught.value.sentence.startswith("clay.tif: ")


def test_a_raster_that_misses_the_farm_tells_both_places_in_degrees(tmp_path):
    path = write(tmp_path / "clay.tif", np.ones((30, 32)), Affine(CELL, 0, WEST + 90_000, 0, -CELL, NORTH))
    with pytest.raises(InputProblem, match=r"covers -7\d\.\d{3} to .* N, the farm -7\d\.\d{3} to"):
        zonal.zonal_means(blocks_of(shapes()), {"clay": path})


def test_a_class_without_a_name_is_refused(tmp_path):
    path = write(tmp_path / "drainage.tif", np.full((30, 32), 4, "uint8"))
    with pytest.raises(InputProblem, match="class 4 has no name; named are 1, 2"):
        zonal.class_shares(blocks_of(shapes()), path, {1: "a", 2: "b"})


def test_a_raster_that_would_fit_swapped_blocks_says_so_and_another_does_not(tmp_path):
    farm = blocks_of([box(47.1, 15.4, 47.11, 15.41)], "EPSG:4326")  # Graz with its latitude first
    degrees = write(tmp_path / "d.tif", np.ones((30, 32)), Affine(0.01, 0, 15.3, 0, -0.01, 47.2), "EPSG:4326")
    with pytest.raises(InputProblem, match=r"with longitude and latitude swapped it would fit\. Check the axis order"):
        zonal.zonal_means(farm, {"clay": degrees})
    projected = write(tmp_path / "p.tif", np.ones((30, 32)), Affine(100, 0, 530_000, 0, -100, 5_218_000), "EPSG:32633")
    with pytest.raises(InputProblem, match=r"the farm 47\.100 to .* swapped it would fit"):
        zonal.zonal_means(farm, {"clay": projected})
    elsewhere = write(tmp_path / "e.tif", np.ones((30, 32)))
    with pytest.raises(InputProblem, match="misses the farm") as caught:
        zonal.zonal_means(farm, {"clay": elsewhere})
    assert "swapped" not in caught.value.sentence
