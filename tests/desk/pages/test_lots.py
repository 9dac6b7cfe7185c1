"""A lot is never overwritten unasked, and what cannot be of it is said beside its field."""

import html
import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from tests.desk.pages.test_entering import go_on, lot_of


def rows_of_change(answer):
    """What the page that asks would change: (what, old, new)."""
    table = re.search('<table class="change">.*?</table>', answer.text, re.DOTALL)[0]
    cells = re.findall('<th scope="row">(.*?)</th><td>(.*?)</td><td><strong>(.*?)</strong>', table)
    return [tuple(map(html.unescape, row)) for row in cells]


# --- a lot that is there -----------------------------------------------------------------------------------


@pytest.mark.parametrize("code", ["26a", "26A"])
def test_a_lot_that_is_there_is_asked_for_before_it_is_changed(filled, browser, code):
    before = lot_of(filled)
    form = {"code": code, "source": "south", "price": "19,5", "ordered_on": "2026-09-14"}
    asked = browser.post("/lots", form)
    assert asked.status_code == 200
    assert "Lot 26a is in the book already. Change it?" in asked.text
    # Only what differs, old beside new.
    assert rows_of_change(asked) == [("source", "north", "south"), ("price per reed", "21.00", "19.50")]
    assert lot_of(filled) == before
    assert "Lot 26a is in the book." in go_on(browser, asked).text
    assert lot_of(filled) == replace(before, source="south", price_per_reed=19.5)


def test_in_letters_with_accents_too(filled, browser):
    browser.post("/lots", {"code": "\u00c91", "source": "north"})
    asked = browser.post("/lots", {"code": "e\u03011", "source": "south"})
    assert "Lot \u00c91 is in the book already" in asked.text
    with filled.open_book() as book:
        assert [lot.code for lot in book.lots()] == ["26a", "\u00c91"]
        assert book.lot("\u00e91").source == "north"


def test_what_changes_nothing_writes_nothing(filled, browser):
    with filled.open_book() as book:
        before = book.last_seal()
    assert "Lot 26a is in the book." in browser.post("/lots", {"code": "26A", "source": "north"}).text
    with filled.open_book() as book:
        assert book.last_seal() == before


def test_the_form_that_shows_a_lot_asks_as_well(filled, browser):
    before = lot_of(filled)
    form = {"change": "yes", "code": "26a", "source": "north", "price": "21"}
    asked = browser.post("/lots", form)
    assert ("can go back until", "2036-10-19", "–") in rows_of_change(asked)
    assert "<b>medium" not in asked.text
    assert lot_of(filled) == before


def test_what_changed_meanwhile_is_asked_again(filled, browser):
    """Somebody else changed the lot while the question stood on the screen."""
    asked = browser.post("/lots", {"code": "26a", "source": "", "price": "19.5"})
    with filled.open_book() as book:
        book.add_lot("26a", "west", date(2026, 9, 14), date(2036, 10, 19), 25.0, "hard")
    again = go_on(browser, asked)
    assert ("price per reed", "25.00", "19.50") in rows_of_change(again)
    assert lot_of(filled).price_per_reed == 25.0
    go_on(browser, again)
    assert lot_of(filled).price_per_reed == 19.5


def test_a_new_lot_is_entered_at_once_and_said(desk, browser):
    answer = browser.post("/lots", {"code": "27b", "source": "north"})
    assert "Lot 27b is in the book." in answer.text
    assert (lot_of(desk).code, lot_of(desk).source, lot_of(desk).price_per_reed) == ("27b", "north", None)


# --- what cannot be ------------------------------------------------------------------------------------

LATER = (date.today() + timedelta(days=400)).isoformat()
WRONG = [
    ({"ordered_on": "2026-09-14", "return_by": "2026-09-13"}, "return_by", "before the day on which it was"),
    ({"ordered_on": LATER}, "ordered_on", "is not between 1995 and tomorrow"),
    ({"ordered_on": "1994-12-31"}, "ordered_on", "is not between 1995 and tomorrow"),
    ({"ordered_on": "soon"}, "ordered_on", "is no date"),
    ({"return_by": "9999-12-31"}, "return_by", "too many years away"),
    ({"return_by": "1900-01-01"}, "return_by", "before 1995"),
    ({"price": "-1"}, "price", "A reed cannot cost -1.00"),
    ({"price": "1000000"}, "price", "A reed cannot cost 1000000.00"),
    ({"price": "cheap"}, "price", "is no number"),
    ({"code": "my lot"}, "code", "must be a short code"),
    ({"code": ""}, "code", "Give the lot a short code"),
    ({"source": "A. Name"}, "source", "must be a short code"),
    ({"source": ""}, "source", "Say where the lot is from"),
]


@pytest.mark.parametrize(("typed", "field", "words"), WRONG)
def test_what_cannot_be_is_said_beside_its_field(filled, browser, typed, field, words):
    form = {"code": "27b", "source": "south", "strength": "med<ium", "price": "19,50", **typed}
    answer = browser.post("/lots", form)
    assert answer.status_code == 400
    assert "Nothing was written" in answer.text
    assert "That did not work" not in answer.text
    # The sentence belongs to the field, and only that one is marked.
    said = re.findall('<p class="wrong" id="wrong-([a-z_]+)">(.*?)</p>', answer.text)
    assert [name for name, _ in said] == [field]
    assert words in html.unescape(said[0][1])
    assert re.findall(
        'name="([a-z_]+)"[^>]*aria-invalid="true" aria-describedby="wrong-([a-z_]+)"', answer.text
    ) == [(field, field)]
    # What was typed is still there.
    for name, value in form.items():
        shown = re.search(f'<input id="lot-{name}" name="{name}" value="([^"]*)"', answer.text)[1]
        assert html.unescape(shown) == value
    assert lot_of(filled).code == "26a"


def test_several_mistakes_are_said_at_once(desk, browser):
    answer = browser.post("/lots", {"code": "", "source": "x y", "price": "-3", "return_by": "never"})
    said = re.findall('<p class="wrong" id="wrong-([a-z_]+)">', answer.text)
    assert said == ["code", "source", "return_by", "price"]
    assert answer.text.count(" autofocus") == 1


def test_a_mistake_in_a_change_leaves_the_form_that_changes(filled, browser):
    answer = browser.post("/lots", {"change": "yes", "code": "26a", "source": "north", "price": "-1"})
    assert answer.status_code == 400
    assert "Change lot 26a" in answer.text
    assert 'name="change" value="yes"' in answer.text


def test_tomorrow_and_the_same_day_can_be(desk, browser):
    """The shop can be in another time zone; a lot can be for looking at only."""
    day = (date.today() + timedelta(days=1)).isoformat()
    answer = browser.post("/lots", {"code": "27b", "source": "north", "ordered_on": day, "return_by": day})
    assert answer.status_code == 200
    assert lot_of(desk).ordered_on == lot_of(desk).return_by == date.fromisoformat(day)


def test_a_mistyped_order_is_said_beside_its_field(filled, browser):
    answer = browser.get("/lots?need=many&sure=90")
    assert answer.status_code == 400
    assert "is no number from 1 to 1000" in answer.text
    assert 'value="many"' in answer.text
    assert "That did not work" not in answer.text
