"""What the program itself read of the reeds in the book, to be compared with another way of measuring."""

from collections.abc import Iterable

from aperture.book.store.corrections import said_since_measured
from aperture.book.store.ledger import Book
from aperture.book.store.records import Entry
from aperture.correction import offset_of
from aperture.studies.comparison import Key, OwnReading, doubts_of


def program_readings(book: Book, wanted: Iterable[Key], include_reviewed: bool) -> dict[Key, OwnReading]:
    """The program's own reading of the latest measured photo of each reed and state.

    One whose outline a person found right counts, whatever they said of its class. One whose outline a person
    drew again does not, nor does one that waits for a person's look, unless `include_reviewed`.

    Raises
    ------
    BookError : the book cannot be read.
    """
    found: dict[Key, OwnReading] = {}
    for number, state in wanted:
        reeds = book.reeds_with_number(number)
        if not reeds:
            found[number, state] = OwnReading(None, None, None, f"the book has no reed {number}")
            continue
        entry = book.history(reeds[-1]).latest(state)
        if entry is None:
            why = f"the book has no photo of reed {number} {state}"
            found[number, state] = OwnReading(None, None, None, why)
        else:
            found[number, state] = _own(entry, include_reviewed)
    return found


def _own(entry: Entry, include_reviewed: bool) -> OwnReading:
    mine = [reading for reading in entry.readings if reading.origin == "program" and reading.measured]
    if not mine:
        return OwnReading(None, None, None, "its photo was not measured")
    record = mine[-1].record
    height_mm = record["height_mm"]
    return OwnReading(
        height_mm - offset_of(record) if height_mm is not None else None,
        record["u"].get("height_mm"),
        record["shape"],
        _why_not(entry, record["flags"], include_reviewed),
    )


def _why_not(entry: Entry, flags: list[str], include_reviewed: bool) -> str | None:
    """Why it does not count, from its flags and from what people said since it was measured."""
    said = said_since_measured(entry.readings)
    if not said:
        return doubts_of(flags, include_reviewed)
    if said[-1] == "retake asked":
        return "a person asked for another photo"
    return "a person drew its outline again" if "outline redrawn" in said and not include_reviewed else None
