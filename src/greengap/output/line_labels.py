"""Where the name of a line may stand: beside its own line, away from the others. Geometry only, no drawing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

# What a place costs; only their order matters.
ON_A_LINE, NEARER_TO_ANOTHER, ON_A_LEVEL, ON_A_LABEL, FAR, ASIDE = 2.0, 6.0, 8.0, 200.0, 3.0, 6.0
DISTANCES = (0.62, 1.5, 2.4)  # from the line to the middle of the label, in heights of the label


class Box(NamedTuple):
    """A rectangle, in any unit that is the same for both directions."""

    left: float
    bottom: float
    right: float
    top: float


def label_boxes(
    lines: list[NDArray[np.float64]], sizes: list[tuple[float, float]], frame: Box, levels: list[float], unit: float
) -> list[Box | None]:
    """Choose a place for the label of each line, in their order.

    Parameters
    ----------
    lines : list of ndarray, shape (point, 2)
        Points close together along each line, from left to right.
    sizes : list of (width, height)
        Of each label.
    frame : Box
        Labels stay inside.
    levels : list of float
        Level lines that labels had better not cross.
    unit : float
        A small distance: what separates lines that coincide.

    Returns
    -------
    list of Box or None
        None where the frame is too small for the label.
    """
    taken: list[Box] = []
    out: list[Box | None] = []
    for own, (wide, high) in enumerate(sizes):
        found: tuple[float, Box] | None = None
        for x, y in lines[own][:: max(len(lines[own]) // 80, 1)]:
            left = min(max(x - wide / 2, frame.left + 7 * unit), frame.right - wide)
            for side in (1, -1):
                for away in DISTANCES:
                    middle = y + side * (away * high + 2 * unit)
                    box = Box(left, middle - high / 2, left + wide, middle + high / 2)
                    if box.bottom < frame.bottom + unit or box.top > frame.top + 4 * unit:
                        continue
                    cost = away * FAR + abs(x - left - wide / 2) / wide * ASIDE
                    cost += _crowding(box, lines, own, abs(y - middle), unit)
                    cost += ON_A_LEVEL * sum(box.bottom < level < box.top for level in levels)
                    cost += ON_A_LABEL * sum(_touch(box, other, 6 * unit) for other in taken)
                    if found is None or cost < found[0]:
                        found = cost, box
        out.append(found[1] if found else None)
        if found:
            taken.append(found[1])
    return out


def _crowding(box: Box, lines: list[NDArray[np.float64]], own: int, distance: float, unit: float) -> float:
    """What it costs that lines run through the box, or that one is nearer to it than its own."""
    middle, reach, cost = (box.bottom + box.top) / 2, (box.top - box.bottom) / 2 + unit, 0.0
    for k, points in enumerate(lines):
        beside = points[(points[:, 0] > box.left) & (points[:, 0] < box.right), 1]
        gap = np.abs(beside - middle)
        cost += ON_A_LINE * float((gap < reach).sum())
        if k != own and gap.size and gap.min() < distance - 1.5 * unit:
            cost += NEARER_TO_ANOTHER
    return cost


def _touch(a: Box, b: Box, margin: float) -> bool:
    across = min(a.right, b.right) - max(a.left, b.left) + margin
    down = min(a.top, b.top) - max(a.bottom, b.bottom)
    return across > 0 and down > 0
