"""Checks with a gauge in the reed book: kept, never changed; one that fails sends photos to review."""

import sqlite3
from contextlib import closing
from datetime import date, datetime

import pytest

from aperture.book.advice.facts import facts
from aperture.book.store import schema
from aperture.book.store.ledger import Book
from aperture.settings import Settings
from tests.book.conftest import GAUGE_CHECK as RECORD

FAILED = {**RECORD, "sha256": "b" * 64, "gap_mm": 1.14, "en": 3.2, "agrees": False}
DAY = date(2026, 10, 5)


def check_again(**changes):
    """A later check of the same gauge that day."""
    return {**RECORD, "sha256": "c" * 64, "taken": "2026-10-05T11:00:00", **changes}


def test_what_is_kept(book):
    book.add_gauge_check(RECORD, Settings(ruler_mm=49.5))
    (check,) = book.gauge_checks()
    assert check.done_at == datetime(2026, 10, 5, 8, 30)
    assert (check.photo, check.sheets, check.ream_mm, check.gap_mm, check.u_gap_mm) == (
        "gauge-10.jpg",
        10,
        52.0,
        1.05,
        0.03,
    )
    assert (check.expected_mm, check.u_expected_mm, check.en, check.agrees) == (1.04, 0.008, 0.32, True)
    assert check.told == (49.5, 0.0)
    assert book.integrity_errors() == []
    assert [row["settings_id"] for row in book.table("gauge_checks")] == [1]


def test_a_photo_without_a_time_counts_as_of_now(book):
    before = datetime.now().replace(microsecond=0)
    book.add_gauge_check({**RECORD, "taken": None}, Settings())
    assert before <= book.gauge_checks()[0].done_at <= datetime.now()


def test_checks_come_by_the_time_they_were_made(book):
    book.add_gauge_check(check_again(), Settings())
    book.add_gauge_check(RECORD, Settings())
    assert [check.done_at.hour for check in book.gauge_checks()] == [8, 11]


@pytest.mark.parametrize("change", ["UPDATE gauge_checks SET gap_mm = 2", "DELETE FROM gauge_checks"])
def test_no_check_is_ever_changed(book, change):
    book.add_gauge_check(RECORD, Settings())
    with pytest.raises(sqlite3.IntegrityError, match="ever overwritten"):
        book._connection.execute(change)


def test_a_book_from_before_gets_the_table(tmp_path):
    path = tmp_path / "old.sqlite3"
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        old.execute("PRAGMA journal_mode = WAL")
        old.execute("BEGIN IMMEDIATE")
        schema.upgrade(old, schema.MIGRATIONS[:2])
        old.execute("COMMIT")
    with Book(path) as book:
        assert book.gauge_checks() == []
        book.add_gauge_check(RECORD, Settings())
        assert book.integrity_errors() == []


# --- the day's photos --------------------------------------------------------------------------------------


def looks(book):
    """For each reed's photo: whether it needs a look, and whether the gauge is why."""
    return [
        (entry.reading.record["review"], "gauge-failed" in entry.reading.record["flags"])
        for history in book.histories()
        for entry in history.entries
    ]


@pytest.fixture
def two_days(book, enter):
    """One photo of the day of the check, one of the day after."""
    reed = book.add_reed(1)
    enter(book, reed, "dry", datetime(2026, 10, 5, 14, 0))
    enter(book, reed, "dry", datetime(2026, 10, 6, 14, 0))
    return book


def test_a_check_that_agrees_changes_nothing(two_days):
    two_days.add_gauge_check(RECORD, Settings())
    assert looks(two_days) == [(False, False), (False, False)]
    assert two_days.days_in_doubt() == frozenset()


def test_a_check_that_fails_sends_the_days_photos_to_review(two_days):
    two_days.add_gauge_check(FAILED, Settings())
    assert two_days.days_in_doubt() == {DAY}
    assert looks(two_days) == [(True, True), (False, False)]
    # What is kept stays as it was written.
    assert {row["review"] for row in two_days.table("readings")} == {0}
    assert two_days.integrity_errors() == []


def test_the_next_step_of_the_reed_waits_for_a_look(book, enter):
    reed = book.add_reed(1)
    enter(book, reed, "dry", datetime(2026, 10, 5, 14, 0))
    assert facts(book.history(reed), Settings().soaking, DAY).look is None
    book.add_gauge_check(FAILED, Settings())
    assert facts(book.history(reed), Settings().soaking, DAY).look == "review"


def test_the_same_gauge_that_agrees_later_releases_them(two_days):
    two_days.add_gauge_check(FAILED, Settings())
    two_days.add_gauge_check(check_again(), Settings())
    assert looks(two_days) == [(False, False), (False, False)]


@pytest.mark.parametrize(
    ("again", "settings"),
    [
        (check_again(), Settings(ruler_mm=48.5)),  # another bar: the photos were measured with the first
        (check_again(sheets=5), Settings()),  # another height
        (check_again(taken="2026-10-06T11:00:00"), Settings()),  # another day
    ],
)
def test_another_check_does_not_release_them(two_days, again, settings):
    two_days.add_gauge_check(FAILED, Settings())
    two_days.add_gauge_check(again, settings)
    assert looks(two_days)[0] == (True, True)


def test_a_person_who_looked_has_the_last_word(two_days):
    two_days.add_gauge_check(FAILED, Settings())
    (history,) = two_days.histories()
    entry = history.entries[0]
    record = {**entry.reading.record, "review": False, "reason": None}
    two_days.add_reading(
        entry.photo, record, Settings(), 0.0, entry.reading.outline_mm, origin="person", by="kw"
    )
    assert two_days.entry(entry.photo).reading.record["review"] is False
