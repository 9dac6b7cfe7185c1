"""What became of each photo that came, as a line of a page: its outcome, why, its picture, where to go."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from aperture.book.photos.intake import Outcome, outcome_of
from aperture.book.present.words import seen_words
from aperture.book.store.ledger import Book
from aperture.book.store.records import Entry
from aperture.card.geometry import Face
from aperture.desk.intake.work import Done
from aperture.desk.pages.tips import TipView, tip_view
from aperture.flags import FLAGS

# Each outcome with what its heading says, in the order in which they are shown: what asks for something
# first.
HEADINGS: dict[Outcome, tuple[str, str]] = {
    "take again": ("Take again", "No number could be measured in these."),
    "to review": ("To review", "In the book; a person should look, or say what they show."),
    "refused": ("Refused", "Not taken into the book."),
    "taken in": ("Taken in", "Measured, and with their reeds."),
    "already there": ("Already there", "A reed book had these before. Nothing was changed."),
}


@dataclass(frozen=True)
class Line:
    """What is shown of one photo.

    `seen` is its class; `why` and `advice` say what there is to do, `code` is the flag that says more.
    `sha` and `reed`, a number, are None where the book has none. `view` is its tip, and `small` whether there
    is a small picture of the whole photo.
    """

    name: str
    outcome: Outcome
    why: str | None = None
    advice: str | None = None
    code: str | None = None
    sha: str | None = None
    reed: int | None = None
    state: Face | None = None
    seen: str | None = None
    view: TipView | None = None
    small: bool = False


def arrived(book: Book, came: Sequence[tuple[str, Done]], small: Mapping[str, bytes]) -> list[Line]:
    """What is shown of photos that came: of each its name, what became of it, and what the book says now.

    Parameters
    ----------
    came : each photo's name, with what became of it.
    small : small pictures, by the photo's hash.
    """
    entries = {
        entry.photo.sha256: entry
        for entry in book.entries([done.sha256 for _, done in came if done.sha256 is not None])
    }
    return [_line(book, name, done, entries.get(done.sha256 or ""), small) for name, done in came]


def _line(book: Book, name: str, done: Done, entry: Entry | None, small: Mapping[str, bytes]) -> Line:
    if entry is None:
        return Line(name, "already there" if done.what == "known" else "refused", done.why, code=done.code)
    reading, filing = entry.reading, entry.filing
    record = reading.record
    reed = book.reed_with_id(filing.reed_id).number if filing.reed_id is not None else None
    assigned = reed is not None and filing.state is not None
    outcome = outcome_of(done.what, record, assigned)
    why, advice, code = None, None, None
    if not reading.measured:
        why, advice = record["reason"], record["advice"]
        code = next((code for code in record["flags"] if code in FLAGS), None)
    elif outcome == "to review":
        why, code = _why_look(entry, done, assigned)
        if why is None:  # a person has looked since
            outcome = "taken in"
    return Line(
        name,
        outcome,
        why,
        advice,
        code,
        entry.photo.sha256,
        reed,
        filing.state,
        seen_words(reading) if reading.measured else None,
        tip_view(reading) if reading.measured else None,
        entry.photo.sha256 in small,
    )


def _why_look(entry: Entry, done: Done, assigned: bool) -> tuple[str | None, str | None]:
    """Why a person should look at a measured photo, and the flag that says more."""
    record = entry.reading.record
    if not assigned:
        return done.why or entry.filing.reason or "Which reed is it, and in which state?", None
    for code in record["flags"] if record["review"] else ():
        if code in FLAGS and FLAGS[code].effect == "review":
            return FLAGS[code].sentence, code
    if entry.reading.origin == "person" and not record["review"]:
        return None, None
    return f"It is {record['shape']}.", None
