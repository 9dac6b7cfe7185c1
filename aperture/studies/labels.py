"""Which photo somebody labelled shut, elliptical or round: by the folder it lies in, or in a CSV file."""

import difflib
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from aperture.batch.photo_files import photos_in
from aperture.errors import PhotoError
from aperture.photo import read_bytes
from aperture.studies.table import TableError, read_table
from aperture.verdict import ShapeClass

LABELS: tuple[ShapeClass, ...] = get_args(ShapeClass)


class LabelError(Exception):
    """Labels that cannot be used; the message says which, and what to do."""


@dataclass(frozen=True)
class LabelledPhotos:
    """Photos and their labels, in the order found.

    `repeated` are further copies of a photo that is there already; `unlabelled_rows` counts the rows of CSV
    files that name a photo and leave its label empty. Neither is used.
    """

    labels: dict[Path, ShapeClass]
    repeated: tuple[Path, ...] = ()
    unlabelled_rows: int = 0


def labelled_photos(paths: Sequence[Path]) -> LabelledPhotos:
    """Find photos and their labels.

    Parameters
    ----------
    paths : folders, in which the photos of each class lie in a folder called shut, elliptical or round (or
        which are called so themselves); photos that lie in such a folder; and CSV files with the columns
        photo and label.

    Raises
    ------
    LabelError : a path does not exist, holds no photo, or is no table; a photo has no label or two; a label
        is unknown.
    """
    found: list[tuple[Path, ShapeClass]] = []
    unlabelled = 0
    for path in paths:
        if not path.exists():
            raise LabelError(f"there is no {path}")
        if path.suffix.lower() == ".csv":
            try:
                rows, empty = _rows(path)
            except TableError as error:
                raise LabelError(str(error)) from error
            except OSError as error:  # the name of a photo that no disk allows
                raise LabelError(f"{path} is no table: {error.strerror or error}") from error
            found += rows
            unlabelled += empty
        else:
            found += _in_folders(path)
    if not found:
        raise LabelError("there is no labelled photo in " + ", ".join(map(str, paths)))
    labels, repeated = _once_each(found)
    return LabelledPhotos(labels, repeated, unlabelled)


def _in_folders(path: Path) -> list[tuple[Path, ShapeClass]]:
    # The folder that is named counts, those above it do not: a user may live in one called "round".
    top = path.resolve() if path.is_dir() else path.resolve().parent
    found: list[tuple[Path, ShapeClass]] = []
    lost: list[Path] = []
    for photo in photos_in([path]):
        inside = photo.parent.relative_to(path).parts if path.is_dir() else ()
        names = [name.strip().casefold() for name in (top.name, *inside)]
        labels = {label for label in LABELS if label in names}
        if len(labels) > 1:
            raise LabelError(f"{photo} lies in folders of two labels: {' and '.join(sorted(labels))}")
        if labels:
            found.append((photo, labels.pop()))
        else:
            lost.append(photo)
    if lost:
        folder = lost[0].resolve().parent.name
        raise LabelError(
            f"{_some(lost)} {'lies' if len(lost) == 1 else 'lie'} in no folder called {_or(LABELS)}"
            + _meant(folder)
        )
    return found


def _rows(path: Path) -> tuple[list[tuple[Path, ShapeClass]], int]:
    """The labelled photos of a table, and how many rows have no label."""
    table = read_table(path)
    if not {"photo", "label"} <= set(table.headings):
        raise LabelError(f"{path} needs the columns photo and label in its first line")
    found: list[tuple[Path, ShapeClass]] = []
    unlabelled = 0
    for row in table.rows:
        name, given = row.cells.get("photo", ""), row.cells.get("label", "")
        where = f"{path}, line {row.line}"
        if not given:
            unlabelled += bool(name)
            continue
        label = next((label for label in LABELS if label == given.casefold()), None)
        if label is None:
            raise LabelError(f"{where}: “{given}” is no label; use {_or(LABELS)}{_meant(given)}")
        # A path in the table starts where the table lies, or where the command runs (as measure writes it).
        places = [path.parent / name, Path(name)]
        photo = next((place for place in places if name and place.is_file()), None)
        if photo is None:
            raise LabelError(f"{where}: there is no photo {name or 'named'}")
        found.append((photo, label))
    return found, unlabelled


def _once_each(found: Iterable[tuple[Path, ShapeClass]]) -> tuple[dict[Path, ShapeClass], tuple[Path, ...]]:
    """Each photo once: by its content, whatever its name; and the copies."""
    labels: dict[Path, ShapeClass] = {}
    first: dict[str, Path] = {}
    repeated: list[Path] = []
    for photo, label in found:
        try:
            content = hashlib.sha256(read_bytes(photo, any_kind=True)).hexdigest()
        except PhotoError:  # measuring it will say what is wrong with it
            content = str(photo)
        same = first.setdefault(content, photo)
        if labels.get(same, label) != label:
            raise LabelError(
                f"the same photo has two labels: {same} is {labels[same]}, {photo} is {label}; decide for one"
            )
        if same in labels:
            repeated.append(photo)
        labels[same] = label
    return labels, tuple(repeated)


def _some(photos: Sequence[Path]) -> str:
    more = f" and {len(photos) - 3} more" if len(photos) > 3 else ""
    return ", ".join(map(str, photos[:3])) + more


def _or(words: Sequence[str]) -> str:
    return f"{', '.join(words[:-1])} or {words[-1]}"


def _meant(word: str) -> str:
    near = difflib.get_close_matches(word.casefold(), LABELS, n=1)
    return f"; did you mean {near[0]}, not {word}?" if near else ""
