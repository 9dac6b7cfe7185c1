"""The sheet to print: both faces of the card, reed tags, and how to use them, as a PDF in true millimetres.

Everything that is measured later is read from `aperture.card`; the rest of a page only has to look right.
Lengths are millimetres from the page's lower left corner, y up. The PNG is the PDF's first page, rasterised.
"""

import io
from dataclasses import dataclass

from aperture.card import gauge_page, instructions
from aperture.card.geometry import (
    CARD,
    FACES,
    Face,
    face_rectangles,
    face_texts,
    reed_tag_rectangles,
    reed_tag_text,
)
from aperture.card.ink import Rectangle
from aperture.card.paper import PAPERS, POINTS_PER_MM, size_mm
from aperture.card.pen import FAINT, GUIDE, Pen
from aperture.errors import SettingsError

TAGS_IN_A_ROW = 13
TAG_ROWS_ON_FIRST_PAGE = 2

HEADING_MM = 9.0
TAG_HEADING_MM = 6.5

# No printer is asked to print nearer to the paper's edge than this; most reach 5 mm.
PAGE_MARGIN_MM = 10.0


@dataclass(frozen=True)
class Page:
    """The paper and where things stand on its first page; all lengths mm, from the lower left corner."""

    width_mm: float
    height_mm: float
    left_mm: float
    content_width_mm: float
    heading_top_mm: float
    faces_y_mm: float
    instructions_top_mm: float
    tags_top_mm: float

    def face_origin_mm(self, face: Face) -> tuple[float, float]:
        """Where the lower left corner of a face's ID-1 outline stands."""
        right_mm = self.left_mm + self.content_width_mm - CARD.width_mm
        return (self.left_mm if face == "dry" else right_mm, self.faces_y_mm)


def page(paper: str) -> Page:
    """The first page's plan.

    Parameters
    ----------
    paper : one of `PAPERS`.

    Raises
    ------
    SettingsError : "settings-invalid" for any other paper.
    """
    width_mm, height_mm = size_mm(paper)
    content_width_mm = TAGS_IN_A_ROW * CARD.reed_tags.width_mm
    heights_mm = (
        HEADING_MM,
        CARD.height_mm + CARD.flaps.depth_mm,
        instructions.HEIGHT_MM,
        TAG_HEADING_MM + TAG_ROWS_ON_FIRST_PAGE * _tag_pitch_mm(),
    )
    # What the blocks leave free goes to the three gaps between them, up to a gap that still looks like one.
    gap_mm = min((height_mm - 2 * PAGE_MARGIN_MM - sum(heights_mm)) / (len(heights_mm) - 1), 9.0)
    used_mm = sum(heights_mm) + gap_mm * (len(heights_mm) - 1)
    top_mm = height_mm - (height_mm - used_mm) / 2
    tops_mm = [top_mm - sum(heights_mm[:n]) - n * gap_mm for n in range(len(heights_mm))]
    return Page(
        width_mm=width_mm,
        height_mm=height_mm,
        left_mm=(width_mm - content_width_mm) / 2,
        content_width_mm=content_width_mm,
        heading_top_mm=tops_mm[0],
        faces_y_mm=tops_mm[1] - CARD.height_mm,
        instructions_top_mm=tops_mm[2],
        tags_top_mm=tops_mm[3] - TAG_HEADING_MM,
    )


