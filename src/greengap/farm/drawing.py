"""What is done to outlines by hand: faults shown while drawing, splitting, cutting out, merging.

Outlines are WGS84, longitude first. Distances and shares are reckoned in a plane around the outline;
areas are geodesic. Nothing here reads or writes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from pyproj import Geod
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from greengap.farm.fields import geodesic_area_m2

WGS84 = Geod(ellps="WGS84")
SPECK_M2 = 1.0  # ground that no drill finds: left over from lines that should meet
OVERLAP_M2 = 1.0
OVERLAP_THIN_M = 0.05  # an overlap thinner than this is rounding along a shared edge
MOST_CORNERS = 5_000
MOST_SQUARE_M2 = 1e9  # 100,000 ha: no block, but a slip


class DrawingProblem(ValueError):
    """An outline or a line that cannot be used, in words, with the place where it goes wrong."""

    def __init__(self, key: str, words: str, lon: float | None = None, lat: float | None = None) -> None:
        self.key, self.words, self.lon, self.lat = key, words, lon, lat
        super().__init__(words)


@dataclass(frozen=True)
class Fault:
    """Something to look at in an outline; `stops` says whether it can be kept as it is."""

    key: str
    words: str
    stops: bool
    lon: float
    lat: float
    other: str = ""
    area_m2: float = 0.0


def _metres(geometry: BaseGeometry, lat: float) -> BaseGeometry:
    """Longitude and latitude stretched to metres around a latitude: shapes and distances of a farm."""
    north, east = 111_132.0, 111_320.0 * np.cos(np.radians(lat))
    return shapely.transform(geometry, lambda xy: xy * [east, north])


def _ground(geometry: BaseGeometry) -> list[Polygon]:
    """Polygonal parts that are more than a speck."""
    parts = [p for p in shapely.get_parts(geometry) if isinstance(p, Polygon)]
    return [p for p in parts if geodesic_area_m2(p) >= SPECK_M2]


def _together(parts: Sequence[Polygon]) -> Polygon | MultiPolygon:
    united = parts[0] if len(parts) == 1 else shapely.union_all(parts)
    return shapely.orient_polygons(united)


def ring(corners: Sequence[Sequence[float]]) -> Polygon:
    """A polygon of corners as drawn, closed; not yet known to be valid.

    Parameters
    ----------
    corners : sequence of (longitude, latitude) [°]

    Raises
    ------
    DrawingProblem
        With fewer than three different corners, too many, or places that are not on the earth.
    """
    xy = np.array([c[:2] for c in corners], dtype=float).reshape(-1, 2)
    if len(xy) > MOST_CORNERS:
        raise DrawingProblem("corners_many", f"{len(xy)} corners are more than the {MOST_CORNERS} that can be drawn")
    if not np.isfinite(xy).all() or (np.abs(xy) > [180, 90]).any():
        raise DrawingProblem("off_earth", "a corner is not a place on the earth")
    if len(np.unique(xy, axis=0)) < 3:
        raise DrawingProblem("corners_few", "an outline needs three corners")
    return Polygon(xy)


def crossings(polygon: Polygon) -> list[Point]:
    """Where an outline's own sides cross or touch, apart from neighbours meeting in their corner."""
    found: list[Point] = []
    for line in (polygon.exterior, *polygon.interiors):
        sides = [
            LineString(pair) for pair in pairwise(shapely.get_coordinates(line)) if tuple(pair[0]) != tuple(pair[1])
        ]
        tree = shapely.STRtree(sides)
        for a, b in tree.query(sides, predicate="intersects").T:
            if a >= b or b - a == 1 or (a == 0 and b == len(sides) - 1):
                continue
            met = shapely.intersection(sides[a], sides[b])
            found.extend(Point(p) for p in shapely.get_coordinates(met)[:1])
    return found


