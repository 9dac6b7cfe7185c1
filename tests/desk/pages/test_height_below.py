"""The desk with a shut reed whose height cannot be told: the phone's result, the reed's page, the review.

The golden opening, as in `tests/test_height_below.py`: 0.02 mm high, u = 0.015 mm, so below 0.0447 mm.
"""

import json
from datetime import datetime

import numpy as np
import pytest

from aperture.book.store.records import Reading, Soaking
from aperture.desk.pages.outlines import handles, measured_by_hand
from aperture.desk.pages.plots import HEIGHT, Point, plot
from aperture.settings import Settings
from tests.conftest import ellipse_points_mm
from tests.desk.conftest import enter  # noqa: F401 (a fixture)

NO_HEIGHT = {"height_mm": 0.02, "u": (0.015, 0.030, 0.06, 0.0015)}
WORDS = "below 0.05 mm"
USUAL = Soaking(30.0, "room", "water", "new")
WINDOW = (36.4, -0.9, 49.2, 9.9, 78.125)


@pytest.fixture
def sha(desk, enter):  # noqa: F811
    """Reed 7 was open dry and is shut soaked; the hash of the soaked photo."""
    with desk.open_book() as book:
        reed = book.add_reed(7)
        enter(book, reed, "dry", datetime(2026, 10, 5, 14, 0))
        return enter(book, reed, "soaked", datetime(2026, 10, 5, 15, 0), USUAL, **NO_HEIGHT).sha256


def counting(desk, sha):
    with desk.open_book() as book:
        return book.entry(book.photo(sha)).reading


def test_what_the_phone_shows(browser, sha):
    text = browser.get(f"/result/{sha}").text
    assert "shut" in text
    assert WORDS in text
    assert "None" not in text


def test_the_reed_s_page_and_its_plot(browser, sha):
    text = browser.get("/reed/7").text
    assert f">{WORDS}</td>" in text
    assert f"<title>2026-10-05, soaked: {WORDS}</title>" in text
    assert "<title>2026-10-05, dry: 0.8 ± 0.02 mm</title>" in text
    # 0.0447/2 − 0.80 mm, ± 2 · √(0.0100² + 0.0112²): see `tests/book/test_height_below.py`.
    assert "height −0.778 ± 0.030 mm, closed" in text


def test_in_a_plot_the_bar_begins_at_0():
    when = datetime(2026, 10, 5)
    drawn = plot("Height", "mm", [Point(when, 0.8, 0.02, "dry"), Point(when, 0.02, 0.02, "soaked", WORDS)])
    dot = drawn.dots[1]
    assert dot.bottom == HEIGHT - drawn.bottom
    assert dot.words == f"2026-10-05, soaked: {WORDS}"


@pytest.mark.parametrize(
    "form", [{"say": "confirm"}, {"say": "override", "shape": "elliptical", "reason": "so"}]
)
def test_a_person_who_looked_finds_it_said_so_still(desk, browser, sha, form):
    assert WORDS in browser.get(f"/review/{sha}").text
    answer = browser.post(f"/review/{sha}", {**form, "by": "MB"})
    assert answer.status_code == 200
    reading = counting(desk, sha)
    assert (reading.origin, reading.record["height_mm"]) == ("person", None)
    assert reading.record["height_below_mm"] == pytest.approx(0.0447, abs=5e-5)
    assert WORDS in browser.get("/reed/7").text


def test_a_retake_has_no_number_at_all(desk, browser, sha):
    assert browser.post(f"/review/{sha}", {"say": "retake", "by": "MB"}).status_code == 200
    record = counting(desk, sha).record
    assert (record["outcome"], record["height_mm"], record["height_below_mm"]) == ("refused", None, None)
    assert WORDS not in browser.get(f"/result/{sha}").text


@pytest.fixture
def reading(measured):
    """The program's reading of the golden opening."""
    result = measured(**NO_HEIGHT)
    outline = result.outline.points_mm.tolist()
    return Reading(1, 1, "program", "0", 2.0, 0.001, result.record(), outline, "aa/x", WINDOW, None)


def test_a_hand_that_finds_it_open_gives_it_a_height(reading):
    """JCGM 100, 5.1.2. The program's own u was 0.015 mm, and cannot have been more than 0.0447 / 1.645 =
    0.0272 mm; to that the hand's is added: no more than that of two points, each set to 0.03 mm."""
    record = measured_by_hand(np.array(handles(ellipse_points_mm(7.0, 0.8))), reading, Settings())
    assert record["height_mm"] == pytest.approx(0.8, abs=0.005)
    assert record["height_below_mm"] is None
    assert 0.015 <= record["u"]["height_mm"] / 2.0 <= np.hypot(0.0272, 0.03 * np.sqrt(2.0))
    assert set(record["u"]) == {"height_mm", "width_mm", "area_mm2", "ellipse_ratio"}


def test_a_hand_that_finds_it_as_shut_tells_no_height_either(reading):
    record = measured_by_hand(np.array(handles(ellipse_points_mm(7.0, 0.04))), reading, Settings())
    assert (record["shape"], record["height_mm"]) == ("shut", None)
    assert 0.04 < record["height_below_mm"] < 0.2
    assert set(record["u"]) == {"width_mm", "area_mm2", "ellipse_ratio"}
    assert json.dumps(record, allow_nan=False)
