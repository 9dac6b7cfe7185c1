"""The words and small drawings on the sheet that tell how to cut, check, set up and take care."""

from aperture.card.geometry import CARD
from aperture.card.ink import Rectangle
from aperture.card.pen import FAINT, GUIDE, Pen

SETTING_UP = (
    "Cut along the solid lines, the notch too. Fold both flaps back along the dashed line, to a right angle.",
    "Stand the card on the table and lay a book or the reed case on the flaps. It must stand upright: "
    "a lean of 10° shortens the height by 1.5 %.",
    "Lay the reed through the notch from behind, its tip level with the face of the card. "
    "DRY is for the dry reed, SOAKED for the soaked one. Stand its tag beside the card.",
    "Put white paper behind it, 10 cm or more away. Use even light and no flash.",
    "Hold the phone 12–15 cm in front, square to the card, its lens down at the height of the reed.",
    "No digital zoom. The whole card in the picture, sharp at the tip of the reed.",
)
CHECK = (
    "Lay any bank card on a face: it covers it exactly, up to its round corners "
    f"({CARD.width_mm:.2f} × {CARD.height_mm:.2f} mm).",
    f"Measure the bar with a ruler: it is {CARD.ruler.length_mm:.0f} mm long, end to end.",
    "If it is not, print again at 100 % (“actual size”), or tell the program what the bar measures, "
    "for example --ruler 48.5",
)
CARE = (
    "Cut with scissors, away from the hand.",
    "Hold the reed by the cork; never touch the tip.",
    "Never wet with the mouth, and never play, a reed that may go back or belongs to somebody else.",
    "Local rules, your school’s and your teacher’s, come first.",
)

CAPITAL_MM = 1.9
INSTRUCTIONS_LEADING_MM = 3.6
DRAWING_SCALE = 0.40

DRAWINGS_MM = 38.0
STEPS_MM = 36.0
HEIGHT_MM = DRAWINGS_MM + STEPS_MM + 27.0


def draw(pen: Pen, width_mm: float) -> None:
    """Draws everything downwards from the pen's origin, `HEIGHT_MM` deep."""
    pen.text("Setting up", 0.0, -2.4, capital_mm=2.4, bold=True)
    with pen.moved(59.6, 3.0 - DRAWINGS_MM, DRAWING_SCALE):
        _draw_from_the_side(pen)
    with pen.moved(width_mm - CARD.width_mm * DRAWING_SCALE, 3.0 - DRAWINGS_MM, DRAWING_SCALE):
        _draw_what_the_phone_sees(pen)

    # The two columns stand under the two cards.
    column_mm, right_mm = CARD.width_mm, width_mm - CARD.width_mm
    half = len(SETTING_UP) // 2
    top_mm = -DRAWINGS_MM - 2.0
    draw_list(pen, SETTING_UP[:half], 0.0, top_mm, column_mm, first_number=1)
    draw_list(pen, SETTING_UP[half:], right_mm, top_mm, column_mm, first_number=half + 1)

    top_mm = -DRAWINGS_MM - STEPS_MM - 2.4
    pen.text("Check the print", 0.0, top_mm, capital_mm=2.4, bold=True)
    pen.text("With care", right_mm, top_mm, capital_mm=2.4, bold=True)
    draw_list(pen, CHECK, 0.0, top_mm - 5.2, column_mm)
    draw_list(pen, CARE, right_mm, top_mm - 5.2, column_mm)


def draw_list(
    pen: Pen,
    items: tuple[str, ...],
    x_mm: float,
    baseline_mm: float,
    width_mm: float,
    first_number: int | None = None,
) -> None:
    """Paragraphs with a number, or a dash, hanging to their left."""
    indent_mm = 4.2
    for place, words in enumerate(items):
        mark = "–" if first_number is None else str(first_number + place)
        pen.text(mark, x_mm, baseline_mm, CAPITAL_MM, bold=first_number is not None)
        baseline_mm = pen.paragraph(
            words, x_mm + indent_mm, baseline_mm, width_mm - indent_mm, CAPITAL_MM, INSTRUCTIONS_LEADING_MM
        )
        baseline_mm -= 0.8


