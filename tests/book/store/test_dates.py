"""Dates that cannot be: refused where they are typed, said of a photo, harmless in a book that has them."""

from contextlib import closing
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from typer.testing import CliRunner

from aperture.book.advice.comparing import squeeze_change
from aperture.book.backup.checking import check
from aperture.book.photos.intake import take_in
from aperture.book.store import event_tables, lot_entry
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.cli.app import app
from aperture.dates import could_be_entered
from aperture.errors import BookError
from aperture.flags import FLAGS
from aperture.measure import measure
from aperture.settings import Settings
from tests.book.photos.test_intake import ALONE, picture
from tests.conftest import _measured

SAID = FLAGS["date-impossible"].sentence
TODAY = date.today()
# Exif was published in October 1995 (JEIDA, Exif 1.0); tomorrow is no lie where the day begins earlier.
IMPOSSIBLE = [datetime(1994, 12, 31, 23, 59, 59), datetime.max, datetime(2126, 1, 1, 10)]
IMPOSSIBLE_DAYS = [date(1994, 12, 31), date.max, date(2126, 1, 1)]


def typed(*words, status=0):
    result = CliRunner().invoke(app, [*map(str, words)])
    assert result.exit_code == status, result.output
    return " ".join(result.output.split())


# Typed dates


@pytest.mark.parametrize("when", IMPOSSIBLE)
def test_nothing_is_entered_as_done_then(book, when):
    reed = book.add_reed(1)
    for enter in (
        lambda: book.add_check(reed, when, {"leak": True}),
        lambda: book.add_squeeze(reed, when),
        lambda: book.add_decision(reed, when, "keep", "fine", "MB"),
    ):
        with pytest.raises(BookError, match="is not between 1995 and tomorrow"):
            enter()
    assert book.history(reed).last_moment == datetime.min
    tomorrow = datetime.now() + timedelta(hours=23)
    book.add_check(reed, tomorrow, {"leak": True})


@pytest.mark.parametrize("day", IMPOSSIBLE_DAYS)
def test_a_lot_has_dates_that_can_be(book, day, tmp_path):
    with pytest.raises(BookError, match=f"{day} is not between 1995 and tomorrow"):
        book.add_lot("26a", "north", ordered_on=day)
    with pytest.raises(BookError, match=f"{day} is (before 1995|too many years away)"):
        book.add_lot("26a", "north", return_by=day)
    assert book.lots() == []
    # The day after tomorrow nothing was ordered yet, but it may go back then, or in some years.
    book.add_lot("26a", "north", TODAY, TODAY + timedelta(days=2))
    book.add_lot("26a", "north", TODAY, TODAY + timedelta(days=3 * 365))
    with pytest.raises(BookError, match="book-entry-wrong"):
        book.add_lot("26a", "north", TODAY + timedelta(days=40_000))
    words = ("enter", "lot", "26b", "--source", "north", "--book", book.path)
    for option in ("--ordered", "--return-by"):
        assert str(day) in typed(*words, option, day, status=2)
    assert [lot.code for lot in book.lots()] == ["26a"]


def test_the_first_year_is_a_setting(tmp_path, monkeypatch, book):
    book.add_reed(1)
    monkeypatch.setattr("aperture.settings.settings_path", lambda: tmp_path / "settings.toml")
    words = ("enter", "check", 1, "--no-leak", "--book", book.path, "--at")
    typed(*words, "2019-12-31")
    (tmp_path / "settings.toml").write_text("first_year = 2020\n")
    assert "2019-12-31 is not between 2020 and tomorrow" in typed(*words, "2019-12-31", status=2)
    typed(*words, "2020-01-01")
    for year in ("1994", "2101", "2020.5"):
        (tmp_path / "settings.toml").write_text(f"first_year = {year}\n")
        assert "first_year" in typed(*words, "2020-01-01", status=2)


# A photo's date


@pytest.mark.parametrize(
    ("taken", "doubted"),
    [
        ("9999:12:31 23:59:59", True),
        ("1994:12:31 23:59:59", True),
        ("2019:12:31 23:59:59", True),  # before the first year of these settings
        ("2020:01:01 00:00:00", False),
        ("    :  :     :  :  ", False),  # the camera says that it does not know (Exif 2.3)
        ("0000:00:00 00:00:00", False),
    ],
)
def test_a_date_that_cannot_be_right_is_a_note(tmp_path, taken, doubted):
    photo = picture(tmp_path / "R01_dry.jpg", 1, taken)
    result = measure(photo, replace(Settings(), first_year=2020))
    assert ("date-impossible" in result.flags) == doubted
    assert (result.taken is None) == (doubted or not taken.startswith("2020"))
    assert result.flags[0] == "no-card"  # which is why there is no number
    assert FLAGS["date-impossible"].effect == "note"


