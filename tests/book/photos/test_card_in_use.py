"""The printed card in the book: answers are only added, the latest counts for what is measured from then on.

The promises are the guide's (`book.md`, `desk.md`).
"""

import json
import sqlite3
from contextlib import closing
from datetime import datetime

import pytest

from aperture.book.advice.comparing import soak_change, squeeze_change
from aperture.book.photos import intake
from aperture.book.photos.card_in_use import with_card
from aperture.book.photos.intake import take_in
from aperture.book.present.exports import export
from aperture.book.store import schema
from aperture.book.store.ledger import Book
from aperture.book.store.records import Soaking
from aperture.errors import BookError
from aperture.scale import Scale, scale_of
from aperture.settings import Settings, change_settings
from tests.book.photos.test_intake import picture, pretend

ALONE = change_settings(Settings(), {"workers": 1})


@pytest.fixture(autouse=True)
def nothing_is_measured(monkeypatch):
    monkeypatch.setattr(intake, "measure_or_fail", pretend)


def scales(book):
    """What the latest reading of each photo says of the card, by the photo's name."""
    return {photo.name: book.entry(photo).reading.scale for photo in book.photos()}


def test_the_latest_answer_counts_and_the_others_stay(book):
    assert book.cards() == []
    before = datetime.now().replace(microsecond=0)
    book.add_card("card-1", 50.0)
    book.add_card("card-1", 48.5, 0.0)
    first, last = book.cards()
    assert first.scale == Scale(50.0, None, "card-1")
    assert (last.name, last.scale) == ("card-1", Scale(48.5, 0.0, "card-1"))
    assert before <= last.said_at <= datetime.now()
    assert scale_of(with_card(book, Settings())) == last.scale
    assert book.integrity_errors() == []


@pytest.mark.parametrize("change", ["UPDATE cards SET ruler_mm = 50", "DELETE FROM cards"])
def test_no_answer_is_ever_changed(book, change):
    book.add_card("card-1", 48.5)
    with pytest.raises(sqlite3.IntegrityError, match="ever overwritten"):
        book._connection.execute(change)


@pytest.mark.parametrize(
    ("name", "ruler", "offset"),
    [
        ("my card", 48.5, None),  # a code, as all that the book lets users name
        ("", 48.5, None),
        ("card-1", 44.9, None),
        ("card-1", 55.1, None),
        ("card-1", float("nan"), None),
        ("card-1", 48.5, 21.0),
        ("card-1", 48.5, float("nan")),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(book, name, ruler, offset):
    with pytest.raises(BookError):
        book.add_card(name, ruler, offset)
    assert book.cards() == []


def test_a_book_from_before_gets_the_table_and_its_readings_say_what_their_settings_said(tmp_path, enter):
    path = tmp_path / "old.sqlite3"
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        old.execute("PRAGMA journal_mode = WAL")
        old.execute("BEGIN IMMEDIATE")
        schema.upgrade(old, schema.MIGRATIONS[:3])
        old.execute("COMMIT")
    with Book(path) as book:
        assert book.cards() == []
        enter(book, book.add_reed(7), "dry", settings=Settings(ruler_mm=49.0, tip_offset_mm=1.0))
        assert list(scales(book).values()) == [Scale(49.0, 1.0)]
        assert book.integrity_errors() == []


def test_settings_that_name_no_card_are_read(book, enter):
    """As those are that earlier versions wrote."""
    content = json.loads(schema_content(book, enter))
    assert content.pop("card") == ""
    book._connection.execute("DROP TRIGGER settings_used_no_update")
    book._connection.execute("UPDATE settings_used SET content = ?", (json.dumps(content),))
    assert list(scales(book).values()) == [Scale(50.0)]


def schema_content(book, enter):
    """The settings of a photo as the book keeps them."""
    enter(book, book.add_reed(7), "dry")
    (row,) = book.table("settings_used")
    return row["content"]


def test_photos_use_it_from_then_on_and_those_before_keep_their_numbers(book, tmp_path):
    first, second, third = (picture(tmp_path / f"R{n}_dry.jpg", n) for n in (1, 2, 3))
    list(take_in(book, [first], ALONE))
    book.add_card("A", 48.5)
    list(take_in(book, [first, second], ALONE))
    # What is said for these photos alone wins.
    list(take_in(book, [third], ALONE, scale=Scale(ruler_mm=49.5)))
    assert scales(book) == {
        "R1_dry.jpg": Scale(50.0),
        "R2_dry.jpg": Scale(48.5, None, "A"),
        "R3_dry.jpg": Scale(49.5),
    }
    assert len(book.entry(book.photos()[0]).readings) == 1
    assert book.photos_by_scale() == {Scale(50.0): 1, Scale(48.5, None, "A"): 1, Scale(49.5): 1}


def test_measured_again_a_photo_keeps_its_card_with_the_latest_answer_about_it(book, tmp_path):
    nameless, mine = (picture(tmp_path / f"R{n}_dry.jpg", n) for n in (1, 2))
    list(take_in(book, [nameless], ALONE))
    book.add_card("A", 48.5)
    list(take_in(book, [mine], ALONE))
    book.add_card("A", 49.0)  # read better
    book.add_card("B", 50.0)  # another print
    list(take_in(book, [nameless, mine], ALONE, again=True))
    assert scales(book) == {"R1_dry.jpg": Scale(50.0, None, "B"), "R2_dry.jpg": Scale(49.0, None, "A")}


def test_changes_are_not_worked_out_between_bars_of_different_lengths(book, enter):
    """Bars of 50 and 48.5 mm alone make 3 % of difference, of a reed that nothing happened to."""
    reed, soaked = book.add_reed(7), Soaking(30.0, "room", "water", "new")
    other = Settings(ruler_mm=48.5)
    enter(book, reed, "dry", datetime(2026, 10, 5, 14, 0), height_mm=0.8)
    enter(book, reed, "soaked", datetime(2026, 10, 5, 14, 5), soaked, other, height_mm=0.776)
    assert soak_change(book.history(reed)) is None
    book.add_squeeze(reed, datetime(2026, 10, 5, 14, 10))
    enter(book, reed, "soaked", datetime(2026, 10, 5, 14, 15), soaked, height_mm=0.8)
    history = book.history(reed)
    assert squeeze_change(history, history.squeezes[0]) is None
    # The name alone makes no difference: both bars are as long.
    enter(book, reed, "dry", datetime(2026, 10, 6, 14, 0), settings=Settings(card="A"), height_mm=0.8)
    enter(book, reed, "soaked", datetime(2026, 10, 6, 14, 5), soaked, height_mm=0.9)
    assert soak_change(book.history(reed)).height_mm.difference == pytest.approx(0.1, rel=1e-4)


def test_the_export_says_which_scale_a_reading_counts_with(book, enter, tmp_path):
    settings = Scale(48.5, 1.5, "A").over(Settings())
    enter(book, book.add_reed(7), "dry", settings=settings)
    book.add_card("A", 48.5, 1.5)
    export(book, tmp_path / "out", {"csv"})
    heading, row = (tmp_path / "out" / "reed-book-readings.csv").read_text(encoding="utf-8").splitlines()
    found = dict(zip(heading.split(","), row.split(","), strict=False))
    assert (found["ruler_mm"], found["tip_offset_mm"], found["card"]) == ("48.5", "1.5", "A")
    assert "card" in (tmp_path / "out" / "reed-book-README.txt").read_text(encoding="utf-8")
    assert (tmp_path / "out" / "reed-book-cards.csv").read_text(encoding="utf-8").count("\n") == 2
