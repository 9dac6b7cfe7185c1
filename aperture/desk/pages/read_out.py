"""What the review says of a reading: its class, how likely each class is, its numbers; and who looked."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from aperture.book.present.words import recorded, seen_words
from aperture.book.store.records import Reading
from aperture.present.report import NAMES, UNITS


@dataclass(frozen=True)
class Looked:
    """One reading of a photo: whose it is, when it was made, on the clock of the wall, and what it says."""

    who: str
    when: datetime
    says: str


def seen(reading: Reading) -> str:
    """The class, or that there is none."""
    if reading.retake_asked:
        return "retake"
    return seen_words(reading) if reading.measured else "refused"


def numbers(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The four quantities of a record, each by its name, with its ±; none of a refused photo."""
    if record["outcome"] != "measured":
        return []
    return [(name, recorded(record, key, UNITS[key])) for key, name in NAMES.items()]


def chances(record: Mapping[str, Any]) -> str | None:
    """How likely each class is, where that is close: "81 of 100: elliptical, 19 of 100: round".

    None where the uncertainty reaches over no limit. The hundredths add up to 100: each share is rounded
    down, and what is left goes to those that lost most (the method of largest remainders).
    """
    shares: Mapping[str, float] | None = record.get("shape_probabilities")
    if not record.get("borderline") or not shares:
        return None
    whole = {shape: int(100.0 * share) for shape, share in shares.items()}
    lost = sorted(shares, key=lambda shape: whole[shape] - 100.0 * shares[shape])
    for shape in lost[: 100 - sum(whole.values())]:
        whole[shape] += 1
    likely = sorted(whole.items(), key=lambda item: -item[1])
    return ", ".join(f"{count} of 100: {shape}" for shape, count in likely if count)


def who_looked(readings: Sequence[Reading], recorded_at: Mapping[int, datetime]) -> list[Looked]:
    """The readings of a photo, the oldest first.

    Parameters
    ----------
    readings : of one photo.
    recorded_at : when each was written into the book, by its id.
    """
    return [
        Looked(
            reading.by or "somebody" if reading.origin == "person" else "The program",
            recorded_at[reading.id].astimezone(),
            _in_short(reading),
        )
        for reading in readings
    ]


def _in_short(reading: Reading) -> str:
    """The class and the height, and why a person changed the class."""
    words = [seen(reading), *(f"{name} {said}" for name, said in numbers(reading.record)[:1])]
    if reading.origin == "person" and reading.measured and reading.record["reason"]:
        words.append(f"“{reading.record['reason']}”")
    return ", ".join(words)
