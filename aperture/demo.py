"""The demo: a term with a box of eight reeds, from the photos to the return sheet."""

import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import aperture
from aperture.batch.pairs import Pair
from aperture.batch.photo_files import photos_in
from aperture.book.advice.comparing import squeeze_change
from aperture.book.advice.decide import decide
from aperture.book.advice.soak_habit import soak_times
from aperture.book.advice.soak_trend import soak_trend
from aperture.book.photos.intake import Arrival, take_in
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from aperture.book.store.picture_folder import former_folders, is_shared
from aperture.book.store.records import FAULTS, Action, History, Soaking
from aperture.errors import BookError, PhotoError
from aperture.identity import read_file_name
from aperture.measure import Measurement
from aperture.present.report import change_words, class_words, printable
from aperture.settings import Settings

ABOUT = (
    "The demo's pictures are rendered from meshes, not photographed, and the reeds and their story are"
    " invented. Each reed of a box is seen dry and after half a minute in water; some again later."
)
LATER = "later"
# The file by which the demo knows a folder that it made itself.
MARK = "aperture-demo.txt"
_MARKED = (
    "`aperture demo` made this folder. When it is run again, it deletes the reed book and the pictures in"
    " here: keep no book of your own in it.\n"
)
_PLAYED = "The demo was played to its end: the book is whole.\n"
# The picture that shows most of what the program does: dry beside soaked, wide, then round.
PICTURE = "reed-07_dry-soaked.jpg"
# The last day of the story.
TODAY = date(2026, 11, 24)
_CHECKED, _SENT = datetime(2026, 10, 6, 10, 0), datetime(2026, 10, 8, 9, 0)
_TEACHER = "T1"
_NO_FAULT = dict.fromkeys(FAULTS, False)


@dataclass(frozen=True)
class _Lot:
    code: str
    source: str
    ordered_on: date
    return_by: date
    price_per_reed: float
    strength: str
    reeds: range


_LOTS = (
    _Lot("26a", "north", date(2026, 9, 14), date(2026, 10, 19), 21.0, "medium", range(1, 5)),
    _Lot("26b", "south", date(2026, 9, 21), date(2026, 10, 26), 17.5, "medium soft", range(5, 9)),
)
# Reed, what hands and ears found: faults, response, cents.
_CHECKS: tuple[tuple[int, dict[str, bool], str, float], ...] = (
    (1, _NO_FAULT, "good", -4.0),
    (2, _NO_FAULT, "good", 2.0),
    (3, _NO_FAULT, "good", -8.0),
    (7, _NO_FAULT, "good", -12.0),
    (8, _NO_FAULT, "good", -15.0),
)
# As the rules advise. Reeds 1 and 8 are left to whoever looks at the demo: a photo of each needs eyes, one of
# a shut tip, one close to a limit.
_DECISIONS: tuple[tuple[int, Action], ...] = (
    (2, "keep"),
    (3, "keep"),
    (4, "send back"),
    (5, "send back"),
    (6, "send back"),
    (7, "keep"),
)
_PLAYERS = {2: "P1", 3: "P2", 7: "P4"}
_SQUEEZES = {4: datetime(2026, 10, 5, 15, 1), 7: datetime(2026, 10, 5, 15, 4, 30)}
# How long reed 2 was soaked in the weeks that followed, by the end of the photo's name.
_AGEING = {"week-4": 60.0, "week-6": 100.0, "week-8": 150.0}


def demo_photos() -> list[Path]:
    """The photos of the demo's first day: inside an installed package, or beside it in a checkout.

    Raises
    ------
    PhotoError : "file-missing" where they are in neither place.
    """
    return [photo for photo in _all_photos() if photo.parent.name != LATER]


def later_photos() -> list[Path]:
    """The photos that were taken later: of squeezed reeds, and of one that ages."""
    return [photo for photo in _all_photos() if photo.parent.name == LATER]


