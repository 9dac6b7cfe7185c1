"""What a person did to a reading of a photo: confirmed it, changed its class, or redrew its outline."""

from collections.abc import Sequence
from typing import Literal

from aperture.book.store.records import Reading

Came = Literal["measured", "confirmed", "class changed", "outline redrawn", "retake asked"]


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
