"""The sheet's page for a gauge: what is to be cut, drawn at true size, and how it is put together and used.

Lengths are millimetres; the pen's origin is the upper left corner of what is drawn.
"""

from aperture.card.geometry import CARD
from aperture.card.ink import Rectangle
from aperture.card.instructions import CAPITAL_MM, INSTRUCTIONS_LEADING_MM, draw_list
from aperture.card.pen import FAINT, GUIDE, Pen

STRIP_MM = (60.0, 10.0)  # long, wide
SPACER_MM = 1.5  # wide; as long as a strip
SLIT_MM = STRIP_MM[1] - 2 * SPACER_MM
SPACERS = 8  # drawn side by side: two are needed, the others are for other heights, or go wrong

STEPS = (
    "Measure a ream: 500 sheets of copy paper, not opened. Its height, to half a millimetre, is about "
    "50 mm. Write it down; use sheets of that ream.",
    "Cut two strips A from stiff card, 0.5 to 1 mm thick, as the back of a writing pad: glue the "
    "drawing on it first, or draw round it. Blacken one broad side of each with a felt pen.",
    "Lay the drawing B on so many sheets of copy paper as you want, 10 to begin with, and clip them "
    "together. Cut along the lines through all of them. Throw the printed top away: what is left are "
    "bundles of N sheets.",
    "Lay a bundle along each long edge of a strip, on its black side; the other strip on top, black "
    "side down. No glue between them: it would make the slit higher.",
    "Tap the front on the table until everything is level. Wind clear tape round the middle; stick dark "
    "tape over the far end.",
    "Lay it through the notch from behind as a reed, on an eraser or folded paper, so that the slit is "
    "half-way up. Its front is level with the face of the card.",
    "Photograph it as a reed: 12–15 cm away, the lens level with the slit, tap the slit to focus.",
    "aperture gauge photo.jpg --sheets 10 --ream 52.0   (or the page Gauge of the desk). Then gauges of "
    "5 and 20 sheets: three heights tell more than one.",
)
CARE = (
    "Cut with scissors, away from the hand; thin strips last, with the paper held flat.",
    "A craft knife is quicker and sharper: only for adults, along a steel ruler, on a board, fingers "
    "behind it.",
    "Keep scraps and knives away from small children. The rules of your school come first.",
)


def draw(pen: Pen, width_mm: float) -> None:
    """Draws everything downwards from the pen's origin, about 215 mm deep."""
    pen.text("A gauge from a ream of paper", 0.0, -4.6, capital_mm=4.2, bold=True)
    pen.text(
        "A slit of known height, to check what the program measures.",
        width_mm,
        -2.0,
        capital_mm=1.9,
        align="right",
    )
    pen.text("Print at 100 % on copy paper.", width_mm, -5.4, capital_mm=1.9, align="right")
    pen.line((0.0, -9.0), (width_mm, -9.0), width_mm=0.25)

    pen.text("To cut, at true size", 0.0, -15.0, capital_mm=2.4, bold=True)
    for place in range(2):
        with pen.moved(0.0, -32.0 - 17.0 * place):
            _draw_strip(pen)
    with pen.moved(0.0, -74.0):
        _draw_spacers(pen)

    with pen.moved(92.0, -15.0):
        _draw_from_the_front(pen)
    with pen.moved(92.0, -89.0):
        _draw_from_the_side(pen, width_mm - 92.0)

    top_mm, column_mm = -124.0, (width_mm - 10.0) / 2
    pen.text("Making and using it", 0.0, top_mm, capital_mm=2.4, bold=True)
    half = len(STEPS) // 2
    draw_list(pen, STEPS[:half], 0.0, top_mm - 6.0, column_mm, first_number=1)
    draw_list(pen, STEPS[half:], column_mm + 10.0, top_mm - 6.0, column_mm, first_number=half + 1)
    top_mm -= 6.0 + 17 * INSTRUCTIONS_LEADING_MM
    pen.text("With care", 0.0, top_mm, capital_mm=2.4, bold=True)
    draw_list(pen, CARE, 0.0, top_mm - 5.2, width_mm)


def _draw_strip(pen: Pen) -> None:
    """One strip of card, its lower left corner at the origin."""
    pen.frame(Rectangle(0.0, STRIP_MM[0], 0.0, STRIP_MM[1]), grey=GUIDE)
    pen.text("A", 3.0, 3.6, capital_mm=2.8, bold=True)
    pen.text(
        f"stiff card, {STRIP_MM[0]:.0f} × {STRIP_MM[1]:.0f} mm; one side black",
        8.0,
        4.1,
        CAPITAL_MM,
        grey=GUIDE,
    )
    pen.scissors(0.0, STRIP_MM[1] + 0.6)


