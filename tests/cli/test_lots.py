"""Lots and orders at the command line."""

import errno
import os
from contextlib import contextmanager

import pytest

from aperture.book.store.ledger import Book
from tests.book.photos.test_intake import picture
from tests.cli.test_book import book_file, run  # noqa: F401 (fixtures)


@pytest.fixture
def lot(run):  # noqa: F811
    run("enter", "lot", "26a", "--source", "north", "--price", "21", "--ordered", "2026-09-14")


def details(path):
    with Book(path) as book:
        return [
            (row["source"], row["price_per_reed"], row["ordered_on"]) for row in book.table("lot_details")
        ]


@pytest.mark.usefixtures("lot")
@pytest.mark.parametrize("code", ["26a", "26A"])
def test_a_lot_that_is_there_is_not_overwritten(run, book_file, code):  # noqa: F811
    said = run("enter", "lot", code, "--source", "south", "--price", "22.5", status=2)
    assert "Lot 26a is in the book already" in said
    assert "source: north → south price per reed: 21.00 → 22.50" in said
    assert "ordered" not in said
    assert "--change" in said
    assert details(book_file) == [("north", 21.0, "2026-09-14")]
    said = run("enter", "lot", code, "--source", "south", "--price", "22.5", "--change")
    assert "Changed lot 26a: source: north → south" in said
    # What was left out stays as it was.
    assert details(book_file)[1:] == [("south", 22.5, "2026-09-14")]


@pytest.mark.usefixtures("lot")
def test_the_same_once_more_is_no_mistake_and_writes_nothing(run, book_file):  # noqa: F811
    for words in (["--source", "north"], ["--price", "21"], ["--change", "--price", "21"]):
        assert "Nothing was written" in run("enter", "lot", "26A", *words)
    assert len(details(book_file)) == 1


def test_a_new_lot_is_said_to_be_new(run):  # noqa: F811
    assert "Entered lot 27b, which is new in the book." in run("enter", "lot", "27b", "--source", "north")
    assert "there is no lot 27c" in run("enter", "lot", "27c", "--source", "north", "--change", status=2)
    assert "--source" in run("enter", "lot", "27c", status=2)
    assert "27c" not in run("lots")


@pytest.mark.usefixtures("lot")
def test_nothing_is_said_to_be_entered_before_it_is(run, book_file, monkeypatch):  # noqa: F811
    """The disk is full just when all was written."""

    @contextmanager
    def full(connection):
        connection.execute("BEGIN IMMEDIATE")
        yield
        connection.rollback()
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("aperture.book.store.book_file.writing", full)
    for words in (["27b", "--source", "north"], ["26a", "--price", "22", "--change"]):
        said = run("enter", "lot", *words, status=2)
        assert "Entered" not in said
        assert "Changed" not in said
    monkeypatch.undo()
    assert len(details(book_file)) == 1


@pytest.mark.usefixtures("lot")
def test_a_lot_that_is_mistyped_is_not_made_by_the_way(run, tmp_path, book_file):  # noqa: F811
    picture(tmp_path / "R01_dry.jpg", 1)
    for words in (["enter", "reed", 1], ["intake", "R01_dry.jpg", "--workers", "1"]):
        said = run(*words, "--lot", "26b", status=2)
        assert "The reed book does not have that. lot 26b; there are 26a `aperture" in said
        assert "aperture enter lot CODE --source CODE" in said
    with Book(book_file) as book:
        assert [lot.code for lot in book.lots()] == ["26a"]
        assert book.reeds() == []
        assert book.photos() == []
    run("enter", "reed", 1, "--lot", "26A")
    with Book(book_file) as book:
        assert book.reed(1).lot == "26a"


@pytest.mark.usefixtures("lot")
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--return-by", "2026-09-13"], "Invalid value for --return-by: 2026-09-13 is before the day"),
        (["--ordered", "2199-01-01"], "Invalid value for --ordered: 2199-01-01 is not between"),
        (["--return-by", "9999-12-31"], "Invalid value for --return-by"),
        (["--price", "1e7"], "Invalid value for --price: A reed cannot cost 10000000.00"),
        (["--price", "nan"], "--price"),
        (["--source", "x y"], "Invalid value for --source"),
    ],
)
def test_what_cannot_be_is_refused_by_its_name(run, book_file, words, said):  # noqa: F811
    assert said in run("enter", "lot", "26a", *words, "--change", status=2)
    assert len(details(book_file)) == 1


def test_an_order_is_answered_in_short_first(run, tmp_path, book_file):  # noqa: F811
    run("enter", "lot", "26a", "--source", "north", "--price", "20")
    for number in range(1, 11):
        run("enter", "reed", number, "--lot", "26a")
        run("enter", "decision", number, "keep" if number < 9 else "replace", "--by", "T1", "--reason", "so")
    (tmp_path / "settings.toml").write_text('currency = "£"\n', encoding="utf-8")
    said = run("order", "--need", "12", "--settings", "settings.toml")
    short = said.index("reeds: £")
    assert said.index("Order") < short < said.index("at least 12 of them usable") < said.index("Jeffreys")
    number = int(said[said.index("Order") + 6 : short].strip())
    assert f"£{20 * number:.2f} together, at £20.00 for each as in lot 26a." in said
    assert "£20.00" in run("lots", "--settings", "settings.toml")
    assert "£" not in run("lots")
    assert "£" not in run("order", "--need", "12")