def find_faults(polygon: Polygon | MultiPolygon, neighbours: Mapping[str, BaseGeometry]) -> list[Fault]:
    """What is wrong with an outline, and which blocks it lies on, for showing while it is drawn.

    Parameters
    ----------
    polygon : Polygon or MultiPolygon
        As drawn.
    neighbours : mapping of name to outline
        Other blocks.

    Returns
    -------
    list of Fault
        First what stops the outline from being kept.
    """
    faults = []
    for part in shapely.get_parts(polygon):
        for point in crossings(part)[:5]:
            words = "the outline crosses itself here: move a corner so that the sides no longer cross"
            faults.append(Fault("crosses_itself", words, True, point.x, point.y))
    if not faults and not polygon.is_valid:
        middle = polygon.centroid
        faults.append(Fault("not_valid", shapely.is_valid_reason(polygon), True, middle.x, middle.y))
    if faults:
        return faults
    area_m2, middle = geodesic_area_m2(polygon), polygon.representative_point()
    if area_m2 < SPECK_M2:
        faults.append(Fault("too_small", "the outline encloses less than a square metre", True, middle.x, middle.y))
    if area_m2 > MOST_SQUARE_M2:
        faults.append(Fault("too_large", "the outline is larger than any farm", True, middle.x, middle.y))
    if faults:
        return faults
    for name, other in neighbours.items():
        if not shapely.intersects(polygon, other):
            continue
        shared = _ground(shapely.intersection(polygon, other))
        shared_m2 = sum(geodesic_area_m2(p) for p in shared)
        if shared_m2 < OVERLAP_M2:
            continue
        length = shapely.length(_metres(MultiPolygon(shared), middle.y))
        if shared_m2 / length < OVERLAP_THIN_M:
            continue
        spot = max(shared, key=lambda p: p.area).representative_point()
        words = f"lies on {name} with {shared_m2:,.0f} m²: that ground would be sown and counted twice"
        faults.append(Fault("overlaps", words, False, spot.x, spot.y, name, shared_m2))
    return faults


def usable(polygon: Polygon | MultiPolygon) -> Polygon | MultiPolygon:
    """The outline, oriented, if it can be kept.

    Raises
    ------
    DrawingProblem
        With the first fault that stops it.
    """
    for fault in find_faults(polygon, {}):
        if fault.stops:
            raise DrawingProblem(fault.key, fault.words, fault.lon, fault.lat)
    return shapely.orient_polygons(polygon)


def split(polygon: Polygon | MultiPolygon, line: Sequence[Sequence[float]]) -> list[Polygon | MultiPolygon]:
    """Cut an outline along a line; the parts share the cut exactly and add up to the whole.

    Parameters
    ----------
    polygon : Polygon or MultiPolygon
    line : sequence of (longitude, latitude)
        From outside to outside.

    Returns
    -------
    list of Polygon or MultiPolygon
        From north-west to south-east.

    Raises
    ------
    DrawingProblem
        If the line does not part the outline.
    """
    xy = np.array([c[:2] for c in line], dtype=float).reshape(-1, 2)
    if len(xy) < 2 or len(xy) > MOST_CORNERS or not np.isfinite(xy).all():
        raise DrawingProblem("line_short", "a cut needs a line of two points or more")
    cut = LineString(xy)
    edges = shapely.union_all([polygon.boundary, cut])
    faces = shapely.get_parts(shapely.polygonize([edges]))
    parts = [f for f in faces if polygon.contains(f.representative_point()) and geodesic_area_m2(f) >= SPECK_M2]
    if len(parts) < 2 or len(parts) == len(shapely.get_parts(polygon)):
        words = "the line has to run right across the block, from outside to outside"
        raise DrawingProblem("line_inside", words, float(xy[-1][0]), float(xy[-1][1]))
    parts.sort(key=lambda p: (round(p.centroid.x - p.centroid.y, 9), p.centroid.x))
    return [shapely.orient_polygons(p) for p in parts]


def cut_out(polygon: Polygon | MultiPolygon, hole: Polygon) -> Polygon | MultiPolygon:
    """Take a ring of ground out of an outline.

    Raises
    ------
    DrawingProblem
        If the ring crosses itself, lies outside, or leaves nothing.
    """
    hole = usable(hole)
    spot = hole.representative_point()
    if geodesic_area_m2(hole) < SPECK_M2 or not shapely.intersects(polygon, hole):
        raise DrawingProblem("hole_outside", "the ring lies outside the block", spot.x, spot.y)
    if not _ground(shapely.intersection(polygon, hole)):
        raise DrawingProblem("hole_outside", "the ring lies outside the block", spot.x, spot.y)
    left = _ground(shapely.difference(polygon, hole))
    if not left:
        raise DrawingProblem("hole_all", "the ring takes out the whole block", spot.x, spot.y)
    return _together(left)


