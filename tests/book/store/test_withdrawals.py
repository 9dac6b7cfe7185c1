"""What was undone stays on record and does not count; what counted before counts again. Whatever is asked of
the book then is compared with the same question to a book into which it was never entered."""

import sqlite3
from contextlib import closing
from datetime import date, datetime, timedelta

import pytest

from aperture.book.advice.due import due
from aperture.book.advice.rules import advise, advise_all
from aperture.book.orders.lot_record import lot_records
from aperture.book.store import schema
from aperture.book.store.ledger import Book
from aperture.book.store.records import ACTIONS, Filing, Soaking
from aperture.book.store.withdrawals import WITHDRAWABLE
from aperture.errors import BookError
from aperture.settings import Settings

NOON = datetime(2026, 10, 5, 12, 0)
LATER = datetime(2026, 10, 9, 12, 0)
SOAK = Soaking(30.0, "room", "water", "new")


@pytest.fixture
def filled(book, enter):
    """A book of a lot with two reeds, photographed and checked."""
    book.add_lot("26a", "north", date(2026, 9, 1), date(2036, 10, 20), 21.5)
    for number in (1, 2):
        reed = book.add_reed(number, "26a", slot="A1")
        enter(book, reed, "dry", NOON)
        enter(book, reed, "soaked", NOON + timedelta(minutes=5), SOAK)
        book.add_check(reed, NOON + timedelta(hours=1), {"leak": False})
    return book


def everything(book):
    """What anybody can ask of the book."""
    histories, today = book.histories(), LATER.date() + timedelta(days=9)
    advised = [advise(history, Settings().soaking, today) for history in histories]
    return (
        book.lots(),
        book.reeds(),
        book.reeds(here=True),
        histories,
        advised,
        due(advise_all(histories, Settings().soaking, today)),
        lot_records(book.lots(), book.fates()),
        [book.left_at(reed) for reed in book.reeds()],
        book.unfiled_hashes(),
        {photo.sha256: book.entry(photo).readings for photo in book.photos()},
    )


def photo_of(book, number):
    return book.history(book.reed(number)).entries[0]


def corrected(book):
    entry = photo_of(book, 1)
    record = {**entry.reading.record, "shape": "round", "review": False}
    book.add_reading(entry.photo, record, Settings(), 0.001, entry.reading.outline_mm, "person", "MB")


def retake(book):
    entry = photo_of(book, 1)
    record = {**entry.reading.record, "outcome": "refused", "shape": None, "u": None}
    book.add_reading(entry.photo, record, Settings(), 0.001, None, "person", "MB")


