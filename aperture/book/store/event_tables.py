"""What hands and people did to the reeds of a book: checks, squeezes, decisions."""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from typing import Any

from aperture.book.store import rows
from aperture.book.store.open_book import OpenBook, as_text
from aperture.book.store.records import (
    ACTIONS,
    FAULTS,
    RESPONSES,
    Action,
    Photo,
    Reed,
    one_of,
    short_code,
)
from aperture.book.store.withdrawals import standing
from aperture.dates import is_sensible, span_words
from aperture.errors import BookError

# When something happened, by table and column; what cannot have been counts as of the time of its entry.
_DATES = (
    ("photos", "taken"),
    ("photos", "received_at"),
    ("checks", "done_at"),
    ("squeezes", "done_at"),
    ("decisions", "decided_at"),
)


def of_reeds(
    book: OpenBook, table: str, make: Callable[[rows.Row], Any], where: str, *values: Any
) -> dict[int, list[Any]]:
    """The rows of a table that stand, by reed, in the order in which they were entered."""
    found: dict[int, list[Any]] = defaultdict(list)
    for row in book.select(f"SELECT * FROM {table} {where} AND {standing(table)} ORDER BY id", *values):
        found[row["reed_id"]].append(make(row))
    return found


def impossible_dates(book: OpenBook) -> Iterator[tuple[str, int, str]]:
    """The dates that cannot be, which only earlier versions entered: table, row and text of each."""
    for table, column in _DATES:
        for row in book.table(table):
            if row[column] is not None and rows.possible(row[column], row["recorded_at"]) is None:
                yield table, row["id"], row[column]


def add_check(
    book: OpenBook,
    reed: Reed,
    done_at: datetime,
    faults: Mapping[str, bool],
    response: str | None = None,
    pitch_cents: float | None = None,
    note: str | None = None,
    by: str | None = None,
) -> None:
    """Enter a check by hand. `faults` answers questions of `records.FAULTS`; what is left out was not
    looked at."""
    _happened(done_at)
    for name in faults:
        one_of(name, tuple(FAULTS), "fault")
    one_of(response, RESPONSES, "response")
    if pitch_cents is not None and not abs(pitch_cents) <= 1200.0:
        raise BookError("book-entry-wrong", f"a pitch off by {pitch_cents:g} cents, more than an octave")
    with book.together():
        book.insert(
            "checks",
            reed_id=reed.id,
            done_at=as_text(done_at),
            **{name: int(faults[name]) if name in faults else None for name in FAULTS},
            response=response,
            pitch_cents=pitch_cents,
            note=note,
            by=by and short_code(by, "Who checked"),
        )


def add_squeeze(
    book: OpenBook,
    reed: Reed,
    done_at: datetime,
    before: Photo | None = None,
    after: Photo | None = None,
    by: str | None = None,
) -> None:
    """Enter a squeeze. Photos that are not named are found by the time they were taken."""
    _happened(done_at)
    with book.together():
        book.insert(
            "squeezes",
            reed_id=reed.id,
            done_at=as_text(done_at),
            before_photo_id=before and before.id,
            after_photo_id=after and after.id,
            by=by and short_code(by, "Who squeezed"),
        )


def add_decision(
    book: OpenBook,
    reed: Reed,
    decided_at: datetime,
    action: Action,
    reason: str,
    by: str,
    advised: str | None = None,
    rule: str | None = None,
    override_reason: str | None = None,
) -> None:
    """Enter what a person decided."""
    one_of(action, ACTIONS, "decision")
    _happened(decided_at)
    with book.together():
        book.insert(
            "decisions",
            reed_id=reed.id,
            decided_at=as_text(decided_at),
            action=action,
            reason=reason,
            by=short_code(by, "Who decided"),
            advised=advised,
            rule=rule,
            override_reason=override_reason,
        )


def _happened(moment: datetime) -> None:
    """Raise BookError if nothing can have happened then."""
    if not is_sensible(moment):
        raise BookError("book-entry-wrong", f"{moment:%Y-%m-%d} is not {span_words()}")
