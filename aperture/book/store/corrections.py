"""What people did to a photo: confirmed it, changed its class, redrew its outline, corrected its reed."""

from collections.abc import Sequence
from typing import Literal

from aperture.book.store.records import Entry, Filing, Reading

Came = Literal["measured", "confirmed", "class changed", "outline redrawn", "retake asked"]
# Of a photo as it stands now. "Named": nobody knew which reed or state it shows until a person said so;
# "corrected": a person said that it shows another one than it was filed under.
Said = Literal[
    "confirmed",
    "class changed",
    "outline redrawn",
    "retake asked",
    "reed or state named",
    "reed or state corrected",
]


def came_about(readings: Sequence[Reading], place: int) -> Came:
    """How a reading came about.

    Parameters
    ----------
    readings : all of one photo with their outlines, the oldest first.
    place : of the reading in them.
    """
    reading = readings[place]
    if reading.origin == "program":
        return "measured"
    if reading.retake_asked:
        return "retake asked"
    before = readings[place - 1] if place else None
    if before is None or not before.outline_mm or [*before.outline_mm] != [*(reading.outline_mm or ())]:
        return "outline redrawn"
    return "class changed" if before.record["shape"] != reading.record["shape"] else "confirmed"


def said_since_measured(readings: Sequence[Reading]) -> tuple[Came, ...]:
    """What people said, one after the other, since the program measured the photo last; nothing if none did.

    Parameters
    ----------
    readings : as for `came_about`.
    """
    came = [came_about(readings, place) for place in range(len(readings))]
    last = max((place for place, how in enumerate(came) if how == "measured"), default=-1)
    return tuple(came[last + 1 :])


def said_of(entry: Entry) -> tuple[Said, ...]:
    """What of a photo's numbers, class, reed and state is a person's; nothing where all is the program's.

    Who confirms an outline that a person drew, or a class that a person gave, does not make it the
    program's. Who draws the outline again has the class worked out from that, and who gives the class back
    that it had confirms it.

    Parameters
    ----------
    entry : a photo, fetched with its outlines.
    """
    said = said_since_measured(entry.readings)
    found: list[Said] = []
    if said and said[-1] == "retake asked":
        found.append("retake asked")
    elif said:
        drawn = [place for place, how in enumerate(said) if how == "outline redrawn"]
        # The reading whose class was worked out from its outline: the drawn one, or the program's.
        classed = len(entry.readings) - len(said) + (drawn[-1] if drawn else -1)
        changed = entry.readings[max(classed, 0)].record["shape"] != entry.reading.record["shape"]
        found += ["outline redrawn"] if drawn else []
        found += ["class changed"] if changed else []
        found += [] if found else ["confirmed"]
    filed = _filed(entry.filing)
    return (*found, *([filed] if filed else []))


def _filed(filing: Filing) -> Said | None:
    if filing.first is None or filing.first == (filing.reed_id, filing.state):
        return None
    reed_id, state = filing.first
    kept = reed_id in (None, filing.reed_id) and state in (None, filing.state)
    return "reed or state named" if kept else "reed or state corrected"