def begin_again(path: Path) -> None:
    """Make the demo's folder, and remove the book that an earlier demo left at this path, with its pictures.

    Raises
    ------
    BookError : "file-exists", the folder holds something and is not marked as the demo's; it stays.
    """
    mark = path.with_name(MARK)
    folder = path.parent
    if folder.exists() and not mark.is_file() and (not folder.is_dir() or any(folder.iterdir())):
        raise BookError(
            "file-exists",
            f"The demo writes only into a folder that is new, empty, or its own; {folder} is none of these."
            " Say another one with --out",
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    mark.write_text(_MARKED, encoding="utf-8")
    for end in ("", "-wal", "-shm", ".lock"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    former = [folder for folder in former_folders(path) if not is_shared(folder, path)]
    for pictures in (pictures_folder(path), *former):
        shutil.rmtree(pictures, ignore_errors=True)


def end(path: Path) -> None:
    """Note in the demo's folder that its book is whole."""
    path.with_name(MARK).write_text(_MARKED + _PLAYED, encoding="utf-8")


def is_whole(path: Path) -> bool:
    """Whether a demo that was played to its end has left its book at this path."""
    mark = path.with_name(MARK)
    return path.is_file() and mark.is_file() and _PLAYED in mark.read_text("utf-8", errors="replace")


def first_day(book: Book, settings: Settings) -> Iterator[Arrival]:
    """Two lots arrive; all their reeds are photographed dry, soaked, and photographed again."""
    photos = demo_photos()
    for lot in _LOTS:
        book.add_lot(lot.code, lot.source, lot.ordered_on, lot.return_by, lot.price_per_reed, lot.strength)
        mine = [photo for photo in photos if read_file_name(photo.stem).reed in lot.reeds]
        yield from take_in(book, mine, settings, Soaking(seconds=30.0), lot.code)


def rest_of_the_term(book: Book, settings: Settings) -> Iterator[Arrival]:
    """Two round reeds are squeezed; hands check; a person decides; some go back; one reed ages."""
    squeezed = [photo for photo in later_photos() if photo.stem.endswith("squeezed")]
    for number, at in _SQUEEZES.items():
        book.add_squeeze(book.reed(number), at, by=_TEACHER)
    yield from take_in(book, squeezed, settings, Soaking(seconds=30.0))
    for number, faults, response, cents in _CHECKS:
        book.add_check(book.reed(number), _CHECKED, faults, response, cents, by=_TEACHER)
    # That one is not played: a leak is heard without.
    book.add_check(book.reed(6), _CHECKED, {**_NO_FAULT, "leak": True}, by=_TEACHER)
    for number, action in _DECISIONS:
        decide(book, book.reed(number), action, _TEACHER, None, _CHECKED, settings)
    for number, action in _DECISIONS:
        if action == "send back":
            decide(book, book.reed(number), "sent back", _TEACHER, None, _SENT, settings)
    for number, player in _PLAYERS.items():
        reed = book.reed(number)
        book.change_reed(reed, reed.lot, f"case-{number}", player)
    for photo in later_photos():
        seconds = _AGEING.get(photo.stem.rpartition("_")[2])
        if seconds is not None:
            yield from take_in(book, [photo], settings, Soaking(seconds=seconds, age="old"))


def term_story(histories: Sequence[History]) -> list[str]:
    """What happened after the first day, a sentence each."""
    sentences = []
    for history in histories:
        number = history.reed.number
        for squeeze in history.squeezes:
            changed = squeeze_change(history, squeeze)
            _, after = history.around(squeeze)
            if changed is not None and after is not None:
                ratio = change_words(changed.ellipse_ratio)
                sentences.append(
                    f"Reed {number} was squeezed while soaked and is {after.reading.seen} (ratio {ratio})."
                )
        for check in history.checks:
            if check.leak:
                sentences.append(f"Reed {number} leaks.")
        trend = soak_trend(soak_times(history))
        if trend.worn:
            sentences.append(f"Reed {number}: {trend.words}")
        if history.gone and history.decision is not None:
            sentences.append(f"Reed {number} was {history.decision.action}: {history.decision.reason}")
    return sentences


def story(measurements: Sequence[Measurement], pairs: Sequence[Pair]) -> list[str]:
    """What happened to each reed, a sentence each, and which photos had to be taken again."""
    sentences = []
    for pair in pairs:
        before, after = (class_words(m.verdict) if m.verdict else "?" for m in (pair.dry, pair.soaked))
        then = f"still {after}" if before == after else after
        height = change_words(pair.change.height_mm, "mm")
        ratio = change_words(pair.change.ellipse_ratio)
        sentence = f"Reed {pair.reed} was {before} when dry and is {then} when soaked"
        sentences.append(f"{sentence} (height {height}; ratio {ratio}){_doubt(pair)}.")
    for measurement in measurements:
        if measurement.outcome == "refused":
            name = printable(Path(measurement.photo).name)
            sentences.append(f"{name} was refused: {measurement.reason} {measurement.advice}")
    return sentences


def _doubt(pair: Pair) -> str:
    """Which of the two photos a person should look at."""
    photos = [f"the {m.state} photo" for m in (pair.dry, pair.soaked) if m.review]
    return f"; a person should look at {' and '.join(photos)}" if photos else ""


def _all_photos() -> list[Path]:
    package = Path(aperture.__file__).resolve().parent
    places = (package / "demo_images", package.parent / "demo_images")
    for place in places:
        photos = photos_in([place]) if place.is_dir() else []
        if photos:
            return photos
    looked = " or ".join(map(str, places))
    raise PhotoError("file-missing", f"the demo's photos are not in {looked}")
