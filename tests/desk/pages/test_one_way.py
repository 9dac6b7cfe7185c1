"""The order and the watched folder say what is wrong beside the field, in the way that all forms have."""

import re

from tests.desk.conftest import enter  # noqa: F401 (a fixture)


def field(text, name):
    """A field's attributes, and what stands right behind it."""
    found = re.search(
        rf'<(?:input id="{name}"([^>]*)>|select id="{name}"([^>]*)>.*?</select>)(.*)', text, re.S
    )
    return found[1] or found[2], found[3]


def test_what_cannot_be_ordered_stands_behind_its_field_which_has_the_focus(filled, browser):
    answer = browser.get("/lots?need=many&sure=17")
    assert answer.status_code == 400
    need, behind = field(answer.text, "need")
    assert 'value="many"' in need
    assert 'aria-invalid="true" aria-describedby="wrong-need" autofocus' in need
    assert behind.startswith('<p class="wrong" id="wrong-need">“many” is no number from 1 to')
    sure, behind = field(answer.text, "sure")
    assert 'aria-describedby="wrong-sure"' in sure
    assert "autofocus" not in sure
    assert behind.startswith('<p class="wrong" id="wrong-sure">“17” % cannot be chosen.')


def test_a_lot_that_cannot_be_does_not_mark_the_order(filled, browser):
    text = browser.post("/lots", {"code": "", "source": "north"}).text
    assert "aria-invalid" not in field(text, "need")[0]


def test_a_folder_that_cannot_be_watched_keeps_all_that_was_chosen(browser):
    answer = browser.post("/import/watch", {"folder": "phone", "there": "yes"})
    folder, _ = field(answer.text, "watch-folder")
    assert 'value="phone"' in folder
    assert "autofocus" in folder
    assert 'name="there" value="yes" checked' in answer.text
    assert '<p class="wrong" id="watch-trouble">' in answer.text
    assert 'role="alert"' not in answer.text
