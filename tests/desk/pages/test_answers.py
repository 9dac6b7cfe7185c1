"""Every action answers: what happened stands at the top of the next page, once, with *Undo* for a minute."""

import re

import pytest

from aperture.desk.web import UNDO_SECONDS
from tests.desk.conftest import new_camera

LINE = re.compile(r'<div class="done noprint" role="status"><p>(.*?)</p>')
KEY = re.compile(r'name="key" value="(.*?)"')


def said(answer):
    """What the page says has happened; None for nothing."""
    found = LINE.search(answer.text)
    return found[1] if found else None


def undo(browser, answer):
    return browser.post("/undo", {"key": KEY.search(answer.text)[1]})


class Clock:
    """A clock that is set by hand."""

    now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock(desk):
    desk.state.clock = Clock()
    return desk.state.clock


def photo(filled):
    with filled.open_book() as book:
        return book.history(book.reed(7)).latest("soaked").photo.sha256


ACTIONS = {
    "a decision": ("/reed/7/decision", {"action": "squeeze", "by": "MB"}, "Reed 7: squeeze, as advised."),
    "a check": ("/reed/7/check", {"leak": "no", "by": "MB"}, "Reed 7: check by hand"),
    "a squeeze": ("/reed/7/squeeze", {"by": "MB"}, "Reed 7: squeezed"),
    "its place": ("/reed/7/details", {"slot": "B2"}, "Reed 7: lot, place and player"),
    "a reed again": ("/reeds", {"number": "7", "slot": "B2"}, "Reed 7: lot, place and player"),
    "a new reed": ("/reeds", {"number": "88"}, "Reed 88: made"),
    "a lot": ("/lots", {"code": "27", "source": "north"}, "Lot 27"),
    "a confirmation": ("/review/PHOTO", {"say": "confirm", "by": "MB"}, "numbers confirmed"),
    "another class": (
        "/review/PHOTO",
        {"say": "override", "shape": "shut", "reason": "seen", "by": "MB"},
        "another class",
    ),
    "a retake": ("/review/PHOTO", {"say": "retake", "by": "MB"}, "a retake is asked for"),
    "another reed": (
        "/review/PHOTO",
        {"say": "reed", "reed": "5", "by": "MB"},
        "reed, state or soak",
    ),
    "a reed made there": (
        "/review/PHOTO",
        {"say": "reed", "reed": "88", "make": "yes", "by": "MB"},
        "reed, state or soak",
    ),
}


def everything(filled):
    with filled.open_book() as book:
        return book.lots(), book.histories()


@pytest.mark.parametrize("action", ACTIONS)
def test_an_action_answers_once_and_can_be_undone(filled, browser, clock, action):
    path, form, words = ACTIONS[action]
    before = everything(filled)
    answer = browser.post(path.replace("PHOTO", photo(filled)), form)
    assert answer.status_code == 200
    assert words in said(answer)
    assert re.search("saved|is in the book", said(answer), re.I)
    assert everything(filled) != before
    assert said(browser.get("/due")) is None  # once
    clock.now += UNDO_SECONDS - 1
    undone = undo(browser, answer)
    assert undone.status_code == 200
    assert "Undone" in said(undone)
    assert words in said(undone)
    assert everything(filled) == before
    with filled.open_book() as book:
        assert list(book.table("withdrawals"))  # nothing was erased
        assert book.integrity_errors() == []


def test_after_a_minute_it_stays(filled, browser, clock):
    answer = browser.post("/reed/7/check", {"leak": "yes"})
    clock.now += UNDO_SECONDS
    late = undo(browser, answer)
    assert "Nothing was undone" in said(late)
    with filled.open_book() as book:
        assert book.history(book.reed(7)).checks[-1].leak is True


def test_what_something_rests_on_is_not_undone(filled, browser):
    answer = browser.post("/reeds", {"number": "88"})
    browser.post("/reed/88/check", {"leak": "no"})
    assert "rests on it" in said(undo(browser, answer))
    with filled.open_book() as book:
        assert len(book.history(book.reed(88)).checks) == 1


def test_twice_undone_is_once(filled, browser):
    answer = browser.post("/reed/7/check", {"leak": "yes"})
    undo(browser, answer)
    assert "Nothing was undone" in said(undo(browser, answer))
    with filled.open_book() as book:
        assert len(list(book.table("withdrawals"))) == 1


def test_of_two_actions_each_has_its_own_undo(filled, browser):
    first = browser.post("/reed/7/check", {"leak": "yes"})
    second = browser.post("/reed/7/decision", {"action": "send back", "by": "MB"})
    undo(browser, first)
    undo(browser, second)
    with filled.open_book() as book:
        history = book.history(book.reed(7))
    assert (history.checks, history.decisions) == ((), ())


def test_a_button_that_was_pressed_twice_can_be_undone(filled, browser):
    browser.post("/reed/7/squeeze", {}, follow_redirects=False)
    answer = browser.post("/reed/7/squeeze", {})
    undo(browser, answer)
    with filled.open_book() as book:
        assert book.history(book.reed(7)).squeezes == ()


@pytest.mark.parametrize("key", ["", "x", "../.."])
def test_a_wrong_key_undoes_nothing(filled, browser, key):
    browser.post("/reed/7/check", {"leak": "yes"})
    assert "Nothing was undone" in said(browser.post("/undo", {"key": key}))
    with filled.open_book() as book:
        assert len(book.history(book.reed(7)).checks) == 1


def test_nobody_else_can_undo_it_or_reads_of_it(filled, app, browser, stranger):
    answer = browser.post("/reed/7/check", {"leak": "yes"}, follow_redirects=False)
    assert answer.status_code == 303
    (key,) = filled.state.undos[next(iter(filled.state.undos))]
    camera = new_camera(app, filled)
    assert said(camera.get("/snap")) is None
    for other in (camera, stranger):
        assert other.post("/undo", {"key": key}).status_code in (401, 403)
    assert said(browser.get("/reeds")) == "Reed 7: check by hand, saved."
    assert browser.post("/undo", {"key": key, "csrf": "x"}).status_code == 403
    with filled.open_book() as book:
        assert len(book.history(book.reed(7)).checks) == 1


def test_what_a_person_typed_is_text_in_it(filled, browser):
    with filled.open_book() as book:
        entry = book.history(book.reed(7)).latest("soaked")
        odd = book.add_photo("f" * 64, "<img src=x>.jpg", None, entry.photo.when)
        book.add_filing(odd, entry.filing)
        book.add_reading(odd, entry.reading.record, filled.settings, 0.0, None)
    answer = browser.post(f"/review/{odd.sha256}", {"say": "confirm", "by": "MB"})
    assert said(answer).startswith("&lt;img")
