"""Books for tests: in a folder of their own, with reeds whose photos were never taken."""

from datetime import datetime
from hashlib import sha256

import pytest

from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.settings import Settings

# A check with a gauge of paper, with the keys of the JSON output.
GAUGE_CHECK = {
    "photo": "pictures/gauge-10.jpg",
    "sha256": "a" * 64,
    "taken": "2026-10-05T08:30:00",
    "sheets": 10,
    "ream_mm": 52.0,
    "gap_mm": 1.05,
    "u_gap_mm": 0.03,
    "expected_mm": 1.04,
    "u_expected_mm": 0.008,
    "en": 0.32,
    "agrees": True,
}


@pytest.fixture
def book(tmp_path):
    """An empty book."""
    with Book(tmp_path / "reeds.sqlite3", create=True) as opened:
        yield opened


def entering(measured):
    """enter(book, reed, state, …) of the fixture of that name; `measured` makes the results."""

    def enter_one(book, reed, state, taken=None, soaking=None, settings=None, **numbers):
        settings = settings or Settings()
        name = f"R{reed.number:02d}_{state}.jpg"
        content = f"{name} {taken} {numbers} {len(book.photos())}"
        taken = taken or datetime(2026, 10, 5, 14, 0, len(book.photos()) % 60)
        result = measured(photo=name, reed=reed.number, state=state, **numbers)
        with book.writing():
            photo = book.add_photo(sha256(content.encode()).hexdigest(), name, taken, taken)
            filing = Filing(reed.id, state, soaking or Soaking(), None, None)
            book.add_filing(photo, filing)
            outline = result.outline.points_mm.tolist()
            book.add_reading(photo, result.record(), settings, 0.001, outline)
        return photo

    return enter_one


@pytest.fixture
def enter(measured):
    """enter(book, reed, state, …) adds a photo as if it had been measured, and returns it."""
    return entering(measured)
