"""Passes over a block: headland, heading, A-B line, swaths, and what they cost in way, time and overlap.

Reckoned in a plane around the farm in which lengths and angles are true (transverse Mercator, scale 1). Nothing here
reads or writes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from pyproj import Geod, Transformer
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from greengap.farm.settings import Machinery
from greengap.polygon_file import polygons_of
from greengap.units import FOOT_M, System, write

WGS84 = Geod(ellps="WGS84")
ROUNDING_M = 1e-6  # what a sum of lengths may be off before it asks for one more swath
MITRE = {"join_style": "mitre", "mitre_limit": 2.0}
LEAST_PIECE_M2 = 0.5  # ground that no machine finds


@dataclass(frozen=True)
class Lanes:
    """Swaths in the plane, along one heading.

    Attributes
    ----------
    heading_deg : float
        Way of the swaths in the plane, clockwise from its north, 0 to 180 [°].
    width_m : float
        Of a swath [m].
    count : int
        Swaths side by side.
    pieces : tuple of LineString
        What is driven, with the drill down: middle of the machine.
    numbers : tuple of int
        Swath that each piece lies on, from 1 on the left.
    length_m, swept_m2, overlap_m2, missed_m2 : float
        Way with the drill down; ground under it; of it sown twice or beyond the edge; left beside an obstacle.
    """

    heading_deg: float
    width_m: float
    count: int
    pieces: tuple[LineString, ...]
    numbers: tuple[int, ...]
    length_m: float
    swept_m2: float
    overlap_m2: float
    missed_m2: float

    @property
    def turns(self) -> int:
        """Turns between the pieces."""
        return max(len(self.pieces) - 1, 0)


@dataclass(frozen=True)
class Passes:
    """How one block is driven; lines in longitude and latitude.

    Attributes
    ----------
    how : str
        What set the heading, in words.
    heading_deg : float
        From A to B, geodesic, clockwise from true north [°].
    headland_m, rounds : float, int
        Width of the headland and rounds on it; none if it is zero.
    swaths : tuple of LineString
        Pieces, in order from the left.
    a, b : tuple of float
        Ends of the A-B line, on the middle of the first swath that is at least half as long as the longest.
    a_b_swath : int
        Its number.
    way_m, hours : float, float or None
        Way with the drill down, headland included; hours with turns, None where the speed is not known.
    overlap_m2, missed_m2 : float
        Sown twice or beyond the work area; left beside obstacles, to be sown by hand.
    note : str
        What the operator has to know of it; empty if nothing.
    """

    block_id: str
    how: str
    swath_m: float
    heading_deg: float
    headland_m: float
    rounds: int
    headland: BaseGeometry
    swaths: tuple[LineString, ...]
    numbers: tuple[int, ...]
    count: int
    turns: int
    a: tuple[float, float]
    b: tuple[float, float]
    a_b_swath: int
    way_m: float
    hours: float | None
    overlap_m2: float
    missed_m2: float
    note: str


def plane_of(bounds: Sequence[float]) -> str:
    """The plane around a farm as a PROJ string, from its west, south, east, north [°]."""
    west, south, east, north = bounds
    lon_0, lat_0 = round((west + east) / 2, 2), round((south + north) / 2, 2)
    return f"+proj=tmerc +k=1 +lat_0={lat_0} +lon_0={lon_0} +datum=WGS84 +units=m"


def inset(ground: BaseGeometry, headland_m: float) -> list[Polygon]:
    """What is left inside a headland, and inside one around each hole.

    Examples
    --------
    >>> [p.area for p in inset(shapely.box(0, 0, 200, 80), 6.0)]
    [12784.0]
    """
    if headland_m <= 0:
        return list(polygons_of(ground))
    left = shapely.buffer(ground, -headland_m, **MITRE)
    return [p for p in polygons_of(left) if p.area >= LEAST_PIECE_M2]


def lay_lanes(work: Sequence[Polygon], width_m: float, heading_deg: float) -> Lanes:
    """Swaths of one width along one heading, from the left edge on.

    Parameters
    ----------
    work : sequence of Polygon
        Ground inside the headland, in the plane [m].
    width_m : float
        Of a swath [m].
    heading_deg : float
        Clockwise from the plane's north [°].

    Returns
    -------
    Lanes
        The last swath may reach beyond the edge; a swath that a hole cuts in the middle is two pieces.
    """
    turned = [_turned(p, heading_deg) for p in work]
    left = min(p.bounds[0] for p in turned)
    count = _count(turned, width_m)
    pieces, numbers, boxes = [], [], []
    for number, band in enumerate(_bands(turned, left, width_m, count), start=1):
        middle = left + (number - 0.5) * width_m
        for low, high in _runs(band, middle):
            pieces.append(LineString([(middle, low), (middle, high)]))
            numbers.append(number)
            boxes.append(shapely.box(middle - width_m / 2, low, middle + width_m / 2, high))
    way = float(sum(p.length for p in pieces))
    ground = shapely.union_all(turned)
    covered = float(shapely.intersection(ground, shapely.union_all(boxes)).area)
    back = [_turned(p, -heading_deg) for p in pieces]
    missed = max(float(ground.area) - covered, 0.0)
    return Lanes(
        heading_deg % 180, width_m, count, tuple(back), tuple(numbers), way, way * width_m,
        max(way * width_m - covered, 0.0), missed if missed > LEAST_PIECE_M2 else 0.0,
    )  # fmt: skip


def _turned(geometry: BaseGeometry, heading_deg: float) -> BaseGeometry:
    """The plane turned so that the heading points up."""
    angle = math.radians(heading_deg)
    cos, sin = math.cos(angle), math.sin(angle)
    turn = np.array([[cos, sin], [-sin, cos]])
    return shapely.transform(geometry, lambda xy: np.round(xy @ turn, 6) + 0.0)  # so that level edges are level


def _count(turned: Sequence[Polygon], width_m: float) -> int:
    left, right = min(p.bounds[0] for p in turned), max(p.bounds[2] for p in turned)
    return max(math.ceil((right - left - ROUNDING_M) / width_m), 1)


def _bands(turned: Sequence[Polygon], left: float, width_m: float, count: int) -> Iterator[list[Polygon]]:
    """The ground under each swath, in connected parts."""
    low, high = min(p.bounds[1] for p in turned), max(p.bounds[3] for p in turned)
    edges = left + np.arange(count) * width_m
    strips = shapely.box(edges, low - 1, edges + width_m, high + 1)
    parts = [shapely.intersection(strips, p) for p in turned]
    for cut in zip(*parts, strict=True):
        yield [p for one in cut for p in polygons_of(one) if p.area >= LEAST_PIECE_M2]


def _runs(band: Sequence[Polygon], middle: float) -> list[tuple[float, float]]:
    """From where to where each piece of a swath is driven."""
    runs = []
    for part in band:
        low, high = part.bounds[1], part.bounds[3]
        cut = shapely.intersection(part, LineString([(middle, low - 1), (middle, high + 1)]))
        ends = sorted(line.bounds[1::2] for line in shapely.get_parts(cut) if isinstance(line, LineString))
        if not ends:
            runs.append((low, high))
            continue
        for i, (start, stop) in enumerate(ends):  # lifted where the middle is blocked, run out at both far ends
            runs.append((low if i == 0 else start, high if i == len(ends) - 1 else stop))
    return sorted(runs)


def longest_edge_deg(ground: BaseGeometry) -> float:
    """Heading of the longest side, small bends along it smoothed away, 0 to 180 [°]."""
    sides = []
    for polygon in polygons_of(shapely.simplify(ground, 0.5)):
        xy = shapely.get_coordinates(polygon.exterior)
        step = np.diff(xy, axis=0)
        sides += [(-round(float(np.hypot(*d)), 3), _heading(d)) for d in step if np.hypot(*d) > 0]
    return min(sides)[1]


def _heading(step: np.ndarray) -> float:
    return math.degrees(math.atan2(step[0], step[1])) % 180


def fewest_turns(work: Sequence[Polygon], width_m: float) -> Lanes:
    """The heading with the fewest turns, among whole degrees and the sides of the ground.

    Equal ones go by the shorter way, then by the smaller heading.
    """
    headings = {float(d) for d in range(180)}
    for polygon in work:
        step = np.diff(shapely.get_coordinates(shapely.simplify(polygon, 0.5).exterior), axis=0)
        headings |= {round(_heading(d), 9) for d in step if np.hypot(*d) > width_m}
    counts = sorted((_count([_turned(p, h) for p in work], width_m), h) for h in headings)
    best: Lanes | None = None
    for count, heading in counts:
        if best is not None and count > len(best.pieces):
            break  # each swath is one piece at least
        lanes = lay_lanes(work, width_m, heading)
        if best is None or _cost(lanes) < _cost(best):
            best = lanes
    assert best is not None, "there is a heading"
    return best


def _cost(lanes: Lanes) -> tuple[int, float, float]:
    return len(lanes.pieces), round(lanes.length_m, 3), lanes.heading_deg


def swath_width_m(block_id: str, machine: Machinery) -> float | None:
    """Width that a pass takes on a block: beds times pitch, or the working width [m]."""
    if block_id in machine.beds and machine.bed_pitch_m is not None:
        return machine.bed_pitch_m * machine.beds_per_pass
    return machine.width_m


def find_passes(
    block_id: str, outline: Polygon | MultiPolygon, machine: Machinery, plane: str, obstacles: Sequence[Polygon] = ()
) -> Passes | None:
    """How a block is driven.

    Parameters
    ----------
    block_id : str
    outline : Polygon or MultiPolygon
        Longitude and latitude [°]; holes are obstacles.
    machine : Machinery
    plane : str
        From `plane_of`.
    obstacles : sequence of Polygon
        More ground to drive around, longitude and latitude [°].

    Returns
    -------
    Passes or None
        None where no width is known.
    """
    width = swath_width_m(block_id, machine)
    if width is None:
        return None
    there = Transformer.from_crs("EPSG:4326", plane, always_xy=True)
    ground = _moved(shapely.difference(outline, shapely.union_all(list(obstacles))), there)
    headland, note = _headland_m(block_id, machine, width), ""
    work = inset(ground, headland)
    if not work:
        work, headland, note = inset(ground, 0), 0.0, "Too narrow for a headland: turn outside, or sow by hand."
    elif len(work) > 1:
        note = f"The headland cuts it into {len(work)} pieces."
    lanes, how = _lanes(block_id, work, ground, width, machine)
    rounds = round(headland / width) if headland else 0
    edge = shapely.difference(ground, shapely.union_all(work)) if headland else Polygon()
    round_m = sum(
        shapely.buffer(ground, -(i + 0.5) * headland / rounds, **MITRE).boundary.length for i in range(rounds)
    )
    way = lanes.length_m + float(round_m)
    hours = None
    if machine.speed_m_s is not None:
        hours = (way / machine.speed_m_s + lanes.turns * (machine.turn_s or 0.0)) / 3600
    long = max(p.length for p in lanes.pieces) / 2
    number = next(n for p, n in zip(lanes.pieces, lanes.numbers, strict=True) if p.length >= long)
    first = shapely.union_all([p for p, n in zip(lanes.pieces, lanes.numbers, strict=True) if n == number])
    ends = shapely.get_coordinates(first)
    ends = ends[np.lexsort((ends[:, 0], ends[:, 1]))]  # A is the southern end, the western one of two level ones
    back = Transformer.from_crs(plane, "EPSG:4326", always_xy=True)
    (ax, ay), (bx, by) = (back.transform(*ends[i]) for i in (0, -1))
    a, b = (float(ax), float(ay)), (float(bx), float(by))
    return Passes(
        block_id, how, width, WGS84.inv(a[0], a[1], b[0], b[1])[0] % 360, headland, rounds, _moved(edge, back),
        tuple(_moved(p, back) for p in lanes.pieces), lanes.numbers, lanes.count, lanes.turns, a, b, number, way, hours,
        lanes.overlap_m2, lanes.missed_m2, note,
    )  # fmt: skip


def _lanes(
    block_id: str, work: Sequence[Polygon], ground: BaseGeometry, width: float, machine: Machinery
) -> tuple[Lanes, str]:
    """Swaths of a block, and what set their heading; the farm's own word stands over all."""
    if block_id in machine.headings_deg:
        return lay_lanes(work, width, machine.headings_deg[block_id]), "heading given"
    if block_id in machine.beds:
        return lay_lanes(work, width, longest_edge_deg(ground)), "along the beds"
    if machine.heading == "longest edge":
        return lay_lanes(work, width, longest_edge_deg(ground)), "along the longest edge"
    return fewest_turns(work, width), "fewest turns"


