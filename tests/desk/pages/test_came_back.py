"""A reed that is gone and came back: what makes it count as here is said where something else is entered."""

from datetime import datetime

import pytest

from tests.desk.conftest import enter  # noqa: F401 (a fixture)


@pytest.fixture
def gone(filled):
    with filled.open_book() as book:
        book.add_decision(book.reed(7), datetime.now(), "sent back", "It is round.", "T1")
    return filled


def is_gone(desk):
    with desk.open_book() as book:
        return book.history(book.reed(7)).gone


@pytest.mark.parametrize(("form", "said"), [("check", {"leak": "no"}), ("squeeze", {"by": "T1"})])
def test_a_check_or_a_squeeze_alone_says_that_it_still_counts_as_gone(gone, browser, form, said):
    answer = browser.post(f"/reed/7/{form}", {**said, "came_back": "yes"})
    assert "saved. It still counts as sent back: decide what becomes of it, below." in answer.text
    assert answer.url.fragment == "back"  # the form for that is open
    assert is_gone(gone)
    browser.post("/reed/7/decision", {"action": "keep", "reason": "mended", "by": "T1", "came_back": "yes"})
    assert not is_gone(gone)
    text = browser.post(f"/reed/7/{form}", {**said, "by": "T2"}).text
    assert "still counts" not in text


def test_the_page_says_so_before_anything_is_typed(gone, browser):
    text = browser.get("/reed/7").text
    assert "A check or a squeeze alone does not put it back among the reeds that are here" in text