MISTAKES = {
    **{
        action: lambda book, action=action: book.add_decision(book.reed(1), LATER, action, "so", "MB")
        for action in ACTIONS
    },
    "a leak": lambda book: book.add_check(book.reed(1), LATER, {"leak": True}),
    "a squeeze": lambda book: book.add_squeeze(book.reed(1), LATER),
    "another reed": lambda book: book.add_filing(
        photo_of(book, 1).photo, Filing(book.reed(2).id, "soaked", SOAK, "by hand", "MB")
    ),
    "nobody's": lambda book: book.add_filing(
        photo_of(book, 1).photo, Filing(None, None, Soaking(), "by hand", "MB")
    ),
    "another class": corrected,
    "a retake": retake,
    "another slot": lambda book: book.change_reed(book.reed(1), None, "B9", "P1"),
    "another price": lambda book: book.add_lot("26A", "south", None, None, 1.0),
    "a new reed": lambda book: book.add_reed(88, "26a"),
    "a new lot": lambda book: book.add_lot("27", "south"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_what_was_undone_is_as_if_it_had_never_been_entered(filled, mistake):
    with Book(filled.path) as other:
        before = everything(other)
        MISTAKES[mistake](other)
        assert everything(other) != before
        other.withdraw(other.entered)
        assert everything(other) == before
        assert other.integrity_errors() == []


def test_nothing_is_erased(filled):
    filled.add_decision(filled.reed(1), LATER, "keep", "so", "MB")
    filled.withdraw(filled.entered[-1:])
    (row,) = filled.table("decisions")
    assert row["action"] == "keep"
    (withdrawn,) = filled.table("withdrawals")
    assert (withdrawn["of_table"], withdrawn["of_row"]) == ("decisions", row["id"])


def test_the_decision_before_counts_again_and_a_later_one_stays(filled):
    reed = filled.reed(1)
    for action in ("send back", "keep"):
        filled.add_decision(reed, LATER, action, "so", "MB")
    filled.withdraw(filled.entered[-1:])
    assert filled.history(reed).decision.action == "send back"
    filled.add_decision(reed, LATER, "replace", "so", "MB")
    filled.withdraw([one for one in filled.entered if one.table == "decisions"][:1])
    assert [one.action for one in filled.history(reed).decisions] == ["replace"]


def test_a_lot_or_a_reed_that_was_undone_is_not_there_and_can_be_entered_again(filled):
    filled.add_lot("27", "south")
    filled.add_reed(88)
    filled.withdraw(filled.entered[-2:])
    for ask in (lambda: filled.lot("27"), lambda: filled.reed(88)):
        with pytest.raises(BookError, match="book-unknown"):
            ask()
    assert filled.add_lot("27", "north").source == "north"
    assert filled.add_reed(88, "27").lot == "27"
    assert filled.integrity_errors() == []


def test_twice_is_refused(filled):
    filled.add_squeeze(filled.reed(1), LATER)
    last = filled.entered[-1:]
    filled.withdraw(last)
    with pytest.raises(BookError, match="already"):
        filled.withdraw(last)
    assert len(list(filled.table("withdrawals"))) == 1


def a_new_reed(book):
    book.add_reed(88)
    return book.entered[-1:], lambda: book.add_check(book.reed(88), LATER, {"leak": True})


def a_new_lot(book):
    book.add_lot("27", "south")
    return book.entered[-1:], lambda: book.change_reed(book.reed(1), "27", None, None)


def a_reed_thrown_away(book):
    book.add_decision(book.reed(1), LATER, "thrown away", "so", "MB")
    return book.entered[-1:], lambda: book.add_reed(1)


@pytest.mark.parametrize("mistake", [a_new_reed, a_new_lot, a_reed_thrown_away])
def test_what_something_rests_on_stays(filled, mistake):
    """A number is given again only when the reed that had it is gone; so it cannot come back under it."""
    entered, rest_on_it = mistake(filled)
    rest_on_it()
    before = everything(filled)
    with pytest.raises(BookError, match="rests on it"):
        filled.withdraw(entered)
    assert everything(filled) == before


def test_the_only_filing_or_reading_of_a_photo_stays(filled):
    for table in ("filings", "readings"):
        first = next(one for one in filled.entered if one.table == table)
        with pytest.raises(BookError, match="rests on it"):
            filled.withdraw([first])


def test_a_photo_cannot_be_undone(filled):
    assert {one.table for one in filled.entered} <= set(WITHDRAWABLE)
    with pytest.raises(BookError):
        filled.withdraw([filled.entered[0]._replace(table="photos", row=1)])


def test_an_older_book_is_upgraded_and_loses_nothing(filled, tmp_path):
    old = tmp_path / "old.sqlite3"
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        connection.execute("BEGIN")
        schema.upgrade(connection, schema.MIGRATIONS[:3])
        connection.execute("INSERT INTO reeds (number, recorded_at) VALUES (7, '2026-10-05')")
        connection.execute(
            "INSERT INTO reed_details (reed_id, slot, recorded_at) VALUES (1, 'A1', '2026-10-05')"
        )
        from aperture.book.store import seals

        seals.seal_all(connection, schema.FIRST_TABLES)
        connection.execute("COMMIT")
    with Book(old) as book:
        assert [(reed.number, reed.slot) for reed in book.reeds()] == [(7, "A1")]
        assert book.integrity_errors() == []
