"""Photos into the book: what is new is measured, kept and filed under its reed and state."""

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import astuple, dataclass, replace
from datetime import datetime
from functools import partial
from hashlib import sha256
from pathlib import Path, PurePath
from typing import Any, Literal, get_args

from aperture import __version__
from aperture.batch.measuring import failed, measure_or_fail, refused_at_a_glance
from aperture.batch.pairs import printed_scale_relative
from aperture.batch.workers import run_in_order
from aperture.book.advice.comparing import is_old_on
from aperture.book.photos.card_in_use import with_card
from aperture.book.photos.pictures import Kept, Tip, copying, keep, keep_tip
from aperture.book.store.book_file import report_errors
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Photo, Reed, Soaking
from aperture.card.geometry import CARD, Face
from aperture.errors import PhotoError
from aperture.flags import FLAGS
from aperture.measure import Measurement
from aperture.photo import read_bytes, read_photo
from aperture.scale import NOT_SAID, Scale
from aperture.settings import Settings, settings_text

What = Literal["filed", "not assigned", "known", "measured again", "not taken in"]
# What that means to whoever brought the photo, in plain words and in the order in which it is counted.
Outcome = Literal["taken in", "measured again", "to review", "take again", "refused", "already there"]
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)

# Outlines keep a millionth of a metre's thousandth; the uncertainty of a point is a hundred times that.
OUTLINE_DECIMALS = 5


@dataclass(frozen=True)
class Arrival:
    """What became of one photo.

    `what` is "filed" under a reed and a state; "not assigned", in the book, but for `why` without reed or
    state; "known", the book had it; "measured again"; or "not taken in", for `why` it is no picture that can
    be read. `new_reed`: the reed was entered along with it. `sha256` is of the photo, if the book has it.
    """

    path: Path
    what: What
    measurement: Measurement | None = None
    reed: Reed | None = None
    state: Face | None = None
    why: str | None = None
    new_reed: bool = False
    sha256: str | None = None

    @property
    def outcome(self) -> Outcome:
        """What that means to whoever brought the photo."""
        record = self.measurement.record() if self.measurement is not None else None
        return outcome_of(self.what, record, self.reed is not None and self.state is not None)

    @property
    def refused(self) -> bool:
        """Whether there is no number, so that the photo is to be taken again."""
        return self.measurement is not None and self.measurement.outcome == "refused"

    @property
    def needs_attention(self) -> bool:
        """Whether a person must do something about the photo before the book is complete."""
        return self.refused or self.what in ("not assigned", "not taken in")


def outcome_of(what: str, record: Mapping[str, Any] | None, assigned: bool) -> Outcome:
    """What became of a photo, to whoever brought it.

    A photo that gave no number is to be taken again, whatever else is not known of it. What waits for a look
    is "to review"; so does what is round or shut, because that decides about the reed.

    Parameters
    ----------
    what : as in `Arrival`; anything else is a photo that did not come into the book.
    record : its reading, with the keys of the JSON output; None where there is none.
    assigned : whether its reed and its state are known.
    """
    if what == "known":
        return "already there"
    if what not in ("filed", "not assigned", "measured again") or record is None:
        return "refused"
    if record["outcome"] == "refused":
        return "take again"
    if not assigned or record["review"] or record["shape"] != "elliptical":
        return "to review"
    return "measured again" if what == "measured again" else "taken in"


@dataclass(frozen=True)
class Taken:
    """A photo measured, its picture kept; where `kept` is None, it does not come into the book."""

    measurement: Measurement
    kept: Kept | None = None
    tip: Tip | None = None


