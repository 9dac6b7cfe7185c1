"""What a book knows of the scale: the settings of its readings, its printed cards, checks with a gauge."""

from collections import Counter
from collections.abc import Mapping
from datetime import date, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from aperture import __version__
from aperture.book.store import rows
from aperture.book.store.open_book import OpenBook
from aperture.book.store.records import GaugeCheck, PrintedCard, Reading, short_code
from aperture.book.store.withdrawals import standing
from aperture.card.geometry import LONGEST_RULER_MM, SHORTEST_RULER_MM
from aperture.errors import BookError, SettingsError
from aperture.scale import Scale
from aperture.settings import MOST_TIP_OFFSET_MM, Settings, settings_from_text, settings_text


def scales(book: OpenBook) -> dict[int, Scale]:
    """What settings that made readings say of the printed card, by the settings' id."""
    return dict(rows.scale(row) for row in book.select("SELECT id, content FROM settings_used"))


def photos_by_scale(book: OpenBook) -> dict[Scale, int]:
    """How many photos count with each scale, by the reading that counts."""
    by_settings, counts = scales(book), Counter[Scale]()
    query = f"""SELECT settings_id, count(*) AS photos FROM readings
        WHERE id IN (SELECT max(id) FROM readings WHERE {standing("readings")} GROUP BY photo_id)
        AND outcome = 'measured' GROUP BY settings_id"""
    for row in book.select(query):
        counts[by_settings[row["settings_id"]]] += row["photos"]
    return counts


def settings_of(book: OpenBook, reading: Reading) -> Settings:
    """The settings that made a reading."""
    found = book.select(
        "SELECT content FROM settings_used WHERE id = (SELECT settings_id FROM readings WHERE id = ?)",
        reading.id,
    )
    try:
        return settings_from_text(found[0]["content"])
    except (SettingsError, LookupError, TypeError, ValueError) as error:
        raise BookError("book-damaged", f"{book.path}: settings of a reading: {error}") from error


def settings_id(book: OpenBook, settings: Settings) -> int:
    """The id of these settings, which are entered if they are not there yet."""
    content = settings_text(settings)
    digest = sha256(content.encode()).hexdigest()
    found = book.select("SELECT id FROM settings_used WHERE sha256 = ?", digest)
    return found[0]["id"] if found else book.insert("settings_used", sha256=digest, content=content)


def cards(book: OpenBook) -> list[PrintedCard]:
    """What was said of printed cards, the latest last: that one is in use."""
    return [rows.card(row) for row in book.select("SELECT * FROM cards ORDER BY id")]


def add_card(book: OpenBook, name: str, ruler_mm: float, tip_offset_mm: float | None = None) -> PrintedCard:
    """Enter what was measured of the printed card in use; what was said before stays on record.

    Parameters
    ----------
    name : a short code by which the user knows it.
    ruler_mm, tip_offset_mm : see `aperture.scale.Scale`.
    """
    short_code(name, "A card's name")
    if not SHORTEST_RULER_MM <= ruler_mm <= LONGEST_RULER_MM:  # also catches NaN
        raise BookError("book-entry-wrong", f"a 50 mm bar cannot measure {ruler_mm:g} mm")
    if tip_offset_mm is not None and not abs(tip_offset_mm) <= MOST_TIP_OFFSET_MM:
        raise BookError("book-entry-wrong", f"a tip offset cannot be {tip_offset_mm:g} mm")
    with book.together():
        book.insert(
            "cards",
            name=name,
            said_at=datetime.now().isoformat(timespec="seconds"),
            ruler_mm=ruler_mm,
            tip_offset_mm=tip_offset_mm,
        )
    return cards(book)[-1]


def gauge_checks(book: OpenBook) -> list[GaugeCheck]:
    """The checks with a gauge of paper, by the time they were made."""
    found = map(rows.gauge_check, book.select("SELECT * FROM gauge_checks ORDER BY id"))
    return sorted(found, key=lambda check: check.done_at)


def days_in_doubt(book: OpenBook) -> frozenset[date]:
    """The days on which a gauge did not agree: its last check that day with the same bar and offset."""
    last = {(check.done_at.date(), check.told, check.sheets): check for check in gauge_checks(book)}
    return frozenset(day for (day, *_), check in last.items() if not check.agrees)


def add_gauge_check(book: OpenBook, record: Mapping[str, Any], settings: Settings) -> None:
    """Enter a check with a gauge of paper that was measured; `record` has the keys of the JSON output.

    The same photo with the same settings, sheets and ream is entered once.
    """
    numbers = ("gap_mm", "u_gap_mm", "expected_mm", "u_expected_mm", "en")
    with book.together():
        used = settings_id(book, settings)
        same = (record["sha256"], used, record["sheets"], record["ream_mm"])
        query = "SELECT 1 FROM gauge_checks WHERE (sha256, settings_id, sheets, ream_mm) = (?, ?, ?, ?)"
        if book.select(query, *same):
            return
        book.insert(
            "gauge_checks",
            done_at=record["taken"] or datetime.now().isoformat(timespec="seconds"),
            photo=Path(record["photo"]).name,
            sha256=record["sha256"],
            settings_id=used,
            version=__version__,
            ruler_mm=settings.ruler_mm,
            tip_offset_mm=settings.tip_offset_mm,
            sheets=record["sheets"],
            ream_mm=record["ream_mm"],
            **{name: record[name] for name in numbers},
            agrees=int(record["agrees"]),
        )
