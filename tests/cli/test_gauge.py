"""The command `aperture gauge`: what it prints and keeps, and what wrong use looks like."""

import json
import shutil
from pathlib import Path

import pytest

from aperture.book.store.ledger import Book
from aperture.flags import FLAGS
from tests.accuracy.gauge import COMMITTED, gauge_photos
from tests.cli.test_cli import flat, run

PHOTOS = {photo.sheets: photo for photo in gauge_photos([COMMITTED])}
FIXTURES = Path(__file__).parents[2] / "fixtures" / "photos"
FEW, MANY = PHOTOS[min(PHOTOS)], PHOTOS[max(PHOTOS)]
BAR = ("--ruler", FEW.settings.ruler_mm)
REAM = ("--ream", FEW.ream_mm)


def gauge(*arguments, expect=0):
    return run("gauge", *arguments, expect=expect)


def test_one_photo_agrees():
    output, errors = gauge(FEW.path, "--sheets", FEW.sheets, *REAM, *BAR)
    (row,) = [line for line in output.splitlines() if line.startswith(FEW.path.name)]
    assert row.split()[1] == str(FEW.sheets)
    assert row.split()[-1] == "agrees"
    assert "ISO/IEC 17043" in output
    assert "explain" not in output
    assert errors == ""


def test_json_has_the_promised_keys_and_a_line_for_several_heights():
    sheets = [word for photo in (FEW, MANY) for word in ("--sheets", photo.sheets)]
    output, _ = gauge(FEW.path, MANY.path, *sheets, *REAM, *BAR, "--json")
    few, many, last = (json.loads(line) for line in output.splitlines())
    assert {"gap_mm", "u_gap_mm", "expected_mm", "u_expected_mm", "en", "agrees"} <= few.keys()
    assert (few["agrees"], many["agrees"]) == (True, True)
    assert few["gap_mm"] == pytest.approx(FEW.true_mm, abs=few["u_gap_mm"])
    assert last["line"]["heights"] == 2


def test_sheets_once_count_for_all():
    output, _ = gauge(FEW.path, FEW.path, "--sheets", FEW.sheets, *REAM, *BAR, "--json")
    assert [json.loads(line)["sheets"] for line in output.splitlines()] == [FEW.sheets] * 2


def test_one_that_does_not_agree_says_what_explains_it():
    output, _ = gauge(FEW.path, "--sheets", FEW.sheets + 2, *REAM, *BAR, expect=4)
    assert "reads too low" in output
    for words in ("printed bar", "tip offset", "sharpening", "5, 10 and 20 sheets"):
        assert words in flat(output)


@pytest.mark.parametrize("sheets", ["0", "-3", "31", "1000"])
def test_sheets_that_cannot_be(sheets):
    _, errors = gauge(FEW.path, "--sheets", sheets, *REAM, expect=2)
    assert FLAGS["gauge-sheets"].sentence in errors
    assert FLAGS["gauge-sheets"].advice in errors


@pytest.mark.parametrize("ream", ["5", "0", "-52", "520", "nan"])
def test_a_ream_that_cannot_be(ream):
    _, errors = gauge(FEW.path, "--sheets", "10", "--ream", ream, expect=2)
    assert FLAGS["gauge-ream"].sentence in errors
    assert FLAGS["gauge-ream"].advice in errors


def test_sheets_for_some_of_the_photos():
    _, errors = gauge(FEW.path, MANY.path, FEW.path, "--sheets", "5", "--sheets", "10", *REAM, expect=2)
    assert "once for each of the 3 photos" in flat(errors)


def test_options_that_are_missing():
    assert "--ream" in flat(gauge(FEW.path, "--sheets", "5", expect=2)[1])
    assert "--sheets" in flat(gauge(FEW.path, *REAM, expect=2)[1])


@pytest.mark.parametrize(
    ("name", "codes"),
    [
        ("open-09.jpg", ("gauge-curved", "gauge-no-slit")),  # a reed
        ("empty-notch.jpg", ("gauge-no-slit",)),
        ("far.jpg", ("too-far",)),
        ("cut-off.jpg", ("card-cut-off",)),
        ("open-09.json", ("not-a-photo",)),
        ("none.jpg", ("file-missing",)),
    ],
)
def test_what_is_no_photo_of_a_gauge_is_refused_in_words(name, codes):
    output, _ = gauge(FIXTURES / name, "--sheets", "10", *REAM, expect=3)
    said = flat(output)
    assert "refused" in said
    assert any(
        FLAGS[code].sentence.removesuffix(".") in said and FLAGS[code].advice in said for code in codes
    )


# --- the book ----------------------------------------------------------------------------------------------


@pytest.fixture
def book_file(tmp_path):
    path = tmp_path / "reeds.sqlite3"
    with Book(path, create=True):
        pass
    return path


def kept(path):
    with Book(path) as book:
        return book.gauge_checks()


def test_the_book_keeps_each_check_once(book_file):
    for _ in range(2):
        output, _ = gauge(FEW.path, "--sheets", FEW.sheets, *REAM, *BAR, "--book", book_file)
        assert "Kept in the reed book." in output
    (check,) = kept(book_file)
    assert (check.sheets, check.ream_mm, check.agrees) == (FEW.sheets, FEW.ream_mm, True)
    assert check.done_at.date().isoformat() == "2026-11-02"  # the photo's, not today
    assert check.told == (FEW.settings.ruler_mm, 0.0)


def test_a_check_that_fails_says_that_photos_wait(book_file):
    output, _ = gauge(FEW.path, "--sheets", FEW.sheets + 2, *REAM, *BAR, "--book", book_file, expect=4)
    assert "The day's photos wait for review." in output
    assert [check.agrees for check in kept(book_file)] == [False]


def test_nothing_is_kept_where_that_is_not_wanted_or_nothing_was_measured(book_file):
    gauge(FEW.path, "--sheets", FEW.sheets, *REAM, *BAR, "--book", book_file, "--no-keep")
    gauge(FIXTURES / "empty-notch.jpg", "--sheets", "10", *REAM, "--book", book_file, expect=3)
    assert kept(book_file) == []


def test_without_a_book_none_is_begun(tmp_path, monkeypatch):
    monkeypatch.setenv("APERTURE_BOOK", str(tmp_path / "none.sqlite3"))
    output, _ = gauge(FEW.path, "--sheets", FEW.sheets, *REAM, *BAR)
    assert "Kept" not in output
    assert list(tmp_path.iterdir()) == []


def test_the_book_of_the_environment_is_used(book_file, monkeypatch):
    monkeypatch.setenv("APERTURE_BOOK", str(book_file))
    assert "Kept" in gauge(FEW.path, "--sheets", FEW.sheets, *REAM, *BAR)[0]


def test_a_book_that_is_named_and_not_there_is_said(tmp_path):
    photo = tmp_path / "gauge é.jpg"
    shutil.copy(FEW.path, photo)
    _, errors = gauge(photo, "--sheets", FEW.sheets, *REAM, *BAR, "--book", tmp_path / "no.db", expect=2)
    assert FLAGS["book-missing"].sentence in errors
