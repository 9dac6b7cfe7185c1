"""How the return sheet is drawn: heading, one block per reed, tips at one scale, as many pages as it takes.

Lengths are millimetres from the page's lower left corner, y up; those of a tip are the card's.
"""

import io
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from aperture.card.artwork import Page, page
from aperture.card.geometry import FACES, Face
from aperture.card.ink import CAPITAL_OVER_TYPE_SIZE, Rectangle
from aperture.card.paper import POINTS_PER_MM, Paper
from aperture.card.pen import FAINT, GUIDE, Pen
from aperture.present.canvas import OUTLINE, Window, wrapped
from aperture.present.report import printable

# A tip is shown this much enlarged, on every sheet and in both states.
ENLARGED = 4.2
# The part of the tip's plane that is shown; a tip is 6 to 8 mm wide (common practice, no published source).
SHOWN_WIDTH_MM, SHOWN_HEIGHT_MM = 10.4, 5.8
SCALE_BAR_MM = 2.0
# More than a good printer's 300 dots per inch at that enlargement.
PICTURE_PX_PER_MM = 60.0
PICTURE_QUALITY = 88

SHEET_MARGIN_MM = 12.0
TITLE_MM, REED_MM, BODY_MM, SMALL_MM = 3.8, 2.4, 1.9, 1.6
BODY_LEADING_MM, SMALL_LEADING_MM = 3.5, 2.9
PICTURE_GAP_MM = 2.0
# Nobody reads more than this of one text in a minute; it keeps a reed on one page, too.
LONGEST_TEXT = 600
MISSING_CHARACTER = "?"


@dataclass(frozen=True)
class TipPicture:
    """A part of a tip's picture as a JPEG file, and the rectangle of the tip's plane that it shows."""

    jpeg: bytes
    shows: Rectangle


@dataclass(frozen=True)
class TipView:
    """A reed's tip in one state. `centre_mm` of the tip's plane is the middle of what is drawn.

    `picture` is None where there is no photo; `outline_mm` are the corners of the outline, if there is one.
    """

    picture: TipPicture | None
    centre_mm: tuple[float, float] = (0.0, 0.0)
    outline_mm: Sequence[Sequence[float]] = ()


@dataclass(frozen=True)
class Block:
    """One reed: its name, why it goes back, its tip in both states, a table, and further sentences.

    `rows` and `notes` are pairs of a label and what stands beside it: words for dry and soaked, or a text.
    """

    name: str
    reason: str
    tips: Mapping[Face, TipView]
    rows: Sequence[tuple[str, tuple[str, str]]]
    notes: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Frame:
    """What stands around the reeds: title, what is beside it, facts as label and words, the small print."""

    title: str
    dated: str
    facts: Sequence[tuple[str, str]]
    small_print: Sequence[str]


def draw_sheet(frame: Frame, blocks: Sequence[Block], paper: Paper = "a4") -> bytes:
    """The sheet as a PDF file; the same arguments give the same bytes. Viewers are asked not to scale it.

    Raises
    ------
    SettingsError : "settings-invalid" for an unknown paper.
    """
    from reportlab.pdfgen.canvas import Canvas

    plan = page(paper)
    buffer = io.BytesIO()
    size_points = (plan.width_mm * POINTS_PER_MM, plan.height_mm * POINTS_PER_MM)
    canvas = Canvas(buffer, pagesize=size_points, invariant=1, lang="en")
    canvas.setTitle(shown(frame.title))
    canvas.setSubject("Reeds that go back to the seller, with pictures and measurements")
    canvas.setAuthor("")
    canvas.setCreator("")
    canvas.setViewerPreference("PrintScaling", "None")
    sheet = _Sheet(canvas, plan, frame)
    pages = sheet.paginated([sheet.laid_out(block) for block in blocks])
    for number, on_it in enumerate(pages, start=1):
        with sheet.page(number, len(pages)) as top_mm:
            for laid in on_it:
                sheet.draw(laid, top_mm)
                top_mm -= laid.height_mm
    canvas.save()
    return buffer.getvalue()


