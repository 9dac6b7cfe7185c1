"""The book with a shut reed whose height cannot be told: intake, facts, advice, exports, sheets, old books.

The golden opening, as in `tests/test_height_below.py`: 0.02 mm high, u = 0.015 mm, so below 0.0447 mm.
"""

import csv
import io
import json
from contextlib import closing
from datetime import date, datetime

import numpy as np
import openpyxl
import pypdfium2
import pytest
from PIL import Image
from rich.console import Console

from aperture.book.advice.comparing import soak_change
from aperture.book.advice.facts import facts
from aperture.book.advice.rules import advise
from aperture.book.photos import intake
from aperture.book.photos.intake import take_in
from aperture.book.present.book_screen import show_arrivals, show_reed
from aperture.book.present.exports import export
from aperture.book.present.return_sheet import return_sheet
from aperture.book.present.words import recorded
from aperture.book.store.records import Filing, Soaking
from aperture.photo import read_photo
from aperture.settings import Settings, change_settings

NO_HEIGHT = {"height_mm": 0.02, "u": (0.015, 0.030, 0.06, 0.0015)}
BELOW_MM = 0.044675
HABIT = Settings().soaking
USUAL = Soaking(30.0, "room", "water", "new")
MONDAY = date(2026, 10, 5)


def said(show, *what):
    console = Console(width=160, highlight=False, emoji=False)
    with console.capture() as captured:
        show(console, *what)
    return captured.get()


@pytest.fixture
def reed(book, enter):
    """A reed that was open dry, 0.3 mm, and is shut soaked, without a height."""
    reed = book.add_reed(7)
    enter(book, reed, "dry", datetime(2026, 10, 5, 14, 0), height_mm=0.3)
    enter(book, reed, "soaked", datetime(2026, 10, 5, 14, 5), USUAL, **NO_HEIGHT)
    return reed


def test_photos_are_taken_in(book, tmp_path, measured, monkeypatch):
    path = tmp_path / "R07_soaked.jpg"
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (480, 640), np.uint8)).save(path)

    def pretend(path, settings, reed=None, state=None, name=None, photo=None):
        sha = read_photo(path).sha256
        return measured(path, reed=7, state="soaked", sha256=sha, **NO_HEIGHT)

    monkeypatch.setattr(intake, "measure_or_fail", pretend)
    arrivals = list(take_in(book, [path], change_settings(Settings(), {"workers": 1})))
    assert [arrival.what for arrival in arrivals] == ["filed"]
    assert "below 0.05" in said(show_arrivals, arrivals)
    (row,) = book.table("readings")
    assert (row["outcome"], row["shape"], row["height_mm"], row["u_height_mm"]) == (
        "measured",
        "shut",
        None,
        None,
    )
    assert row["u_width_mm"] > 0.0
    assert json.loads(row["record"])["height_below_mm"] == pytest.approx(BELOW_MM, abs=1e-5)
    assert book.integrity_errors() == []


def test_facts_and_advice_are_those_of_a_shut_reed(book, enter):
    reed = book.add_reed(7)
    enter(book, reed, "soaked", datetime(2026, 10, 5, 14, 5), USUAL, **NO_HEIGHT)
    assert facts(book.history(reed), HABIT, MONDAY).soaked == "shut"
    advised = advise(book.history(reed), HABIT, MONDAY)
    # As of a shut reed of which a height is known.
    other = book.add_reed(8)
    enter(book, other, "soaked", datetime(2026, 10, 5, 14, 5), USUAL, height_mm=0.08)
    assert advised == advise(book.history(other), HABIT, MONDAY)
    assert (advised.action, advised.rule) == ("replace", "soaked-shut")


