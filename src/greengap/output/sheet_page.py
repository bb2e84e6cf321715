"""Field sheets on paper: a PDF in black, white and one grey, so that a photocopy loses nothing; maps as vectors."""

from __future__ import annotations

import io
from collections.abc import Sequence

from greengap.output.field_sheet import BOXES, CoverSheet, Section, Sheet
from greengap.output.sheet_map import draw_map
from greengap.output.sheet_pen import MM, Pen
from greengap.output.sheet_year import draw_year
from greengap.plan import Plan

MARGIN = 11 * MM
SIZES = (9.4, 9.0, 8.6, 8.2, 7.8, 7.4, 7.0, 6.6)  # of letters, largest that fits
# What is tried in turn until all fits: height of the map over its width, size of letters, cautions on the left.
TRIES = [
    (share, size, is_left)
    for share, sizes in ((0.98, [z for z in SIZES if z >= 8]), (0.72, SIZES))
    for size in sizes
    for is_left in (False, True)
]
BOX_ROWS, BOX_HIGH, NOTES_HIGH = 3, 9 * MM, 11 * MM


def to_pdf(plan: Plan, covers: Sequence[CoverSheet], sheets: Sequence[Sheet], letter: bool = False) -> bytes:
    """The cover sheets and a page for each sowing; the same plan gives the same bytes.

    A page whose cautions do not fit at the smallest letters goes on overleaf.
    """
    from reportlab.lib import pagesizes
    from reportlab.pdfgen.canvas import Canvas

    held = io.BytesIO()
    size = pagesizes.letter if letter else pagesizes.A4
    canvas = Canvas(held, pagesize=size, invariant=1, pageCompression=1)
    canvas.setTitle(f"Field sheets, {plan.metadata['farm']}")
    canvas.setAuthor("greengap")
    pen = Pen(canvas, size[0], size[1], MARGIN)
    for cover in covers:
        draw_year(pen, cover)
    for sheet in sheets:
        _draw_sheet(pen, plan, sheet)
    canvas.save()
    return held.getvalue()


def _draw_sheet(pen: Pen, plan: Plan, sheet: Sheet) -> None:
    top = _head(pen, sheet)
    bottom = _write_here(pen, sheet)
    gutter = 5 * MM
    left_wide = (pen.wide - gutter) * 0.54
    right_wide = pen.wide - gutter - left_wide
    right_x = pen.margin + left_wide + gutter

    def under_map(share: float) -> float:
        return top - share * right_wide - 2 * MM

    def room(sections: Sequence[Section], x: float, y: float, wide: float, size: float) -> float:
        return _sections(pen, sections, x, y, wide, size, draw=False) - bottom

    *right, cautions = sheet.right
    left, left_over = list(sheet.left), []
    for share, size, is_left in TRIES:
        more_left, more_right = ([cautions], []) if is_left else ([], [cautions])
        if (
            room([*left, *more_left], pen.margin, top, left_wide, size) >= 0
            and room([*right, *more_right], right_x, under_map(share), right_wide, size) >= 0
        ):
            left, right = [*left, *more_left], [*right, *more_right]
            break
    else:
        lines = list(cautions.lines)
        places = ((left, pen.margin, top, left_wide), (right, right_x, under_map(share), right_wide))
        for sections, x, y, wide in places:
            count = len(lines)
            title = cautions.title if len(lines) == len(cautions.lines) else f"{cautions.title}, more"
            while count and room([*sections, Section(title, tuple(lines[:count]))], x, y, wide, size) < 0:
                count -= 1
            if count:
                sections.append(Section(title, tuple(lines[:count])))
                lines = lines[count:]
        left_over = [Section(f"{cautions.title}, more", tuple(lines))] if lines else []
    draw_map(pen, plan, sheet.job, right_x, top - share * right_wide, right_wide, share * right_wide)
    right_top = under_map(share)
    _sections(pen, left, pen.margin, top, left_wide, size)
    _sections(pen, right, right_x, right_top, right_wide, size)
    if left_over:
        pen.words(right_x, bottom + 1 * MM, "Goes on overleaf.", 7.5, strong=True)
    pen.end_page(sheet.foot)
    if left_over:
        pen.words(
            pen.margin, pen.high - pen.margin - 16, f"{sheet.title}, {sheet.job.gap_id}, overleaf", 16, strong=True
        )
        _sections(pen, left_over, pen.margin, pen.high - pen.margin - 26, pen.wide, SIZES[0])
        pen.end_page(sheet.foot)


