"""What the reed book keeps, as plain values: lots, reeds, photos, readings, checks, squeezes, decisions.

Times of things that happened (`taken`, `done_at`) are local times without a zone, as cameras write them, so
that they can be compared with each other. `recorded_at` says when a row was written, with its zone.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cached_property
from typing import Literal, get_args

from aperture.book.store.lazy import LazyRecord
from aperture.card.geometry import FACES, Face
from aperture.codes import composed
from aperture.errors import BookError
from aperture.scale import NOT_SAID, Scale

Water = Literal["cold", "room", "warm"]
Wetted = Literal["water", "mouth"]
Age = Literal["new", "old"]
Origin = Literal["program", "person"]
Response = Literal["good", "slow", "none"]
# What a person decides about a reed. With the last two the reed has left the box.
Action = Literal["keep", "squeeze", "send back", "replace", "sent back", "thrown away"]

WATERS: tuple[Water, ...] = get_args(Water)
WETTED: tuple[Wetted, ...] = get_args(Wetted)
AGES: tuple[Age, ...] = get_args(Age)
RESPONSES: tuple[Response, ...] = get_args(Response)
ACTIONS: tuple[Action, ...] = get_args(Action)
GONE: tuple[Action, ...] = ("sent back", "thrown away")

# The yes-or-no questions of the check by hand, in the order in which they are asked.
FAULTS = {
    "leak": "Air hisses at the sides with the tube's end closed",
    "wire": "There is a wire",
    "film_wrap": "Film is wrapped round the reed",
    "chip": "The tip is chipped",
    "crack": "The cane is cracked",
    "air_noise": "Air is heard before the tone",
}

_SHORT_CODE = re.compile(r"[^\W_]([\w.-]{0,22}[^\W_])?")


def short_code(text: str, what: str) -> str:
    """A code of at most 24 letters, digits, dots, dashes: for sources, lots, players and those who confirm.

    A code may not have spaces in it: that keeps names of people out of the book. It is given back composed,
    for not every keyboard types an accent as a part of its letter.

    Raises
    ------
    BookError : it is something else.
    """
    code = composed(text)
    if not _SHORT_CODE.fullmatch(code):
        raise BookError(
            "book-entry-wrong",
            f"{what} must be a short code of letters, digits, dots or dashes, not a name: {text!r}",
        )
    return code


def one_of(value: str | None, known: Sequence[str], what: str) -> None:
    """Raise BookError if a value is neither None nor one of those that are known."""
    if value is not None and value not in known:
        raise BookError("book-entry-wrong", f"{what}: {value!r} is none of {', '.join(known)}")


@dataclass(frozen=True)
class Lot:
    """Reeds that were ordered together. `code` and `source` are short codes that the user chose."""

    id: int
    code: str
    source: str
    ordered_on: date | None
    return_by: date | None
    price_per_reed: float | None
    strength: str | None


@dataclass(frozen=True)
class Reed:
    """One reed. A number can be given again when the reed that had it is gone; `id` stays its own."""

    id: int
    number: int
    lot: str | None
    slot: str | None
    player: str | None


@dataclass(frozen=True)
class Soaking:
    """How a reed was wetted before a photo; None is not known. `age` is the reed's, when it was soaked."""

    seconds: float | None = None
    water: Water | None = None
    wetted: Wetted | None = None
    age: Age | None = None


@dataclass(frozen=True)
class Photo:
    """A photo that the book has.

    `sha256` is of the file as it came. `kept` is the name, in the picture folder, of the copy without private
    data, and `kept_sha256` is of that copy.
    """

    id: int
    sha256: str
    name: str
    taken: datetime | None
    received_at: datetime
    kept: str | None
    kept_sha256: str | None

    @property
    def when(self) -> datetime:
        """When it was taken; where the camera did not write that, when it came into the book."""
        return self.taken or self.received_at


@dataclass(frozen=True)
class Filing:
    """To which reed and state a photo belongs, and how the reed was soaked. The latest one counts.

    `first` is the reed's id and the state as the photo was filed when it came; None of a filing that was not
    read from the book with its outlines.
    """

    reed_id: int | None
    state: Face | None
    soaking: Soaking
    reason: str | None
    by: str | None
    first: tuple[int | None, Face | None] | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Reading:
    """One measurement of a photo, by the program or by a person who corrected the outline.

    `record` has the keys of the JSON output; `u` there is expanded by `coverage_factor`.
    `printed_scale_relative` is the part of the relative uncertainty that all photos of the same card share.
    `outline_mm` are points (n, 2) in card mm. `tip` is the name, in the picture folder, of the notch laid
    flat, and `tip_window` what that shows: (x_min, y_min, x_max, y_max) in card mm, and pixels per mm. They
    are None where the card was not found. `scale` is what was said of the printed card.
    """

    id: int
    photo_id: int
    origin: Origin
    version: str
    coverage_factor: float
    printed_scale_relative: float
    record: LazyRecord
    outline_mm: Sequence[Sequence[float]] | None
    tip: str | None
    tip_window: Sequence[float] | None
    by: str | None
    scale: Scale = NOT_SAID

    @property
    def measured(self) -> bool:
        """Whether there are numbers."""
        return bool(self.record["outcome"] == "measured")

    @property
    def retake_asked(self) -> bool:
        """Whether a person asked for another photo in place of this one."""
        return self.origin == "person" and not self.measured

    @property
    def seen(self) -> str | None:
        """The class with the remark: "shut", "elliptical", "wide" or "round"; None for a refused photo."""
        shape: str | None = self.record["shape"]
        return "wide" if shape == "elliptical" and "wide" in self.record["flags"] else shape