def test_the_result_and_the_book_say_so(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    photo = picture(tmp_path / "R01_dry.jpg", 1, "9999:12:31 23:59:59")
    fine = picture(tmp_path / "R02_dry.jpg", 2)
    assert typed("measure", photo, fine, "--workers", 1, status=3).count(SAID) == 1
    words = ("--book", tmp_path / "reeds.sqlite3")
    said = typed("intake", photo, fine, "--workers", 1, *words, status=3)
    assert said.count(SAID) == 1
    assert f"R01_dry.jpg: {FLAGS['date-impossible'].advice}" in said
    assert SAID in typed("reed", 1, *words)
    assert SAID not in typed("reed", 2, *words)
    with Book(tmp_path / "reeds.sqlite3") as book:
        assert [photo.taken is None for photo in book.photos()] == [True, False]
        assert check(book.path).found == ()


# A book that an earlier version filled


@pytest.fixture
def old(tmp_path, monkeypatch):
    """A book with a photo from the year 9999, which pushed what was entered "now" after itself."""
    path = tmp_path / "reeds.sqlite3"
    monkeypatch.setattr(event_tables, "is_sensible", lambda moment: True)
    monkeypatch.setattr(lot_entry, "can_be_ordered_on", lambda day: True)
    monkeypatch.setattr(lot_entry, "can_be_returned_by", lambda day: True)
    far = datetime(9999, 6, 1)
    with Book(path, create=True) as book, book.writing():
        book.add_lot("26a", "north", date(1970, 1, 1), date(9999, 12, 31))
        reed = book.add_reed(7, "26a")
        for number, (state, taken) in enumerate(
            [("soaked", far), ("dry", datetime(1970, 1, 1)), ("dry", None)]
        ):
            received = datetime.now() if number < 2 else far + timedelta(seconds=1)
            photo = book.add_photo(f"{number}" * 64, f"R07_{number}.jpg", taken, received)
            book.add_filing(photo, Filing(reed.id, state, Soaking(30.0, "room", "water", "new"), None, None))
            result = _measured(reed=7, state=state, height_mm=1.4, width_mm=7.0)
            book.add_reading(photo, result.record(), Settings(), 0.001, None)
        book.add_squeeze(reed, far + timedelta(seconds=2))
        book.add_decision(reed, far + timedelta(seconds=3), "squeeze", "round", "MB")
        book.add_check(reed, datetime(1970, 1, 1), {"leak": False})
    monkeypatch.undo()
    return path


def enter_photo(book, reed, state, height_mm):
    result = _measured(reed=reed.number, state=state, height_mm=height_mm, width_mm=7.0)
    content = f"{state}{height_mm}{len(book.photos())}".encode().hex().ljust(64, "0")[:64]
    photo = book.add_photo(content, "new.jpg", datetime.now() + timedelta(seconds=5), datetime.now())
    book.add_filing(photo, Filing(reed.id, state, Soaking(30.0, "room", "water", "new"), None, None))
    book.add_reading(photo, result.record(), Settings(), 0.001, None)
    return photo


def test_a_book_that_has_such_dates_goes_on_as_if_they_had_never_been(old):
    with Book(old) as book:
        reed = book.reed(7)
        history = book.history(reed)
        assert history.last_moment < datetime.now() + timedelta(seconds=1)
        assert [photo.taken for photo in book.photos()] == [None] * 3
        # A new photo is the latest, and is that after the squeeze.
        new = enter_photo(book, reed, "soaked", 0.7)
        history = book.history(reed)
        assert history.latest("soaked").photo == new
        (squeeze,) = history.squeezes
        changed = squeeze_change(history, squeeze)
        assert changed is not None
        assert changed.height_mm.difference < -0.5
        book.add_check(reed, book.now(reed), {"leak": True})
        assert book.history(reed).checks[-1].leak
        assert book.integrity_errors() == []


def test_verify_says_so_and_how_it_is_cured(old):
    findings = check(old)
    assert not findings.loss
    said = typed("verify", "--book", old)
    assert "Nothing is lost" in said
    for words in (
        "9999-06-01, photos, row 1",
        "1970-01-01, photos, row 2",
        "9999-06-01, squeezes, row 1",
        "9999-06-01, decisions, row 1",
        "1970-01-01, checks, row 1",
        "1970-01-01, lot 26a",
        "9999-12-31, lot 26a",
        "needs no cure",
    ):
        assert words in said
    # That of the lot is cured as it says.
    lot = ("enter", "lot", "26a", "--source", "north", "--book", old)
    typed(*lot, "--ordered", "2026-09-14", "--return-by", TODAY, "--change")
    assert "lot 26a" not in typed("verify", "--book", old)


def test_nothing_stored_is_changed(old):
    import sqlite3

    with closing(sqlite3.connect(old)) as connection:
        before = connection.execute("SELECT taken FROM photos").fetchall()
    with Book(old) as book:
        book.histories()
    with closing(sqlite3.connect(old)) as connection:
        assert connection.execute("SELECT taken FROM photos").fetchall() == before
    assert before[0] == ("9999-06-01T00:00:00",)


def test_the_same_photo_again_is_known(old, tmp_path):
    """Also one with such a date is never taken in twice."""
    photo = picture(tmp_path / "R07_dry.jpg", 5, "9999:12:31 23:59:59")
    with Book(old) as book:
        assert [one.what for one in take_in(book, [photo], ALONE)] == ["filed"]
        assert [one.what for one in take_in(book, [photo], ALONE)] == ["known"]


@pytest.mark.parametrize(
    ("moment", "possible"),
    [
        (datetime(2029, 3, 1), True),
        (datetime(2030, 2, 1), True),  # a clock that was wrong for a while, and set right: its order counts
        (datetime(2031, 1, 1), False),
        (datetime(1995, 1, 1), True),
        (datetime(1994, 12, 31), False),
        (datetime.max, False),
    ],
)
def test_it_goes_by_when_it_was_entered(moment, possible):
    assert could_be_entered(moment, datetime(2029, 3, 1)) == possible
    # A computer whose clock had stopped years ago knows nothing of its day.
    assert could_be_entered(datetime(2026, 10, 5), datetime(2016, 1, 1))
