"""Passes against exact answers: rectangles, an L, a triangle, a hole, and the geodesic library."""

import math

import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from greengap.farm.settings import Machinery
from greengap.output.passes import (
    fewest_turns,
    find_passes,
    inset,
    lay_lanes,
    longest_edge_deg,
    plane_of,
    swath_width_m,
)

PLANE = plane_of((13.89, 48.53, 13.91, 48.55))
# 200 m north-south, 90 m east-west, at the middle of the plane: worked with geographiclib below.
METRE = 1 / 111_320.0


def test_a_headland_of_6_m_leaves_188_by_68_of_200_by_80():
    (left,) = inset(shapely.box(0, 0, 200, 80), 6.0)
    assert left.area == pytest.approx(188 * 68)  # 12 784 m2


def test_a_rectangle_along_its_side_takes_its_width_over_the_machine_and_nothing_twice():
    lanes = lay_lanes([shapely.box(0, 0, 200, 80)], 4.0, 90.0)
    assert (lanes.count, lanes.turns) == (20, 19)
    assert lanes.length_m == pytest.approx(20 * 200)
    assert lanes.overlap_m2 == pytest.approx(0, abs=1e-6)


def test_a_rectangle_that_is_no_whole_number_of_passes_is_sown_twice_on_the_last():
    lanes = lay_lanes([shapely.box(0, 0, 200, 80)], 3.0, 90.0)
    assert lanes.count == 27
    assert lanes.overlap_m2 == pytest.approx((27 * 3 - 80) * 200)


def test_an_l_along_its_long_leg():
    ell = Polygon([(0, 0), (100, 0), (100, 40), (40, 40), (40, 100), (0, 100)])
    lanes = lay_lanes([ell], 4.0, 0.0)
    assert lanes.count == 25
    assert lanes.length_m == pytest.approx(10 * 100 + 15 * 40)
    assert lanes.overlap_m2 == pytest.approx(0, abs=1e-6)


def test_a_right_triangle_along_one_leg():
    # Legs of 90 m along the heading and 60 m across, 3 m wide: pass i runs 90 (1 - i / 20), the sum is 90 * 21 / 2.
    lanes = lay_lanes([Polygon([(0, 0), (60, 0), (0, 90)])], 3.0, 0.0)
    assert lanes.count == 20
    assert lanes.length_m == pytest.approx(90 * 21 / 2)
    assert lanes.overlap_m2 == pytest.approx(90 * 3 / 2)
    assert lanes.missed_m2 == 0


def test_a_hole_in_the_middle_cuts_the_passes_it_lies_across_and_no_others():
    holed = Polygon(shapely.box(0, 0, 100, 60).exterior.coords, [shapely.box(40, 20, 60, 40).exterior.coords])
    lanes = lay_lanes([holed], 4.0, 90.0)
    assert lanes.count == 15
    assert len(lanes.pieces) == 15 + 5
    assert lanes.length_m == pytest.approx(10 * 100 + 5 * 80)
    assert lanes.missed_m2 == 0


@pytest.mark.parametrize("turned", [0, 17, 90, 133])
def test_the_fewest_turns_on_a_rectangle_go_along_its_long_side(turned):
    ground = shapely.affinity.rotate(shapely.box(0, 0, 200, 80), -turned, origin=(0, 0))  # clockwise
    lanes = fewest_turns([ground], 4.0)
    assert lanes.count == 20
    off = abs((lanes.heading_deg - (90 + turned) % 180 + 90) % 180 - 90)
    assert off < 1e-6


def test_the_longest_edge_is_found_although_it_bends_a_little():
    ground = Polygon([(0, 0), (100, 0.1), (200, 0), (200, 50), (0, 90)])
    assert abs(longest_edge_deg(ground) - math.degrees(math.atan2(200, -40)) % 180) < 1e-6


@settings(max_examples=40, deadline=None)
@given(
    wide=st.floats(20, 300), high=st.floats(20, 300), swath=st.floats(1.5, 12), heading=st.floats(0, 179),
)  # fmt: skip
def test_every_pass_lies_side_by_side_and_all_ground_is_swept(wide, high, swath, heading):
    lanes = lay_lanes([shapely.box(0, 0, wide, high)], swath, heading)
    assert lanes.missed_m2 <= 1.0  # corners of less than half a square metre are left out
    assert lanes.swept_m2 - lanes.overlap_m2 == pytest.approx(wide * high, abs=1.0)
    extent = wide * abs(math.cos(math.radians(heading))) + high * abs(math.sin(math.radians(heading)))
    assert lanes.count == pytest.approx(math.ceil(extent / swath - 1e-5), abs=0)


def _block(wide_m: float, high_m: float) -> Polygon:
    """A rectangle at 48.54 N 13.90 E with sides that geographiclib lays out."""
    geod = Geodesic.WGS84
    corners = [(13.9, 48.54)]
    for azimuth, length in ((90, wide_m), (0, high_m), (270, wide_m)):
        at = geod.Direct(corners[-1][1], corners[-1][0], azimuth, length)
        corners.append((at["lon2"], at["lat2"]))
    return Polygon(corners)


def test_a_block_in_degrees_gives_heading_length_and_time_of_the_ground():
    machine = Machinery(width_m=3.0, headland_m=5.0, speed_m_s=2.0, turn_s=30, heading="longest edge")
    found = find_passes("A", _block(80, 200), machine, PLANE)
    assert found.headland_m == 6.0  # whole working widths
    assert found.rounds == 2
    assert found.count == math.ceil((80 - 12) / 3)
    line = Geodesic.WGS84.Inverse(found.a[1], found.a[0], found.b[1], found.b[0])
    assert line["s12"] == pytest.approx(188, abs=0.01)
    assert line["azi1"] % 360 == pytest.approx(found.heading_deg, abs=1e-6)
    assert min(found.heading_deg, 360 - found.heading_deg) < 0.01
    rounds = 2 * (80 - 3 + 200 - 3) + 2 * (80 - 9 + 200 - 9)
    assert found.way_m == pytest.approx(23 * 188 + rounds, abs=0.2)
    assert found.hours == pytest.approx((found.way_m / 2 + 22 * 30) / 3600, rel=1e-6)


def test_a_given_heading_stands_over_everything_and_beds_go_along_the_long_side_without_headland():
    block = _block(80, 200)
    machine = Machinery(width_m=3.0, headings_deg={"A": 90.0}, beds=frozenset({"A", "B"}), bed_pitch_m=1.5)
    assert find_passes("A", block, machine, PLANE).how == "heading given"
    beds = find_passes("B", block, machine, PLANE)
    assert (beds.how, beds.rounds, beds.swath_m) == ("along the beds", 0, 1.5)
    assert beds.count == math.ceil(80 / 1.5)
    assert swath_width_m("C", machine) == 3.0


def test_without_a_width_there_are_no_passes_and_a_strip_too_narrow_for_a_headland_says_so():
    assert find_passes("A", _block(80, 200), Machinery(), PLANE) is None
    strip = find_passes("A", _block(9, 200), Machinery(width_m=3.0, headland_m=6.0), PLANE)
    assert strip.rounds == 0
    assert "Too narrow for a headland" in strip.note
    assert strip.count == 3


def test_an_obstacle_is_driven_around():
    block = _block(80, 200)
    middle = block.centroid
    post = middle.buffer(6 * METRE)
    machine = Machinery(width_m=3.0, heading="longest edge")
    free, around = (find_passes("A", block, machine, PLANE, obstacles) for obstacles in ((), (post,)))
    assert around.turns > free.turns
    for swath in around.swaths:
        assert not shapely.LineString(swath.coords).intersects(post)
