"""Fixes of outlines are offered, and made only where the farm names the block."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from greengap import read_farm
from greengap.errors import Fate, ImportReport, InputProblem
from greengap.farm.fields import read_blocks
from greengap.farm.outlines import MOST_CORNERS
from greengap.farm.settings import Repairs

SAMPLE = Path(__file__).resolve().parents[2] / "sample_fields"
AWKWARD = Path(__file__).parent / "data" / "awkward_made_up.geojson"


def read(path: Path, **repairs: list[str]):
    report = ImportReport()
    wanted = Repairs(**{key: frozenset(names) for key, names in repairs.items()})
    return read_blocks(path, path.name, report, repairs=wanted), report


def geographiclib_m2(outline: shapely.Polygon) -> float:
    """Area by GeographicLib, the reference implementation of geodesic areas."""
    total = 0.0
    for part in getattr(outline, "geoms", [outline]):
        for sign, rings in ((1, [part.exterior]), (-1, part.interiors)):
            for ring in rings:
                polygon = Geodesic.WGS84.Polygon()
                for lon, lat in list(ring.coords)[:-1]:
                    polygon.AddPoint(lat, lon)
                total += sign * abs(polygon.Compute(False, True)[2])
    return total


def finding(report: ImportReport, name: str):
    return next(f for f in report.findings if f.place.endswith(f"({name})"))


@pytest.fixture(scope="module")
def unasked():
    return read(AWKWARD)


@pytest.mark.parametrize(
    ("name", "offer"),
    [
        ("bowtie", "accept"),
        ("multi_overlapping", "accept"),
        ("duplicate_b", "leave_out"),
        ("overlap_a", "cut_overlap"),
        ("sliver", "leave_out"),
        ("swapped_axes", "swap_axes"),
    ],
)
def test_each_fault_names_the_fix_that_is_offered(unasked, name, offer):
    assert finding(unasked[1], name).offer == offer


def test_an_accepted_repair_is_used_and_reported_with_both_areas(unasked):
    assert "bowtie" not in set(unasked[0]["block_id"])
    blocks, report = read(AWKWARD, accept=["bowtie"])
    found = finding(report, "bowtie")
    assert found.fate is Fate.REPAIRED
    outline = blocks.set_index("block_id").geometry["bowtie"]
    assert found.area_after_m2 == pytest.approx(geographiclib_m2(outline), rel=1e-8)
    assert "multi_overlapping" not in set(blocks["block_id"])  # only the one that was named


def test_cutting_an_overlap_takes_exactly_the_shared_ground(unasked):
    before = unasked[0].set_index("block_id").geometry
    blocks, report = read(AWKWARD, cut_overlap=["overlap_a"])
    after = blocks.set_index("block_id").geometry
    assert after["overlap_b"].equals(before["overlap_b"])
    shared = shapely.intersection(before["overlap_a"], before["overlap_b"])
    lost = geographiclib_m2(before["overlap_a"]) - geographiclib_m2(after["overlap_a"])
    assert lost == pytest.approx(geographiclib_m2(shared), abs=0.01)
    assert shapely.intersection(after["overlap_a"], after["overlap_b"]).area == pytest.approx(0, abs=1e-15)
    assert finding(report, "overlap_a").fate is Fate.REPAIRED


def test_swapping_axes_puts_the_block_beside_the_others(unasked):
    blocks, _ = read(AWKWARD, swap_axes=["swapped_axes"])
    assert len(blocks) == len(unasked[0]) + 1
    assert blocks.total_bounds[[0, 2]] == pytest.approx(unasked[0].total_bounds[[0, 2]], abs=0.1)


def test_what_is_left_out_is_reported_and_counted(unasked):
    blocks, report = read(AWKWARD, leave_out=["sliver", "duplicate_b"])
    assert "sliver" not in set(blocks["block_id"])
    assert finding(report, "sliver").fate is Fate.SKIPPED
    assert report.lost(AWKWARD.name) == 0


def test_a_repair_of_a_block_that_is_not_there_is_refused():
    with pytest.raises(InputProblem, match=r"^farm\.toml, repairs\.accept: 'bow tie' is not a block.*'bowtie'"):
        read(AWKWARD, accept=["bow tie"])


def test_the_farm_accepts_repairs_in_its_settings(tmp_path):
    folder = shutil.copytree(SAMPLE, tmp_path / "farm")
    blocks = gpd.read_file(folder / "blocks.gpkg", layer="blocks")
    at = blocks.index[blocks["block"] == "River 1"][0]
    x0, y0, x1, y1 = blocks.geometry[at].bounds
    blocks.loc[at, "geometry"] = shapely.Polygon([(x0, y0), (x1, y1), (x1, y0), (x0, y1)])
    blocks.to_file(folder / "blocks.gpkg", layer="blocks")
    assert "River 1" not in set(read_farm(folder).blocks["block_id"])
    with (folder / "farm.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[repairs]\naccept = ["River 1"]\n')
    assert "River 1" in set(read_farm(folder).blocks["block_id"])


# --- outlines that would take all time or memory -------------------------------------------------


def ring_of(corners: int, seed: int | None = None) -> shapely.Polygon:
    """A circle; with a seed, its corners in random order, so that its edges cross each other all over."""
    turn = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    if seed is not None:
        turn = np.random.default_rng(seed).permutation(turn)
    return shapely.Polygon(np.column_stack([-76.5 + 0.001 * np.cos(turn), 42.44 + 0.001 * np.sin(turn)]))


def write(path: Path, outlines: list, names: list[str]) -> Path:
    gpd.GeoDataFrame({"block": names}, geometry=outlines, crs=4326).to_file(path)
    return path


def test_a_ring_of_a_million_corners_is_set_aside_in_seconds(tmp_path):
    path = write(
        tmp_path / "fields.gpkg", [ring_of(1_000_000), shapely.box(-76.49, 42.44, -76.488, 42.441)], ["A", "B"]
    )
    start = time.perf_counter()
    blocks, report = read(path)
    assert time.perf_counter() - start < 60
    assert blocks["block_id"].tolist() == ["B"]
    assert f"has 1,000,001 corners, more than {MOST_CORNERS:,}" in finding(report, "A").what


def test_a_scribble_is_set_aside_instead_of_mended_for_hours(tmp_path):
    path = write(
        tmp_path / "fields.gpkg", [ring_of(20_000, 1), shapely.box(-76.49, 42.44, -76.488, 42.441)], ["A", "B"]
    )
    start = time.perf_counter()
    blocks, report = read(path, accept=["A"])
    assert time.perf_counter() - start < 60
    assert blocks["block_id"].tolist() == ["B"]
    assert "crosses itself thousands of times" in finding(report, "A").what


def test_a_fine_outline_of_fifty_thousand_corners_is_read(tmp_path):
    blocks, report = read(write(tmp_path / "fields.gpkg", [ring_of(50_000)], ["A"]))
    assert blocks["area_gross_m2"][0] == pytest.approx(geographiclib_m2(blocks.geometry[0]), rel=1e-8)
    assert report.findings == []
