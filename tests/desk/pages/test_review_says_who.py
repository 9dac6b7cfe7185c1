"""The review says which part of a reading is a person's, in the words of the reed's page and the exports."""

import re

import pytest


def headings(browser, sha):
    """The headings of the photos that a review shows, without tags."""
    found = re.findall("<h2>(.*?)</h2>", browser.get(f"/review/{sha}").text)
    return [re.sub("<[^>]+>", "", heading) for heading in found]


@pytest.mark.parametrize(
    ("form", "heading"),
    [
        ({"say": "confirm"}, "Soaked: round, confirmed by a person"),
        (
            {"say": "override", "shape": "elliptical", "reason": "seen by eye"},
            "Soaked: elliptical, class changed by a person",
        ),
        ({"say": "reed", "reed": "7", "state": "dry"}, "Dry: round, reed or state corrected by a person"),
    ],
)
def test_the_heading_says_what_a_person_did(filled, browser, form, heading):
    with filled.open_book() as book:
        sha = book.history(book.reed(7)).latest("soaked").photo.sha256
    assert "Soaked: round" in headings(browser, sha)
    browser.post(f"/review/{sha}", {**form, "by": "MB"})
    assert heading in headings(browser, sha)
