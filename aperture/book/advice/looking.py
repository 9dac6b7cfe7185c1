"""Which photo of a reed the advice rests on, and whether a person must look at it first."""

from typing import Literal, cast

from aperture.book.advice.comparing import squeezed_between
from aperture.book.store.records import Entry, History
from aperture.card.geometry import Face
from aperture.flags import FLAGS, WHICH_REED, needs_review

Seen = Literal["shut", "elliptical", "wide", "round"]
Look = Literal["refused", "which reed", "which state", "borderline", "review"]

# A dry photo with a smaller chance than this of showing a round opening is in no doubt that matters: whether
# it is shut or elliptical, the next step is to soak the reed.
NEGLIGIBLE = 0.01


def photo_that_counts(history: History) -> Entry | None:
    """The photo on which the advice rests: the latest soaked one; while there is none, the latest dry one.

    A photo whose state nobody knows comes first, if it is the latest of all: it may be either. A refused
    photo is passed over if one of that day and state was measured before it, and no squeeze came between.
    """
    if history.entries and history.entries[-1].filing.state is None:
        return history.entries[-1]
    photos = history.photos("soaked") or history.photos("dry")
    if not photos or photos[-1].reading.measured:
        return photos[-1] if photos else None
    refused = photos[-1]
    others = [
        entry
        for entry in photos
        if entry.reading.measured
        and entry.photo.when.date() == refused.photo.when.date()
        and not squeezed_between(history, entry, refused)
    ]
    return others[-1] if others else refused


def latest_measured(history: History, state: Face) -> Entry | None:
    """The latest measured photo in one state."""
    photos = history.measured(state)
    return photos[-1] if photos else None


def seen(entry: Entry | None) -> Seen | None:
    """What a measured photo showed; None of no photo."""
    return cast("Seen", entry.reading.seen) if entry else None


def look(history: History) -> Look | None:
    """Why a person must look first at `photo_that_counts`; see `facts.Facts.look`."""
    entry = photo_that_counts(history)
    if entry is None or decided_since(history, entry):
        return None
    record = entry.reading.record
    if not entry.reading.measured:
        return "refused"
    if entry.filing.state is None:
        return "which state"
    if _contradicted_again(entry):
        return "which reed"
    if entry.reading.origin == "person":
        return None
    doubts = [
        code
        for code in record["flags"]
        if code in FLAGS and code not in WHICH_REED and not (code == "borderline" and _either_way(entry))
    ]
    if not needs_review(doubts):
        return None
    return "borderline" if not needs_review([code for code in doubts if code != "borderline"]) else "review"


def decided_since(history: History, entry: Entry) -> bool:
    """Whether a person decided about the reed after a photo was taken."""
    return any(decision.decided_at >= entry.photo.when for decision in history.decisions)


def _contradicted_again(entry: Entry) -> bool:
    """Whether a later reading contradicts the reed or the state.

    What the first one contradicted was not filed until a person settled it.
    """
    first, last = (set(reading.record["flags"]) for reading in (entry.readings[0], entry.reading))
    return entry.filing.by is None and bool(WHICH_REED & (last - first))


def _either_way(entry: Entry) -> bool:
    """Whether it does not matter for what is done next on which side of the limit a dry reed lies."""
    chances = entry.reading.record["shape_probabilities"]
    return entry.filing.state == "dry" and chances is not None and chances["round"] < NEGLIGIBLE
