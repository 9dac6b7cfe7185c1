"""Pages left open: the desk was closed and opened since, or the book changed; nothing typed is lost."""

import re
from datetime import datetime
from html import unescape

import pytest

from tests.desk.conftest import Browser, enter  # noqa: F401 (a fixture)

CHECK = {"leak": "yes", "note": "at the <tip>", "by": "T1"}
FIELD = re.compile('<input type="hidden" name="([a-z_]+)" value="([^"]*)">')


def send_again(browser, answer):
    """Press the button of the page that keeps what was sent."""
    (form,) = re.findall('<form class="card".*?</form>', answer.text, re.S)
    fields = {name: unescape(value) for name, value in FIELD.findall(form)}
    # What the page has in it, not what the test's browser knows.
    return browser.post(re.search('action="([^"]+)"', form)[1], fields)


@pytest.fixture
def overnight(app, filled, browser):
    """The desk's own browser, with a page of the evening; in the night the desk was closed and opened."""
    browser.csrf = "of the evening"
    browser.cookies.clear()
    return browser


def checks(desk):
    with desk.open_book() as book:
        return book.history(book.reed(7)).checks


def open_again(browser, desk):
    session = desk.access._let_in("desk", float("inf"))
    browser.cookies.set(desk.cookie, session.key, domain="127.0.0.1")


def test_what_was_typed_waits_until_the_desk_is_open_again(filled, overnight):
    answer = overnight.post("/reed/7/check", CHECK)
    assert answer.status_code == 401
    assert "The desk was closed meanwhile" in answer.text
    assert "<li>note: at the &lt;tip&gt;</li>" in answer.text
    # Too early: it still waits.
    answer = send_again(overnight, answer)
    assert answer.status_code == 401
    assert checks(filled) == ()
    open_again(overnight, filled)
    # The page does not know the new desk's secret, so it is asked once more.
    answer = send_again(overnight, answer)
    assert answer.status_code == 403
    assert "nothing that you typed is lost" in answer.text
    assert checks(filled) == ()
    assert send_again(overnight, answer).status_code == 200
    (check,) = checks(filled)
    assert (check.leak, check.note, check.by) == (True, "at the <tip>", "T1")


def test_what_nobody_typed_is_sent_again_but_not_shown(filled, overnight):
    hidden = {"reed_id": "3", "was_slot": "8", "was_lot": "26a"}
    answer = overnight.post("/reed/7/details", {**hidden, "slot": "9"})
    assert re.findall("<li>(.*?)</li>", answer.text) == ["slot: 9"]
    assert hidden.items() <= dict(FIELD.findall(answer.text)).items()


def test_a_stranger_is_let_in_by_nothing_that_is_kept_so(filled, overnight):
    answer = overnight.post("/reed/7/check", {**CHECK, "csrf": "x"})
    assert 'name="csrf" value=""' in answer.text
    assert "T1" in answer.text
    assert "Reed 7" not in answer.text
    assert filled.access.desk_secret not in answer.text


def test_from_another_page_nothing_can_be_sent_again(filled, overnight):
    open_again(overnight, filled)
    answer = overnight.post("/reed/7/check", CHECK, headers={"origin": "http://elsewhere.example"})
    assert (answer.status_code, answer.text) == (403, "This came from another page.")


def test_what_is_no_form_of_a_page_is_not_kept(overnight):
    large = overnight.post("/reed/7/check", {"note": "x" * 70_000})
    assert large.status_code == 401
    assert "xxx" not in large.text
    script = overnight.post("/reed/7/check", CHECK, headers={"accept": "application/json"})
    assert script.json()["what"].startswith("This desk does not know you")


# --- the book changed ----------------------------------------------------------------------------------


def form_of(browser, action):
    """The hidden fields of a form of reed 7's page."""
    text = browser.get("/reed/7").text
    (form,) = re.findall(f'<form class="card" method="post" action="/reed/7/{action}">.*?</form>', text, re.S)
    return {name: unescape(value) for name, value in FIELD.findall(form) if name != "csrf"}


@pytest.mark.parametrize(
    ("action", "said"),
    [
        ("check", CHECK),
        ("squeeze", {"by": "T1"}),
        ("decision", {"action": "replace", "reason": "it cracked", "by": "T1"}),
        ("details", {"slot": "9"}),
    ],
)
def test_what_is_said_of_a_number_is_not_said_of_the_reed_that_got_it_since(filled, browser, action, said):
    hidden = form_of(browser, action)
    with filled.open_book() as book:
        book.add_decision(book.reed(7), datetime.now(), "thrown away", "It cracked.", "T1")
        new = book.add_reed(7)
    answer = browser.post(f"/reed/7/{action}", {**said, **hidden})
    assert answer.status_code == 409
    assert "the number 7 was given to another reed since this page was opened" in answer.text
    for typed in (one for one in said.values() if one != "yes"):
        assert typed.replace("<tip>", "&lt;tip&gt;") in answer.text
    with filled.open_book() as book:
        history = book.history(new)
    assert (history.checks, history.squeezes, history.decisions, history.reed.slot) == ((), (), (), None)
    # Whoever means the new one sends it again.
    again = {**said, **form_of(browser, action)}
    assert browser.post(f"/reed/7/{action}", again).status_code == 200


def test_the_squeeze_of_the_list_of_what_is_due_is_of_the_reed_that_was_listed(filled, browser):
    listed = re.search('action="/reed/7/squeeze">(.*?)</form>', browser.get("/due").text, re.S)[1]
    hidden = {name: value for name, value in FIELD.findall(listed) if name != "csrf"}
    with filled.open_book() as book:
        book.add_decision(book.reed(7), datetime.now(), "thrown away", "It cracked.", "T1")
        book.add_reed(7)
    assert browser.post("/reed/7/squeeze", hidden).status_code == 409


def details(desk):
    with desk.open_book() as book:
        reed = book.reed(7)
    return reed.lot, reed.slot, reed.player


def test_a_place_and_a_player_entered_in_two_tabs_are_both_kept(filled, browser):
    hidden = form_of(browser, "details")
    assert browser.post("/reed/7/details", {**hidden, "lot": "26a", "slot": "3"}).status_code == 200
    assert browser.post("/reed/7/details", {**hidden, "lot": "26a", "player": "P1"}).status_code == 200
    assert details(filled) == ("26a", "3", "P1")


def test_two_slots_entered_in_two_tabs_are_told_and_the_second_may_count(filled, browser):
    hidden = form_of(browser, "details")
    browser.post("/reed/7/details", {**hidden, "lot": "26a", "slot": "3"})
    answer = browser.post("/reed/7/details", {**hidden, "lot": "26a", "slot": "4"})
    assert answer.status_code == 409
    assert "Somebody entered slot “3” while this page was open" in answer.text
    assert 'name="slot" value="4"' in answer.text
    assert details(filled)[1] == "3"
    again = {**form_of(browser, "details"), "lot": "26a", "slot": "4"}
    assert browser.post("/reed/7/details", again).status_code == 200
    assert details(filled)[1] == "4"


def test_a_slot_and_a_player_that_two_entered_are_told_together(filled, browser):
    hidden = form_of(browser, "details")
    browser.post("/reed/7/details", {**hidden, "lot": "26a", "slot": "3", "player": "P2"})
    answer = browser.post("/reed/7/details", {**hidden, "lot": "26a", "slot": "4", "player": "P3"})
    assert "Somebody entered slot “3”, player “P2” while this page was open" in answer.text
    assert details(filled)[1:] == ("3", "P2")
