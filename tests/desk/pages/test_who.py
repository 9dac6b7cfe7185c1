"""Who is here: the code that was typed last, on whichever page, stands in every field that asks for it."""

import re

import pytest

from aperture.desk.pages.who import COOKIE

FIELDS = re.compile(r'<input id="([\w-]+)"[^>]* name="by"[^>]*?(?: value="([^"]*)")')


def codes(browser, page="/reed/7"):
    """What stands in the fields that ask who it is, by their ids."""
    return dict(FIELDS.findall(browser.get(page).text))


def photo(filled):
    with filled.open_book() as book:
        return book.history(book.reed(7)).latest("soaked").photo.sha256


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/reed/7/check", {"leak": "no", "by": "M.B-1"}),
        ("/reed/7/squeeze", {"by": "M.B-1"}),
        ("/reed/7/decision", {"action": "squeeze", "by": "M.B-1"}),
        ("/review/PHOTO", {"say": "confirm", "by": "M.B-1"}),
    ],
)
def test_it_is_remembered_wherever_it_was_typed_and_stands_everywhere(filled, browser, path, form):
    assert set(codes(browser).values()) == {""}
    assert browser.post(path.replace("PHOTO", photo(filled)), form).status_code == 200
    assert {"check-by", "decided-by", "squeeze-by"} <= codes(browser).keys()
    assert set(codes(browser).values()) == {"M.B-1"}
    assert codes(browser, f"/review/{photo(filled)}") == {"by": "M.B-1"}


def test_what_was_refused_or_left_empty_is_not_remembered(filled, browser):
    browser.post("/reed/7/check", {"leak": "no", "by": "M.B-1"})
    refused = browser.post("/reed/7/check", {"leak": "no", "by": "Anna Example"})
    assert refused.status_code == 409
    assert dict(FIELDS.findall(refused.text))["check-by"] == "Anna Example"
    browser.post("/reed/7/check", {"leak": "no", "by": ""})
    assert set(codes(browser).values()) == {"M.B-1"}
    assert [one.value for one in browser.cookies.jar if one.name == COOKIE] == ["M.B-1"]
