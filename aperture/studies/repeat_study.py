"""Photos of the same reeds taken again and again: who took which, which of them count, and what they tell."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from aperture.budget.contributions import QUANTITIES
from aperture.budget.terms import PrintedScale
from aperture.card.geometry import FACES, Face
from aperture.errors import SettingsError
from aperture.flags import FLAGS, WHICH_REED
from aperture.measure import Measurement
from aperture.studies.repeatability import (
    Ranges,
    Readings,
    Sessions,
    Spreads,
    average_and_range,
    compare_sessions,
    odd_cells,
    spreads,
)

# "person-A", "Person 2", "person_b", "person3"; "Personal" is a folder of another kind.
_PERSON = re.compile(r"person(?:[\s_-]+(.+)|(\d+|[a-z]))", re.IGNORECASE)
_SESSION = re.compile(r"session(?:[\s_-]+(.+)|(\d+|[a-z]))", re.IGNORECASE)
# Too short for a name: what is printed, sent and kept tells nobody who it was.
_PERSON_CODE = re.compile(r"[a-z0-9]{1,2}", re.IGNORECASE)

# This is about the limits between classes; the number is as good as any.
HARMLESS = {"borderline"}

# ISO 5725-2 calls what is less likely a straggler, and says to look at it.
ODD_BELOW = 0.05

NO_REPEATS = (
    "No reed has two photos that count. Photograph the same reeds, at least 2 photos each;"
    " take the reed out and put it back between photos."
)


@dataclass(frozen=True)
class Counted:
    """A photo that counts: the reed, who took it and when; None where nothing says it."""

    measurement: Measurement
    reed: int
    state: Face
    person: str | None
    session: str | None


@dataclass(frozen=True)
class LeftOut:
    """A photo that does not count, why, and what to do."""

    measurement: Measurement
    why: str
    advice: str


@dataclass(frozen=True)
class QuantityStudy:
    """What repeats tell about one quantity, in its own unit.

    `stated_u` is the standard uncertainty that the photos themselves state (root mean square), without the
    part of the printed scale, which photos of one card have in common. `odd` holds photos of one reed, person
    and session that scatter much more than the others.
    """

    spreads: Spreads
    sessions: Sessions | None
    ranges: Ranges | None
    stated_u: float
    odd: tuple[tuple[Counted, ...], ...]


@dataclass(frozen=True)
class StateStudy:
    """All reeds in one state. `quantities` by the names in `aperture.budget.contributions.QUANTITIES`."""

    state: Face
    photos: tuple[Counted, ...]
    notes: tuple[str, ...]
    quantities: Mapping[str, QuantityStudy]

    def number_of(self, *factors: str) -> int:
        """How many different reeds, people, or sessions (of a person) there are."""
        return len({tuple(getattr(photo, factor) for factor in factors) for photo in self.photos})


@dataclass(frozen=True)
class RepeatStudy:
    """The whole folder: a study of each state of which there are repeats; `remarks` on the others."""

    counted: tuple[Counted, ...]
    left_out: tuple[LeftOut, ...]
    studies: tuple[StateStudy, ...]
    remarks: tuple[str, ...]


def person_and_session(
    photo: Path, folder: Path, taken: datetime | None = None
) -> tuple[str | None, str | None]:
    """Who took a photo, and in which session.

    Parameters
    ----------
    photo, folder : the photo's path, somewhere below the folder. A folder between them that is called
        "person-A" says who, one called "session-1" says which session.
    taken : the camera's time; without a folder for the session, its day counts.

    Returns
    -------
    The person's code and the session, None where nothing says it.

    Raises
    ------
    SettingsError : a person's code is longer than 2 letters or digits, and so perhaps a name.
    """
    person = session = None
    for part in photo.relative_to(folder).parent.parts:
        if match := _PERSON.fullmatch(part):
            person = (match[1] or match[2]).strip().upper()
            if not _PERSON_CODE.fullmatch(person):
                raise SettingsError(
                    "settings-invalid",
                    f"The folder “{part}”: give each person a code of one or two letters or digits, such as"
                    " person-A. Never use a name: it would travel with every table.",
                )
        elif match := _SESSION.fullmatch(part):
            session = (match[1] or match[2]).strip().casefold()
    if session is None and taken is not None:
        session = taken.date().isoformat()
    return person, session


def check_folders(photos: Sequence[Path], folder: Path) -> None:
    """See, before any photo is measured, that no person's folder carries a name.

    Raises
    ------
    SettingsError : one does.
    """
    for photo in photos:
        person_and_session(photo, folder)


def study_repeats(
    measurements: Sequence[Measurement], folder: Path, include_reviewed: bool = False
) -> RepeatStudy:
    """Sort photos by reed, state, person and session, and take apart how far they scatter.

    Parameters
    ----------
    measurements : of the photos in the folder.
    folder : the one below which folders name people and sessions.
    include_reviewed : count photos, too, that a person should look at before the number is used.

    States are studied apart, because a reed dry and soaked is not the same opening. Photos that do not count
    are in `left_out`.

    Raises
    ------
    SettingsError : a person's folder carries a name.
    """
    counted: list[Counted] = []
    left_out: list[LeftOut] = []
    seen: dict[str | None, str] = {}
    for measurement in measurements:
        reason = _why_not(measurement, seen, include_reviewed)
        if reason is not None:
            left_out.append(LeftOut(measurement, *reason))
            continue
        person, session = person_and_session(Path(measurement.photo), folder, measurement.taken)
        assert measurement.reed is not None
        assert measurement.state is not None
        counted.append(Counted(measurement, measurement.reed, measurement.state, person, session))
    if any(photo.person is not None for photo in counted):
        why = ("It lies in nobody's folder, as others do.", "Move it into a folder such as person-A.")
        left_out += [LeftOut(photo.measurement, *why) for photo in counted if photo.person is None]
        counted = [photo for photo in counted if photo.person is not None]

    studies, remarks = [], []
    for state in FACES:
        photos = tuple(photo for photo in counted if photo.state == state)
        if len({photo.reed for photo in photos}) < len(photos):
            studies.append(_study_state(state, photos))
        elif photos:
            remarks.append(f"{state.capitalize()}: each reed has one photo only, which says nothing here.")
    return RepeatStudy(tuple(counted), tuple(left_out), tuple(studies), tuple(remarks))


def _why_not(
    measurement: Measurement, seen: dict[str | None, str], include_reviewed: bool
) -> tuple[str, str] | None:
    """Why a photo does not count, and what to do; None if it does. `seen`: files so far, by their content."""
    if measurement.outcome == "refused":
        return measurement.reason or "Refused.", measurement.advice or ""
    if measurement.sha256 is not None and measurement.sha256 in seen:
        twin = Path(seen[measurement.sha256]).name
        return f"It is a copy of {twin}.", "Take a new photo: a copy does not scatter."
    seen[measurement.sha256] = measurement.photo
    reviewed = [FLAGS[code] for code in measurement.flags if FLAGS[code].effect == "review"]
    for flag in reviewed:
        if flag.code in WHICH_REED or not (include_reviewed or flag.code in HARMLESS):
            return flag.sentence, flag.advice
    if measurement.reed is None or measurement.state is None:
        words = "Nothing says which reed this is." if measurement.reed is None else "Its state is not known."
        return words, "Lay the reed's tag beside the card, name the photo like R07_dry.jpg, or use --reed."
    return None


def _study_state(state: Face, photos: tuple[Counted, ...]) -> StateStudy:
    """Study photos of which at least two show the same reed."""
    grouped, notes = _groups(photos)
    odd = ODD_BELOW / len(QUANTITIES)  # one false alarm in so many studies, not in so many quantities
    quantities = {}
    for name in QUANTITIES:
        values = [getattr(photo.measurement.geometry, name) for photo in grouped]
        readings = Readings(
            np.array(values, dtype=np.float64),
            [photo.reed for photo in grouped],
            [photo.person for photo in grouped],
            [photo.session for photo in grouped],
        )
        quantities[name] = QuantityStudy(
            spreads(readings),
            compare_sessions(readings),
            average_and_range(readings),
            _stated_u(photos, name),
            tuple(tuple(photos[place] for place in cell) for cell in odd_cells(readings, odd)),
        )
    told = set(quantities["height_mm"].spreads.components)
    people = {photo.person for photo in grouped}
    sessions = {(photo.person, photo.session) for photo in grouped}
    if len(people) > 1 and "person" not in told:
        notes.append("Each person photographed other reeds, so that people cannot be compared.")
    if len(sessions) > len(people) and not told & {"session", "reed with session"}:
        notes.append("Each session shows other reeds, so that sessions cannot be compared.")
    return StateStudy(state, photos, tuple(notes), quantities)


def _groups(photos: tuple[Counted, ...]) -> tuple[list[Counted], list[str]]:
    """The photos with the sessions and people that can be looked at, and what had to be put together."""
    grouped = list(photos)
    notes = []
    undated = sum(photo.session is None for photo in grouped)
    if undated:
        grouped = [replace(photo, session=None) for photo in grouped]
        notes.append(
            f"{undated} of {len(grouped)} photos carry no date and lie in no session's folder: sessions are"
            " not compared, and differences between them count as scatter of the photos."
        )
    if not _has_repeats(grouped):
        grouped = [replace(photo, session=None) for photo in grouped]
        notes.append(
            "No reed was photographed twice by one person in one session: sessions are not compared, and"
            " differences between them count as scatter of the photos."
        )
    if not _has_repeats(grouped):
        grouped = [replace(photo, person=None) for photo in grouped]
        notes.append(
            "No person photographed a reed twice: people are not compared, and differences between them"
            " count as scatter of the photos."
        )
    return grouped, notes


def _has_repeats(photos: Sequence[Counted]) -> bool:
    return len({(photo.reed, photo.person, photo.session) for photo in photos}) < len(photos)


def _stated_u(photos: Sequence[Counted], name: str) -> float:
    """Root mean square of the stated standard uncertainties, without the printed scale's part."""
    place = QUANTITIES.index(name)
    variances = []
    for photo in photos:
        assert photo.measurement.budget is not None
        parts = photo.measurement.budget.contributions
        variances.append(sum(p.effect[place] ** 2 for p in parts if p.source != PrintedScale.name))
    return float(np.mean(variances) ** 0.5)