def _draw_from_the_side(pen: Pen) -> None:
    """The set-up to scale, in its own millimetres: x from the card's face backwards, y from the table."""
    line_mm, label_mm = 0.5, 1.8 / DRAWING_SCALE
    phone_mm, paper_mm = -135.0, 120.0
    lens_mm = 10.0
    # What the lens sees of the card.
    for y_mm in (0.0, CARD.height_mm):
        pen.line((phone_mm, lens_mm), (0.0, y_mm), grey=FAINT, width_mm=0.3)
    pen.frame(Rectangle(2.0, 66.0, 0.8, 26.0), grey=GUIDE, width_mm=line_mm, fill=0.94)
    pen.text("book", 34.0, 16.0, label_mm, align="centre")
    _draw_reed_from_the_side(pen, line_mm)
    pen.rectangles([Rectangle(0.0, 1.2, 0.0, CARD.height_mm), Rectangle(0.0, CARD.flaps.depth_mm, 0.0, 1.0)])
    pen.frame(Rectangle(phone_mm - 8.5, phone_mm, 0.0, 74.0), width_mm=line_mm, fill=1.0, radius_mm=2.5)
    pen.rectangles([Rectangle(phone_mm, phone_mm + 1.5, lens_mm - 5.0, lens_mm + 5.0)])
    pen.rectangles([Rectangle(paper_mm, paper_mm + 0.8, 0.0, 74.0)])
    pen.line((phone_mm - 14.0, -0.4), (paper_mm + 8.0, -0.4), width_mm=0.8)

    pen.text("phone", phone_mm + 5.0, 40.0, label_mm)
    pen.text("card", 5.0, 46.0, label_mm)
    pen.text("reed", 77.0, 3.0, label_mm)
    pen.text("white paper", paper_mm - 3.0, 46.0, label_mm, align="right")
    pen.span(phone_mm + 1.5, 0.0, 64.0, "12–15 cm", label_mm)
    pen.span(0.0, paper_mm, 64.0, "10 cm or more", label_mm)
    pen.line((0.0, CARD.height_mm + 1.0), (0.0, 66.0), grey=FAINT, width_mm=0.3)


def _draw_reed_from_the_side(pen: Pen, line_mm: float) -> None:
    axis_mm = CARD.tip_mm[1]
    pen.polygon(
        [(0.0, axis_mm - 0.6), (0.0, axis_mm + 0.6), (24.0, axis_mm + 3.0), (24.0, axis_mm - 3.0)],
        width_mm=line_mm,
        fill=1.0,
    )
    pen.frame(Rectangle(24.0, 40.0, axis_mm - 3.2, axis_mm + 3.2), width_mm=line_mm, fill=0.6)
    for x_mm in range(26, 40, 2):
        pen.line((x_mm, axis_mm - 3.2), (x_mm, axis_mm + 3.2), width_mm=0.3)
    pen.frame(Rectangle(40.0, 46.0, axis_mm - 2.2, axis_mm + 2.2), width_mm=line_mm, fill=1.0)
    pen.frame(Rectangle(46.0, 72.0, axis_mm - 3.9, axis_mm + 3.9), width_mm=line_mm, fill=0.8)


def _draw_what_the_phone_sees(pen: Pen) -> None:
    """The card from in front, in its own millimetres; its markers blank, so that none is read by mistake."""
    notch = CARD.notch
    outline_mm = [
        (0.0, 0.0),
        (0.0, CARD.height_mm),
        (CARD.width_mm, CARD.height_mm),
        (CARD.width_mm, 0.0),
        (notch.x_max_mm, 0.0),
        (notch.x_max_mm, notch.y_max_mm),
        (notch.x_min_mm, notch.y_max_mm),
        (notch.x_min_mm, 0.0),
    ]
    pen.line((-32.0, -0.4), (CARD.width_mm, -0.4), width_mm=0.8)
    pen.polygon(outline_mm, width_mm=0.5)
    half_mm = CARD.markers.side_mm / 2
    for x_mm, y_mm in CARD.markers.centres_mm:
        pen.rectangles([Rectangle(x_mm - half_mm, x_mm + half_mm, y_mm - half_mm, y_mm + half_mm)])
    for ellipse in CARD.control_ellipses:
        pen.ellipse(ellipse.x_mm, ellipse.y_mm, ellipse.width_mm, ellipse.height_mm)
    ruler = CARD.ruler
    pen.rectangles([Rectangle(ruler.x_min_mm, ruler.x_max_mm, ruler.y_mm - 0.4, ruler.y_mm + 0.4)])
    middle_mm = CARD.width_mm / 2
    pen.text("DRY", middle_mm, CARD.word_baseline_mm, CARD.word_capital_mm, bold=True, align="centre")

    tip_x_mm, tip_y_mm = CARD.tip_mm
    pen.ellipse(tip_x_mm, tip_y_mm, 7.6, 2.4)
    pen.ellipse(tip_x_mm, tip_y_mm, 7.2, 2.0, grey=1.0)
    pen.ellipse(tip_x_mm, tip_y_mm, 6.6, 1.2)

    pen.text("what the phone sees", -32.0, CARD.height_mm + 6.0, 1.8 / DRAWING_SCALE)
    tags = CARD.reed_tags
    with pen.moved(-26.0, 0.0):
        pen.frame(Rectangle(0.0, tags.width_mm, 0.0, tags.height_mm), width_mm=0.5)
        pen.rectangles([tags.marker])
        pen.text("001", tags.width_mm / 2, tags.number_baseline_mm, tags.number_capital_mm, True, "centre")
