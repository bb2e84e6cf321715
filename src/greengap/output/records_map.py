"""The map of the records: every block with the number, the area and the cover that the records name, on one page."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from greengap.output.passes import plane_of
from greengap.output.sheet_map import north, rings, scale_bar
from greengap.output.sheet_pen import MM, Pen
from greengap.plan import Plan
from greengap.polygon_file import polygons_of
from greengap.units import write

LEGEND = 0.34  # of the width
ASKED = (
    "Certifiers also ask for roads, water, buildings, the use of adjoining land and buffers: draw in what is not here."
)


def records_map(plan: Plan, records: pd.DataFrame, title: str, foot: str, letter: bool) -> bytes:
    """Draw the map; the same records give the same bytes.

    Parameters
    ----------
    plan : Plan
    records : DataFrame
        From `greengap.output.records.records_table`.
    title, foot : str
    letter : bool
        US letter paper instead of A4.

    Returns
    -------
    bytes
        PDF, landscape, black and white.
    """
    from reportlab.lib import pagesizes
    from reportlab.pdfgen.canvas import Canvas

    wide, high = pagesizes.landscape(pagesizes.letter if letter else pagesizes.A4)
    held = io.BytesIO()
    canvas = Canvas(held, pagesize=(wide, high), invariant=1)
    canvas.setTitle(title)
    canvas.setAuthor("greengap")
    pen = Pen(canvas, wide, high, 12 * MM)
    top = high - pen.margin - 14
    pen.words(pen.margin, top, f"{title}: map", 14, strong=True)
    if plan.metadata["note"]:
        pen.words(pen.margin, top - 12, plan.metadata["note"], 7, italic=True)
    low, room = pen.margin + 8 * MM, top - 20
    side = pen.wide * (1 - LEGEND)
    numbers = {block: n for n, block in enumerate(plan.blocks["block_id"], start=1)}
    scale = _ground(pen, plan, numbers, (pen.margin, low, side, room - low))
    north(pen, pen.margin + side - 8 * MM, room - 14 * MM)
    scale_bar(pen, pen.margin + 2 * MM, low + 2 * MM, scale, plan.settings.units == "us", side)
    lines = _legend(plan, records, numbers)
    x, y = pen.margin + side + 5 * MM, room
    size = min(7.5, (room - low) / max(len(lines), 1) / 1.35)
    if size < 4:
        lines, size = lines[: int((room - low) / 5.4)], 4.0
    for text, strong in lines:
        y -= size * 1.35
        pen.words(x, y, text, pen.fitting(text, size, pen.wide * LEGEND - 5 * MM, strong), strong=strong)
    pen.words(pen.margin, low - 4 * MM, ASKED, 6.5, italic=True)
    pen.end_page(foot)
    canvas.save()
    return held.getvalue()


def _ground(pen: Pen, plan: Plan, numbers: dict[str, int], frame: tuple[float, float, float, float]) -> float:
    """Blocks to scale, north up, with their numbers; gives points for a metre."""
    x, y, wide, high = frame
    there = Transformer.from_crs("EPSG:4326", plane_of(plan.blocks.total_bounds), always_xy=True)
    shapes = {
        b.block_id: shapely.transform(b.geometry, lambda xy: np.column_stack(there.transform(xy[:, 0], xy[:, 1])))
        for b in plan.blocks.itertuples()
    }
    left, bottom, right, up = shapely.total_bounds(list(shapes.values()))
    scale = min(wide * 0.94 / max(right - left, 1.0), high * 0.86 / max(up - bottom, 1.0))
    at_x, at_y = x + wide / 2 - (left + right) / 2 * scale, y + high / 2 - (bottom + up) / 2 * scale

    def paper(geometry: Any) -> list[tuple[float, float]]:
        return [(at_x + px * scale, at_y + py * scale) for px, py in shapely.get_coordinates(geometry)]

    pen.box(x, y, wide, high, 0.5)
    for shape in shapes.values():
        for part in polygons_of(shape):
            pen.polygon(rings(part, paper), 0.9, fill=0.95)
    for block, shape in shapes.items():
        px, py = paper(shape.representative_point())[0]
        pen.words(px, py - 3, str(numbers[block]), 8, strong=True, align="middle", behind=True)
    return float(scale)


def _legend(plan: Plan, records: pd.DataFrame, numbers: dict[str, int]) -> list[tuple[str, bool]]:
    """Number, name and area of each block, and what was sown or is planned there."""
    units = plan.settings.units
    lines: list[tuple[str, bool]] = []
    for block in plan.blocks.itertuples():
        field = "" if block.field == block.block_id else f" ({block.field})"
        area = write(block.area_gross_m2, "m2", units)
        lines.append((f"{numbers[block.block_id]}  {block.block_id}{field}, {area}", True))
        mine = records[(records["block"] == block.block_id) & ~records["remarks"].str.startswith("not sown")]
        mine = mine.drop_duplicates(["gap", "cover", "cover_sown"])
        for r in mine.itertuples():
            if r.cover_sown:
                ended = f", ended {r.ended_on:%d %b %Y}" if isinstance(r.ended_on, pd.Timestamp) else ""
                lines.append((f"     {r.cover_sown}, sown {r.sown_on:%d %b %Y}{ended}", False))
            else:
                lines.append((f"     {r.cover}, planned for {r.planned_sowing:%d %b %Y}", False))
    return lines
