"""One photo answered twice: by two people, in two tabs, by a button that was pressed twice."""

import re
from html import unescape

import pytest

from tests.desk.conftest import enter  # noqa: F401 (a fixture)

BOX = re.compile('<section class="says look" id="meanwhile".*?</section>', re.S)
FIELD = re.compile('<input type="hidden" name="([a-z]+)" value="([^"]*)">')
RETAKE = {"say": "retake", "by": "T2"}
CLASS = {"say": "override", "shape": "shut", "reason": "I see <b>no</b> gap", "by": "T2"}
REED = {"say": "reed", "reed": "6", "state": "soaked", "by": "T2"}
CONFIRM = {"say": "confirm", "by": "T2"}
# How each is told.
WORDS = [
    (RETAKE, "T2: take the photo again"),
    (CLASS, "T2: it is shut, “I see <b>no</b> gap”"),
    (CONFIRM, "T2: the numbers are right"),
]


@pytest.fixture
def path(filled):
    """The page of the round photo of reed 7, which waits for a person."""
    with filled.open_book() as book:
        return f"/review/{book.history(book.reed(7)).latest('soaked').photo.sha256}"


def entry_of(desk, path):
    with desk.open_book() as book:
        return book.entry(book.photo(path.rpartition("/")[2]))


def upon(browser, path):
    """What a page says that it was answered upon, as it is open now."""
    text = browser.get(path).text
    return {"upon": re.search('name="upon" value="([^"]+)"', text)[1]}


def told(answer):
    """What the second one is told, as text; it must be there."""
    assert answer.status_code == 409
    return " ".join(unescape(re.sub("<[^>]+>", " ", BOX.search(answer.text)[0])).split())


def mine_instead(browser, path, answer):
    """Press the button by which the second answer is to count."""
    fields = dict(FIELD.findall(BOX.search(answer.text)[0]))
    return browser.post(path, {name: unescape(value) for name, value in fields.items()})


@pytest.mark.parametrize(("second", "words"), WORDS)
def test_the_second_is_told_what_was_answered_and_nothing_of_theirs_counts_yet(
    filled, browser, path, second, words
):
    shown = upon(browser, path)
    browser.post(path, {"say": "override", "shape": "elliptical", "reason": "by eye", "by": "T1"} | shown)
    answer = browser.post(path, second | shown)
    said = told(answer)
    assert re.search(r"What counts now T1, \d\d:\d\d: elliptical, height 2\.100 ± \S+ mm, “by eye”", said)
    assert words in said
    assert "Nothing of yours was written yet" in said
    assert entry_of(filled, path).reading.by == "T1"
    # All that was typed is in the form as well.
    if second is CLASS:
        assert 'value="I see &lt;b&gt;no&lt;/b&gt; gap"' in answer.text
        assert "<option selected>shut" in answer.text


@pytest.mark.parametrize(("second", "words"), WORDS)
def test_whose_answer_counts_is_then_said_with_one_button(filled, browser, path, second, words):
    """Even a number is confirmed, though the first one asked for a retake: it is the one that was seen."""
    shown = upon(browser, path)
    first = CONFIRM if second is RETAKE else RETAKE
    browser.post(path, {**first, "by": "T1"} | shown)
    answer = mine_instead(browser, path, browser.post(path, second | shown))
    assert answer.status_code == 200
    readings = entry_of(filled, path).readings
    assert [one.by for one in readings] == [None, "T1", "T2"]
    last = readings[-1]
    if second is RETAKE:
        assert last.retake_asked
    else:
        assert (last.measured, last.record["height_mm"]) == (True, readings[0].record["height_mm"])
        assert last.record["shape"] == ("shut" if second is CLASS else "round")


def test_a_third_answer_meanwhile_is_told_as_well(filled, browser, path):
    shown = upon(browser, path)
    browser.post(path, {**RETAKE, "by": "T1"} | shown)
    asked = browser.post(path, CLASS | shown)
    browser.post(path, {**CONFIRM, "by": "T3"} | shown | {"instead": upon(browser, path)["upon"]})
    said = told(mine_instead(browser, path, asked))
    assert said.index("T1,") < said.index("T3,")
    assert [one.by for one in entry_of(filled, path).readings] == [None, "T1", "T3"]


def test_another_reed_said_meanwhile_is_told_and_a_class_can_be_entered_beside_it(filled, browser, path):
    shown = upon(browser, path)
    browser.post(path, {**REED, "by": "T1"} | shown)
    answer = browser.post(path, CLASS | shown)
    assert "T1: it shows reed 6, soaked" in told(answer)
    assert "Enter mine, too" in answer.text
    mine_instead(browser, path, answer)
    entry = entry_of(filled, path)
    assert (entry.filing.by, entry.reading.by) == ("T1", "T2")


def test_two_reeds_said_of_one_photo_are_told(filled, browser, path):
    shown = upon(browser, path)
    browser.post(path, {**REED, "reed": "5", "by": "T1"} | shown)
    answer = browser.post(path, REED | shown)
    said = told(answer)
    assert "T1: it shows reed 5, soaked" in said
    assert "T2: it shows reed 6, soaked" in said
    mine_instead(browser, path, answer)
    with filled.open_book() as book:
        assert entry_of(filled, path).filing.reed_id == book.reed(6).id


def test_what_was_undone_meanwhile_is_told(filled, browser, path):
    browser.post(path, {**RETAKE, "by": "T1"} | upon(browser, path))
    shown = upon(browser, path)
    with filled.open_book() as book:
        book.withdraw([("readings", entry_of(filled, path).reading.id)])
    assert "What was answered before was undone." in told(browser.post(path, CONFIRM | shown))


def test_a_class_without_a_reason_is_asked_for_it_whoever_answered_meanwhile(filled, browser, path):
    shown = upon(browser, path)
    browser.post(path, {**RETAKE, "by": "T1"} | shown)
    answer = browser.post(path, {**CLASS, "reason": ""} | shown)
    assert "say which class it is, and why" in answer.text


@pytest.mark.parametrize("form", [CONFIRM, RETAKE, CLASS, REED, {**REED, "reed": "17", "make": "yes"}])
def test_a_button_pressed_twice_is_one_answer(filled, browser, path, form):
    shown = upon(browser, path)
    for _ in range(2):
        answer = browser.post(path, form | shown)
        assert answer.status_code == 200
        assert 'id="meanwhile"' not in answer.text
    with filled.open_book() as book:
        (filings,) = book._connection.execute("SELECT count(*) FROM filings").fetchone()
    assert (len(entry_of(filled, path).readings), filings) == ((1, 7) if form["say"] == "reed" else (2, 6))


def test_an_outline_measured_twice_is_one_answer(filled, browser, path):
    from tests.desk.pages.test_review import OUTLINE, WINDOW

    with filled.open_book() as book:
        was = book.entry(book.photo(path.rpartition("/")[2]))
        args = (dict(was.reading.record), filled.settings, 0.001, list(was.reading.outline_mm))
        book.add_reading(was.photo, *args, tip="0" * 64 + ".jpg", tip_window=WINDOW)
    shown = upon(browser, path)
    for _ in range(2):
        answer = browser.post(path, {"say": "outline", "points": OUTLINE, "by": "T2"} | shown)
        assert answer.status_code == 200
    assert [one.by for one in entry_of(filled, path).readings] == [None, None, "T2"]


def test_a_page_that_is_up_to_date_asks_nothing(filled, browser, path):
    for form in (CONFIRM, CLASS, {**CONFIRM, "by": "T3"}):
        assert browser.post(path, form | upon(browser, path)).status_code == 200
    assert len(entry_of(filled, path).readings) == 4