def _headland_m(block_id: str, machine: Machinery, width: float) -> float:
    """Width of the headland, a whole number of rounds; beds have none, since the turn is outside them."""
    if block_id in machine.beds:
        return 0.0
    wanted = width if machine.headland_m is None else machine.headland_m
    return math.ceil(wanted / width - ROUNDING_M) * width


def _moved(geometry: BaseGeometry, transformer: Transformer) -> BaseGeometry:
    return shapely.transform(geometry, lambda xy: np.column_stack(transformer.transform(xy[:, 0], xy[:, 1])))


def pass_words(passes: Passes, units: System) -> list[str]:
    """How the block is driven, in short lines."""
    head = f"{passes.rounds} round{'s' if passes.rounds != 1 else ''} of headland, then " if passes.rounds else ""
    lines = [
        f"{head}{passes.count} passes of {write(passes.swath_m, 'm', units)} at {passes.heading_deg:.0f}° from north "
        f"({passes.how}), {passes.turns} turns."
    ]
    us = units == "us"
    way = f"{passes.way_m / FOOT_M:,.0f} ft" if us else f"{passes.way_m / 1000:.1f} km"
    time = f", about {passes.hours:.1f} h with turns." if passes.hours is not None else "; speed not entered."
    lines.append(f"{way} with the drill down{time}")
    factor, unit = (FOOT_M**2, "ft²") if us else (1.0, "m²")
    overlap = f"Sown twice or over the edge: {passes.overlap_m2 / factor:,.0f} {unit}"
    if passes.missed_m2:
        overlap += f"; left beside obstacles, by hand: {passes.missed_m2 / factor:,.0f} {unit}"
    lines.append(f"{overlap}.")
    if passes.note:
        lines.append(passes.note)
    lines.append("A suggestion: ditches, banks, wires and soft ground decide.")
    return lines
