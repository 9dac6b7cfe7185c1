"""The photos of a book: to which reed and state each is filed, and what was read of it."""

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from aperture import __version__
from aperture.book.store import rows
from aperture.book.store.open_book import OpenBook, as_text
from aperture.book.store.records import (
    AGES,
    WATERS,
    WETTED,
    Entry,
    Filing,
    Origin,
    Photo,
    Reading,
    one_of,
    short_code,
)
from aperture.book.store.scale_tables import days_in_doubt, scales, settings_id
from aperture.book.store.withdrawals import standing
from aperture.errors import BookError
from aperture.settings import Settings


def photo(book: OpenBook, sha: str) -> Photo | None:
    """The photo of which this is the SHA-256; None if the book does not have it."""
    found = book.select(f"SELECT {rows.PHOTO_COLUMNS} FROM photos WHERE sha256 = ?", sha)
    return rows.photo(found[0]) if found else None


def photos(book: OpenBook) -> list[Photo]:
    """All photos, in the order in which they came."""
    return [rows.photo(row) for row in book.select(f"SELECT {rows.PHOTO_COLUMNS} FROM photos ORDER BY id")]


def entry(book: OpenBook, photo: Photo) -> Entry:
    """A photo with its filing and readings."""
    return entries_where(book, "WHERE photos.id = ?", photo.id)[0]


def entries(book: OpenBook, hashes: Sequence[str]) -> list[Entry]:
    """The photos of which these are the SHA-256, by the time they were taken."""
    where = "WHERE photos.sha256 IN (SELECT value FROM json_each(?))"
    return entries_where(book, where, json.dumps(list(hashes)))


def unfiled(book: OpenBook) -> list[Entry]:
    """The photos of which the reed or the state is not known, and no retake was asked for."""
    return entries(book, unfiled_hashes(book))


def unfiled_hashes(book: OpenBook) -> list[str]:
    """The SHA-256 of each of them, in the same order: of thousands these are read in no time."""
    # As `Reading.retake_asked` has it: the latest reading is a person's, without a number.
    query = f"""SELECT photos.sha256 FROM photos
        JOIN current_filings AS filings ON filings.photo_id = photos.id
        WHERE (filings.reed_id IS NULL OR filings.state IS NULL)
        AND NOT EXISTS (
            SELECT 1 FROM readings
            WHERE id = (SELECT max(id) FROM readings
                WHERE photo_id = photos.id AND {standing("readings")})
            AND origin = 'person' AND outcome = 'refused')
        ORDER BY coalesce(photos.taken, photos.received_at), photos.id"""
    return [row["sha256"] for row in book.select(query)]


def recorded_readings(book: OpenBook, photo: Photo) -> dict[int, datetime]:
    """When each reading of a photo was written into the book, with its zone, by its id."""
    found = book.select("SELECT id, recorded_at FROM readings WHERE photo_id = ?", photo.id)
    try:
        return {row["id"]: datetime.fromisoformat(row["recorded_at"]) for row in found}
    except (TypeError, ValueError) as error:
        raise BookError("book-damaged", f"{book.path}: when a photo was read: {error}") from error


def entries_where(book: OpenBook, where: str, *values: Any, outlines: bool = True) -> list[Entry]:
    """Photos with what is known of them, by the time they were taken.

    Parameters
    ----------
    where, values : SQL that chooses among `photos` joined with their filings.
    outlines : see `reed_history.histories_of`.
    """
    chosen = f"photos JOIN current_filings AS filings ON filings.photo_id = photos.id {where}"
    columns = f"{rows.PHOTO_COLUMNS}, {rows.FILING}" + (f", {rows.FIRST_FILING}" if outlines else "")
    found = [rows.filed(row) for row in book.select(f"SELECT {columns} FROM {chosen}", *values)]
    readings = _readings_of(book, [photo for photo, _ in found], outlines)
    together = [Entry(photo, filing, tuple(readings[photo.id])) for photo, filing in found]
    return sorted(together, key=lambda entry: (entry.photo.when, entry.photo.id))


