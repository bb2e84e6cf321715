"""The map of a block on its field sheet: outline, headland, passes, A-B line, neighbours, scale, north."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import shapely
from pyproj import Transformer
from shapely.geometry.base import BaseGeometry

from greengap.output.jobs import Job
from greengap.output.passes import plane_of
from greengap.output.sheet_pen import MM, Pen
from greengap.plan import Plan
from greengap.polygon_file import polygons_of
from greengap.units import FOOT_M

AROUND = 0.12  # of the block's size, that is shown beside it


def draw_map(pen: Pen, plan: Plan, job: Job, x: float, y: float, wide: float, high: float) -> None:
    """Draw a block into a rectangle of the page, north up."""
    there = Transformer.from_crs("EPSG:4326", plane_of(plan.blocks.total_bounds), always_xy=True)

    def metric(geometry: BaseGeometry) -> BaseGeometry:
        return shapely.transform(geometry, lambda xy: np.column_stack(there.transform(xy[:, 0], xy[:, 1])))

    ground = metric(job.outline)
    left, bottom, right, top = ground.bounds
    strip = 9 * MM  # below, for the scale
    edge = AROUND * max(right - left, top - bottom)
    scale = min(wide / (right - left + 2 * edge), (high - strip) / (top - bottom + 2 * edge))
    middle = ((left + right) / 2, (bottom + top) / 2)
    frame = (x, y + strip, wide, high - strip)
    at_x, at_y = x + wide / 2 - middle[0] * scale, y + strip + (high - strip) / 2 - middle[1] * scale

    def paper(xy: Any) -> list[tuple[float, float]]:
        return [(at_x + px * scale, at_y + py * scale) for px, py in shapely.get_coordinates(xy)]

    pen.canvas.saveState()
    clip = pen.canvas.beginPath()
    clip.rect(*frame)
    pen.canvas.clipPath(clip, stroke=0)
    shown = shapely.box(
        *[
            (v - o) / scale
            for v, o in zip(
                (frame[0], frame[1], frame[0] + frame[2], frame[1] + frame[3]), (at_x, at_y, at_x, at_y), strict=True
            )
        ]
    )
    for other in plan.blocks.itertuples():
        if other.block_id != job.block_id:
            _neighbour(pen, other.block_id, metric(other.geometry), shown, paper)
    passes = job.passes
    if passes is not None:
        for part in polygons_of(metric(passes.headland)) if passes.rounds else []:
            pen.polygon(rings(part, paper), 0.4, grey=0.45, fill=0.9, dash=True)
        for swath in passes.swaths:
            (x0, y0), (x1, y1) = paper(metric(swath))
            pen.line(x0, y0, x1, y1, 0.35, grey=0.35)
    for part in polygons_of(ground):
        pen.polygon(rings(part, paper), 1.6)
        for hole in part.interiors:
            pen.polygon([paper(hole)], 1.0, fill=0.75)
            why = reason_of(job.outline, metric, hole, plan)
            if why:
                _crossed_out(pen, hole, paper)
            hx, hy = paper(hole.centroid)[0]
            pen.words(hx, hy - 2, f"{why}: around" if why else "around", 6, align="middle", behind=True)
    if passes is not None:
        _a_b_line(pen, paper(metric(shapely.LineString([passes.a, passes.b]))))
        _last_number(pen, passes.count, paper(metric(passes.swaths[-1])), paper(ground.representative_point())[0])
    pen.canvas.restoreState()
    pen.canvas.setStrokeGray(0)
    pen.box(*frame, 0.5)
    north(pen, x + wide - 6 * MM, y + high - 13 * MM)
    scale_bar(pen, x, y + 2 * MM, scale, plan.settings.units == "us", wide)
    if passes is not None:
        words = "heavy arrow: A-B line" + ("; grey: headland" if passes.rounds else "")
        pen.words(x + wide, y + 2 * MM + 1, words, 6, align="right")


def reason_of(outline: BaseGeometry, metric: Callable[[Any], Any], hole: Any, plan: Plan) -> str:
    """Why a hole of a block is left out, as the farm says; empty where it does not say."""
    ground = shapely.Polygon(hole)
    for said in plan.settings.cut_outs:
        place = shapely.Point(said.lon, said.lat)
        if outline.envelope.covers(place) and ground.covers(metric(place)):
            return said.words
    return ""


def _crossed_out(pen: Pen, hole: Any, paper: Callable[[Any], list[tuple[float, float]]]) -> None:
    """Two lines through a hole, from corner to corner of its box, as far as it reaches."""
    left, bottom, right, top = hole.bounds
    for line in ([(left, bottom), (right, top)], [(left, top), (right, bottom)]):
        inside = shapely.intersection(shapely.LineString(line), shapely.Polygon(hole))
        for piece in shapely.get_parts(inside):
            if piece.geom_type == "LineString":
                (x0, y0), *_, (x1, y1) = paper(piece)
                pen.line(x0, y0, x1, y1, 0.8)


def rings(part: Any, paper: Callable[[Any], list[tuple[float, float]]]) -> list[list[tuple[float, float]]]:
    """Outline and holes of a polygon on the page."""
    return [paper(ring) for ring in (part.exterior, *part.interiors)]


def _neighbour(pen: Pen, name: str, ground: BaseGeometry, shown: Any, paper: Callable[[Any], Any]) -> None:
    seen = shapely.intersection(ground, shown)
    if seen.is_empty:
        return
    for part in polygons_of(ground):
        pen.polygon(rings(part, paper), 0.5, grey=0.5)
    largest = max(polygons_of(seen), key=lambda p: p.area, default=None)
    if largest is None:
        return
    x, y = paper(largest.representative_point())[0]
    left, bottom, right, top = paper(shapely.Point(shown.bounds[:2]))[0] + paper(shapely.Point(shown.bounds[2:]))[0]
    half = pen.length(name, 6) / 2 + 2
    by_north = x + half > right - 12 * MM and y + 8 > top - 17 * MM
    if left < x - half and x + half < right and bottom + 4 < y < top - 6 and not by_north:
        pen.words(x, y - 2, name, 6, italic=True, align="middle", grey=0.25)


def _a_b_line(pen: Pen, ends: list[tuple[float, float]]) -> None:
    """The A-B line, heavy, with its arrow half way."""
    (x0, y0), (x1, y1) = ends
    pen.line(x0, y0, x1, y1, 1.8)
    length = math.hypot(x1 - x0, y1 - y0) or 1.0
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    mx, my = (x0 + x1) / 2, (y0 + y1) / 2
    pen.triangle(
        [
            (mx + 6 * ux, my + 6 * uy),
            (mx - 3 * ux - 4 * uy, my - 3 * uy + 4 * ux),
            (mx - 3 * ux + 4 * uy, my - 3 * uy - 4 * ux),
        ]
    )
    for letter, (px, py), sign in (("A", ends[0], -1), ("B", ends[1], 1)):
        pen.words(px + sign * 7 * ux, py + sign * 7 * uy - 3, letter, 9, strong=True, align="middle", behind=True)


def _last_number(pen: Pen, count: int, ends: list[tuple[float, float]], inside: tuple[float, float]) -> None:
    """Number of the last pass beside it, a little inside."""
    if count < 2:
        return
    x, y = (ends[0][0] + ends[1][0]) / 2, (ends[0][1] + ends[1][1]) / 2
    away = math.hypot(inside[0] - x, inside[1] - y) or 1.0
    step = min(9.0, away)
    x, y = x + step * (inside[0] - x) / away, y + step * (inside[1] - y) / away
    pen.words(x, y - 2.5, f"pass {count}", 6.5, align="middle", behind=True)


def north(pen: Pen, x: float, y: float) -> None:
    """An arrow to the north."""
    pen.canvas.setFillGray(1)
    pen.canvas.circle(x, y + 11, 14, stroke=0, fill=1)
    pen.triangle([(x, y + 18), (x - 4, y), (x, y + 4)])
    pen.polygon([[(x, y + 18), (x + 4, y), (x, y + 4)]], 0.6, fill=1.0)
    pen.words(x, y + 19.5, "N", 7.5, strong=True, align="middle")


def scale_bar(pen: Pen, x: float, y: float, scale: float, us: bool, wide: float) -> None:
    """A bar of a round length, a third of the map at most."""
    unit, name = (FOOT_M, "ft") if us else (1.0, "m")
    most = wide / 3 / scale / unit
    power = 10 ** math.floor(math.log10(most))
    length = max(n * power for n in (1, 2, 5) if n * power <= most)
    end = x + length * unit * scale
    half = (x + end) / 2
    pen.box(x, y, half - x, 3, 0.6, fill=0.0)
    pen.box(half, y, end - half, 3, 0.6, fill=1.0)
    for at, text in ((x, "0"), (end, f"{length:g} {name}")):
        pen.words(at, y + 5, text, 6.5, align="left" if at == x else "middle")
