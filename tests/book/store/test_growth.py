"""Work does not grow with the book: what SQLite does is counted with n reeds and with 2n, not timed.

https://www.sqlite.org/c3ref/progress_handler.html: called after so many instructions of its virtual machine.
"""

from datetime import date

import pytest

from aperture.book.advice.rules import advise
from aperture.book.store.ledger import Book
from aperture.settings import Settings
from tests.bench.big_book import make_book
from tests.bench.intake_work import Work, measure_nothing

# Something that looks through all photos or all reeds would take twice as many.
GROWS = 1.3
REEDS, PHOTOS = 1000, 2000
HABIT, TODAY = Settings().soaking, date.today()


@pytest.fixture(scope="module")
def books(tmp_path_factory):
    """Two big books; the second is twice as big, but as many reeds are here."""
    paths = [tmp_path_factory.mktemp("big") / "reeds.sqlite3" for _ in range(2)]
    for times, path in enumerate(paths, start=1):
        make_book(path, 60, times * REEDS, times * PHOTOS)
    return paths


def instructions(book, what):
    """How many instructions SQLite carries out for something."""
    counted = [0]

    def count():
        counted[0] += 1

    book._connection.set_progress_handler(count, 1)
    try:
        what()
    finally:
        book._connection.set_progress_handler(None, 1)
    return counted[0]


def growth(books, what, first=lambda book: None):
    """How many times the work in the book that is twice as big; `first` is done before counting."""
    counts = []
    for path in books:
        with Book(path) as book:
            first(book)
            counts.append(instructions(book, lambda book=book: what(book)))
    assert counts[0] > 100
    return counts[1] / counts[0]


def test_the_made_up_book_is_a_book(books):
    for times, path in enumerate(books, start=1):
        with Book(path) as book:
            assert book.integrity_errors() == []
            assert len(book.histories()) == times * REEDS
            assert len(book.photos()) == times * PHOTOS + len(book.unfiled())
            here = book.histories(here=True)
            assert len(here) == 60
            assert {entry.reading.seen for history in here for entry in history.entries} >= {"round", "wide"}


def test_what_a_photo_costs_does_not_grow(books, tmp_path, monkeypatch):
    measure_nothing(monkeypatch)

    def twenty(book):
        work = Work(book, tmp_path / "photos")
        for _ in range(20):
            work.take_one()

    def look_through_once(book):
        # before the first thing that is written into an opened book, its whole file is checked
        with book.writing():
            pass

    assert growth(books, twenty, look_through_once) < GROWS


@pytest.mark.parametrize("number", [21, 50, 80])
def test_what_a_reed_and_its_photos_cost_does_not_grow(books, number):
    def look(book):
        for entry in book.history(book.reed(number)).entries:
            assert book.entry(book.photo(entry.photo.sha256)) == entry

    assert growth(books, look) < GROWS


def test_the_count_sees_what_grows(books):
    assert growth(books, lambda book: book.histories()) > 1.9


def test_some_histories_are_those_of_all(books):
    with Book(books[0]) as book:
        everything = book.histories()
        assert book.histories(here=True) == [history for history in everything if not history.gone]
        assert book.histories(lot="007a") == [each for each in everything if each.reed.lot == "007a"]
        for history, without in zip(everything, book.histories(outlines=False), strict=True):
            assert advise(without, HABIT, TODAY) == advise(history, HABIT, TODAY)
            for entry, bare in zip(history.entries, without.entries, strict=True):
                assert (bare.photo, bare.filing) == (entry.photo, entry.filing)
                assert bare.reading.record == entry.reading.record
                for left_out in (bare.reading.outline_mm, bare.reading.tip_window):
                    with pytest.raises(AssertionError, match="without outlines"):
                        len(left_out)
        fates = [(fate.reed, fate.lot, fate.decisions) for fate in book.fates()]
        assert fates == [(each.reed, each.lot, each.decisions) for each in everything]
        assert [book.left_at(each.reed) is not None for each in everything] == [
            each.gone for each in everything
        ]
