"""Lots that differ only in capitals, or in how an accent was typed, are one lot, whoever asks.

The rule is the canonical caseless match of The Unicode Standard, section 3.13, definition D145. Its
equivalences here are those of Unicode Standard Annex 15 (figures 3 to 5) and of the file CaseFolding.txt of
the Unicode Character Database, both copied from memory.
"""

import sqlite3
from contextlib import closing
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aperture.book.backup.checking import check
from aperture.book.orders.lot_record import lot_records, of_source, sources_of
from aperture.book.present.return_sheet import return_sheet, sheet_name
from aperture.book.store import schema
from aperture.book.store.ledger import Book
from aperture.codes import code_key, same_code
from aperture.errors import BookError

COMPOSED, DECOMPOSED = "\u00e91", "e\u03011"  # é1
SAME = [
    ("27A", "27a"),
    ("\u00c91", COMPOSED),  # É1, é1
    ("E\u03011", COMPOSED),
    (DECOMPOSED, COMPOSED),
    ("\u212b", "\u00c5"),  # UAX 15, figure 3: the sign for ångström and Å
    ("\u2126", "\u03a9"),  # likewise: the sign for ohm and Ω
    ("\u1e9b\u0323", "\u1e69"),  # figure 5: a long s with two dots is folded to s with two dots
    ("STRASSE", "stra\u00dfe"),  # CaseFolding.txt, status F: ß is folded to ss
    ("\u03a3", "\u03c2"),  # status C: Σ and the final ς are both folded to σ
    ("\u1fb3", "\u03b1\u0345"),  # ᾳ: the case for which D145 decomposes before it folds
    ("\u1fbc", "\u03b1\u03b9"),  # status F: ᾼ is folded to αι
]
DIFFERENT = [("27a", "27b"), ("27a", "27-a"), ("e1", COMPOSED), ("27I", "27\u0131"), ("\u24b6", "A")]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_spellings_of_one_code(one, other):
    assert same_code(one, other)


@pytest.mark.parametrize(("one", "other"), DIFFERENT)
def test_codes_that_are_two(one, other):
    assert not same_code(one, other)


@given(st.text(max_size=24))
def test_a_key_is_its_own_key(text):
    """Whatever stands in the table as a key is found by it, too."""
    assert code_key(code_key(text)) == code_key(text)


# A code consists of letters and digits: an accent that no letter can take in is refused, as ever.
@pytest.mark.parametrize(("one", "other"), [pair for pair in SAME if pair[0] != "\u1e9b\u0323"])
def test_a_lot_entered_in_another_spelling_is_the_old_one(book, one, other):
    first = book.add_lot(one, "post", price_per_reed=20.0)
    again = book.add_lot(other, "post", price_per_reed=22.0)
    assert (again.id, again.code, again.price_per_reed) == (first.id, first.code, 22.0)
    assert book.lot(other) == book.lot(one) == again
    assert [lot.id for lot in book.lots()] == [first.id]
    assert book.add_reed(1, other).lot == first.code
    assert [reed.number for reed in book.reeds(lot=other)] == [1]
    assert [history.reed.number for history in book.histories(lot=other)] == [1]
    assert book.integrity_errors() == []


def test_an_accent_of_its_own_is_kept_as_a_part_of_its_letter(book):
    """As keyboards of some systems type it; before, such a code was refused."""
    book.add_lot(DECOMPOSED, "no\u0308rd")
    assert (book.lot(COMPOSED).code, book.lot(COMPOSED).source) == (COMPOSED, "n\u00f6rd")
    assert book.add_reed(1, slot=DECOMPOSED).slot == COMPOSED


def test_the_database_holds_it_whoever_writes(book):
    """Any other program that opens the file: a second lot of one key is refused, and plain SQL reads it."""
    lot = book.add_lot("\u00c91", "post")
    with closing(sqlite3.connect(book.path)) as other:
        assert other.execute("SELECT id, key FROM lot_keys").fetchall() == [(lot.id, COMPOSED)]
        other.execute("INSERT INTO lots VALUES (9, ?, '2026-10-05')", [COMPOSED])
        for verb in ("INSERT", "REPLACE"):
            with pytest.raises(sqlite3.IntegrityError, match="ever overwritten"):
                other.execute(f"{verb} INTO lot_keys VALUES (9, ?, '2026-10-05')", [COMPOSED])


def test_sources_are_compared_likewise(book):
    book.add_lot("26a", "N\u00d6RD")
    book.add_lot("26b", "no\u0308rd")
    records = lot_records(book.lots(), book.fates())
    assert sources_of(records) == ["n\u00f6rd"]
    assert [record.lot.code for record in of_source(records, "N\u00f6rd")] == ["26a", "26b"]