def tip_picture(content: bytes, window: Window, centre_mm: tuple[float, float]) -> TipPicture | None:
    """The part of a tip's picture that the sheet shows; None if it is no JPEG file of the window's size.

    Parameters
    ----------
    content : the file: the tip's plane laid flat.
    window : which part of the plane the file shows.
    centre_mm : middle of the part wanted, in card mm.
    """
    from PIL import Image

    x_mm, y_mm = centre_mm
    shows = Rectangle(
        max(window.x_min_mm, x_mm - SHOWN_WIDTH_MM / 2),
        min(window.x_max_mm, x_mm + SHOWN_WIDTH_MM / 2),
        max(window.y_min_mm, y_mm - SHOWN_HEIGHT_MM / 2),
        min(window.y_max_mm, y_mm + SHOWN_HEIGHT_MM / 2),
    )
    columns, rows = round(shows.width_mm * PICTURE_PX_PER_MM), round(shows.height_mm * PICTURE_PX_PER_MM)
    try:
        image = Image.open(io.BytesIO(content), formats=["JPEG"])
        # A picture of another size is not what the window says, and its millimetres are not known.
        if image.size != window.size_px or columns < 1 or rows < 1:
            return None
        left_px = (shows.x_min_mm - window.x_min_mm) * window.px_per_mm
        top_px = (window.y_max_mm - shows.y_max_mm) * window.px_per_mm
        right_px = min(left_px + shows.width_mm * window.px_per_mm, image.width)
        bottom_px = min(top_px + shows.height_mm * window.px_per_mm, image.height)
        box = (left_px, top_px, right_px, bottom_px)
        part = image.convert("RGB").resize((columns, rows), Image.Resampling.LANCZOS, box)
    except (OSError, ValueError, Image.DecompressionBombError):
        return None
    buffer = io.BytesIO()
    part.save(buffer, "JPEG", quality=PICTURE_QUALITY)
    return TipPicture(buffer.getvalue(), shows)


def shown(words: str) -> str:
    """Words as the font can show them: on one line, not too long, a mark for what it does not have."""
    known = _font(False).face.charToGlyph
    plain = printable(" ".join(unicodedata.normalize("NFC", words).split()))
    if len(plain) > LONGEST_TEXT:
        plain = f"{plain[:LONGEST_TEXT]}…"
    return "".join(character if ord(character) in known else MISSING_CHARACTER for character in plain)


@lru_cache(maxsize=2)
def _font(bold: bool) -> Any:
    from reportlab.pdfbase.ttfonts import TTFont

    from aperture.card.ink import font_path

    return TTFont("Sheet", str(font_path(bold)))


@dataclass(frozen=True)
class _Type:
    """The font at one size, for finding out where lines break; lengths in millimetres."""

    capital_mm: float
    bold: bool = False

    def getlength(self, words: str) -> float:
        return float(_font(self.bold).stringWidth(words, self.capital_mm / CAPITAL_OVER_TYPE_SIZE))


def _lines(words: str, width_mm: float, capital_mm: float = BODY_MM, bold: bool = False) -> list[str]:
    return wrapped(shown(words), _Type(capital_mm, bold), width_mm)


@dataclass(frozen=True)
class _Laid:
    """A block with its texts broken into lines."""

    block: Block
    title: list[str]
    reason: list[str]
    rows: list[tuple[str, tuple[list[str], list[str]]]]
    notes: list[tuple[str, list[str]]]

    @property
    def table_mm(self) -> float:
        lines = sum(max(len(dry), len(soaked)) for _, (dry, soaked) in self.rows)
        return (lines + 1) * BODY_LEADING_MM + 1.2

    @property
    def middle_mm(self) -> float:
        """The height of pictures and table."""
        return max(self.table_mm, SHOWN_HEIGHT_MM * ENLARGED + 5.0)

    @property
    def height_mm(self) -> float:
        notes = sum(len(lines) for _, lines in self.notes)
        head_mm = len(self.title) * 4.6 + len(self.reason) * BODY_LEADING_MM + 1.8
        return 2.2 + head_mm + self.middle_mm + 0.9 + notes * BODY_LEADING_MM + 1.8


