"""What people corrected, for the training: each photo's notch laid flat, and its outlines in millimetres.

The form is described in the guide (`comparing.md`); `fixtures/training/corrected.py` reads it. Nothing of it
says who, when, where, or which reed.
"""

import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from aperture import __version__
from aperture.book.photos.pictures import place_of
from aperture.book.store import book_file
from aperture.book.store.corrections import came_about
from aperture.book.store.ledger import Book
from aperture.book.store.records import Entry, Reading
from aperture.errors import BookError
from aperture.files import write_whole
from aperture.present.canvas import Window

FORM = 1  # of the folder; readers refuse another
README = "README.txt"
_README = """\
What people said of photos of reed tips, for training and checking the program that looks at them.
Made by aperture {version} because somebody asked for it. It lies here only: nothing sends it anywhere.

What is in it: {photos} pictures of the notch of the scale card with a reed's tip in it, and for each a file
with the outlines of the opening, by the program and by people, and how each came about.
What is not in it: numbers, lots and players of reeds, names and dates of photos, who said what (people are
person 1, person 2, ...), notes, the whole photos. The pictures show what stands behind the reed: look
through them before you hand them to somebody.

A person's outline is not the truth. It is what that person saw.

NNNN.jpg   the plane of the tip laid flat, stored brightness (sRGB), brightened where the photo was dark
NNNN.json  form: {form}
           state: dry, soaked, or null
           window_mm: [x_min, y_min, x_max, y_max], the part of the plane that the picture shows, in
             millimetres of the card (x right, y up); its left edge is x_min, its upper edge y_max
           px_per_mm: pixels of the picture per millimetre
           photo: px_per_mm and blur_px of the photo that it was made from
           outlines: in the order in which they came; each with
             by: program, or person 1, person 2, ...
             came_about: measured (by the program), confirmed (a person found it right), class changed (the
               outline found right, its class not), outline redrawn (by the person)
             class: shut, elliptical or round
             outline_mm: the corners [x, y] of the closed outline, millimetres of the card
"""


@dataclass(frozen=True)
class TrainingExport:
    """What was written: files, photos, outlines that people drew; and of how many photos the picture is
    missing or is not as it was kept."""

    paths: tuple[Path, ...]
    photos: int
    redrawn: int
    without_picture: int


def export_training(book: Book, folder: Path) -> TrainingExport:
    """Write every photo of which a person said something, with all its outlines, into an empty folder.

    Parameters
    ----------
    folder : made if it does not exist.

    Raises
    ------
    BookError : the folder is not empty, no person said anything yet, or it cannot be read or written.
    """
    with book_file.report_errors(folder):
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise BookError("file-exists", f"{folder} is not an empty folder")
        people: dict[str | None, str] = {}
        paths: list[Path] = []
        redrawn = without_picture = 0
        for entry, said in _said(book):
            picture = _picture(book.pictures, said)
            if picture is None:
                without_picture += 1
                continue
            record = _record(entry, said, people)
            folder.mkdir(parents=True, exist_ok=True)
            stem = folder / f"{len(paths) // 2 + 1:04d}"
            for ending, content in ((".jpg", picture), (".json", json.dumps(record).encode())):
                write_whole(stem.with_suffix(ending), content)
                paths.append(stem.with_suffix(ending))
            redrawn += sum(one["came_about"] == "outline redrawn" for one in record["outlines"])
        if not paths:
            raise BookError("book-unknown", "no photo with its picture of which a person said something")
        photos = len(paths) // 2
        text = _README.format(version=__version__, photos=photos, form=FORM)
        write_whole(folder / README, text.encode())
    return TrainingExport((*paths, folder / README), photos, redrawn, without_picture)


def _said(book: Book) -> Iterator[tuple[Entry, Reading]]:
    """The photos with a person's reading that has an outline, in the order in which they came, and the latest
    such reading (a later version may have found the card elsewhere, and made another picture)."""
    for photo in book.photos():
        entry = book.entry(photo)
        said = [one for one in entry.readings if one.origin == "person" and one.measured and one.outline_mm]
        if said:
            yield entry, said[-1]


def _picture(pictures: Path, reading: Reading) -> bytes | None:
    """The notch laid flat; None if it is missing, or is not what the program wrote."""
    from PIL import Image

    if reading.tip is None or reading.tip_window is None:
        return None
    try:
        content = place_of(pictures, reading.tip).read_bytes()
        image = Image.open(io.BytesIO(content), formats=["JPEG"])
        # What the program wrote has no notes of a camera or of an editor in it.
        clean = not image.getexif() and not {"comment", "exif", "xmp"} & set(image.info)
        return content if clean and image.size == Window(*reading.tip_window).size_px else None
    except (OSError, ValueError, Image.DecompressionBombError):
        return None


def _record(entry: Entry, said: Reading, people: dict[str | None, str]) -> dict[str, Any]:
    """What the file of a photo holds.

    Parameters
    ----------
    said : the reading whose picture is written.
    people : those met so far, and what each is called here; gets new ones.
    """
    window = said.tip_window or ()
    return {
        "form": FORM,
        "state": entry.filing.state,
        "window_mm": [*window[:4]],
        "px_per_mm": window[4],
        "photo": {name: said.record.get(name) for name in ("px_per_mm", "blur_px")},
        "outlines": [
            _outline(entry, place, people)
            for place, one in enumerate(entry.readings)
            if one.measured and one.outline_mm and _same_window(one, said)
        ],
    }


def _same_window(one: Reading, other: Reading) -> bool:
    """Whether both were made with the card in the same place: then their millimetres are the same."""
    return one.tip_window is not None and [*one.tip_window] == [*(other.tip_window or ())]


def _outline(entry: Entry, place: int, people: dict[str | None, str]) -> Mapping[str, Any]:
    reading = entry.readings[place]
    by = "program"
    if reading.origin == "person":
        by = people.setdefault(reading.by, f"person {len(people) + 1}")
    return {
        "by": by,
        "came_about": came_about(entry.readings, place),
        "class": reading.record["shape"],
        "outline_mm": [[float(x), float(y)] for x, y in reading.outline_mm or ()],
    }
