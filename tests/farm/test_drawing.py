"""What is done to outlines by hand, held against shapely's own overlay and Karney's areas."""

from __future__ import annotations

import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Polygon, box

from greengap.farm import drawing
from greengap.farm.drawing import DrawingProblem
from greengap.farm.fields import geodesic_area_m2

FIELD = box(13.90, 48.54, 13.903, 48.542)
share = st.floats(0.05, 0.95)


def _karney_m2(polygon: Polygon) -> float:
    ring = Geodesic.WGS84.Polygon()
    for lon, lat in polygon.exterior.coords[:-1]:
        ring.AddPoint(lat, lon)
    return abs(ring.Compute()[2])


@given(left=share, right=share)
def test_the_parts_of_a_split_are_the_whole(left: float, right: float) -> None:
    west, south, east, north = FIELD.bounds
    line = [[west - 0.001, south + left * (north - south)], [east + 0.001, south + right * (north - south)]]
    parts = drawing.split(FIELD, line)
    assert len(parts) == 2
    assert shapely.union_all(parts).symmetric_difference(FIELD).area < 1e-15
    # Geodesic edges of the cut are the same for both parts, so areas add up; checked with another library.
    assert sum(_karney_m2(p) for p in parts) == pytest.approx(_karney_m2(FIELD), abs=0.5)
    assert parts[0].intersection(parts[1]).geom_type in ("LineString", "MultiLineString")  # they share the cut


def test_a_split_through_a_hole_gives_two_parts_around_it() -> None:
    pond = box(13.901, 48.5405, 13.902, 48.5415)
    holed = drawing.cut_out(FIELD, Polygon(pond.exterior))
    assert geodesic_area_m2(holed) == pytest.approx(_karney_m2(FIELD) - _karney_m2(pond), abs=0.01)
    parts = drawing.split(holed, [[13.89, 48.541], [13.91, 48.541]])
    assert len(parts) == 2
    assert shapely.union_all(parts).equals(holed)


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ([[13.9015, 48.541]], "line_short"),
        ([[13.9015, 48.541], [13.92, 48.541]], "line_inside"),
        ([[14.0, 48.5], [14.1, 48.6]], "line_inside"),
        ([[13.899, float("nan")], [13.91, 48.541]], "line_short"),
    ],
)
def test_a_line_that_does_not_part_the_block_is_refused(line: list[list[float]], key: str) -> None:
    with pytest.raises(DrawingProblem) as refused:
        drawing.split(FIELD, line)
    assert refused.value.key == key


def test_a_crossing_is_found_where_the_sides_cross() -> None:
    bow = drawing.ring([[0, 0], [0.002, 0], [0, 0.002], [0.002, 0.002]])
    (fault,) = drawing.find_faults(bow, {})
    assert (fault.key, fault.stops) == ("crosses_itself", True)
    assert (fault.lon, fault.lat) == pytest.approx((0.001, 0.001))
    with pytest.raises(DrawingProblem):
        drawing.usable(bow)


@given(st.lists(st.tuples(st.floats(0, 0.01), st.floats(0, 0.01)), min_size=3, max_size=9, unique=True))
def test_what_is_let_through_is_valid(corners: list[tuple[float, float]]) -> None:
    try:
        outline = drawing.usable(drawing.ring([list(c) for c in corners]))
    except DrawingProblem:
        return
    assert outline.is_valid
    assert geodesic_area_m2(outline) >= 1


def test_an_overlap_is_told_with_its_area_and_a_shared_edge_is_none() -> None:
    beside, over = box(13.903, 48.54, 13.904, 48.542), box(13.902, 48.54, 13.904, 48.542)
    assert drawing.find_faults(beside, {"Field": FIELD}) == []
    (fault,) = drawing.find_faults(over, {"Field": FIELD})
    assert (fault.key, fault.other, fault.stops) == ("overlaps", "Field", False)
    assert fault.area_m2 == pytest.approx(_karney_m2(box(13.902, 48.54, 13.903, 48.542)), rel=1e-6)


def test_neighbours_are_merged_and_others_are_not() -> None:
    beside, apart = box(13.903, 48.54, 13.904, 48.542), box(13.905, 48.54, 13.906, 48.542)
    assert geodesic_area_m2(drawing.merge([FIELD, beside])) == pytest.approx(
        _karney_m2(FIELD) + _karney_m2(beside), rel=1e-9
    )
    with pytest.raises(DrawingProblem) as refused:
        drawing.merge([FIELD, apart])
    assert refused.value.key == "not_neighbours"
    split = drawing.split(FIELD, [[13.89, 48.5413], [13.91, 48.5411]])
    assert drawing.merge(split).equals(FIELD)


def test_a_hole_has_to_lie_in_the_block_and_leave_some_of_it() -> None:
    for hole, key in ((box(14, 48, 14.1, 48.1), "hole_outside"), (box(13.89, 48.53, 13.91, 48.55), "hole_all")):
        with pytest.raises(DrawingProblem) as refused:
            drawing.cut_out(FIELD, Polygon(hole.exterior))
        assert refused.value.key == key


def test_sides_are_as_long_as_the_geodesic() -> None:
    lengths = drawing.side_lengths_m(FIELD)
    corners = list(FIELD.exterior.coords)
    for length, a, b in zip(lengths, corners[:-1], corners[1:], strict=True):
        assert length == pytest.approx(Geodesic.WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"], abs=1e-6)


@pytest.mark.parametrize(
    "corners",
    [[], [[0, 0], [1, 1]], [[0, 0], [0, 0], [0, 0]], [[0, 0], [200, 0], [0, 1]], [[0, float("inf")], [1, 0], [0, 1]]],
)
def test_what_is_no_ring_is_refused(corners: list[list[float]]) -> None:
    with pytest.raises(DrawingProblem):
        drawing.ring(corners)