class _Sheet:
    """The pages: where things stand on them, and drawing them."""

    def __init__(self, canvas: Any, plan: Page, frame: Frame) -> None:
        self._canvas, self._plan, self._frame = canvas, plan, frame
        self._pen = Pen(canvas)
        self._left_mm = SHEET_MARGIN_MM
        self._right_mm = plan.width_mm - SHEET_MARGIN_MM
        self._width_mm = self._right_mm - self._left_mm
        self._label_mm = 34.0
        self._picture_mm = SHOWN_WIDTH_MM * ENLARGED
        # Both pictures, the labels of the table, and its columns; soaked has more to say.
        self._table_mm = self._left_mm + 2 * (self._picture_mm + PICTURE_GAP_MM) + 2.0
        self._columns_mm = {"dry": self._table_mm + 14.0, "soaked": self._table_mm + 44.0}
        self._title = _lines(frame.title, self._width_mm - 45.0, TITLE_MM, bold=True)
        self._facts = [
            (label, _lines(words, self._width_mm - self._label_mm)) for label, words in frame.facts
        ]
        self._small_print = [
            line for words in frame.small_print for line in _lines(words, self._width_mm, SMALL_MM)
        ]
        self._bottom_mm = SHEET_MARGIN_MM + (len(self._small_print) + 1) * SMALL_LEADING_MM

    def laid_out(self, block: Block) -> _Laid:
        """A block's lines."""
        dry_mm = self._columns_mm["soaked"] - self._columns_mm["dry"] - 1.0
        soaked_mm = self._right_mm - self._columns_mm["soaked"]
        return _Laid(
            block=block,
            title=_lines(block.name, self._width_mm, REED_MM, bold=True),
            reason=_lines(block.reason, self._width_mm),
            rows=[
                (label, (_lines(dry, dry_mm), _lines(soaked, soaked_mm)))
                for label, (dry, soaked) in block.rows
            ],
            notes=[(label, _lines(words, self._width_mm - 18.0)) for label, words in block.notes],
        )

    def paginated(self, blocks: Sequence[_Laid]) -> list[list[_Laid]]:
        """The blocks of each page, at least one on each."""
        pages: list[list[_Laid]] = [[]]
        left_mm = self._top_mm(1) - self._bottom_mm
        for laid in blocks:
            if pages[-1] and laid.height_mm > left_mm:
                pages.append([])
                left_mm = self._top_mm(len(pages)) - self._bottom_mm
            pages[-1].append(laid)
            left_mm -= laid.height_mm
        return pages

    @contextmanager
    def page(self, number: int, count: int) -> Iterator[float]:
        """A page and all that is around its reeds; yields where the first of them begins."""
        with self._pen.page(POINTS_PER_MM):
            if number == 1:
                self._draw_heading()
            else:
                baseline_mm = self._plan.height_mm - SHEET_MARGIN_MM - BODY_MM
                self._pen.text(shown(self._frame.title), self._left_mm, baseline_mm, BODY_MM, bold=True)
            yield self._top_mm(number)
            self._draw_foot(f"{number} of {count}")

    def draw(self, laid: _Laid, top_mm: float) -> None:
        """One reed, downwards from `top_mm`."""
        pen, left_mm = self._pen, self._left_mm
        pen.line((left_mm, top_mm), (self._right_mm, top_mm), grey=FAINT)
        baseline_mm = top_mm - 2.2 - REED_MM
        for line in laid.title:
            pen.text(line, left_mm, baseline_mm, REED_MM, bold=True)
            baseline_mm -= 4.6
        baseline_mm = self._paragraph(laid.reason, left_mm, baseline_mm + 0.4)
        middle_mm = baseline_mm + BODY_LEADING_MM - 1.8
        for place, state in enumerate(FACES):
            x_mm = left_mm + place * (self._picture_mm + PICTURE_GAP_MM)
            self._draw_tip(laid.block.tips[state], state, x_mm, middle_mm)
        self._draw_table(laid, middle_mm)
        baseline_mm = middle_mm - laid.middle_mm - 0.9 - BODY_MM
        for label, lines in laid.notes:
            pen.text(label, left_mm, baseline_mm, BODY_MM, grey=GUIDE)
            baseline_mm = self._paragraph(lines, left_mm + 18.0, baseline_mm)

    def _top_mm(self, number: int) -> float:
        """Where the reeds of a page begin."""
        if number > 1:
            return self._plan.height_mm - SHEET_MARGIN_MM - 4.0
        facts = sum(len(lines) for _, lines in self._facts)
        return self._plan.height_mm - SHEET_MARGIN_MM - len(self._title) * 6.0 - facts * BODY_LEADING_MM - 4.0

    def _draw_heading(self) -> None:
        top_mm = self._plan.height_mm - SHEET_MARGIN_MM
        baseline_mm = top_mm - TITLE_MM
        self._pen.text(shown(self._frame.dated), self._right_mm, baseline_mm, BODY_MM, align="right")
        for line in self._title:
            self._pen.text(line, self._left_mm, baseline_mm, TITLE_MM, bold=True)
            baseline_mm -= 6.0
        for label, lines in self._facts:
            self._pen.text(label, self._left_mm, baseline_mm, BODY_MM, grey=GUIDE)
            baseline_mm = self._paragraph(lines, self._left_mm + self._label_mm, baseline_mm)

    def _draw_foot(self, number: str) -> None:
        baseline_mm = self._bottom_mm - SMALL_LEADING_MM
        self._pen.line(
            (self._left_mm, self._bottom_mm - 0.4), (self._right_mm, self._bottom_mm - 0.4), grey=FAINT
        )
        for line in self._small_print:
            self._pen.text(line, self._left_mm, baseline_mm, SMALL_MM)
            baseline_mm -= SMALL_LEADING_MM
        self._pen.text(number, self._right_mm, SHEET_MARGIN_MM - 4.0, BODY_MM, align="right")

    def _paragraph(self, lines: Sequence[str], x_mm: float, baseline_mm: float) -> float:
        """Lines below each other; returns the baseline of the line after them."""
        for line in lines:
            self._pen.text(line, x_mm, baseline_mm, BODY_MM)
            baseline_mm -= BODY_LEADING_MM
        return baseline_mm

    def _draw_table(self, laid: _Laid, top_mm: float) -> None:
        pen = self._pen
        baseline_mm = top_mm - BODY_MM
        for state, x_mm in self._columns_mm.items():
            pen.text(state, x_mm, baseline_mm, BODY_MM, bold=True)
        pen.line((self._table_mm, baseline_mm - 1.2), (self._right_mm, baseline_mm - 1.2), grey=FAINT)
        baseline_mm -= BODY_LEADING_MM + 1.2
        for label, cells in laid.rows:
            pen.text(label, self._table_mm, baseline_mm, BODY_MM, grey=GUIDE)
            for x_mm, lines in zip(self._columns_mm.values(), cells, strict=True):
                self._paragraph(lines, x_mm, baseline_mm)
            baseline_mm -= max(map(len, cells)) * BODY_LEADING_MM

    def _draw_tip(self, tip: TipView, state: Face, x_mm: float, top_mm: float) -> None:
        """A tip in its frame, and below it the state and a scale bar."""
        pen, height_mm = self._pen, SHOWN_HEIGHT_MM * ENLARGED
        y_mm = top_mm - height_mm
        frame = Rectangle(x_mm, x_mm + self._picture_mm, y_mm, top_mm)
        caption_mm = y_mm - 1.4 - BODY_MM
        pen.text(state, x_mm, caption_mm, BODY_MM, bold=True)
        if tip.picture is None:
            pen.frame(frame, grey=FAINT, fill=0.97)
            middle_mm = x_mm + self._picture_mm / 2
            pen.text("– no photo", middle_mm, y_mm + height_mm / 2, BODY_MM, align="centre", grey=GUIDE)
            return
        self._draw_picture(tip, tip.picture, frame)
        pen.frame(frame, grey=FAINT)
        end_mm, start_mm = frame.x_max_mm, frame.x_max_mm - SCALE_BAR_MM * ENLARGED
        bar_mm = caption_mm + BODY_MM / 2
        pen.line((start_mm, bar_mm), (end_mm, bar_mm), width_mm=0.3)
        for tick_mm in (start_mm, end_mm):
            pen.line((tick_mm, bar_mm - 0.8), (tick_mm, bar_mm + 0.8))
        pen.text(f"{SCALE_BAR_MM:g} mm", start_mm - 1.2, caption_mm, BODY_MM, align="right")

    def _draw_picture(self, tip: TipView, picture: TipPicture, frame: Rectangle) -> None:
        """The picture and the outline on it, cut off at the frame."""
        from reportlab.lib.utils import ImageReader

        canvas, shows = self._canvas, picture.shows
        canvas.saveState()
        edge = canvas.beginPath()
        edge.rect(frame.x_min_mm, frame.y_min_mm, frame.width_mm, frame.height_mm)
        canvas.clipPath(edge, stroke=0, fill=0)
        # From here on the axes are the card's.
        canvas.translate((frame.x_min_mm + frame.x_max_mm) / 2, (frame.y_min_mm + frame.y_max_mm) / 2)
        canvas.scale(ENLARGED, ENLARGED)
        canvas.translate(-tip.centre_mm[0], -tip.centre_mm[1])
        image = ImageReader(io.BytesIO(picture.jpeg))
        canvas.drawImage(image, shows.x_min_mm, shows.y_min_mm, shows.width_mm, shows.height_mm)
        if len(tip.outline_mm) > 2:
            path = canvas.beginPath()
            path.moveTo(*tip.outline_mm[0])
            for corner_mm in tip.outline_mm[1:]:
                path.lineTo(*corner_mm)
            path.close()
            canvas.setStrokeColorRGB(*(level / 255.0 for level in OUTLINE))
            canvas.setLineWidth(0.2 / ENLARGED)
            canvas.setDash([])
            canvas.drawPath(path, stroke=1, fill=0)
        canvas.restoreState()
