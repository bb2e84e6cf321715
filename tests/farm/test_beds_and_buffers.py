"""Beds from a line, buffers, walked boundaries: against figures that a tape would give."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer
from shapely.geometry import Polygon

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.farm import drawing
from greengap.farm.fields import geodesic_area_m2
from greengap.farm.traced import compared, read_traced

LON, LAT = 13.9, 48.5
# A plane of its own, from a general library: what is laid out in metres here is measured by the code on the ellipsoid.
LOCAL = CRS.from_proj4(f"+proj=aeqd +lat_0={LAT} +lon_0={LON} +ellps=WGS84")
TO_DEGREES = Transformer.from_crs(LOCAL, 4326, always_xy=True)


def on_earth(geometry: Polygon) -> Polygon:
    return shapely.transform(geometry, lambda xy: np.column_stack(TO_DEGREES.transform(*xy.T)))


def line(*places: tuple[float, float]) -> list[list[float]]:
    return [list(TO_DEGREES.transform(*p)) for p in places]


def turned(geometry: Polygon, degrees: float) -> Polygon:
    a = np.radians(degrees)
    return shapely.transform(geometry, lambda xy: xy @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]))


@pytest.mark.parametrize("degrees", [0, 30, 117])
def test_beds_have_the_area_that_a_tape_gives(degrees: float) -> None:
    block = on_earth(turned(shapely.box(0, 0, 100, 18), degrees))
    edge = shapely.get_coordinates(turned(shapely.LineString([(0, 0), (100, 0)]), degrees))
    made = drawing.beds(block, line(*map(tuple, edge)), 1.8, 1.2, 10)
    assert len(made) == 10
    assert [geodesic_area_m2(bed) for bed in made] == pytest.approx([120.0] * 10, rel=0.003)
    assert sum(geodesic_area_m2(b) for b in made) / geodesic_area_m2(block) == pytest.approx(1.2 / 1.8, rel=0.002)
    first, last = made[0].centroid, made[-1].centroid
    near = shapely.Point(*line(tuple(edge.mean(axis=0)))[0])
    assert near.distance(first) < near.distance(last)  # bed 1 is where the line is
    assert all(a.disjoint(b) for a, b in pairwise(made))


def test_beds_that_miss_the_block_are_left_out_and_none_is_a_problem() -> None:
    block = on_earth(shapely.box(0, 0, 50, 5))
    assert len(drawing.beds(block, line((0, 0), (50, 0)), 2.0, 1.0, 40)) == 3
    with pytest.raises(drawing.DrawingProblem, match="two places"):
        drawing.beds(block, line((0, 0), (0, 0)), 2.0, 1.0, 3)
    with pytest.raises(drawing.DrawingProblem, match="no bed"):
        drawing.beds(block, line((0, -30), (50, -30)), 2.0, 1.0, 3)


def test_a_buffer_takes_the_strip_and_nothing_else() -> None:
    block = on_earth(shapely.box(0, 0, 100, 60))
    inside, strip = drawing.buffer(block, 8.0)
    assert geodesic_area_m2(inside) == pytest.approx(84 * 44, rel=0.003)
    assert geodesic_area_m2(inside) + geodesic_area_m2(strip) == pytest.approx(geodesic_area_m2(block), rel=1e-9)
    neighbour = on_earth(shapely.box(100, 0, 150, 60))
    inside, strip = drawing.buffer(block, 8.0, [neighbour])
    assert geodesic_area_m2(inside) == pytest.approx(92 * 44, rel=0.01)  # none along the shared edge
    with pytest.raises(drawing.DrawingProblem, match="whole block"):
        drawing.buffer(block, 31.0)


def walked(tmp_path: Path, places: np.ndarray, name: str = "North field") -> Path:
    points = "".join(f'<trkpt lat="{y:.7f}" lon="{x:.7f}"/>' for x, y in places)
    path = tmp_path / "walk.gpx"
    path.write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk><name>{name}</name><trkseg>{points}</trkseg></trk></gpx>"
    )
    return path


def test_a_walked_edge_lies_within_two_metres_of_the_fence(tmp_path: Path) -> None:
    fence = shapely.box(0, 0, 120, 70)
    steps = np.arange(0, fence.exterior.length - 4, 1.5)  # the walk ends 4 m before where it began
    noise = np.random.default_rng(7).normal(0, 0.4, (len(steps), 2))  # metres, as of a good receiver
    places = shapely.get_coordinates([fence.exterior.interpolate(s) for s in steps]) + noise
    report = ImportReport()
    found = read_traced(walked(tmp_path, np.column_stack(TO_DEGREES.transform(*places.T))), "walk.gpx", report)
    name, outline = found[0]
    assert name == "North field"
    there = shapely.transform(
        outline, lambda xy: np.column_stack(Transformer.from_crs(4326, LOCAL, always_xy=True).transform(*xy.T))
    )
    assert shapely.hausdorff_distance(there.exterior, fence.exterior, densify=0.01) < 2.0
    assert geodesic_area_m2(outline) == pytest.approx(120 * 70, rel=0.01)
    assert "were joined" in report.findings[0].what
    assert report.rows_read == {"walk.gpx": 1}


def test_a_walk_that_does_not_come_back_is_refused_with_the_distance(tmp_path: Path) -> None:
    places = np.array([TO_DEGREES.transform(x, 0) for x in range(0, 200, 10)])
    report = ImportReport()
    with pytest.raises(InputProblem, match="no track that encloses"):
        read_traced(walked(tmp_path, places), "walk.gpx", report)
    assert report.findings[0].fate == Fate.SKIPPED
    assert "190 m apart" in report.findings[0].what


def test_a_walked_edge_is_held_against_the_block_that_was_drawn() -> None:
    """A square of 100 m, walked 3 m too far to the east, beside another block."""
    drawn = {"Pond": on_earth(shapely.box(0, 0, 100, 100)), "Far": on_earth(shapely.box(101, 0, 201, 100))}
    (said,) = compared(on_earth(shapely.box(0, 0, 103, 100)), drawn)
    words = re.fullmatch(
        r"against Pond as it was drawn: (\d+) m² walked lie outside it, (\d+) m² of it were not walked round; "
        r"the edges are ([\d.]+) m apart at most",
        said,
    )
    assert words is not None
    assert float(words[1]) == pytest.approx(300, abs=3)
    assert float(words[2]) == 0
    assert float(words[3]) == pytest.approx(3, abs=0.1)
    assert list(compared(on_earth(shapely.box(0, 300, 100, 400)), drawn)) == []
