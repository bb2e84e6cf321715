"""A pen on a PDF page: letters that the font has, lines, boxes, codes; black, white and grey only."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

MM = 72 / 25.4
FONTS = {"Plain": "Vera.ttf", "Strong": "VeraBd.ttf", "Slanted": "VeraIt.ttf"}  # these come with the library


class Pen:
    """Draws on one page after another; the origin is the lower left corner, in points."""

    def __init__(self, canvas: Canvas, wide: float, high: float, margin: float) -> None:
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFont

        for name, file in FONTS.items():
            if name not in pdfmetrics.getRegisteredFontNames():
                pdfmetrics.registerFont(TTFont(name, file))
        self.canvas, self.margin, self.high, self.page_wide = canvas, margin, high, wide
        self.wide = wide - 2 * margin
        self.number = 0
        self.missing: set[str] = set()
        self._metrics = pdfmetrics
        self._glyphs = pdfmetrics.getFont("Plain").face.charToGlyph

    def plain(self, text: str) -> str:
        """The text with letters that the font lacks as question marks."""
        self.missing.update(c for c in text if ord(c) not in self._glyphs)
        return "".join(c if ord(c) in self._glyphs else "?" for c in text)

    @staticmethod
    def _font(strong: bool, italic: bool = False) -> str:
        return "Strong" if strong else "Slanted" if italic else "Plain"

    def length(self, text: str, size: float, strong: bool = False) -> float:
        """Of a line of text [pt]."""
        return float(self._metrics.stringWidth(self.plain(text), self._font(strong), size))

    def fitting(self, text: str, size: float, wide: float, strong: bool = False) -> float:
        """The size at which a line fits, at most `size`."""
        return size * min(1.0, wide / max(self.length(text, size, strong), 1e-6))

    def words(
        self, x: float, y: float, text: str, size: float, strong: bool = False, italic: bool = False,
        align: str = "left", behind: bool = False, grey: float = 0.0,
    ) -> None:  # fmt: skip
        """A line of text at its baseline; with a white ground `behind` it, for maps."""
        text, font = self.plain(text), self._font(strong, italic)
        wide = self._metrics.stringWidth(text, font, size)
        x -= {"left": 0.0, "middle": wide / 2, "right": wide}[align]
        if behind:
            self.canvas.setFillGray(1)
            self.canvas.rect(x - 1, y - size * 0.25, wide + 2, size * 1.1, stroke=0, fill=1)
        self.canvas.setFillGray(grey)
        self.canvas.setFont(font, size)
        self.canvas.drawString(x, y, text)

    def wrapped(self, text: str, size: float, wide: float, strong: bool = False) -> list[str]:
        """Text in lines of a width; at least one."""
        from reportlab.lib.utils import simpleSplit

        return simpleSplit(self.plain(text), self._font(strong), size, wide) or [""]

    def paragraph(
        self, x: float, y: float, wide: float, text: str, size: float, strong: bool = False, italic: bool = False,
        draw: bool = True,
    ) -> float:  # fmt: skip
        """Text below `y`; gives the lower end."""
        for line in self.wrapped(text, size, wide, strong):
            y -= size * 1.22
            if draw:
                self.words(x, y + size * 0.2, line, size, strong, italic)
        return y - size * 0.25

    def line(
        self, x0: float, y0: float, x1: float, y1: float, wide: float, grey: float = 0.0, dash: bool = False
    ) -> None:
        """A straight line."""
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(wide)
        self.canvas.setDash([2, 2] if dash else [])
        self.canvas.line(x0, y0, x1, y1)
        self.canvas.setDash([])

    def box(self, x: float, y: float, wide: float, high: float, line: float, fill: float | None = None) -> None:
        """A rectangle; `fill` is its grey, 1 for white."""
        self.canvas.setStrokeGray(0)
        self.canvas.setLineWidth(line)
        if fill is not None:
            self.canvas.setFillGray(fill)
        self.canvas.rect(x, y, wide, high, stroke=int(line > 0), fill=int(fill is not None))

    def polygon(
        self, rings: list[list[tuple[float, float]]], line: float, grey: float = 0.0, fill: float | None = None,
        dash: bool = False,
    ) -> None:  # fmt: skip
        """Rings as one shape; a ring inside another is a hole."""
        path = self.canvas.beginPath()
        for ring in rings:
            path.moveTo(*ring[0])
            for place in ring[1:]:
                path.lineTo(*place)
            path.close()
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(line)
        self.canvas.setDash([2.5, 1.5] if dash else [])
        if fill is not None:
            self.canvas.setFillGray(fill)
        self.canvas.drawPath(path, stroke=int(line > 0), fill=int(fill is not None), fillMode=0)
        self.canvas.setDash([])

    def triangle(self, corners: list[tuple[float, float]]) -> None:
        """A filled triangle."""
        self.polygon([corners], 0, fill=0.0)

    def code(self, text: str, x: float, y: float, size: float) -> None:
        """A QR code (ISO/IEC 18004) as vectors, with its quiet zone inside the size."""
        import segno

        made = segno.make_qr(text, error="m", encoding="utf-8")
        rows = [list(row) for row in made.matrix_iter(border=2)]
        cell = size / len(rows)
        self.canvas.setFillGray(0)
        for j, row in enumerate(rows):
            i = 0
            while i < len(row):
                run = i
                while run < len(row) and row[run]:
                    run += 1
                if run > i:
                    self.canvas.rect(x + i * cell, y + size - (j + 1) * cell, (run - i) * cell, cell, stroke=0, fill=1)
                i = max(run, i + 1)

    def end_page(self, foot: str) -> None:
        """Foot with the number of the page, and a new page."""
        self.number += 1
        if self.missing:
            foot += "  ? stands for a letter that this file cannot show."
            self.missing.clear()
        number = f"page {self.number}"
        room = self.wide - self.length(number, 6.5) - 8
        self.words(self.margin, self.margin - 2, foot, self.fitting(foot, 6.5, room))
        self.words(self.margin + self.wide, self.margin - 2, number, 6.5, align="right")
        self.canvas.showPage()
