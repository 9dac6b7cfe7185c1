"""Which photos need eyes, why, and in which order they are looked at."""

from collections.abc import Sequence
from dataclasses import dataclass

from aperture.book.store.ledger import Book
from aperture.book.store.records import Entry, History
from aperture.desk.web import Desk, histories_here
from aperture.flags import FLAGS, WHICH_REED

# Why photos wait, the most useful to settle first: until it is known which reed a photo shows, it counts for
# none; then those whose next step depends on the answer; last those that only another photo helps.
WHICH, CLOSE_TO_LIMIT, ROUND, SHUT, DOUBTFUL, CHECK_OFF, REFUSED = KINDS = (
    "Which reed, or which state?",
    "Close to a limit",
    "Round",
    "Shut",
    "Hard to see",
    "The card does not measure itself right",
    "Could not be measured",
)


@dataclass(frozen=True)
class Waiting:
    """A photo that needs eyes: its hash, of which of `KINDS`, and why.

    `known` is its entry and why it waits; None where nobody knows its reed or its state. Of those there may
    be thousands, so they are read only when they are shown.
    """

    sha256: str
    kind: str
    known: tuple[Entry, str] | None = None


def queue(desk: Desk, book: Book) -> list[Waiting]:
    """The photos that need eyes, in the order of `KINDS`; within one, by reed and time.

    A photo needs none once a person said something of it, or decided about the reed since; nor does a refused
    one of which a later photo in the same state was measured. One of which nobody knows the reed or the state
    waits until that is said, or a retake is asked for.
    """
    found = [Waiting(sha, WHICH) for sha in book.unfiled_hashes()]
    for history in histories_here(desk, book):
        for entry in history.entries:
            if why := why_look(history, entry):
                found.append(Waiting(entry.photo.sha256, _kind(entry), (entry, why)))
    return sorted(found, key=lambda one: KINDS.index(one.kind))


def listed(book: Book, waiting: Sequence[Waiting]) -> list[tuple[Entry, str]]:
    """The entries of these, each with why it waits."""
    unfiled = book.entries([one.sha256 for one in waiting if one.known is None])
    read = {entry.photo.sha256: (entry, what_is_missing(entry)) for entry in unfiled}
    both = [(one.kind, one.known or read[one.sha256]) for one in waiting]
    return [(entry, _with_faults(entry, why) if kind == WHICH else why) for kind, (entry, why) in both]


def faults(entry: Entry) -> list[str]:
    """What else needs eyes in a photo of which the reed or the state is in doubt, in sentences.

    Whoever says which reed it is wants to know whether the photo is worth it.
    """
    reading = entry.reading
    if reading.origin == "person":
        return []
    if not reading.measured:
        return [str(reading.record["reason"])]
    doubts = [FLAGS[code].sentence for code in _doubts(entry) if code not in WHICH_REED]
    shape = reading.record["shape"]
    return [*doubts, *([f"It is {shape}."] if shape != "elliptical" else [])]


def _with_faults(entry: Entry, why: str) -> str:
    return " ".join(dict.fromkeys([*contradictions(entry), why, *faults(entry)]))


def is_unfiled(entry: Entry) -> bool:
    """Whether nobody knows its reed, or its state."""
    return entry.filing.reed_id is None or entry.filing.state is None


def asks_which(entry: Entry) -> bool:
    """Whether it is to be said which reed, or which state, a photo shows."""
    return is_unfiled(entry) or bool(contradictions(entry))


def contradictions(entry: Entry) -> list[str]:
    """Why the reed or the state that a photo is filed under may be wrong, in sentences."""
    if entry.reading.origin == "person":
        return []
    return [FLAGS[code].sentence for code in _doubts(entry) if code in WHICH_REED]


def what_is_missing(entry: Entry) -> str:
    """Why nobody knows which reed, or which state, a photo shows."""
    if entry.filing.reason and entry.filing.by is None:
        return entry.filing.reason
    return "In which state was it?" if entry.filing.reed_id is not None else "Which reed is it?"


def why_look(history: History, entry: Entry) -> str | None:
    """Why a photo of a reed needs eyes; None if it does not, or if somebody has looked."""
    record = entry.reading.record
    if entry.filing.state is None or entry.reading.origin == "person":
        return None
    if any(decision.decided_at >= entry.photo.when for decision in history.decisions):
        return None
    if not entry.reading.measured:
        same = [other for other in history.entries if other.filing.state == entry.filing.state]
        later = any(other.reading.measured and other.photo.when > entry.photo.when for other in same)
        return None if later else str(record["reason"])
    # Only a result that the program doubted has flags for which a person must look.
    if record["review"] and (doubts := _doubts(entry)):
        return FLAGS[doubts[0]].sentence
    return f"It is {record['shape']}." if record["shape"] != "elliptical" else None


def _doubts(entry: Entry) -> list[str]:
    """The flags for which a person must look; which reed it is, only as long as no person said that."""
    settled = WHICH_REED if entry.filing.by is not None else frozenset()
    codes = [code for code in entry.reading.record["flags"] if code in FLAGS and code not in settled]
    return [code for code in codes if FLAGS[code].effect == "review"]


def _kind(entry: Entry) -> str:
    """The one of `KINDS` that a waiting photo of a reed is of."""
    doubts = _doubts(entry)
    if WHICH_REED & set(doubts):
        return WHICH
    if not entry.reading.measured:
        return REFUSED
    if "borderline" in doubts:
        return CLOSE_TO_LIMIT
    shapes = {"round": ROUND, "shut": SHUT}
    return shapes.get(entry.reading.record["shape"]) or (
        CHECK_OFF if doubts == ["self-check-off"] else DOUBTFUL
    )
