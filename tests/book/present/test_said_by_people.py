"""What a person did to a photo is called what it is: on the return sheet, in the export, on the terminal."""

import csv
import json
import re
from contextlib import closing
from datetime import date, datetime

import openpyxl
import pypdfium2
import pytest
from rich.console import Console

from aperture.book.advice.rules import advise
from aperture.book.present.book_screen import show_reed
from aperture.book.present.exports import export
from aperture.book.present.return_sheet import return_sheet
from aperture.book.present.words import said_words
from aperture.book.store.corrections import said_of
from aperture.book.store.records import Filing, Soaking
from aperture.desk.pages.outlines import overridden
from aperture.desk.pages.review import RETAKE
from aperture.settings import Settings

TODAY = date(2026, 10, 12)


@pytest.fixture
def photo(book, enter):
    """A photo of reed 4, which goes back; all is the program's."""
    book.add_lot("26a", "north")
    reed = book.add_reed(4, "26a")
    book.add_reed(5, "26a")
    one = enter(book, reed, "dry")
    book.add_decision(reed, datetime(2026, 10, 6, 9, 0), "send back", "It is round.", "MB")
    return one


def say(book, photo, what):
    """What the review writes when a person says so."""
    was = book.entry(photo).reading
    record, outline = dict(was.record), was.outline_mm
    if what in ("shut", "elliptical", "round"):
        record = overridden(record, what, "seen by eye")
    elif what == "retake":
        record |= {"outcome": "refused", "reason": RETAKE, "shape": None, "u": None}
        outline = None
    elif what == "draw":
        outline = [[x, y + 0.02] for x, y in outline or book.entry(photo).readings[0].outline_mm]
        first = book.entry(photo).readings[0].record
        record = {**first, "outcome": "measured"}
    elif what == "program":
        book.add_reading(photo, record, Settings(), 0.001, outline)
        return
    elif what in ("reed 5", "reed 4", "soaked", "nobody"):
        number = {"reed 5": 5, "nobody": None}.get(what, 4)
        reed_id = book.reed(number).id if number else None
        state = "soaked" if what == "soaked" else "dry"
        book.add_filing(photo, Filing(reed_id, state, Soaking(), "corrected in the review", "MB"))
        return
    else:
        assert what == "confirm"
    book.add_reading(photo, record, Settings(), 0.001, outline, "person", "MB")


CASES = [
    ([], ()),
    (["confirm"], ("confirmed",)),
    (["round"], ("class changed",)),
    (["draw"], ("outline redrawn",)),
    (["reed 5"], ("reed or state corrected",)),
    (["soaked"], ("reed or state corrected",)),
    # The outline stays a person's, whoever confirms it, and so does the class.
    (["draw", "confirm"], ("outline redrawn",)),
    (["round", "confirm"], ("class changed",)),
    (["draw", "round"], ("outline redrawn", "class changed")),
    # A new outline has its class worked out again; a class that was given back is the program's.
    (["round", "draw"], ("outline redrawn",)),
    (["round", "elliptical"], ("confirmed",)),
    (["confirm", "soaked"], ("confirmed", "reed or state corrected")),
    (["reed 5", "reed 4"], ()),
    (["round", "program"], ()),  # measured again since: the numbers are the program's
    (["retake"], ("retake asked",)),
    (["retake", "draw"], ("outline redrawn",)),
]


@pytest.mark.parametrize(("steps", "said"), CASES, ids=[" ".join(steps) or "nothing" for steps, _ in CASES])
def test_what_is_a_persons(book, photo, steps, said):
    for step in steps:
        say(book, photo, step)
    assert said_of(book.entry(photo)) == said


def test_a_photo_that_nobody_knew_is_named_and_then_corrected(book, photo, enter):
    """A person who says what was not known corrects nothing."""
    known = book.entry(photo)
    other = book.add_photo("f" * 64, "IMG_1.jpg", None, datetime(2026, 10, 5, 15, 0))
    book.add_filing(other, Filing(None, "dry", Soaking(), "Which reed?", None))
    book.add_reading(other, known.reading.record, Settings(), 0.001, known.reading.outline_mm)
    assert said_of(book.entry(other)) == ()
    say(book, other, "reed 5")
    assert said_of(book.entry(other)) == ("reed or state named",)
    say(book, other, "soaked")
    assert said_of(book.entry(other)) == ("reed or state corrected",)


WORDS = [
    ("confirm", "confirmed by a person"),
    ("round", "class changed by a person"),
    ("draw", "outline corrected by hand"),
]


@pytest.mark.parametrize(("step", "words"), WORDS)
def test_the_return_sheet_says_which(book, photo, step, words):
    say(book, photo, step)
    histories = book.histories()
    pdf = pypdfium2.PdfDocument(return_sheet(book, book.lot("26a"), histories, {}, TODAY))
    text = re.sub(r"\s+", " ", pdf[0].get_textpage().get_text_range())
    assert f"2026-10-05, {words}" in text
    assert not any(other in text for _, other in WORDS if other != words)
    assert "MB" not in text


@pytest.mark.parametrize(("step", "words"), WORDS)
def test_the_terminal_says_which(book, photo, step, words):
    say(book, photo, step)
    history = book.history(book.reed(4))
    with Console(width=200, record=True, file=None) as console:
        show_reed(console, history, advise(history, Settings().soaking, TODAY), book.pictures)
    text = console.export_text()
    assert words in text
    assert said_words(history.entries[0]) == words


def test_the_export_says_which(book, photo, tmp_path):
    say(book, photo, "round")
    say(book, photo, "soaked")
    export(book, tmp_path)
    with (tmp_path / "reed-book-photos.csv").open(newline="", encoding="utf-8-sig") as file:
        (row,) = csv.DictReader(file)
    assert row["said_by_people"] == "class changed; reed or state corrected"
    content = json.loads((tmp_path / "reed-book.json").read_text(encoding="ascii"))
    assert content["said_by_people"] == {str(photo.id): ["class changed", "reed or state corrected"]}
    with closing(openpyxl.load_workbook(tmp_path / "reed-book.xlsx", read_only=True)) as workbook:
        headings, first, second = workbook["reeds now"].iter_rows(values_only=True)
    found = dict(zip(headings, first, strict=True))
    assert found["soaked said by people"] == "class changed; reed or state corrected"
    assert found["dry said by people"] is None
    assert set(second[1:]) == {None, "26a"}
    notes = (tmp_path / "reed-book-README.txt").read_text(encoding="utf-8")
    assert "said_by_people" in notes
