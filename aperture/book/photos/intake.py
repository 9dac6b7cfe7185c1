"""Photos into the book: what is new is measured, kept and filed under its reed and state."""

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import astuple, dataclass, replace
from datetime import datetime
from functools import partial
from hashlib import sha256
from pathlib import Path, PurePath
from typing import Literal

from aperture import __version__
from aperture.batch.measuring import failed, measure_or_fail, refused_at_a_glance
from aperture.batch.pairs import printed_scale_relative
from aperture.batch.workers import run_in_order
from aperture.book.advice.facts import is_old_on
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
from aperture.settings import Settings

What = Literal["filed", "not assigned", "known", "measured again", "not taken in"]

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
    def refused(self) -> bool:
        """Whether there is no number, so that the photo is to be taken again."""
        return self.measurement is not None and self.measurement.outcome == "refused"

    @property
    def needs_attention(self) -> bool:
        """Whether a person must do something about the photo before the book is complete."""
        return self.refused or self.what in ("not assigned", "not taken in")


@dataclass(frozen=True)
class _Taken:
    """A photo measured, its picture kept."""

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
    scale : what was said of the printed card for all of the photos; the rest the book knows of the card in
        use, or the settings. What is measured again keeps the card that it had.

    Raises
    ------
    BookError : the book or a picture cannot be written; what was yielded is safe.
    """
    if lot is not None:
        book.lot(lot)  # a lot that does not exist is said before the work, not after it
    unknown = []
    for path in photos:
        known = _known(book, path)
        if known is None:
            unknown.append(path)
        elif again:
            yield _measured_again(book, known, path, settings, scale)
        else:
            yield _known_arrival(book, known, path)
    settings = scale.over(with_card(book, settings))
    called = {path: Path("/", name) for path, name in (names or {}).items()}
    task = partial(_take, settings=settings, folder=book.pictures, reed=reed, state=state, called=called)
    with report_errors(book.pictures):
        seconds = settings.photo_seconds
        results = run_in_order(task, unknown, settings.workers, _died, seconds, at_once=refused_at_a_glance)
        for path, taken in zip(unknown, results, strict=True):
            yield _enter(book, path, called.get(path, path).name, taken, settings, soaking, lot)


def _known(book: Book, path: Path) -> Photo | None:
    try:
        content = read_bytes(path)
    except PhotoError:  # measuring says why
        return None
    return book.photo(sha256(content).hexdigest())


def _known_arrival(book: Book, photo: Photo, path: Path) -> Arrival:
    filing = book.entry(photo).filing
    reed = book.reed_with_id(filing.reed_id) if filing.reed_id is not None else None
    return Arrival(path, "known", reed=reed, state=filing.state, sha256=photo.sha256)


def _take(
    path: Path,
    settings: Settings,
    folder: Path,
    reed: int | None,
    state: Face | None,
    called: Mapping[Path, Path],
) -> _Taken:
    """Measure a photo and keep its picture. Runs in another process; writes files, but not in the book."""
    photo = None
    with suppress(Exception):  # measuring says why
        photo = read_photo(path)
    measure_it = partial(measure_or_fail, path, settings, reed, state, name=called.get(path), photo=photo)
    if photo is None:
        return _Taken(measure_it())
    if photo.format == "HEIC":
        # To prove that its copy shows the same takes as long as to measure it, and nearly all in libheif.
        with ThreadPoolExecutor(1) as beside:
            copy = beside.submit(copying(folder, photo))
            measurement = measure_it()
    else:
        copy, measurement = None, measure_it()
    if "internal-error" in measurement.flags:
        return _Taken(measurement)
    kept = keep(folder, photo, copy.result() if copy else None)
    tip = keep_tip(folder, photo, measurement.view) if measurement.view else None
    return _Taken(measurement, kept, tip)


def _died(path: Path, detail: str) -> _Taken:
    return _Taken(failed(path, detail))


def _enter(
    book: Book, path: Path, name: str, taken: _Taken, settings: Settings, soaking: Soaking, lot: str | None
) -> Arrival:
    measurement = taken.measurement
    if taken.kept is None:
        return Arrival(path, "not taken in", measurement, why=measurement.reason)
    with book.writing():
        # Another process may have entered it meanwhile, or the folder holds it twice.
        known = book.photo(taken.kept.sha256)
        if known is not None:
            return _known_arrival(book, known, path)
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
    if lot is not None and reed.lot is not None and reed.lot.casefold() != lot.casefold():
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
    arrival = _known_arrival(book, photo, path)
    if mine and mine[-1].version == __version__ and book.settings_of(mine[-1]) == settings:
        return arrival
    taken = _take(path, settings, book.pictures, None, None, {})
    if taken.kept is None:
        why = taken.measurement.reason
        return replace(arrival, what="not taken in", measurement=taken.measurement, why=why)
    _add_reading(book, photo, taken, settings)
    return replace(arrival, what="measured again", measurement=taken.measurement)


def _add_reading(book: Book, photo: Photo, taken: _Taken, settings: Settings) -> None:
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