def take_in(
    book: Book,
    photos: Sequence[Path],
    settings: Settings,
    soaking: Soaking = Soaking(),  # noqa: B008 (it is frozen)
    lot: str | None = None,
    again: bool = False,
    reed: int | None = None,
    state: Face | None = None,
    names: Mapping[Path, PurePath] | None = None,
    seconds_of: int | None = None,
    only_with_card: bool = False,
    scale: Scale = NOT_SAID,
) -> Iterator[Arrival]:
    """Take photos into the book; yields what became of each as soon as it is on the disk.

    A photo is known by its content. All of it comes into the book in one transaction, after its picture was
    kept; so a run that is stopped anywhere has lost nothing and, when it is run again, doubles nothing.

    Parameters
    ----------
    photos : the files, in the order in which they are to be entered.
    soaking : what was said of the soaked ones; for the rest the habit in the settings is taken.
    lot : code of the lot to which reeds belong that are new.
    again : photos that the book has are measured once more, if the program or the settings have changed.
    reed, state : what the user said about all of the photos.
    names : what photos were called where they came from, with the folders around them if those are known: a
        relative path. For those that are not called so themselves.
    seconds_of : the number of the only reed that was soaked for the seconds in `soaking`; None for all.
    only_with_card : a photo in which no card is seen is not kept: in a folder that nobody looked through, it
        is somebody's own.
    scale : what was said of the printed card for all of the photos; the rest the book knows of the card in
        use, or the settings. What is measured again keeps the card that it had.

    Raises
    ------
    BookError : the book or a picture cannot be written; what was yielded is safe.
    """
    if lot is not None:
        lot = book.lot(lot).code  # a lot that does not exist is said before the work, not after it
    unknown = []
    for path in photos:
        known = known_photo(book, path)
        if known is None:
            unknown.append(path)
        elif again:
            yield _measured_again(book, known, path, settings, scale)
        else:
            yield known_arrival(book, known, path)
    settings = scale.over(with_card(book, settings))
    called = {path: Path("/", name) for path, name in (names or {}).items()}
    task = partial(
        measure_and_keep,
        settings=settings,
        folder=book.pictures,
        reed=reed,
        state=state,
        called=called,
        only_with_card=only_with_card,
    )
    with report_errors(book.pictures):
        seconds = settings.photo_seconds
        results = run_in_order(task, unknown, settings.workers, _died, seconds, at_once=refused_at_a_glance)
        for path, taken in zip(unknown, results, strict=True):
            yield enter(book, path, called.get(path, path).name, taken, settings, soaking, lot, seconds_of)


def known_photo(book: Book, path: Path) -> Photo | None:
    """The photo that a file is a copy of; None if the book does not have it, or it cannot be read."""
    try:
        content = read_bytes(path)
    except PhotoError:  # measuring says why
        return None
    return book.photo(sha256(content).hexdigest())


def known_arrival(book: Book, photo: Photo, path: Path) -> Arrival:
    """What became of a photo that the book had."""
    filing = book.entry(photo).filing
    reed = book.reed_with_id(filing.reed_id) if filing.reed_id is not None else None
    return Arrival(path, "known", reed=reed, state=filing.state, sha256=photo.sha256)


def measure_and_keep(
    path: Path,
    settings: Settings,
    folder: Path,
    reed: int | None,
    state: Face | None,
    called: Mapping[Path, Path],
    only_with_card: bool = False,
) -> Taken:
    """Measure a photo and keep its picture. Runs in another process; writes files, but not in the book."""
    photo = None
    with suppress(Exception):  # measuring says why
        photo = read_photo(path)
    measure_it = partial(measure_or_fail, path, settings, reed, state, name=called.get(path), photo=photo)
    if photo is None:
        return Taken(measure_it())
    if photo.format == "HEIC":
        # To prove that its copy shows the same takes as long as to measure it, and nearly all in libheif.
        with ThreadPoolExecutor(1) as beside:
            copy = beside.submit(copying(folder, photo))
            measurement = measure_it()
    else:
        copy, measurement = None, measure_it()
    if "internal-error" in measurement.flags or (only_with_card and "no-card" in measurement.flags):
        return Taken(measurement)
    kept = keep(folder, photo, copy.result() if copy else None)
    tip = keep_tip(folder, photo, measurement.view) if measurement.view else None
    return Taken(measurement, kept, tip)


def _died(path: Path, detail: str) -> Taken:
    return Taken(failed(path, detail))


def enter(
    book: Book,
    path: Path,
    name: str,
    taken: Taken,
    settings: Settings,
    soaking: Soaking,
    lot: str | None,
    seconds_of: int | None,
) -> Arrival:
    """Enter a measured photo, all of it in one transaction; what became of it.

    Parameters are those of `take_in`; `name` is what the photo's file was called.
    """
    measurement = taken.measurement
    if taken.kept is None:
        return Arrival(path, "not taken in", measurement, why=measurement.reason)
    with book.writing():
        # Another process may have entered it meanwhile, or the folder holds it twice.
        known = book.photo(taken.kept.sha256)
        if known is not None:
            return known_arrival(book, known, path)
        photo = book.add_photo(
            sha=taken.kept.sha256,
            # A name that is no text is kept with codes in place of its bytes.
            name=name.encode("utf-8", "backslashreplace").decode(),
            taken=_on_the_wall(measurement.taken),
            received_at=_received_at(book, measurement),
            kept=taken.kept.name,
            kept_sha256=taken.kept.kept_sha256,
        )
        reed, new_reed, why = _reed_for(book, measurement, photo, lot)
        state = None if "state-contradiction" in measurement.flags else measurement.state
        if reed is not None and state is None:
            why = _why_no_state(measurement)
        if seconds_of is not None and (reed is None or reed.number != seconds_of):
            soaking = replace(soaking, seconds=None)
        soaking = soaked_as(soaking, settings, book, reed, photo) if state == "soaked" else Soaking()
        book.add_filing(photo, Filing(reed.id if reed else None, state, soaking, why, None))
        _add_reading(book, photo, taken, settings)
    what: What = "not assigned" if why else "filed"
    return Arrival(path, what, measurement, reed, state, why, new_reed, photo.sha256)


