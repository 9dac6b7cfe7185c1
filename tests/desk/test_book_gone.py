"""The book's file is moved away while the desk runs: that is said, and no empty book takes its place."""

import pytest

from tests.desk.pages.test_snap import DRY, headers

PAGES = ["/due", "/reeds", "/reed/7", "/review", "/lots", "/cards", "/snap"]


@pytest.fixture
def moved(filled, browser):
    """Where the book lies now."""
    assert "Reed 7" in browser.get("/reeds").text
    away = filled.book_path.with_name("elsewhere.sqlite3")
    filled.book_path.rename(away)
    return away


@pytest.mark.parametrize("path", PAGES)
def test_a_page_says_so_and_begins_no_other(filled, browser, moved, path):
    answer = browser.get(path)
    assert answer.status_code == 404
    assert "There is no reed book" in answer.text
    assert not filled.book_path.exists()


def test_nothing_is_entered_into_another(filled, browser, moved):
    answers = [
        browser.post("/reeds", {"number": "9"}),
        browser.post("/snap", content=DRY.read_bytes(), headers=headers(browser)),
    ]
    assert all("There is no reed book" in answer.text for answer in answers)
    assert not filled.book_path.exists()


def test_once_it_is_back_all_is_as_before(filled, browser, moved):
    browser.get("/reeds")
    moved.rename(filled.book_path)
    assert "Reed 7" in browser.get("/reeds").text
