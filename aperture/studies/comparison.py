"""Another way of measuring the same reeds beside this program's: which readings pair up, what they say."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from aperture.batch.pairs import latest
from aperture.card.geometry import Face
from aperture.flags import FLAGS, WHICH_REED
from aperture.measure import Measurement
from aperture.settings import Correction
from aperture.studies.agreement import (
    Agreement,
    Kappa,
    Line,
    cohens_kappa,
    deming_line,
    limits_of_agreement,
)
from aperture.studies.other_readings import CLASSES, OtherReading, OtherReadings
from aperture.studies.repeat_study import HARMLESS
from aperture.studies.table import TableError
from aperture.verdict import ShapeClass

# From so few a correction would rest on chance. A working value.
FEWEST_FOR_CORRECTION = 10
Key = tuple[int, Face]


@dataclass(frozen=True)
class OwnReading:
    """What this program read of a reed: the height as it came out, before any correction, with its ±.

    `why_not` says in words why it does not count; None if it does. The height is None where none can be told.
    """

    height_mm: float | None
    u_mm: float | None
    shape: ShapeClass | None
    why_not: str | None = None


@dataclass(frozen=True)
class Pairing:
    """A reed that both ways have."""

    other: OtherReading
    own: OwnReading

    @property
    def difference_mm(self) -> float | None:
        """The other way minus this program; None of classes."""
        if self.other.height_mm is None or self.own.height_mm is None:
            return None
        return self.other.height_mm - self.own.height_mm

    @property
    def within(self) -> bool:
        """Whether the heights differ by no more than their ± together, as far as these are known."""
        both = math.hypot(self.other.u_mm or 0.0, self.own.u_mm or 0.0)
        return self.difference_mm is not None and abs(self.difference_mm) <= both


@dataclass(frozen=True)
class LeftOut:
    """A row that does not count, and why, in words."""

    other: OtherReading
    why: str


@dataclass(frozen=True)
class Heights:
    """Heights compared: differences are the other way minus this program, mm. `line` is of the other way (y)
    over this program (x)."""

    agreement: Agreement
    line: Line | None


@dataclass(frozen=True)
class Comparison:
    """Everything: `heights` or, of classes, `people` between each other and each person with the program."""

    pairings: tuple[Pairing, ...]
    left_out: tuple[LeftOut, ...]
    empty: int
    heights: Heights | None
    people: Kappa | None
    with_program: tuple[Kappa, ...]

    @property
    def why_no_correction(self) -> str | None:
        """Why no correction can be learned from this; None if one can."""
        if self.heights is None:
            return "classes were compared, not heights"
        found = self.heights.agreement
        if found.count < FEWEST_FOR_CORRECTION:
            return f"it takes {FEWEST_FOR_CORRECTION} readings, and {found.count} count"
        if not found.differs:
            return "the mean difference cannot be told from 0, so there is nothing to correct"
        if self.heights.line is not None and not self.heights.line.is_parallel:
            return (
                "the difference changes with the height, so adding the same to every height would be wrong"
                " for most; look for the reason: the printed bar, or the unit or scale of the other way"
            )
        return None


def own_reading(measurement: Measurement, include_reviewed: bool) -> OwnReading:
    """What a photo gave, as a reading to compare.

    Parameters
    ----------
    include_reviewed : count it, too, if a person should look at it before the number is used.
    """
    if measurement.geometry is None or measurement.u is None or measurement.verdict is None:
        return OwnReading(None, None, None, f"the photo was refused: {measurement.reason}")
    doubts = doubts_of(measurement.flags, include_reviewed)
    known = measurement.height_below_mm is None
    return OwnReading(
        measurement.geometry.height_mm - measurement.correction.offset_mm if known else None,
        measurement.u["height_mm"] if known else None,
        measurement.verdict.shape,
        doubts,
    )


def doubts_of(flags: Sequence[str], include_reviewed: bool) -> str | None:
    """Why a measured photo does not count, from its flags: a person should look at it first. None if it does.

    Parameters
    ----------
    include_reviewed : count it all the same, unless nobody can be sure which reed it shows.
    """
    for code in flags:
        doubted = FLAGS[code].effect == "review" and code not in HARMLESS
        if doubted and (code in WHICH_REED or not include_reviewed):
            return f"a person should look at the photo first: {FLAGS[code].sentence}"
    return None


def own_readings(measurements: Sequence[Measurement], include_reviewed: bool) -> dict[Key, OwnReading]:
    """What photos gave, by reed and state: of several of one reed in one state, the latest measured one."""
    groups: dict[Key, list[Measurement]] = {}
    for one in measurements:
        if one.reed is not None and one.state is not None:
            groups.setdefault((one.reed, one.state), []).append(one)
    chosen = {key: [one for one in mine if one.geometry] or mine for key, mine in groups.items()}
    return {key: own_reading(latest(mine), include_reviewed) for key, mine in chosen.items()}


def compare(other: OtherReadings, own: Mapping[Key, OwnReading]) -> Comparison:
    """Pair the readings up and compare them.

    Raises
    ------
    TableError : fewer than two readings of heights pair up, or none of classes.
    """
    pairings: list[Pairing] = []
    left_out: list[LeftOut] = []
    for one in other.readings:
        mine = own.get((one.reed, one.state))
        why = _why_not(one, mine)
        if mine is None or why is not None:
            left_out.append(LeftOut(one, why or ""))
        else:
            pairings.append(Pairing(one, mine))
    needed = 1 if other.people else 2
    if len(pairings) < needed:
        raise TableError(_too_few(len(pairings), needed, left_out))
    return Comparison(
        tuple(pairings),
        tuple(left_out),
        other.empty,
        heights=None if other.people else _heights(pairings),
        people=_people(pairings) if other.people > 1 else None,
        with_program=tuple(_with_program(pairings, person) for person in range(other.people)),
    )


def learned_correction(comparison: Comparison, source: str) -> Correction | None:
    """The correction that would make this program read as the other way does on average; None if none is due.

    Parameters
    ----------
    source : where it comes from, in words.
    """
    if comparison.heights is None or comparison.why_no_correction is not None:
        return None
    found = comparison.heights.agreement
    # The standard error of the mean: the doubt of the correction itself. How far single readings differ is
    # not in it, and is not the program's alone.
    u_offset_mm = found.standard_deviation / found.count**0.5
    return Correction(round(found.mean.estimate, 4), round(u_offset_mm, 4), source)


def _why_not(one: OtherReading, mine: OwnReading | None) -> str | None:
    if mine is None:
        return f"this program has no reading of reed {one.reed} {one.state}"
    if mine.why_not is None and not one.classes and mine.height_mm is None:
        return "the opening is shut, and its height cannot be told"
    return mine.why_not


def _too_few(count: int, needed: int, left_out: Sequence[LeftOut]) -> str:
    words = f"{count} {'reading pairs' if count == 1 else 'readings pair'} up, and it takes {needed} or more"
    why = [f"reed {one.other.reed} {one.other.state}: {one.why}" for one in left_out[:3]]
    return "; ".join([words, *why, *(["…"] if len(left_out) > len(why) else [])])


def differences_mm(pairings: Sequence[Pairing]) -> list[float]:
    """The other way minus this program."""
    own, other = _both(pairings)
    return [float(difference) for difference in other - own]


def _both(pairings: Sequence[Pairing]) -> tuple[np.ndarray, np.ndarray]:
    """Heights (n,) of this program and of the other way."""
    own = np.array([pairing.own.height_mm for pairing in pairings], dtype=np.float64)
    return own, np.array([pairing.other.height_mm for pairing in pairings], dtype=np.float64)


def _heights(pairings: Sequence[Pairing]) -> Heights:
    own, other = _both(pairings)
    return Heights(limits_of_agreement(other - own), deming_line(own, other, _variance_ratio(pairings)))


def _variance_ratio(pairings: Sequence[Pairing]) -> float:
    """The other way's error variance over this program's, from the ±; 1 where the other way has none."""
    others = [pairing.other.u_mm for pairing in pairings]
    if any(not u for u in others):
        return 1.0
    squares = [sum(u**2 for u in us if u) for us in (others, [pairing.own.u_mm for pairing in pairings])]
    return float(squares[0] / squares[1]) if squares[1] > 0.0 else 1.0


def _people(pairings: Sequence[Pairing]) -> Kappa:
    first, second = zip(*(pairing.other.classes for pairing in pairings), strict=True)
    return cohens_kappa(first, second, CLASSES)


def _with_program(pairings: Sequence[Pairing], person: int) -> Kappa:
    theirs = [pairing.other.classes[person] for pairing in pairings]
    return cohens_kappa(theirs, [str(pairing.own.shape) for pairing in pairings], CLASSES)