def add_photo(
    book: OpenBook,
    sha: str,
    name: str,
    taken: datetime | None,
    received_at: datetime,
    kept: str | None = None,
    kept_sha256: str | None = None,
) -> Photo:
    """Enter a photo that is not in the book yet; one that is stays as it is and is returned."""
    with book.together():
        if photo(book, sha) is None:
            book.insert(
                "photos",
                sha256=sha,
                name=name,
                taken=as_text(taken),
                received_at=as_text(received_at),
                kept=kept,
                kept_sha256=kept_sha256,
            )
        there = photo(book, sha)
    assert there is not None
    return there


def add_filing(book: OpenBook, photo: Photo, filing: Filing) -> None:
    """Say to which reed and state a photo belongs, and how the reed was soaked."""
    soaking = filing.soaking
    if soaking.seconds is not None and not 0.0 <= soaking.seconds <= 86400.0:
        raise BookError("book-entry-wrong", f"a soak of {soaking.seconds:g} seconds")
    one_of(soaking.water, WATERS, "water")
    one_of(soaking.wetted, WETTED, "where it was wetted")
    one_of(soaking.age, AGES, "age")
    with book.together():
        book.insert(
            "filings",
            photo_id=photo.id,
            reed_id=filing.reed_id,
            state=filing.state,
            soak_seconds=soaking.seconds,
            water=soaking.water,
            wetted=soaking.wetted,
            age=soaking.age,
            reason=filing.reason,
            by=filing.by and short_code(filing.by, "Who filed it"),
        )


def add_reading(
    book: OpenBook,
    photo: Photo,
    record: Mapping[str, Any],
    settings: Settings,
    printed_scale_relative: float,
    outline_mm: Sequence[Sequence[float]] | None,
    origin: Origin = "program",
    by: str | None = None,
    tip: str | None = None,
    tip_window: Sequence[float] | None = None,
) -> None:
    """Enter a measurement; `record` has the keys of the JSON output, for the rest see `Reading`."""
    u = record["u"] or {}
    quantities = ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")
    with book.together():
        book.insert(
            "readings",
            photo_id=photo.id,
            settings_id=settings_id(book, settings),
            origin=origin,
            version=__version__,
            outcome=record["outcome"],
            shape=record["shape"],
            review=int(record["review"]),
            **{name: record[name] for name in quantities},
            **{f"u_{name}": u.get(name) for name in quantities},
            coverage_factor=settings.uncertainty.coverage_factor,
            printed_scale_relative=printed_scale_relative,
            record=json.dumps(dict(record), allow_nan=False),
            outline_mm=json.dumps([*outline_mm]) if outline_mm is not None else None,
            tip=tip,
            tip_window=json.dumps(list(tip_window)) if tip_window is not None else None,
            by=by and short_code(by, "Who measured"),
        )


def _readings_of(book: OpenBook, photos: Sequence[Photo], outlines: bool) -> dict[int, list[Reading]]:
    """The readings of photos, by the photo's id, in order; in doubt if a gauge failed that day."""
    days = days_in_doubt(book)
    doubted = {photo.id: photo.when.date() in days for photo in photos}
    readings: dict[int, list[Reading]] = defaultdict(list)
    what = f"{rows.READING}, {rows.DRAWN}" if outlines else rows.READING
    by_settings = scales(book)
    query = f"""SELECT {what} FROM readings
        WHERE photo_id IN (SELECT value FROM json_each(?)) AND {standing("readings")}"""
    for row in book.select(query, json.dumps([photo.id for photo in photos])):
        reading = rows.reading(row, by_settings)
        if doubted.get(reading.photo_id) and reading.origin == "program":
            reading = replace(reading, record=reading.record.doubted("gauge-failed"))
        readings[reading.photo_id].append(reading)
    for several in readings.values():
        several.sort(key=lambda reading: reading.id)  # SQLite would move their outlines to sort them
    return readings