def test_a_lot_that_is_not_there_is_not_made_by_the_way(book):
    """Only who enters a lot makes one: with a reed it must be there."""
    book.add_reed(1)
    for enter in (
        lambda: book.add_reed(2, "27b"),
        lambda: book.change_reed(book.reed(1), "27b", None, None),
        lambda: book.reeds(lot="27b"),
    ):
        with pytest.raises(BookError, match="lot 27b"):
            enter()
    assert book.lots() == []
    book.add_lot("27a", "post")
    with pytest.raises(BookError, match="lot 27b; there are 27a"):
        book.add_reed(2, "27b")


# --- a book from before --------------------------------------------------------------------------------


@pytest.fixture
def old(tmp_path):
    """A book of the version before the keys, in which É1 and é1 are two lots with a reed each."""
    path = tmp_path / "old.sqlite3"
    before = schema.MIGRATIONS[: schema.MIGRATIONS.index(schema.m004_lot_keys)]
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("BEGIN")
        schema.upgrade(connection, before)
        for number, code in enumerate(("\u00c91", COMPOSED, "27A"), 1):
            connection.execute("INSERT INTO lots VALUES (?, ?, '2026-09-01T12:00:00+00:00')", (number, code))
            connection.execute(
                "INSERT INTO lot_details (lot_id, source, price_per_reed, recorded_at)"
                " VALUES (?, 'post', ?, '2026-09-01T12:00:00+00:00')",
                (number, 20.0 + number),
            )
            connection.execute(
                "INSERT INTO reeds VALUES (?, ?, '2026-09-01T12:00:00+00:00')", (number, number)
            )
            connection.execute(
                "INSERT INTO reed_details (reed_id, lot_id, recorded_at)"
                " VALUES (?, ?, '2026-09-01T12:00:00+00:00')",
                (number, number),
            )
        schema.seals.seal_all(connection, schema.FIRST_TABLES)
        connection.execute("COMMIT")
    return path


def test_lots_that_an_older_book_told_apart_stay_apart(old):
    with Book(old) as book:
        assert book.integrity_errors() == []
        assert [(lot.code, lot.price_per_reed) for lot in book.lots()] == [
            ("\u00c91", 21.0),
            (COMPOSED, 22.0),
            ("27A", 23.0),
        ]
        for number, code in enumerate(("\u00c91", COMPOSED, "27a"), 1):
            assert book.lot(code).id == number
            assert [reed.number for reed in book.reeds(lot=code)] == [number]
        assert book.lot("E\u03011").id == 1
        # The next one that differs only so is one of them again, and its details go where they belong.
        book.add_lot(DECOMPOSED, "post", price_per_reed=30.0)
        assert [lot.price_per_reed for lot in book.lots()] == [21.0, 30.0, 23.0]


def test_a_spelling_that_can_be_either_is_asked_for(old):
    """ÄÖ1 and äö1, of an older book, have one key; Äö1 is neither."""
    with Book(old) as book:
        connection = book._connection
        connection.execute("DROP TRIGGER lot_keys_no_replace")
        for lot_id, code in ((8, "\u00c4\u00d61"), (9, "\u00e4\u00f61")):
            connection.execute("INSERT INTO lots VALUES (?, ?, '2026-09-01')", (lot_id, code))
            connection.execute("INSERT INTO lot_keys VALUES (?, ?, '2026-09-01')", (lot_id, "\u00e4\u00f61"))
        with pytest.raises(BookError, match="can be one of the lots \u00c4\u00d61 and \u00e4\u00f61"):
            book.lot("\u00c4\u00f61")


def test_verify_says_how_to_join_them(old):
    (finding,) = check(old).found
    assert not finding.loss
    assert finding.where == "\u00c91 and \u00e91 (of \u00e91: reed 2)"
    assert "enter reed N --lot CODE" in finding.advice
    with Book(old) as book:
        book.change_reed(book.reed(2), "\u00c91", None, None)
        assert [reed.number for reed in book.reeds(lot="\u00c91")] == [1, 2]
    assert check(old).found == ()


def test_each_of_them_has_a_return_sheet_of_its_own(old):
    """On a file system that does not tell them apart, too (NTFS, APFS: common practice)."""
    with Book(old) as book:
        lots = book.lots()
        names = [sheet_name(lot, lots) for lot in lots]
        assert names == [
            "return-sheet-\u00c91.pdf",
            "return-sheet-\u00e91-2.pdf",
            "return-sheet-27A.pdf",
        ]
        book.add_decision(book.reed(2), book.now(book.reed(2)), "send back", "it leaks", "T1")
        with pytest.raises(BookError, match="no reed of lot \u00c91"):
            return_sheet(book, lots[0], book.histories(), {}, date(2026, 10, 6))
        assert return_sheet(book, lots[1], book.histories(), {}, date(2026, 10, 6)).startswith(b"%PDF")
