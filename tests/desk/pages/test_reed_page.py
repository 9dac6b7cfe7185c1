"""The page of one reed: what it says is true, and what its forms do."""

import re
from datetime import datetime

import pytest

from aperture.book.store.records import Soaking
from tests.desk.conftest import enter  # noqa: F401 (a fixture)


def text_of(browser, path="/reed/7"):
    """The words of a page, without its tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", browser.get(path).text))


# --- what people did to a photo ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"say": "confirm"}, "confirmed by a person"),
        ({"say": "override", "shape": "elliptical", "reason": "seen by eye"}, "class changed by a person"),
        ({"say": "reed", "reed": "7", "state": "dry"}, "reed or state corrected by a person"),
    ],
)
def test_the_page_says_what_a_person_did(filled, browser, form, words):
    with filled.open_book() as book:
        sha = book.history(book.reed(7)).latest("soaked").photo.sha256
    assert "by a person" not in text_of(browser)
    browser.post(f"/review/{sha}", {**form, "by": "MB"})
    assert words in text_of(browser)


# --- what to do ------------------------------------------------------------------------------------------

USUAL = Soaking(30.0, "room", "water", "new")


def test_a_decision_against_the_advice_leads_everywhere(filled, browser):
    """The advice stands beside it, in the tray, on the list of what is due and on the reed's page."""
    browser.post("/reed/7/decision", {"action": "replace", "by": "MB", "reason": "its player has another"})
    for path in ("/reeds", "/due", "/reed/7"):
        text = text_of(browser, path)
        assert "replace" in text
        assert "squeeze" in text  # the advice
        assert "Squeeze it firmly just above the thread" not in text.partition("The advice is")[0]
    assert "its player has another" in text_of(browser)


@pytest.mark.parametrize(
    ("height_mm", "width_mm", "said"),
    [
        # Ratios 0.41 and 0.26. Common practice, no published source: moderately open reeds are squeezed.
        (2.45, 5.98, "Too open to be squeezed: send it back while it can be"),
        (1.56, 6.0, "Squeeze it firmly just above the thread"),
    ],
)
def test_what_is_too_open_is_not_squeezed(desk, browser, enter, height_mm, width_mm, said):  # noqa: F811
    with desk.open_book() as book:
        book.add_lot("26a", "north", return_by=datetime(2036, 10, 19).date())
        reed = book.add_reed(9, "26a")
        enter(
            book, reed, "soaked", datetime(2026, 10, 5, 15, 0), USUAL, height_mm=height_mm, width_mm=width_mm
        )
    assert said in text_of(browser, "/reed/9")
