"""A printable document as plain parts, and the two forms it is handed over in: an HTML page and a PDF.

The parts know nothing of either form, so that both say the same.
"""

from __future__ import annotations

import html
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Heading:
    """A heading; level 1 is the title."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Words:
    """A paragraph; `strong` for what must not be missed."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Grid:
    """A table. Cells that are empty are lined, to be filled in by hand.

    Attributes
    ----------
    widths : sequence of float
        Relative widths of the columns.
    numbers : collection of int
        Columns set to the right.
    """

    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    widths: Sequence[float]
    numbers: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Labels:
    """Labels to cut out, three across; each has a name in strong letters and lines below."""

    labels: Sequence[tuple[str, Sequence[str]]]


@dataclass(frozen=True)
class Kept:
    """Parts that stand together on one sheet if they fit on one."""

    parts: Sequence[Heading | Words | Grid]


@dataclass(frozen=True)
class NewPage:
    """What follows begins a new sheet."""


Part = Heading | Words | Grid | Labels | Kept | NewPage
LABELS_ACROSS = 3

STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.4 system-ui, sans-serif; color: #111; background: #fff; margin: 1.2rem auto; max-width: 84rem;
  padding: 0 1rem; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; }
h2 { font-size: 1.15rem; margin: 1.4rem 0 .4rem; border-bottom: 2px solid #111; }
h3 { font-size: 1rem; margin: 1rem 0 .3rem; }
p { margin: .35rem 0; } p.strong { font-weight: 700; }
.grid { overflow-x: auto; } table { border-collapse: collapse; width: 100%; font-size: .87rem; }
th, td { border: 1px solid #666; padding: .3rem .4rem; text-align: left; vertical-align: top; }
th { background: #eee; } td.number { text-align: right; font-variant-numeric: tabular-nums; }
td:empty { height: 1.6rem; }
.labels { display: grid; grid-template-columns: repeat(3, 1fr); gap: 0; }
.label { border: 1px dashed #111; padding: .5rem .6rem; min-height: 9rem; font-size: .87rem; break-inside: avoid; }
.label p { margin: .1rem 0; } .label p:first-child { font-size: 1.05rem; }
@media screen and (max-width: 60rem) { .labels { grid-template-columns: 1fr; } }
@media screen and (max-width: 60rem) { table { min-width: 60rem; } }
@media print {
  @page { margin: 14mm; } body { max-width: none; margin: 0; padding: 0; font-size: 10.5pt; }
  .grid { overflow: visible; } tr { break-inside: avoid; } thead { display: table-header-group; }
  h2, h3 { break-after: avoid; } .sheet { break-before: page; } .kept { break-inside: avoid; }
}
"""


def to_html(title: str, parts: Sequence[Part]) -> str:
    """The document as one HTML page without any outside file."""
    out = [
        "<!doctype html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)}</title>',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<style>{STYLE}</style></head><body>",
    ]
    sheet = ""
    for part in parts:
        if isinstance(part, NewPage):
            sheet = ' class="sheet"'
            continue
        out += _html_part(part, sheet)
        sheet = ""
    return "\n".join([*out, "</body></html>"]) + "\n"


def _html_part(part: Part, sheet: str = "") -> list[str]:
    """Lines of a part; `sheet` is an attribute of what begins a new sheet."""
    match part:
        case Heading(text, level):
            return [f"<h{level}{sheet}>{html.escape(text)}</h{level}>"]
        case Words(text, strong):
            css = ' class="strong"' if strong else ""
            return [f"<p{css}>{html.escape(text)}</p>"]
        case Grid():
            return [_html_table(part)]
        case Labels(labels):
            cells = [
                f'<p class="strong">{html.escape(name)}</p>' + "".join(f"<p>{html.escape(line)}</p>" for line in lines)
                for name, lines in labels
            ]
            return ['<div class="labels">', *(f'<div class="label">{cell}</div>' for cell in cells), "</div>"]
        case Kept(inner):
            return ['<section class="kept">', *(line for one in inner for line in _html_part(one)), "</section>"]
        case NewPage():
            return []


def _html_table(grid: Grid) -> str:
    total = sum(grid.widths)
    widths = "".join(f'<col style="width:{100 * w / total:.1f}%">' for w in grid.widths)
    head = "".join(f'<th scope="col">{html.escape(c)}</th>' for c in grid.columns)
    body = "".join(
        "<tr>"
        + "".join(
            f"<td{' class=number' if i in grid.numbers else ''}>{html.escape(cell)}</td>" for i, cell in enumerate(row)
        )
        + "</tr>\n"
        for row in grid.rows
    )
    table = f"<colgroup>{widths}</colgroup><thead><tr>{head}</tr></thead><tbody>{body}</tbody>"
    return f'<div class="grid"><table>{table}</table></div>'


def to_pdf(title: str, parts: Sequence[Part], foot: str = "", letter: bool = False) -> bytes:
    """The document as a PDF, landscape, with page numbers; the same parts give the same bytes.

    Parameters
    ----------
    title : str
    parts : sequence of Part
    foot : str
        Printed at the foot of each page beside its number.
    letter : bool
        US letter paper instead of A4.

    Returns
    -------
    bytes
    """
    from reportlab.lib import pagesizes
    from reportlab.lib.colors import HexColor
    from reportlab.lib.enums import TA_RIGHT
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.lib.units import mm
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.platypus import (
        CondPageBreak,
        KeepTogether,
        PageBreak,
        Paragraph,
        SimpleDocTemplate,
        Spacer,
        Table,
        TableStyle,
    )

    fonts = {"Plain": "Vera.ttf", "Strong": "VeraBd.ttf"}  # these come with the library
    for name, file in fonts.items():
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, file))
    glyphs = pdfmetrics.getFont("Plain").face.charToGlyph
    missing: set[str] = set()

    def plain(text: str) -> str:
        missing.update(c for c in text if ord(c) not in glyphs and not c.isspace())
        return html.escape("".join(c if ord(c) in glyphs or c.isspace() else "?" for c in text), quote=False)

    size = pagesizes.landscape(pagesizes.letter if letter else pagesizes.A4)
    margin = 12 * mm
    width = size[0] - 2 * margin
    cell = ParagraphStyle("cell", fontName="Plain", fontSize=7.6, leading=9.4)
    right = ParagraphStyle("right", parent=cell, alignment=TA_RIGHT)
    head = ParagraphStyle("head", parent=cell, fontName="Strong")
    words = ParagraphStyle("words", fontName="Plain", fontSize=8.8, leading=11.5, spaceAfter=3)
    strong = ParagraphStyle("strong", parent=words, fontName="Strong")
    headings = {
        1: ParagraphStyle("h1", fontName="Strong", fontSize=15, leading=18, spaceAfter=3),
        2: ParagraphStyle("h2", fontName="Strong", fontSize=11.5, leading=14, spaceBefore=9, spaceAfter=4),
        3: ParagraphStyle("h3", fontName="Strong", fontSize=9.5, leading=12, spaceBefore=6, spaceAfter=3),
    }

    def table(part: Grid) -> Any:
        total = sum(part.widths)
        rows = [[Paragraph(plain(c), head) for c in part.columns]]
        rows += [
            [Paragraph(plain(c), right if i in part.numbers else cell) for i, c in enumerate(row)] for row in part.rows
        ]
        heights = [None, *(None if any(row) else 8 * mm for row in part.rows)]  # room to write in
        made = Table(rows, colWidths=[width * w / total for w in part.widths], rowHeights=heights, repeatRows=1)
        made.setStyle(
            TableStyle(
                [
                    ("GRID", (0, 0), (-1, -1), 0.4, HexColor("#666666")),
                    ("BACKGROUND", (0, 0), (-1, 0), HexColor("#eeeeee")),
                    ("VALIGN", (0, 0), (-1, -1), "TOP"),
                    ("LEFTPADDING", (0, 0), (-1, -1), 3),
                    ("RIGHTPADDING", (0, 0), (-1, -1), 3),
                    ("TOPPADDING", (0, 0), (-1, -1), 2.5),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
                ]
            )
        )
        return made

    def labels(part: Labels) -> Any:
        cells = [
            [Paragraph(plain(name), strong), *(Paragraph(plain(line), cell) for line in lines)]
            for name, lines in part.labels
        ]
        cells += [[]] * (-len(cells) % LABELS_ACROSS)
        rows = [cells[at : at + LABELS_ACROSS] for at in range(0, len(cells), LABELS_ACROSS)]
        made = Table(rows, colWidths=[width / LABELS_ACROSS] * LABELS_ACROSS, rowHeights=[46 * mm] * len(rows))
        made.setStyle(
            TableStyle(
                [
                    ("GRID", (0, 0), (-1, -1), 0.5, HexColor("#111111"), 0, (3, 3)),
                    ("VALIGN", (0, 0), (-1, -1), "TOP"),
                    ("LEFTPADDING", (0, 0), (-1, -1), 7),
                    ("TOPPADDING", (0, 0), (-1, -1), 6),
                ]
            )
        )
        return made

    def flowables(part: Part) -> list[Any]:
        match part:
            case NewPage():
                return [PageBreak()]
            case Heading(text, level):
                return [CondPageBreak(45 * mm), Paragraph(plain(text), headings[level])]  # not without what follows
            case Words(text, is_strong):
                return [Paragraph(plain(text), strong if is_strong else words)]
            case Grid():
                return [table(part), Spacer(1, 2 * mm)]
            case Labels():
                return [labels(part), Spacer(1, 2 * mm)]
            case Kept(inner):
                held = [one for some in inner for one in flowables(some) if not isinstance(one, CondPageBreak)]
                return [KeepTogether(held)]

    flow: list[Any] = [one for part in parts for one in flowables(part)]
    if missing:
        flow.append(
            Paragraph(plain("Letters that this file cannot show are printed as ?; the HTML page has them."), words)
        )

    def number_page(canvas: Any, document: Any) -> None:
        canvas.saveState()
        canvas.setFont("Plain", 7)
        canvas.drawString(margin, 7 * mm, foot)
        canvas.drawRightString(size[0] - margin, 7 * mm, f"page {document.page}")
        canvas.restoreState()

    held = io.BytesIO()
    document = SimpleDocTemplate(
        held, pagesize=size, leftMargin=margin, rightMargin=margin, topMargin=margin, bottomMargin=margin + 3 * mm,
        title=title, author="greengap", invariant=1,
    )  # fmt: skip
    document.build(flow, onFirstPage=number_page, onLaterPages=number_page)
    return held.getvalue()