@dataclass(frozen=True)
class Entry:
    """A photo with its filing and the readings of it, the oldest first; the last one counts."""

    photo: Photo
    filing: Filing
    readings: tuple[Reading, ...]

    @property
    def reading(self) -> Reading:
        """The one that counts; BookError if a damaged book has lost them all."""
        if not self.readings:
            raise BookError("book-damaged", f"no reading of photo {self.photo.name} is left")
        return self.readings[-1]


@dataclass(frozen=True)
class Check:
    """A check by hand. None: not looked at. `pitch_cents`: sharp of the tuner is positive."""

    id: int
    done_at: datetime
    leak: bool | None
    wire: bool | None
    film_wrap: bool | None
    chip: bool | None
    crack: bool | None
    air_noise: bool | None
    response: Response | None
    pitch_cents: float | None
    note: str | None
    by: str | None


@dataclass(frozen=True)
class GaugeCheck:
    """A check with a gauge of paper: measured and expected height, each with U = 2u, and E_n of the two.

    `done_at` is when its photo was taken, or else when it was entered. `told` is what the program was told
    then: the length of the printed bar, and how far the front stood before the card's face, mm.
    """

    id: int
    done_at: datetime
    photo: str
    sheets: int
    ream_mm: float
    gap_mm: float
    u_gap_mm: float
    expected_mm: float
    u_expected_mm: float
    en: float
    agrees: bool
    told: tuple[float, float]


@dataclass(frozen=True)
class PrintedCard:
    """What somebody measured of the printed card in use: the name they gave it, and since when that counts.

    Cards cannot be told apart in a photo: the latest answer is about the one in use.
    """

    id: int
    said_at: datetime
    scale: Scale

    @property
    def name(self) -> str:
        """A short code that the user chose."""
        return self.scale.card


@dataclass(frozen=True)
class Squeeze:
    """A squeeze of a soaked reed, and the photos before and after it if they were named."""

    id: int
    done_at: datetime
    before_photo_id: int | None
    after_photo_id: int | None
    by: str | None


@dataclass(frozen=True)
class Decision:
    """What a person decided. `advised` and `rule` are what the rules said then.

    `override_reason` is there if and only if the person decided otherwise.
    """

    id: int
    decided_at: datetime
    action: Action
    reason: str
    by: str
    advised: str | None
    rule: str | None
    override_reason: str | None


@dataclass(frozen=True)
class Fate:
    """What was decided about one reed, in the order in which it was."""

    reed: Reed
    lot: Lot | None
    decisions: tuple[Decision, ...]

    @property
    def decision(self) -> Decision | None:
        """The one that counts."""
        return self.decisions[-1] if self.decisions else None


@dataclass(frozen=True)
class History:
    """Everything about one reed, each list in the order in which things happened."""

    reed: Reed
    lot: Lot | None
    entries: tuple[Entry, ...]
    checks: tuple[Check, ...] = ()
    squeezes: tuple[Squeeze, ...] = ()
    decisions: tuple[Decision, ...] = ()

    @property
    def decision(self) -> Decision | None:
        """The one that counts."""
        return self.decisions[-1] if self.decisions else None

    @property
    def gone(self) -> bool:
        """Whether the reed has left the box."""
        return self.decision is not None and self.decision.action in GONE

    @property
    def last_moment(self) -> datetime:
        """When the last thing that is known of it happened; the beginning of time if nothing is known."""
        moments = [entry.photo.when for entry in self.entries]
        moments += [check.done_at for check in self.checks]
        moments += [squeeze.done_at for squeeze in self.squeezes]
        moments += [decision.decided_at for decision in self.decisions]
        return max(moments, default=datetime.min)

    def photos(self, state: Face) -> tuple[Entry, ...]:
        """The photos in one state, by the time they were taken."""
        return self._by_state[state][0]

    def measured(self, state: Face) -> tuple[Entry, ...]:
        """The photos in one state of which there are numbers, by the time they were taken."""
        return self._by_state[state][1]

    @cached_property
    def _by_state(self) -> dict[Face, tuple[tuple[Entry, ...], tuple[Entry, ...]]]:
        """The photos in each state, and those of them that were measured: asked for again and again."""
        found: dict[Face, tuple[tuple[Entry, ...], tuple[Entry, ...]]] = {}
        for state in FACES:
            photos = tuple(entry for entry in self.entries if entry.filing.state == state)
            found[state] = photos, tuple(entry for entry in photos if entry.reading.measured)
        return found

    def latest(self, state: Face) -> Entry | None:
        """The latest photo in one state: a measured one, if there is any."""
        chosen = self.measured(state) or self.photos(state)
        return chosen[-1] if chosen else None

    def around(self, squeeze: Squeeze) -> tuple[Entry | None, Entry | None]:
        """The measured soaked photos before and after a squeeze.

        Where they were not named: the last one taken before it, and the first one after it that was taken
        before the next squeeze.
        """
        soaked = self.measured("soaked")
        named = {entry.photo.id: entry for entry in self.entries}
        later = [other.done_at for other in self.squeezes if other.done_at > squeeze.done_at]
        end = min(later, default=datetime.max)
        before = [entry for entry in soaked if entry.photo.when <= squeeze.done_at]
        after = [entry for entry in soaked if squeeze.done_at < entry.photo.when <= end]
        return (
            named.get(squeeze.before_photo_id or 0) or (before[-1] if before else None),
            named.get(squeeze.after_photo_id or 0) or (after[0] if after else None),
        )
