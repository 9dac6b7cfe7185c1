"""The book's pages in every case: what is left empty, mistyped, dropped, and how they say it."""

import html
import inspect
import json
import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

import pytest
from markupsafe import Markup

from aperture.batch.photo_files import photos_in
from aperture.book.advice.decide import IF_IT_CAME_BACK, SAY_WHY
from aperture.book.advice.rule_table import REMARKS, RULES
from aperture.book.advice.rules import CAUTIONS, DECIDED
from aperture.book.photos.intake import take_in
from aperture.book.store.records import Filing, Soaking
from aperture.desk import wording
from aperture.desk.pages.importing import those_taken
from aperture.desk.wording import page_words
from aperture.flags import FLAGS
from aperture.settings import Settings
from aperture.studies import gauge_line
from aperture.verdict import ADVICE, BORDERLINE, CLOSED_ON_SOAKING, STANDING
from tests.book.photos.test_intake import picture
from tests.desk.pages.test_pages import WINDOW

# --- what is entered -----------------------------------------------------------------------------------


def reed_of(desk, number):
    with desk.open_book() as book:
        return book.reed(number)


def test_what_is_left_empty_stays_as_it_was(filled, browser):
    browser.post("/reeds", {"number": "7", "lot": "", "slot": "A3", "player": "P4"})
    browser.post("/reeds", {"number": "7", "lot": "", "slot": "", "player": "P5"})
    now = reed_of(filled, 7)
    assert (now.lot, now.slot, now.player) == ("26a", "A3", "P5")


def test_on_a_reed_s_own_page_a_field_can_be_cleared(filled, browser):
    """That form shows what is there, so that nobody clears what they do not see."""
    browser.post("/reeds", {"number": "7", "slot": "A3", "player": "P4"})
    page = browser.get("/reed/7").text
    assert 'name="slot" value="A3"' in page
    assert "<option selected>26a</option>" in page
    browser.post("/reed/7/details", {"lot": "26a", "slot": "", "player": "P4"})
    now = reed_of(filled, 7)
    assert (now.lot, now.slot, now.player) == ("26a", None, "P4")


def lot_of(desk):
    with desk.open_book() as book:
        (lot,) = book.lots()
    return lot


def go_on(browser, asked):
    """Press the button of the page that asks before a lot is changed."""
    sent = re.findall('type="hidden" name="([^"]+)" value="([^"]*)"', asked.text)
    return browser.post("/lots", {name: html.unescape(value) for name, value in sent if name != "csrf"})


def test_a_lot_entered_again_keeps_what_is_left_empty(filled, browser):
    before = lot_of(filled)
    go_on(browser, browser.post("/lots", {"code": "26A", "source": "", "price": "19,5"}))
    now = lot_of(filled)
    assert (now.source, now.ordered_on, now.return_by, now.strength) == (
        before.source,
        before.ordered_on,
        before.return_by,
        before.strength,
    )
    assert now.price_per_reed == 19.5


def test_in_the_form_that_shows_a_lot_a_field_can_be_cleared(filled, browser):
    page = browser.get("/lots?change=26a").text
    assert 'value="2026-09-14"' in page
    assert 'value="21.00"' in page
    form = {"change": "yes", "code": "26a", "source": "north", "price": "21"}
    go_on(browser, browser.post("/lots", form))
    now = lot_of(filled)
    assert (now.ordered_on, now.strength, now.price_per_reed) == (None, None, 21.0)


@pytest.mark.parametrize("number", ["", "abc", "7.5", "-1", "0", "²", "9" * 40, "1e3"])
def test_what_is_no_reed_s_number_is_said(filled, browser, number):
    answer = browser.post("/reeds", {"number": number})
    assert answer.status_code == 400
    assert "number" in answer.text
    with filled.open_book() as book:
        assert len(book.reeds()) == 3


@pytest.mark.parametrize("number", ["abc", "7.5", "-1", "²", "9" * 40, "<b>"])
def test_an_address_without_a_reed_is_said(filled, browser, number):
    for answer in (browser.get(f"/reed/{number}"), browser.post(f"/reed/{number}/squeeze", {})):
        assert answer.status_code == 404
        assert "<b>" not in answer.text


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/lots", {"code": "x", "source": "y", "price": "cheap"}),
        ("/lots", {"code": "x", "source": "y", "price": "nan"}),
        ("/lots", {"code": "x", "source": "y", "ordered_on": "soon"}),
        ("/reed/7/check", {"cents": "inf"}),
    ],
)
def test_what_is_no_number_and_no_date_is_said(filled, browser, path, form):
    answer = browser.post(path, form)
    assert answer.status_code == 400
    assert "Nothing was written" in answer.text


