"""Photos taken into a book one after the other, with something in place of measuring them."""

from dataclasses import replace
from datetime import datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from aperture.book.photos import intake
from aperture.book.photos.pictures import Kept
from aperture.book.store.ledger import Book
from aperture.settings import Settings, change_settings
from tests.conftest import _measured

# So many photos are taken of a reed before it leaves, and its number may be given to another.
PHOTOS_OF_A_REED = 10
# Numbers that no reed has that is here, in the book of `big_book` with 60 reeds.
FIRST_NUMBER, NUMBERS = 101, 380
# After all that is in that book, and not after tomorrow, when nothing can have been photographed yet.
BEGIN = datetime.now().replace(microsecond=0)


class Work:
    """Photos that come in second after second, each a small file of its own."""

    def __init__(self, book: Book, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.book, self.folder, self.done = book, folder, 0
        self.settings = change_settings(Settings(), {"workers": 1})

    def take_one(self) -> None:
        """Take the next photo in. A reed with all its photos leaves."""
        number, self.done = self.done, self.done + 1
        path = self.folder / f"{number}.jpg"
        path.write_bytes(str(number).encode())
        (arrival,) = intake.take_in(self.book, [path], self.settings)
        assert arrival.what == "filed"
        assert arrival.new_reed is (number % PHOTOS_OF_A_REED == 0)
        path.unlink()
        if number % PHOTOS_OF_A_REED == PHOTOS_OF_A_REED - 1:
            assert arrival.reed is not None
            self.book.add_decision(arrival.reed, _taken(number), "thrown away", "It is worn.", "T1")


def measure_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """In place of measuring a photo and keeping its picture: reed and state follow from the file's name."""
    result = _measured()

    def take(path: Path, **_: Any) -> intake.Taken:
        sha = sha256(path.read_bytes()).hexdigest()
        number = int(path.stem)
        this = replace(
            result,
            photo=str(path),
            sha256=sha,
            reed=FIRST_NUMBER + number // PHOTOS_OF_A_REED % NUMBERS,
            state=("dry", "soaked")[number % 2],
            taken=_taken(number),
        )
        return intake.Taken(this, Kept(f"{sha[:2]}/{sha}.jpg", sha, sha, 1))

    monkeypatch.setattr(intake, "measure_and_keep", take)


def _taken(number: int) -> datetime:
    return BEGIN + timedelta(seconds=number)