def _draw_spacers(pen: Pen) -> None:
    """Strips of paper side by side, their lower left corner at the origin."""
    high_mm = SPACERS * SPACER_MM
    pen.frame(Rectangle(0.0, STRIP_MM[0], 0.0, high_mm), grey=GUIDE)
    for place in range(1, SPACERS):
        pen.line((0.0, place * SPACER_MM), (STRIP_MM[0], place * SPACER_MM), grey=GUIDE)
    pen.text("B", STRIP_MM[0] + 2.0, high_mm - 2.8, capital_mm=2.8, bold=True)
    pen.text(f"N sheets, {SPACER_MM:g} mm", STRIP_MM[0] + 5.5, high_mm - 2.4, CAPITAL_MM, grey=GUIDE)
    pen.text("wide, two bundles", STRIP_MM[0] + 5.5, high_mm - 5.6, CAPITAL_MM, grey=GUIDE)
    pen.scissors(0.0, high_mm + 0.6)


def _draw_from_the_front(pen: Pen) -> None:
    """What the phone sees: the notch, and the gauge in it, five times as large; the paper's edges white."""
    scale, notch = 5.0, CARD.notch
    pen.text("What the phone sees, five times as large", 0.0, 0.0, CAPITAL_MM)
    with pen.moved(4.0, -54.0, scale):
        width, height = notch.width_mm, notch.y_max_mm
        for rectangle in (
            Rectangle(-0.8, 0.0, 0.0, height),
            Rectangle(width, width + 0.8, 0.0, height),
            Rectangle(-0.8, width + 0.8, height, height + 0.6),
        ):
            pen.rectangles([rectangle], grey=FAINT)
        left, sheets_mm, card_mm = (width - STRIP_MM[1]) / 2, 1.0, 0.8
        bottom = CARD.tip_mm[1] - sheets_mm / 2
        for y in (bottom - card_mm, bottom + sheets_mm):
            pen.frame(Rectangle(left, left + STRIP_MM[1], y, y + card_mm), width_mm=0.04, fill=0.85)
        pen.rectangles(
            [Rectangle(left + SPACER_MM, left + SPACER_MM + SLIT_MM, bottom, bottom + sheets_mm)], grey=0.0
        )
        for x in (left, left + SPACER_MM + SLIT_MM):
            pen.frame(Rectangle(x, x + SPACER_MM, bottom, bottom + sheets_mm), width_mm=0.04, fill=1.0)
            for sheet in range(1, 10):
                y = bottom + sheet * sheets_mm / 10
                pen.line((x, y), (x + SPACER_MM, y), grey=FAINT, width_mm=0.02)
        pen.line((-0.8, -0.04), (width + 0.8, -0.04), width_mm=0.1)
        pen.span(left + SPACER_MM, left + SPACER_MM + SLIT_MM, 2.3, f"{SLIT_MM:.0f} mm", 0.38)
        pen.span(left, left + STRIP_MM[1], 6.4, f"{STRIP_MM[1]:.0f} mm", 0.38)
    for words, y_mm in (("card", -12.0), ("strip A", -27.0), ("bundle B", -32.4), ("strip A", -37.4)):
        pen.text(words, 67.0, y_mm, CAPITAL_MM)
    pen.text("the slit, black inside", 18.0, -50.6, CAPITAL_MM)
    pen.line((22.0, -48.2), (24.0, -32.0), grey=GUIDE, width_mm=0.15)


def _draw_from_the_side(pen: Pen, width_mm: float) -> None:
    """The gauge in the notch from the side, at true size."""
    pen.text("From the side", 0.0, 8.0, CAPITAL_MM)
    with pen.moved(8.0, -16.0):
        pen.rectangles([Rectangle(0.0, 0.6, 9.0, 22.0)], grey=0.0)
        pen.text("card", 2.0, 20.0, CAPITAL_MM)
        pen.frame(Rectangle(0.0, STRIP_MM[0], 3.2, 4.0), width_mm=0.1, fill=0.85)
        pen.frame(Rectangle(0.0, STRIP_MM[0], 4.0, 5.0), width_mm=0.1, fill=1.0)
        pen.frame(Rectangle(0.0, STRIP_MM[0], 5.0, 5.8), width_mm=0.1, fill=0.85)
        pen.rectangles([Rectangle(STRIP_MM[0], STRIP_MM[0] + 0.4, 3.0, 6.0)], grey=0.2)
        pen.frame(Rectangle(20.0, 40.0, 0.0, 3.2), width_mm=0.1, fill=0.95)
        pen.text("eraser", 30.0, 0.7, CAPITAL_MM, align="centre")
        pen.text("tape", STRIP_MM[0] + 2.0, 3.6, CAPITAL_MM)
        pen.text("front level with the card's face", 2.0, 12.6, CAPITAL_MM)
        pen.line((0.0, 12.0), (0.0, 6.2), grey=GUIDE, width_mm=0.15)
        pen.line((-6.0, -0.1), (min(width_mm - 10.0, 74.0), -0.1), width_mm=0.3)