def sheet_pdf(paper: str = "a4", first_reed: int = 1, reed_count: int | None = None) -> bytes:
    """The sheet as a PDF file.

    Parameters
    ----------
    paper : one of `PAPERS`.
    first_reed : number on the first tag.
    reed_count : how many tags; None for as many as the first page holds. More pages follow as needed; the
        last one is for a gauge.

    Returns
    -------
    The file's bytes; the same arguments give the same bytes. Viewers are asked not to scale it.

    Raises
    ------
    SettingsError : "settings-invalid" for an unknown paper or reed numbers outside 1 to 480.
    """
    from reportlab.pdfgen.canvas import Canvas

    plan = page(paper)
    numbers = _reed_numbers(first_reed, reed_count)
    buffer = io.BytesIO()
    size_points = (plan.width_mm * POINTS_PER_MM, plan.height_mm * POINTS_PER_MM)
    canvas = Canvas(buffer, pagesize=size_points, invariant=1, lang="en")
    canvas.setTitle("Scale card for oboe reeds")
    canvas.setSubject("Two faces of format ID-1 and numbered reed tags; print at 100 %")
    canvas.setViewerPreference("PrintScaling", "None")
    pen = Pen(canvas)

    on_first_page = TAGS_IN_A_ROW * TAG_ROWS_ON_FIRST_PAGE
    with pen.page(POINTS_PER_MM):
        _draw_heading(pen, plan, PAPERS[paper])
        for face in FACES:
            with pen.moved(*plan.face_origin_mm(face)):
                _draw_face(pen, face)
        with pen.moved(plan.left_mm, plan.instructions_top_mm):
            instructions.draw(pen, plan.content_width_mm)
        _draw_tag_heading(pen, plan.left_mm, plan.tags_top_mm + TAG_HEADING_MM)
        _draw_tags(pen, numbers[:on_first_page], plan.left_mm, plan.tags_top_mm)

    rows = int((plan.height_mm - 2 * PAGE_MARGIN_MM - TAG_HEADING_MM) // _tag_pitch_mm())
    on_a_page = TAGS_IN_A_ROW * rows
    for start in range(on_first_page, len(numbers), on_a_page):
        with pen.page(POINTS_PER_MM):
            top_mm = (plan.height_mm + rows * _tag_pitch_mm() + TAG_HEADING_MM) / 2
            _draw_tag_heading(pen, plan.left_mm, top_mm)
            _draw_tags(pen, numbers[start : start + on_a_page], plan.left_mm, top_mm - TAG_HEADING_MM)
    with pen.page(POINTS_PER_MM), pen.moved(plan.left_mm, plan.heading_top_mm):
        gauge_page.draw(pen, plan.content_width_mm)
    canvas.save()
    return buffer.getvalue()


def sheet_png(paper: str = "a4", dpi: float = 150.0, first_reed: int = 1) -> bytes:
    """A picture of the first page as a PNG file, for looking at, not for printing.

    Parameters
    ----------
    paper : one of `PAPERS`.
    dpi : pixels in an inch, 20 to 1200.
    first_reed : number on the first tag.

    Raises
    ------
    SettingsError : "settings-invalid" for an unknown paper, reed number or resolution.
    """
    import pypdfium2

    if not 20 <= dpi <= 1200:
        raise SettingsError("settings-invalid", f"{dpi:g} dpi is not from 20 to 1200")
    document = pypdfium2.PdfDocument(sheet_pdf(paper, first_reed))
    try:
        picture = document[0].render(scale=dpi / 72.0, grayscale=True).to_pil()
    finally:
        document.close()
    buffer = io.BytesIO()
    picture.save(buffer, "PNG", dpi=(dpi, dpi), optimize=True)
    return buffer.getvalue()


def card_outline_mm() -> list[tuple[float, float]]:
    """The line to cut for one card, flaps and notch included: a closed polygon in the card's millimetres."""
    width, height, notch, flaps = CARD.width_mm, CARD.height_mm, CARD.notch, CARD.flaps
    return [
        (0.0, height),
        (width, height),
        (width, 0.0),
        (width - flaps.taper_mm, -flaps.depth_mm),
        (notch.x_max_mm + flaps.taper_mm, -flaps.depth_mm),
        (notch.x_max_mm, 0.0),
        (notch.x_max_mm, notch.y_max_mm),
        (notch.x_min_mm, notch.y_max_mm),
        (notch.x_min_mm, 0.0),
        (notch.x_min_mm - flaps.taper_mm, -flaps.depth_mm),
        (flaps.taper_mm, -flaps.depth_mm),
        (0.0, 0.0),
    ]


def _reed_numbers(first_reed: int, reed_count: int | None) -> list[int]:
    last_possible = CARD.reed_tags.count
    if reed_count is None:
        reed_count = min(TAGS_IN_A_ROW * TAG_ROWS_ON_FIRST_PAGE, last_possible - first_reed + 1)
    last_reed = first_reed + reed_count - 1
    if not 1 <= first_reed <= last_reed <= last_possible:
        raise SettingsError(
            "settings-invalid",
            f"reeds {first_reed} to {last_reed}: the numbers run from 1 to {last_possible}",
        )
    return list(range(first_reed, last_reed + 1))


def _tag_pitch_mm() -> float:
    return CARD.reed_tags.height_mm + CARD.reed_tags.foot_mm


def _tag_origin_mm(left_mm: float, top_mm: float, row: int, column: int) -> tuple[float, float]:
    tags = CARD.reed_tags
    return (left_mm + column * tags.width_mm, top_mm - row * _tag_pitch_mm() - tags.height_mm)


def _draw_heading(pen: Pen, plan: Page, paper_name: str) -> None:
    top_mm, right_mm = plan.heading_top_mm, plan.left_mm + plan.content_width_mm
    pen.text("Scale card for oboe reeds", plan.left_mm, top_mm - 4.6, capital_mm=4.2, bold=True)
    pen.text(
        f"{paper_name}: print at 100 % (“actual size”), never “fit to page”.",
        right_mm,
        top_mm - 2.0,
        capital_mm=1.9,
        align="right",
    )
    pen.text(
        "Thick paper, 160 g/m² or more, keeps the card flat.",
        right_mm,
        top_mm - 5.4,
        capital_mm=1.9,
        align="right",
    )
    pen.line((plan.left_mm, top_mm - HEADING_MM), (right_mm, top_mm - HEADING_MM), width_mm=0.25)


def _draw_face(pen: Pen, face: Face) -> None:
    """One face with its cut and fold lines; the pen stands at the card's origin."""
    pen.rectangles(face_rectangles(face))
    for ellipse in CARD.control_ellipses:
        pen.ellipse(ellipse.x_mm, ellipse.y_mm, ellipse.width_mm, ellipse.height_mm)
    for text in face_texts(face):
        pen.text(text.words, text.x_mm, text.baseline_mm, text.capital_mm, text.bold, align="centre")

    notch = CARD.notch
    pen.polygon(card_outline_mm(), grey=GUIDE)
    for start_mm, end_mm in ((0.0, notch.x_min_mm), (notch.x_max_mm, CARD.width_mm)):
        pen.line((start_mm, 0.0), (end_mm, 0.0), grey=GUIDE, dashed=True)
        pen.text(
            "fold back",
            (start_mm + end_mm) / 2,
            -CARD.flaps.depth_mm / 2 - 0.8,
            capital_mm=1.6,
            align="centre",
            grey=GUIDE,
        )
    middle_mm = (notch.x_min_mm + notch.x_max_mm) / 2
    for line, words in enumerate(("cut", "out")):
        pen.text(words, middle_mm, 4.9 - 2.6 * line, capital_mm=1.4, align="centre", grey=FAINT)
    pen.scissors(0.0, CARD.height_mm + 0.6)


def _draw_tag_heading(pen: Pen, left_mm: float, top_mm: float) -> None:
    pen.text("Reed tags", left_mm, top_mm - 2.6, capital_mm=2.4, bold=True)
    pen.text(
        "One number for each reed, kept with it. Fold the foot back, and the tag stands beside the card.",
        left_mm + 24.0,
        top_mm - 2.6,
        capital_mm=1.9,
    )


def _draw_tags(pen: Pen, numbers: list[int], left_mm: float, top_mm: float) -> None:
    """Rows of tags without space between them, so that one cut serves two."""
    tags = CARD.reed_tags
    for place, number in enumerate(numbers):
        row, column = divmod(place, TAGS_IN_A_ROW)
        with pen.moved(*_tag_origin_mm(left_mm, top_mm, row, column)):
            pen.rectangles(reed_tag_rectangles(number))
            text = reed_tag_text(number)
            pen.text(text.words, text.x_mm, text.baseline_mm, text.capital_mm, text.bold, align="centre")
            pen.frame(Rectangle(0.0, tags.width_mm, -tags.foot_mm, tags.height_mm), grey=GUIDE)
            pen.line((0.0, 0.0), (tags.width_mm, 0.0), grey=GUIDE, dashed=True)