def test_an_order_without_a_record(desk, browser):
    """In a book without lots, and of a lot of which nothing is judged: in words, and no number."""
    text = browser.get("/lots?need=12").text
    assert "No reed of this source has been judged yet" in text
    with desk.open_book() as book:
        book.add_lot("26a", "north")
    assert "No reed of this source has been judged yet" in browser.get("/lots?need=12").text


@pytest.mark.parametrize("query", ["need=abc", "need=0", "need=1001", "need=²", "need=12&sure=50", "need="])
def test_an_order_that_cannot_be_asked(filled, browser, query):
    answer = browser.get(f"/lots?{query}")
    # An empty field asks for what the form begins with.
    wrong = query != "need="
    assert answer.status_code == (400 if wrong else 200)
    assert ('aria-invalid="true"' in answer.text) == wrong
    assert ('class="number"' in answer.text) != wrong


def test_an_earlier_reed_of_the_same_number_has_its_page(filled, browser):
    browser.post("/reed/7/decision", {"action": "thrown away", "by": "T1", "reason": "it cracked"})
    browser.post("/reeds", {"number": "7", "player": "P9"})
    assert "it cracked" not in browser.get("/reed/7").text
    tray = browser.get("/reeds?all=1").text
    (earlier,) = set(re.findall(r"/reed/7\?id=\d+", tray))
    text = browser.get(earlier).text
    assert "it cracked" in text
    assert "<form" not in text
    assert earlier in browser.get("/reed/7").text


def test_a_button_pressed_twice_is_one_squeeze(filled, browser):
    for _ in range(2):
        browser.post("/reed/7/squeeze", {"by": "T1"})
    with filled.open_book() as book:
        assert len(book.history(book.reed(7)).squeezes) == 1


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ("check", {"leak": "yes", "note": "at the tip", "by": "T1"}),
        ("decision", {"action": "replace", "by": "T1", "reason": "it cracked"}),
    ],
)
def test_a_button_pressed_twice_is_one_check_and_one_decision(filled, browser, form, said):
    for _ in range(2):
        assert browser.post(f"/reed/7/{form}", said).status_code == 200
    with filled.open_book() as book:
        history = book.history(book.reed(7))
    entered = {"check": history.checks, "decision": history.decisions}[form]
    assert len(entered) == 1


def test_something_else_said_soon_after_is_entered(filled, browser):
    for leak in ("yes", "no"):
        browser.post("/reed/7/check", {"leak": leak, "by": "T1"})
    for action in ("replace", "thrown away"):
        browser.post("/reed/7/decision", {"action": action, "by": "T1", "reason": "it cracked"})
    with filled.open_book() as book:
        history = book.history(book.reed(7))
    assert [check.leak for check in history.checks] == [True, False]
    assert [decision.action for decision in history.decisions] == ["replace", "thrown away"]


def test_a_sheet_for_nothing_is_said_and_not_offered(filled, browser):
    """A reed that is replaced counts against its lot, but does not go back."""
    browser.post("/reed/7/decision", {"action": "replace", "by": "T1", "reason": "it cracked"})
    assert "return-sheet.pdf" not in browser.get("/lots").text
    answer = browser.get("/lot/26a/return-sheet.pdf")
    assert answer.status_code == 404
    assert "no reed of lot 26a was to go back" in answer.text
    assert browser.get("/lot/zz/return-sheet.pdf").status_code == 404
    browser.post("/reed/7/decision", {"action": "send back", "by": "T1", "reason": "it cracked"})
    assert "/lot/26a/return-sheet.pdf" in browser.get("/lots").text


# --- at a glance ---------------------------------------------------------------------------------------


def with_tips(desk):
    """Every photo gets a picture of its tip."""
    with desk.open_book() as book:
        for entry in (entry for history in book.histories() for entry in history.entries):
            was, tip = entry.reading, f"aa/{entry.photo.id}"
            book.add_reading(
                entry.photo, was.record, Settings(), 0.001, was.outline_mm, tip=tip, tip_window=WINDOW
            )


def test_the_tray_shows_dry_and_soaked_side_by_side(filled, browser):
    with_tips(filled)
    tray = browser.get("/reeds").text
    place = tray[tray.index("Reed 7") :]
    assert place.index("dry tip of reed 7") < place.index("soaked tip of reed 7")
    assert re.search("dry</span> elliptical", place)
    assert re.search("soaked</span> round", place)
    assert "Next: </span>squeeze" in place


def test_nobody_is_asked_to_look_twice(filled, browser):
    """Who decided after the photo has seen it; the pages ask as the review does."""
    assert ">look<" in browser.get("/reeds").text
    assert "Look at the soaked photo" in browser.get("/reed/7").text
    browser.post("/reed/7/decision", {"action": "squeeze", "by": "T1"})
    assert ">look<" not in browser.get("/reeds").text
    assert "Look at the soaked photo" not in browser.get("/reed/7").text