def test_what_soaking_did_is_still_compared(book, reed):
    """From 0.3 mm, u = 0.010 mm and 0.1 %, to 0.0447/2 mm, u = 0.0447/4 mm: both ends are 2 u away. By GUM
    5.1.2 the ± is 2 · √(0.0100² + 0.0112²) = 0.0300 mm."""
    changed = soak_change(book.history(reed))
    assert changed.height_mm.difference == pytest.approx(BELOW_MM / 2 - 0.3, abs=1e-5)
    assert changed.height_mm.expanded_uncertainty == pytest.approx(0.0300, abs=1e-4)
    assert changed.height_mm.word == "closed"
    assert changed.area_mm2.word == "closed"
    assert facts(book.history(reed), HABIT, MONDAY).closed_on_soaking


def test_the_reed_on_the_screen(book, reed):
    history = book.history(reed)
    text = said(show_reed, history, advise(history, HABIT, MONDAY), book.pictures)
    assert "below 0.05" in text
    assert "0.300 ± 0.020" in text


def test_exports_have_a_column(book, reed, tmp_path):
    export(book, tmp_path)
    content = (tmp_path / "reed-book-readings.csv").read_bytes().decode("utf-8-sig")
    dry, soaked = csv.DictReader(io.StringIO(content, newline=""))
    assert (soaked["height_mm"], soaked["u_height_mm"], dry["height_below_mm"]) == ("", "", "")
    assert float(soaked["height_below_mm"]) == pytest.approx(BELOW_MM, abs=1e-5)
    with closing(openpyxl.load_workbook(tmp_path / "reed-book.xlsx", read_only=True)) as workbook:
        now = [dict(zip(*pair, strict=True)) for pair in [tuple(workbook["reeds now"].values)]]
        headings, *rows = workbook["readings"].values
    assert (now[0]["soaked class"], now[0]["soaked height in mm"]) == ("shut", "below 0.05")
    assert now[0]["dry height in mm"] == "0.300 ± 0.020"
    place = headings.index("height_below_mm")
    assert [row[place] for row in rows] == [None, pytest.approx(BELOW_MM, abs=1e-5)]
    tables = json.loads((tmp_path / "reed-book.json").read_text())["tables"]
    assert tables["readings"][1]["record"]["height_below_mm"] == pytest.approx(BELOW_MM, abs=1e-5)
    assert "height_below_mm: " in (tmp_path / "reed-book-README.txt").read_text()


def test_the_return_sheet(book, reed):
    lot = book.add_lot("26a", "post")
    book.change_reed(reed, "26a", None, None)
    book.add_decision(reed, datetime(2026, 10, 6), "send back", "It closes.", "MB")
    content = return_sheet(book, lot, book.histories(), {}, date(2026, 10, 6))
    text = pypdfium2.PdfDocument(content)[0].get_textpage().get_text_bounded()
    assert "below 0.05 mm" in text
    assert "0.300 ± 0.020 mm" in text


def test_records_of_an_earlier_version_lack_the_key(book, measured, tmp_path):
    reed = book.add_reed(7)
    for number, (state, height_mm) in enumerate((("dry", 0.3), ("soaked", 0.02))):
        record = measured(state=state, height_mm=height_mm, u=NO_HEIGHT["u"]).record()
        if state == "soaked":  # as it was written then
            record |= {"height_mm": 0.02, "u": {**record["u"], "height_mm": 0.03}}
        del record["height_below_mm"]
        taken = datetime(2026, 10, 5, 14, number)
        photo = book.add_photo(f"{number}" * 64, "x.jpg", taken, taken)
        book.add_filing(photo, Filing(reed.id, state, USUAL if number else Soaking(), None, None))
        book.add_reading(photo, record, Settings(), 0.001, None)
    history = book.history(reed)
    words = [recorded(entry.reading.record, "height_mm", "mm") for entry in history.entries]
    assert words == ["0.300 ± 0.030 mm", "0.020 ± 0.030 mm"]
    assert soak_change(history).height_mm.difference == pytest.approx(-0.28, abs=1e-4)
    export(book, tmp_path / "out")
    assert advise(history, HABIT, MONDAY).what