def _reed_for(
    book: Book, measurement: Measurement, photo: Photo, lot: str | None
) -> tuple[Reed | None, bool, str | None]:
    """The reed that a photo shows, whether it is new in the book, and why there is none."""
    for code in ("reed-contradiction", "two-reed-tags"):
        if code in measurement.flags:
            return None, False, FLAGS[code].sentence
    number = measurement.reed
    if number is None:
        return None, False, "Neither a tag nor a name says which reed it is."
    if not 1 <= number <= CARD.reed_tags.count:
        return None, False, f"Reed numbers run from 1 to {CARD.reed_tags.count}."
    reed = book.reed_at(number, photo.when)
    if reed is None:
        return book.add_reed(number, lot), True, None
    if lot is not None and reed.lot is not None and reed.lot != lot:
        return None, False, f"Number {number} belongs to a reed of lot {reed.lot}, not {lot}."
    return reed, False, None


def _why_no_state(measurement: Measurement) -> str:
    if "state-contradiction" in measurement.flags:
        return FLAGS["state-contradiction"].sentence
    return "Neither the card nor a name says whether the reed was dry or soaked."


def soaked_as(said: Soaking, settings: Settings, book: Book, reed: Reed | None, photo: Photo) -> Soaking:
    """How a reed was soaked for a photo: what was said, and the habit for the rest."""
    habit = settings.soaking
    # Whether it had been played in when the photo was taken.
    is_old = reed is not None and is_old_on(book.history(reed), photo.when.date())
    age = said.age or ("old" if is_old else "new")
    seconds = habit.old_seconds if age == "old" else habit.new_seconds
    return Soaking(
        said.seconds if said.seconds is not None else seconds,
        said.water or habit.water,
        said.wetted or habit.wetted,
        age,
    )


def _measured_again(book: Book, photo: Photo, path: Path, settings: Settings, scale: Scale) -> Arrival:
    """A new row beside the old ones, unless program and settings are the same as last time."""
    entry = book.entry(photo)
    mine = [reading for reading in entry.readings if reading.origin == "program"]
    settings = scale.over(with_card(book, settings, mine[-1].scale.card if mine else ""))
    arrival = known_arrival(book, photo, path)
    if (
        mine
        and mine[-1].version == __version__
        and settings_text(book.settings_of(mine[-1])) == settings_text(settings)
    ):
        return arrival
    taken = measure_and_keep(path, settings, book.pictures, None, None, {})
    if taken.kept is None:
        why = taken.measurement.reason
        return replace(arrival, what="not taken in", measurement=taken.measurement, why=why)
    _add_reading(book, photo, taken, settings)
    return replace(arrival, what="measured again", measurement=taken.measurement)


def _add_reading(book: Book, photo: Photo, taken: Taken, settings: Settings) -> None:
    measurement = taken.measurement
    # The path to a photo can hold a name; the file's own is enough to find it.
    record = {**measurement.record(), "photo": photo.name}
    measured = measurement.outcome == "measured"
    outline = measurement.outline
    book.add_reading(
        photo,
        record,
        settings,
        printed_scale_relative(measurement) if measured else 0.0,
        outline.points_mm.round(OUTLINE_DECIMALS).tolist() if outline is not None else None,
        tip=taken.tip.name if taken.tip else None,
        tip_window=astuple(taken.tip.window) if taken.tip else None,
    )


def _received_at(book: Book, measurement: Measurement) -> datetime:
    """When a photo came; of one without a time of its own, after all that is known of its reed."""
    reeds = book.reeds_with_number(measurement.reed) if measurement.reed is not None else []
    return book.now(reeds[-1]) if reeds and measurement.taken is None else datetime.now()


def _on_the_wall(moment: datetime | None) -> datetime | None:
    """The clock on the wall where the photo was taken: not every camera writes its time zone."""
    return moment.replace(tzinfo=None) if moment is not None else None