# --- an import files as the command does ---------------------------------------------------------------

DROPPED = [
    "box/R10_dry.jpg",
    "box/R2_dry.JPG",
    "box/soaked/R02.jpg",
    "box/reed 8/dry/a.jpg",
    "box/reed 8/soaked/a.jpg",
    "box/soaked/R09_dry.jpg",
    "box/IMG_0412.jpg",
    "box/.hidden/R1_dry.jpg",
    "box/.R1_soaked.jpg",
    "box/R10_dry_annotated.jpg",
    "box/notes.txt",
    "box/Füße/reed 11/dry.jpg",
]


def filed(desk):
    with desk.open_book() as book:
        numbers = {reed.id: reed.number for reed in book.reeds()}
        return [
            (entry.photo.name, numbers.get(entry.filing.reed_id), entry.filing.state, entry.filing.reason)
            for entry in map(book.entry, book.photos())
        ]


@pytest.fixture
def dropped(tmp_path):
    for seed, name in enumerate(DROPPED):
        path = tmp_path / name
        if path.suffix == ".txt":
            path.write_text("no photo")
        else:
            picture(path, seed)
    return tmp_path


@pytest.fixture
def by_the_command(desk, dropped):
    """What `aperture intake box` files."""
    other = replace(desk, book_path=dropped / "other.sqlite3")
    with other.open_book() as book:
        list(take_in(book, photos_in([dropped / "box"]), desk.settings))
    result = filed(other)
    assert ("R02.jpg", 2, "soaked", None) in result
    assert len(result) == 8
    return result


def test_a_dropped_folder_is_filed_as_by_the_command(desk, browser, dropped, by_the_command):
    names = [*reversed(DROPPED)]  # a browser lists them in any order
    headers = {"x-csrf": browser.csrf, "content-type": "application/json"}
    places = browser.post("/import/names", content=json.dumps(names), headers=headers).json()
    for name in [names[place] for place in places]:
        folders, _, last = name.rpartition("/")
        told = {"x-csrf": browser.csrf, "x-name": quote(last), "x-folders": quote(folders)}
        done = browser.post("/import/photo", content=(dropped / name).read_bytes(), headers=told).json()
        assert done["name"] == last
    assert filed(desk) == by_the_command


def test_so_it_is_without_a_script(desk, browser, dropped, by_the_command):
    names = [name for name in DROPPED if Path(name).name in {one[0] for one in by_the_command}]
    files = [("photos", (name, (dropped / name).read_bytes(), "image/jpeg")) for name in names]
    assert browser.post("/import", {}, files=files).status_code == 200
    assert sorted(filed(desk)) == sorted(by_the_command)


def test_single_files_are_taken_whatever_they_are_called():
    """As by the command: only of folders some are left out."""
    assert those_taken(["b.dat", "a", "f/b.dat", "f/c.webp"]) == [0, 1, 3]


def test_no_photo_chosen_is_said(desk, browser):
    files = [("photos", ("", b"", "application/octet-stream"))]
    assert "No photo was chosen" in browser.post("/import", {}, files=files).text
    assert filed(desk) == []


@pytest.mark.parametrize("names", ["", "{}", "[1]", "[[]]", "[" * 5000, json.dumps(["a"] * 20_001)])
def test_what_is_no_list_of_names_is_refused(browser, names):
    headers = {"x-csrf": browser.csrf, "content-type": "application/json"}
    assert browser.post("/import/names", content=names, headers=headers).status_code == 400
    assert browser.post("/import/names", content="[]").status_code == 403


@pytest.mark.parametrize("folders", ["../../../etc", "/", "..", "a\\b", "%2e%2e/%2f", "x" * 500, "\x00"])
def test_no_folder_leads_anywhere(desk, browser, dropped, folders):
    headers = {"x-csrf": browser.csrf, "x-name": "..%2f..%2fR3_dry.jpg", "x-folders": quote(folders)}
    photo = (dropped / DROPPED[0]).read_bytes()
    assert browser.post("/import/photo", content=photo, headers=headers).json()["what"] == "filed"
    assert filed(desk) == [("R3_dry.jpg", 3, "dry", None)]


def test_how_long_they_were_soaked_is_said_of_an_import(desk, browser, dropped):
    headers = {"x-csrf": browser.csrf, "x-name": "R02_soaked.jpg", "x-seconds": "45"}
    browser.post("/import/photo", content=(dropped / DROPPED[2]).read_bytes(), headers=headers)
    with desk.open_book() as book:
        (entry,) = book.history(book.reed(2)).entries
    assert entry.filing.soaking.seconds == 45.0


# --- pages speak in a page's words ---------------------------------------------------------------------

# What only somebody at the command line can do something with.
COMMAND_LINE = re.compile(r"`|(?<![\w-])--\w|\baperture [a-z]|\boptions?\b")