def _head(pen: Pen, sheet: Sheet) -> float:
    """Block name in large letters, gap, code; gives where the page goes on."""
    code = 25 * MM
    top = pen.high - pen.margin
    pen.code(sheet.code, pen.margin + pen.wide - code, top - code, code)
    room = pen.wide - code - 4 * MM
    size = pen.fitting(sheet.title, 40, room, strong=True)
    y = top - size * 0.82
    pen.words(pen.margin, y, sheet.title, size, strong=True)
    y -= 14
    y = pen.paragraph(pen.margin, y, room, sheet.under, 9.5)
    if sheet.note:
        y = pen.paragraph(pen.margin, y, room, sheet.note, 7.5, italic=True)
    y = min(y, top - code) - 1.5 * MM
    pen.line(pen.margin, y, pen.margin + pen.wide, y, 1.2)
    return y - 3 * MM


def _sections(
    pen: Pen, sections: Sequence[Section], x: float, y: float, wide: float, size: float, draw: bool = True
) -> float:
    """Sections below one another; gives the lower end."""
    for section in sections:
        y = _section(pen, section, x, y, wide, size, draw)
    return y


def _section(pen: Pen, section: Section, x: float, y: float, wide: float, size: float, draw: bool) -> float:
    head = size * (1.75 if section.title.startswith("1") else 1.3)
    head = pen.fitting(section.title, head, wide, strong=True)
    y -= head
    if draw:
        pen.words(x, y, section.title, head, strong=True)
    y -= size * 0.55
    if section.title.startswith("1"):  # the sowing line before everything
        for line in section.lines:
            y = pen.paragraph(x, y, wide, line, size + 1, strong=True, draw=draw)
        y = _rows(pen, section, x, y, wide, size + 0.6, draw)
        return y - size * 0.8
    counts = section.title[:1] in "45" and len(section.lines) > 0  # their last line comes after the table
    for line in section.lines[:-1] if counts else section.lines:
        y = pen.paragraph(x, y, wide, line, size, draw=draw)
    y = _rows(pen, section, x, y, wide, size - 0.4, draw)
    if counts:
        y = pen.paragraph(x, y, wide, section.lines[-1], size, draw=draw)
    return y - size * 0.7


def _rows(pen: Pen, section: Section, x: float, y: float, wide: float, size: float, draw: bool) -> float:
    """A small table; cells that are empty are boxes to write in."""
    lined = not section.title.startswith("1")
    for number, row in enumerate(section.rows):
        to_write = lined and number > 0 and "" in row
        strong = [(lined and number == 0) or (not lined and i == 0) for i in range(len(row))]
        sizes = [_cell_size(pen, c, size, wide * w - 3, b) for c, w, b in zip(row, section.widths, strong, strict=True)]
        parts = [
            pen.wrapped(c, z, wide * w - 3, b) for c, w, b, z in zip(row, section.widths, strong, sizes, strict=True)
        ]
        high = max(max(len(p) for p in parts) * size * 1.25 + 2.5, 5.6 * MM if to_write else 0.0)
        if draw:
            at = x
            for i, (lines, share) in enumerate(zip(parts, section.widths, strict=True)):
                if lined:
                    pen.box(at, y - high, wide * share, high, 0.4, fill=0.9 if number == 0 else None)
                for k, line in enumerate(lines):
                    pen.words(at + (1.5 if lined else 0), y - size * (1 + 1.25 * k), line, sizes[i], strong=strong[i])
                at += wide * share
        y -= high
    return y - (2 if section.rows else 0)


def _cell_size(pen: Pen, cell: str, size: float, wide: float, strong: bool) -> float:
    """The size at which the longest word of a cell fits into it."""
    return min((pen.fitting(word, size, wide, strong) for word in cell.split()), default=size)


def _write_here(pen: Pen, sheet: Sheet) -> float:
    """Boxes for the day, with their codes, and room for notes; gives the upper end."""
    per_row = -(-len(BOXES) // BOX_ROWS)
    low = pen.margin + 5 * MM
    pen.box(pen.margin, low, pen.wide, NOTES_HIGH, 0.6)
    pen.words(pen.margin + 2, low + NOTES_HIGH - 7, "re  remarks", 6.6)
    wide = pen.wide / per_row
    for index, (code, words) in enumerate(BOXES):
        column, row = index % per_row, index // per_row
        x = pen.margin + column * wide
        y = low + NOTES_HIGH + (BOX_ROWS - 1 - row) * BOX_HIGH
        pen.box(x, y, wide, BOX_HIGH, 0.6)
        pen.words(x + 2, y + BOX_HIGH - 7, code, 6.6, strong=True)
        pen.words(x + 15, y + BOX_HIGH - 7, words, pen.fitting(words, 6.4, wide - 17))
    top = low + NOTES_HIGH + BOX_ROWS * BOX_HIGH
    pen.words(
        pen.margin,
        top + 3,
        f"8  Write here  (type in the evening as: {sheet.job.gap_id} so 0419 kg 61)",
        8.4,
        strong=True,
    )
    return top + 5 * MM
