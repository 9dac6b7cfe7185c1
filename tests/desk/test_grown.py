"""What the desk keeps in memory of the book is what the book says, whatever was entered since; and no more of
it is read again than has changed."""

from datetime import date, timedelta

import pytest

from aperture.book.advice.rules import advise_all
from aperture.book.store.ledger import Book
from aperture.desk.web import histories_here, told_here
from aperture.settings import Settings
from tests.book.conftest import GAUGE_CHECK
from tests.book.store.test_withdrawals import LATER, MISTAKES, NOON, SOAK
from tests.book.store.test_withdrawals import filled as two_reeds  # noqa: F401 (a fixture)
from tests.desk.conftest import enter  # noqa: F401 (a fixture)

TODAY = LATER.date() + timedelta(days=9)


@pytest.fixture
def book(desk):
    with Book(desk.book_path) as opened:
        yield opened


@pytest.fixture
def kept(desk, two_reeds):  # noqa: F811
    """A desk that has read its book of two reeds."""
    histories_here(desk, two_reeds)
    told_here(desk, two_reeds, TODAY)
    return desk


def check_same(desk, book):
    """What is kept against the book read as a whole."""
    whole = book.histories(here=True, outlines=False)
    assert histories_here(desk, book) == whole
    assert told_here(desk, book, TODAY) == advise_all(whole, Settings().soaking, TODAY)


@pytest.mark.parametrize("entered", MISTAKES)
def test_after_anything_that_can_be_entered_and_undone(kept, book, entered):
    with Book(kept.book_path) as other:  # another process, as far as this desk knows
        MISTAKES[entered](other)
        check_same(kept, book)
        other.withdraw(other.entered)
        check_same(kept, book)


def test_after_all_of_it_at_once(kept, book):
    for name, entered in MISTAKES.items():
        if name not in ("another reed", "nobody's"):  # then the photo that others speak of is elsewhere
            entered(book)
    check_same(kept, book)


def test_after_a_photo_has_come_and_a_gauge_did_not_agree(kept, book, enter):  # noqa: F811
    """A gauge sends the photos of its day to review, of whichever reed they are."""
    enter(book, book.reed(2), "soaked", NOON + timedelta(minutes=9), SOAK, height_mm=1.3)
    check_same(kept, book)
    taken = NOON.isoformat()
    book.add_gauge_check({**GAUGE_CHECK, "taken": taken, "agrees": False}, Settings())
    check_same(kept, book)
    assert all("gauge-failed" in one.reading.record["flags"] for one in histories_here(kept, book)[0].entries)


def test_after_another_book_was_brought_back(kept, book, tmp_path):
    """With as many rows, of which the last ones differ."""
    before = tmp_path / "before.sqlite3"
    book.copy_to(before)
    book.add_check(book.reed(1), LATER, {"leak": True})
    check_same(kept, book)
    with Book(before) as other:
        other.add_squeeze(other.reed(2), LATER)
        check_same(kept, other)


def test_only_what_changed_is_read_again(kept, book, monkeypatch):
    first, second = histories_here(kept, book)
    asked = []
    really = Book.histories_of

    def histories_of(self, reeds, outlines=True):
        asked.append([reed.number for reed in reeds])
        return really(self, reeds, outlines)

    monkeypatch.setattr(Book, "histories_of", histories_of)
    book.add_check(book.reed(2), LATER, {"leak": True})
    asked.clear()
    again = histories_here(kept, book)
    assert asked == [[2]]
    assert again[0] is first
    assert again[1] is not second


def test_advice_of_another_day_is_worked_out_again(desk, book):
    """A return date passes over night, though nothing was entered."""
    book.add_lot("26b", "north", return_by=date(2026, 11, 1))
    reed = book.add_reed(7, "26b")
    book.add_check(reed, LATER, {"leak": True})
    ((_, before),) = told_here(desk, book, date(2026, 11, 1))
    ((_, after),) = told_here(desk, book, date(2026, 11, 2))
    assert (before.action, after.action) == ("send back", "do not use")