def everything_said():
    """Every sentence of the program that a page can show."""
    for flag in FLAGS.values():
        yield from (flag.sentence, flag.advice)
    for rule in (*RULES, *REMARKS):
        yield from (rule.what, rule.why)
    for advice in (*ADVICE.values(), BORDERLINE, CLOSED_ON_SOAKING, STANDING):
        yield from (advice.what, advice.why)
    yield from (*DECIDED.values(), *CAUTIONS, SAY_WHY, IF_IT_CAME_BACK)


def test_all_that_the_program_says_is_said_in_a_page_s_words():
    said = list(everything_said())
    assert sum(bool(COMMAND_LINE.search(words)) for words in said) > 5
    assert [words for words in said if COMMAND_LINE.search(page_words(words))] == []


def test_each_of_the_page_s_words_stands_for_something_that_is_said():
    """A sentence that was changed, or is gone, is not translated for ever."""
    inside = inspect.getsource(gauge_line) + "".join(everything_said())
    assert [words for words in wording._ON_A_PAGE if words not in inside] == []


def test_what_a_person_typed_and_what_is_a_page_already_stay(filled, browser):
    assert page_words(Markup("say why with --reason.")) == "say why with --reason."
    assert page_words(7) == 7
    browser.post("/reed/7/check", {"leak": "no", "note": "a --note of `mine`"})
    assert "a --note of `mine`" in browser.get("/reed/7").text


@pytest.fixture
def all_kinds(filled, enter, refused):
    """Reeds in every trouble: nobody's, of two numbers, to be sent back, refused, decided against."""
    with filled.open_book() as book:
        troubles = ("reed-contradiction", "state-contradiction", "two-reed-tags", "edge-weak", "borderline")
        for number, code in enumerate(troubles, 20):
            photo = enter(book, book.add_reed(number, "26a"), "dry")
            was = book.entry(photo).reading
            record = {**was.record, "flags": [code], "review": True, "reason": FLAGS[code].sentence}
            book.add_reading(photo, record, Settings(), 0.001, was.outline_mm)
        unknown = enter(book, book.add_reed(30), "dry")
        book.add_filing(unknown, Filing(book.reed(30).id, None, Soaking(), None, None))
        nobody = enter(book, book.reed(30), "dry")
        book.add_filing(nobody, Filing(None, None, Soaking(), None, None))
        dark = enter(book, book.add_reed(31), "dry")
        book.add_reading(dark, refused(reed=31, state="dry").record(), Settings(), 0.0, None)
        book.add_decision(book.reed(5), datetime(2026, 10, 9), "send back", "so", "T1", None, None, None)
        book.add_decision(book.reed(6), datetime(2026, 10, 9), "replace", "so", "T1", None, None, None)
        return [photo.sha256 for photo in book.photos()]


def test_no_page_speaks_of_the_command_line(filled, browser, all_kinds):
    numbers = [5, 6, 7, *range(20, 25), 30, 31]
    paths = ["/reeds?all=1", "/due", "/lots?need=12", "/review", "/import", "/lots?change=26a"]
    paths += [f"/reed/{number}" for number in numbers] + [f"/review/{sha}" for sha in all_kinds]
    paths += ["/reed/99", "/reed/x", "/lots?change=zz", "/lots?need=1&source=zz", "/review/zz"]
    pages = [(path, browser.get(path)) for path in paths]
    for path, form in [
        ("/reed/7/decision", {"action": "keep", "by": "T1"}),
        ("/reed/7/decision", {"action": "eat", "by": "T1", "reason": "x"}),
        ("/reed/7/decision", {"action": "send back", "by": "Anna Example"}),
        ("/reed/7/check", {}),
        ("/reed/99/squeeze", {}),
        ("/reeds", {"number": "9", "lot": "zz"}),
        ("/lots", {"code": "x"}),
        (f"/review/{all_kinds[0]}", {"say": "override", "by": "T1"}),
        (f"/review/{all_kinds[0]}", {"say": "reed", "reed": "77", "by": "T1"}),
    ]:
        pages.append((path, browser.post(path, form)))
    for path, answer in pages:
        assert answer.status_code < 500, path
        words = re.sub("<[^>]*>", " ", answer.text)
        assert COMMAND_LINE.findall(words) == [], path
    assert "return sheet to go with it" in dict(pages)["/due"].text


# --- what is due ---------------------------------------------------------------------------------------


def test_a_photo_of_which_a_retake_was_asked_for_is_not_to_be_named(filled, browser, all_kinds):
    with filled.open_book() as book:
        shas = [entry.photo.sha256 for entry in book.unfiled()]
    assert len(shas) == 2
    for sha in shas:
        assert sha in browser.get("/due").text
        browser.post(f"/review/{sha}", {"say": "retake", "by": "T1"})
        assert sha not in browser.get("/due").text
