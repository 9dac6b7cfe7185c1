"""A pen that draws on a PDF page in millimetres: the few strokes that the sheet is made of."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Literal

from aperture.card.ink import CAPITAL_OVER_TYPE_SIZE, Rectangle, font_path

# Lines to cut and fold are grey, so that what is left of one after cutting is not taken for an edge.
GUIDE = 0.45
FAINT = 0.65
LINE_MM = 0.18

Align = Literal["left", "centre", "right"]
Point = tuple[float, float]


class Pen:
    """Draws with a reportlab canvas; lengths in millimetres, greys from 0 (black) to 1 (white)."""

    def __init__(self, canvas: Any) -> None:
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFont

        self._canvas = canvas
        for bold in (False, True):
            pdfmetrics.registerFont(TTFont(_font_name(bold), str(font_path(bold))))

    @contextmanager
    def page(self, points_per_mm: float) -> Iterator[None]:
        """A page of the document; the origin is its lower left corner."""
        self._canvas.scale(points_per_mm, points_per_mm)
        yield
        self._canvas.showPage()

    @contextmanager
    def moved(self, x_mm: float, y_mm: float, scale: float = 1.0) -> Iterator[None]:
        """Draws with the origin at (x, y), everything `scale` times as large."""
        self._canvas.saveState()
        self._canvas.translate(x_mm, y_mm)
        self._canvas.scale(scale, scale)
        yield
        self._canvas.restoreState()

    def rectangles(self, rectangles: Sequence[Rectangle], grey: float = 0.0) -> None:
        """Filled rectangles as one shape, so that no hairline of paper shows between neighbours."""
        path = self._canvas.beginPath()
        for rectangle in rectangles:
            path.rect(rectangle.x_min_mm, rectangle.y_min_mm, rectangle.width_mm, rectangle.height_mm)
        self._canvas.setFillGray(grey)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def ellipse(self, x_mm: float, y_mm: float, width_mm: float, height_mm: float, grey: float = 0.0) -> None:
        """A filled ellipse around (x, y); reportlab's four curves are within 0.03 % of it."""
        self._canvas.setFillGray(grey)
        self._canvas.ellipse(
            x_mm - width_mm / 2, y_mm - height_mm / 2, x_mm + width_mm / 2, y_mm + height_mm / 2, 0, 1
        )

    def frame(
        self,
        rectangle: Rectangle,
        grey: float = 0.0,
        width_mm: float = LINE_MM,
        fill: float | None = None,
        radius_mm: float = 0.0,
    ) -> None:
        """The outline of a rectangle, its corners rounded if wanted."""
        self._begin_line(grey, width_mm, dashed=False)
        if fill is not None:
            self._canvas.setFillGray(fill)
        self._canvas.roundRect(
            rectangle.x_min_mm,
            rectangle.y_min_mm,
            rectangle.width_mm,
            rectangle.height_mm,
            radius_mm,
            1,
            int(fill is not None),
        )

    def polygon(
        self,
        corners_mm: Sequence[Point],
        grey: float = 0.0,
        width_mm: float = LINE_MM,
        fill: float | None = None,
    ) -> None:
        """A closed outline through these corners."""
        path = self._canvas.beginPath()
        path.moveTo(*corners_mm[0])
        for corner_mm in corners_mm[1:]:
            path.lineTo(*corner_mm)
        path.close()
        self._begin_line(grey, width_mm, dashed=False)
        if fill is not None:
            self._canvas.setFillGray(fill)
        self._canvas.drawPath(path, stroke=1, fill=int(fill is not None))

    def line(
        self, start: Point, end: Point, grey: float = 0.0, width_mm: float = LINE_MM, dashed: bool = False
    ) -> None:
        """A straight line."""
        self._begin_line(grey, width_mm, dashed)
        self._canvas.line(*start, *end)

    def span(self, start_mm: float, end_mm: float, y_mm: float, words: str, capital_mm: float) -> None:
        """A dimension: a level line with an arrow at each end and its length in words above."""
        head_mm = capital_mm
        self.line((start_mm, y_mm), (end_mm, y_mm), width_mm=0.08 * capital_mm)
        for x_mm, inwards in ((start_mm, 1), (end_mm, -1)):
            back_mm = x_mm + inwards * head_mm
            corners_mm = [(x_mm, y_mm), (back_mm, y_mm + head_mm / 4), (back_mm, y_mm - head_mm / 4)]
            self.polygon(corners_mm, width_mm=0.01, fill=0.0)
        middle_mm = (start_mm + end_mm) / 2
        self.text(words, middle_mm, y_mm + 0.6 * capital_mm, capital_mm, align="centre")

    def scissors(self, x_mm: float, y_mm: float) -> None:
        """A small pair of scissors, its tip at (x, y), about to cut downwards."""
        with self.moved(x_mm, y_mm):
            for side in (1, -1):
                self.line((side * 0.4, 0.0), (side * -0.55, 2.7), width_mm=0.32)
                self._begin_line(0.0, 0.3, dashed=False)
                self._canvas.circle(side * 0.85, 3.4, 0.65, 1, 0)

    def text(
        self,
        words: str,
        x_mm: float,
        baseline_mm: float,
        capital_mm: float,
        bold: bool = False,
        align: Align = "left",
        grey: float = 0.0,
    ) -> None:
        """A line of text with capitals of this height."""
        self._canvas.setFillGray(grey)
        self._canvas.setFont(_font_name(bold), capital_mm / CAPITAL_OVER_TYPE_SIZE)
        draw = {
            "left": self._canvas.drawString,
            "centre": self._canvas.drawCentredString,
            "right": self._canvas.drawRightString,
        }[align]
        draw(x_mm, baseline_mm, words)

    def paragraph(
        self,
        words: str,
        x_mm: float,
        baseline_mm: float,
        width_mm: float,
        capital_mm: float,
        leading_mm: float,
    ) -> float:
        """Text broken into lines of at most this width; returns the baseline of the line after it."""
        from reportlab.lib.utils import simpleSplit

        for line in simpleSplit(words, _font_name(False), capital_mm / CAPITAL_OVER_TYPE_SIZE, width_mm):
            self.text(line, x_mm, baseline_mm, capital_mm)
            baseline_mm -= leading_mm
        return baseline_mm

    def _begin_line(self, grey: float, width_mm: float, dashed: bool) -> None:
        self._canvas.setStrokeGray(grey)
        self._canvas.setLineWidth(width_mm)
        self._canvas.setDash([1.2, 0.8] if dashed else [])


def _font_name(bold: bool) -> str:
    return "Card-Bold" if bold else "Card"
