"""The page that the desk begins with says in one line when the gauge was last used, and what came of it; and
a check that failed sends the photos of its day to the review, on every page that counts them."""

import re
from datetime import date, datetime, timedelta
from html import unescape

import pytest

from aperture.desk.pages.due_page import _day_words, counts
from aperture.settings import Settings
from tests.book.conftest import GAUGE_CHECK as RECORD
from tests.book.store.test_gauge_checks import FAILED
from tests.desk.conftest import enter  # noqa: F401

TODAY = date.today()


def line(browser):
    """The line on the page that the desk begins with; its words and where its links lead."""
    (found,) = re.findall(r'<p class="[^"]*" id="checked">(.*?)</p>', browser.get("/").text)
    return " ".join(unescape(re.sub("<[^>]*>", "", found)).split()), re.findall(r'href="(.*?)"', found)


def taken(days_ago, hour=8):
    return datetime.combine(TODAY - timedelta(days=days_ago), datetime.min.time()).replace(hour=hour)


def test_an_empty_book_has_other_things_to_say(desk, browser):
    assert 'id="checked"' not in browser.get("/").text


def test_never_checked_is_one_quiet_hint(filled, browser):
    said, links = line(browser)
    assert said == "Are the millimetres right? Check with paper, scissors and a ruler"
    assert links == ["/gauge"]
    assert browser.get("/").text.count("/gauge") == 2  # the menu's, and this


def test_a_check_that_agreed(filled, browser):
    with filled.open_book() as book:
        book.add_gauge_check({**RECORD, "taken": taken(3).isoformat()}, Settings())
    day = TODAY - timedelta(days=3)
    said, links = line(browser)
    assert said.startswith(f"Last checked with the gauge: {day.day} {day:%B}")
    assert said.endswith(", agreed")
    assert links == ["/gauge"]


@pytest.mark.parametrize(
    ("day", "words"), [(date(2026, 11, 12), "12 November"), (date(2025, 2, 1), "1 February 2025")]
)
def test_a_day_of_another_year_has_its_year(day, words):
    assert _day_words(day, date(2026, 11, 29)) == words


def test_a_check_that_failed_sends_the_days_photos_to_the_review_and_says_so(desk, browser, enter):  # noqa: F811
    """A photo of that day that is there, and one that comes later; not one of the day after."""
    with desk.open_book() as book:
        reed = book.add_reed(3)
        enter(book, reed, "dry", taken(2, 14))
        enter(book, reed, "dry", taken(1, 14))
    assert line(browser)[0].startswith("Are the millimetres right?")
    assert counts(desk)["/review"] == 0
    with desk.open_book() as book:
        book.add_gauge_check({**FAILED, "taken": taken(2).isoformat()}, Settings())
    said, links = line(browser)
    assert "did not agree; photos of that day go to the review" in said
    assert links == ["/gauge", "/review"]
    assert counts(desk)["/review"] == 1
    with desk.open_book() as book:
        enter(book, book.add_reed(4), "dry", taken(2, 15))
    assert counts(desk)["/review"] == 2
    # The same gauge agrees later that day: nothing waits any more.
    with desk.open_book() as book:
        again = {**RECORD, "sha256": "c" * 64, "taken": taken(2, 18).isoformat()}
        book.add_gauge_check(again, Settings())
    assert counts(desk)["/review"] == 0
    assert line(browser)[0].endswith(", agreed")


def test_another_height_that_agrees_does_not_make_the_day_good(desk, browser, enter):  # noqa: F811
    with desk.open_book() as book:
        enter(book, book.add_reed(3), "dry", taken(2, 14))
        book.add_gauge_check({**FAILED, "taken": taken(2).isoformat()}, Settings())
        other = {**RECORD, "sha256": "c" * 64, "sheets": 5, "taken": taken(2, 18).isoformat()}
        book.add_gauge_check(other, Settings())
    assert "did not agree" in line(browser)[0]