def merge(outlines: Sequence[Polygon | MultiPolygon]) -> Polygon | MultiPolygon:
    """Unite neighbours.

    Raises
    ------
    DrawingProblem
        If they do not share an edge.
    """
    united = shapely.union_all(outlines)
    if not isinstance(united, Polygon):
        # Edges that miss each other by less than a hand's width are closed.
        lat = united.centroid.y
        gap_deg = 0.2 / 111_132.0
        closed = shapely.buffer(shapely.buffer(united, gap_deg, join_style="mitre"), -gap_deg, join_style="mitre")
        if not isinstance(closed, Polygon):
            raise DrawingProblem("not_neighbours", "the blocks do not share an edge", united.centroid.x, lat)
        united = shapely.union_all([closed, united])
        if not isinstance(united, Polygon):
            raise DrawingProblem("not_neighbours", "the blocks do not share an edge", united.centroid.x, lat)
    return shapely.orient_polygons(united)


def side_lengths_m(polygon: Polygon) -> list[float]:
    """Geodesic length of each side of the outer ring [m]."""
    lon, lat = shapely.get_coordinates(polygon.exterior).T
    return [float(x) for x in WGS84.line_lengths(lon, lat)]


def beds(
    polygon: Polygon | MultiPolygon, line: Sequence[Sequence[float]], pitch_m: float, width_m: float, count: int
) -> list[Polygon | MultiPolygon]:
    """Beds beside each other from one line along the outer edge of the first, cut off at the outline.

    Parameters
    ----------
    polygon : Polygon or MultiPolygon
    line : sequence of (longitude, latitude)
        First and last place give the direction; the other beds lie on the side of the outline's middle.
    pitch_m, width_m : float
        From one bed to the same edge of the next, and of what is sown [m].
    count : int

    Returns
    -------
    list of Polygon or MultiPolygon
        From the line onwards; a bed that misses the outline is left out.

    Raises
    ------
    DrawingProblem
        If the line has no length or no bed lies on the block.
    """
    xy = np.array([c[:2] for c in line], dtype=float).reshape(-1, 2)
    if len(xy) < 2 or not np.isfinite(xy).all() or np.allclose(xy[0], xy[-1]):
        raise DrawingProblem("line_short", "a bed line needs two places")
    lat, origin = float(xy[0][1]), xy[0]
    scale = np.array([111_320.0 * np.cos(np.radians(lat)), 111_132.0])
    plane = shapely.transform(polygon, lambda c: (c - origin) * scale)
    along = (xy[-1] - origin) * scale
    along /= np.hypot(*along)
    across = np.array([-along[1], along[0]])
    middle = plane.centroid
    if across @ [middle.x, middle.y] < 0:
        across = -across
    reach = along * 2 * float(np.hypot(*np.abs(np.array(plane.bounds)).reshape(2, 2).max(axis=0)) + 1)
    made: list[Polygon | MultiPolygon] = []
    for number in range(count):
        near, far = across * number * pitch_m, across * (number * pitch_m + width_m)
        strip = Polygon([near - reach, near + reach, far + reach, far - reach])
        parts = [p for p in shapely.get_parts(shapely.intersection(plane, strip)) if isinstance(p, Polygon)]
        parts = [p for p in parts if p.area >= SPECK_M2]
        if parts:
            made.append(shapely.transform(_together(parts), lambda c: c / scale + origin))
    if not made:
        raise DrawingProblem("beds_none", "no bed lies on the block", lat=lat, lon=float(origin[0]))
    return made


def buffer(
    polygon: Polygon | MultiPolygon, width_m: float, neighbours: Sequence[BaseGeometry] = ()
) -> tuple[Polygon | MultiPolygon, Polygon | MultiPolygon]:
    """Ground inside a buffer along the edge, and the buffer itself; none along an edge shared with a neighbour.

    Raises
    ------
    DrawingProblem
        If the buffer takes in the whole block, or there is no open edge.
    """
    lat = polygon.centroid.y
    scale = np.array([111_320.0 * np.cos(np.radians(lat)), 111_132.0])

    def flat(geometry: BaseGeometry) -> BaseGeometry:
        return shapely.transform(geometry, lambda c: c * scale)

    def ground(geometry: BaseGeometry) -> list[Polygon]:
        return _ground(shapely.transform(geometry, lambda c: c / scale))

    plane = flat(polygon)
    edge = plane.boundary
    for other in neighbours:
        edge = shapely.difference(edge, shapely.buffer(flat(other), OVERLAP_THIN_M * 4))
    if edge.is_empty:
        raise DrawingProblem("edge_none", "every edge of the block is shared", polygon.centroid.x, lat)
    strip = shapely.intersection(plane, shapely.buffer(edge, width_m, join_style="mitre", cap_style="flat"))
    inside, outside = ground(shapely.difference(plane, strip)), ground(strip)
    if not inside or not outside:
        raise DrawingProblem("buffer_all", "the buffer takes in the whole block", polygon.centroid.x, lat)
    return _together(inside), _together(outside)
