"""The page of one reed: what it says is true, and what its forms do."""

import re

import pytest

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
