"""Drawings of the page of lots: what they show is what they say."""

import re
from dataclasses import replace
from datetime import datetime

import pytest

from aperture.book.orders.order_plan import plan_order
from aperture.book.orders.shares import share
from aperture.desk.app import create_app
from aperture.desk.pages.lot_drawings import (
    BAR_WIDTH,
    ORDER_BOTTOM,
    ORDER_HEIGHT,
    ORDER_LEFT,
    ORDER_RIGHT,
    ORDER_TOP,
    ORDER_WIDTH,
    order_curve,
    share_bar,
)
from aperture.settings import change_settings
from tests.book.present.test_return_sheet import Pdf
from tests.desk.conftest import Browser


@pytest.mark.parametrize(
    ("usable", "judged", "low", "high"),
    # Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3 (Wilson).
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_a_bar_is_as_long_as_the_share_and_its_interval(usable, judged, low, high):
    bar = share_bar(share(usable, judged))
    assert bar.share / BAR_WIDTH == pytest.approx(usable / judged, abs=0.05 / BAR_WIDTH)
    assert (bar.low / BAR_WIDTH, bar.high / BAR_WIDTH) == pytest.approx((low, high), abs=0.1 / BAR_WIDTH)
    assert f"{usable} of {judged} judged reeds usable" in bar.words
    assert f"from {100 * low:.0f} to {100 * high:.0f} %" in bar.words


def test_nothing_judged_draws_nothing():
    assert share_bar(share(0, 0)) is None
    assert order_curve(plan_order(12, 0.9, [])) is None


@pytest.mark.parametrize(
    ("need", "record"), [(12, [(30, 40)]), (12, [(3, 7)]), (1, [(5, 9)]), (300, [(9, 12), (3, 9)])]
)
def test_the_curve_marks_the_number_where_it_crosses(need, record):
    plan = plan_order(need, 0.9, record)
    curve = order_curve(plan)
    height = ORDER_HEIGHT - ORDER_TOP - ORDER_BOTTOM
    xs, ys = zip(*curve.points, strict=True)
    # More reeds are never less sure; down is less.
    assert list(xs) == sorted(xs)
    assert list(ys) == sorted(ys, reverse=True)
    assert (xs[0], xs[-1]) == (ORDER_LEFT, ORDER_WIDTH - ORDER_RIGHT)
    assert curve.wanted_y == pytest.approx(ORDER_HEIGHT - ORDER_BOTTOM - 0.9 * height, abs=0.1)
    dot = curve.chosen
    assert (dot.x, dot.y) in curve.points
    assert dot.y <= curve.wanted_y + 0.1
    assert all(y > curve.wanted_y - 0.1 for x, y in curve.points if x < dot.x)
    assert dot.words.startswith(f"{plan.n}: ")
    # The words at the dot stand inside the drawing, and off the line.
    assert ORDER_LEFT < dot.words_x < ORDER_WIDTH - ORDER_RIGHT
    ends = (dot.words_x, dot.words_x + 80) if dot.at_its == "start" else (dot.words_x - 80, dot.words_x)
    assert not [
        y for x, y in curve.points if ends[0] <= x <= ends[1] and dot.words_y - 13 < y < dot.words_y + 3
    ]
    # Ticks lie on the axis, and the text says the answer.
    ticks = [(x, int(words)) for x, words in curve.numbers]
    assert 2 <= len(ticks) <= 8
    assert all(ORDER_LEFT <= x <= ORDER_WIDTH - ORDER_RIGHT for x, _ in ticks)
    assert f"{plan.n} ordered: " in curve.words
    assert ", the answer" in curve.words
    assert curve.words.count("ordered") <= 9


def test_without_a_sensible_order_nothing_is_marked():
    curve = order_curve(plan_order(12, 0.9, [(0, 5)]))
    assert curve.chosen is None
    assert "the answer" not in curve.words


# --- on the page ---------------------------------------------------------------------------------------


@pytest.fixture
def judged(filled):
    """A lot of three reeds, two of them usable."""
    with filled.open_book() as book:
        for number, action in ((5, "keep"), (6, "keep"), (7, "send back")):
            book.add_decision(book.reed(number), datetime(2026, 10, 6), action, "so", "T1")
    return filled


@pytest.fixture
def in_euros(judged):
    """A browser at the desk whose prices are in euros."""
    desk = replace(judged, settings=change_settings(judged.settings, {"currency": "EUR"}))
    app = create_app(desk)
    app.app_of_ours = desk
    browser = Browser(app)
    browser.come_in(f"/open/{desk.access.desk_secret}")
    return browser


def test_the_page_answers_an_order_in_short_with_price_and_drawing(in_euros):
    text = in_euros.get("/lots?need=2&sure=80").text.replace("\u00a0", " ")
    n = int(re.search(r'<p class="number">Order (\d+) reeds</p>', text)[1])
    assert f"EUR {21 * n:.2f} together, at EUR 21.00 for each as in lot 26a." in text
    answer = text[text.index('class="number"') : text.index("<details>")]
    assert answer.count("<li>") == 3
    assert f"{n} ordered: " in re.search('<desc id="curve-words">(.*?)</desc>', answer)[1]
    # Where the numbers come from is folded.
    folded = text[text.index("<details>") : text.index("</details>")]
    assert "Jeffreys" in folded
    assert "Jeffreys" not in answer


def test_every_price_of_the_page_has_its_currency(in_euros):
    text = in_euros.get("/lots?need=2").text.replace("\u00a0", " ")
    # 2 of 3: a usable reed costs 21 × 3 / 2.
    assert "EUR 21.00 for each" in text
    assert "EUR 31.50 (" in text
    assert "(EUR)" in text[text.index('id="lot"') :]
    sheet = Pdf(in_euros.get("/lot/26a/return-sheet.pdf").content).text
    assert "EUR 21.00 per reed" in sheet.replace("\u00a0", " ")


@pytest.mark.usefixtures("judged")
def test_where_no_currency_is_set_a_price_is_a_number(browser):
    text = browser.get("/lots?need=2").text
    assert "21.00 for each" in text
    assert "31.50 (" in text
    assert "\u00a021.00" not in text


def test_a_lot_has_a_bar_with_words_for_who_cannot_see_it(judged, browser):
    text = browser.get("/lots").text
    # 2 of 3: Wilson's interval is 21 to 94 % (statsmodels 0.15, proportion_confint).
    label = re.search('<svg class="bar"[^>]*role="img" aria-label="([^"]*)"', text)[1]
    assert label.startswith("Lot 26a: 2 of 3 judged reeds usable, 67 %")
    assert "from 21 to 94 %" in label
    assert "67 % (21 to 94)" in text
