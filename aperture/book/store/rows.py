"""Rows of the reed book's tables as the plain values of `records`."""

import json
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from functools import wraps
from typing import Any, ParamSpec, TypeVar

from aperture.book.store.lazy import KeptList, LazyRecord, NotFetched
from aperture.book.store.records import (
    FAULTS,
    Check,
    Decision,
    Filing,
    GaugeCheck,
    Lot,
    Photo,
    PrintedCard,
    Reading,
    Reed,
    Soaking,
    Squeeze,
)
from aperture.dates import FIRST_YEAR, could_be_entered
from aperture.errors import BookError
from aperture.scale import Scale

Row = Mapping[str, Any] | sqlite3.Row
# Of photos there are thousands: their columns are taken by place, which takes half as long as by name.
PHOTO_COLUMNS = "photos.id, sha256, name, taken, received_at, kept, kept_sha256, photos.recorded_at"
FILING = "reed_id, state, soak_seconds, water, wetted, age, reason, by"
_FIRST = "FROM filings AS first WHERE first.photo_id = photos.id ORDER BY first.id LIMIT 1"
FIRST_FILING = f"(SELECT reed_id {_FIRST}), (SELECT state {_FIRST})"
READING = """id, photo_id, origin, version, coverage_factor, printed_scale_relative, record, outcome, shape,
    review, settings_id"""
# What comes after the outline in the file is as slow to get as the outline itself.
DRAWN = "tip, tip_window, by, outline_mm"
# How the first moment that can be begins, as text.
FIRST_TEXT = str(FIRST_YEAR)
Value = TypeVar("Value")
P = ParamSpec("P")

# Whoever draws a tip looks at its window, and is told.
_NOT_DRAWN = "", NotFetched(), None, NotFetched()


def _readable(make: Callable[P, Value]) -> Callable[P, Value]:
    """A row that lacks a column, or whose texts are no times or no JSON, was spoilt."""

    @wraps(make)
    def made(*row: P.args, **more: P.kwargs) -> Value:
        try:
            return make(*row, **more)
        except (LookupError, TypeError, ValueError) as error:
            raise BookError("book-damaged", f"a {make.__name__} cannot be read: {error}") from error

    return made


@_readable
def lot(row: Row) -> Lot:
    """A row of `current_lots`."""
    return Lot(
        id=row["id"],
        code=row["code"],
        source=row["source"],
        ordered_on=_date(row["ordered_on"]),
        return_by=_date(row["return_by"]),
        price_per_reed=row["price_per_reed"],
        strength=row["strength"],
    )


@_readable
def reed(row: Row) -> Reed:
    """A row of `current_reeds`."""
    return Reed(row["id"], row["number"], row["lot"], row["slot"], row["player"])


@_readable
def photo(row: sqlite3.Row) -> Photo:
    """A row with `PHOTO_COLUMNS`."""
    return _photo(row)


def _photo(row: Sequence[Any] | sqlite3.Row) -> Photo:
    id, sha256, name, taken, received_at, kept, kept_sha256, entered = row
    when = possible(taken, entered) if taken else None
    received = possible(received_at, entered) or _on_the_wall(entered)
    return Photo(id, sha256, name, when, received, kept, kept_sha256)


@_readable
def filed(row: sqlite3.Row) -> tuple[Photo, Filing]:
    """A row with `PHOTO_COLUMNS`, then `FILING`, then `FIRST_FILING` if that was fetched."""
    reed_id, state, seconds, water, wetted, age, reason, by, *first = row[8:]
    soaking = Soaking(seconds, water, wetted, age)
    return _photo(row[:8]), Filing(
        reed_id, state, soaking, reason, by, (first[0], first[1]) if first else None
    )


@_readable
def reading(row: sqlite3.Row, scales: Mapping[int, Scale]) -> Reading:
    """A row with `READING`, then `DRAWN` if that was fetched; `scales` are those of the settings, by id."""
    id, photo_id, origin, version, factor, relative, record, outcome, shape, review, settings_id = row[:11]
    tip, window, by, outline = row[11:] if len(row) > 11 else _NOT_DRAWN
    return Reading(
        id=id,
        photo_id=photo_id,
        origin=origin,
        version=version,
        coverage_factor=factor,
        printed_scale_relative=relative,
        record=LazyRecord(record, outcome=outcome, shape=shape, review=bool(review)),
        outline_mm=_list(outline),
        tip=tip,
        tip_window=_list(window),
        by=by,
        scale=scales[settings_id],
    )


@_readable
def check(row: Row) -> Check:
    """A row of `checks`."""
    return Check(
        id=row["id"],
        done_at=_happened(row, "done_at"),
        **{name: _truth(row[name]) for name in FAULTS},
        response=row["response"],
        pitch_cents=row["pitch_cents"],
        note=row["note"],
        by=row["by"],
    )


@_readable
def gauge_check(row: Row) -> GaugeCheck:
    """A row of `gauge_checks`."""
    numbers = ("ream_mm", "gap_mm", "u_gap_mm", "expected_mm", "u_expected_mm", "en")
    return GaugeCheck(
        id=row["id"],
        done_at=datetime.fromisoformat(row["done_at"]),
        photo=row["photo"],
        sheets=row["sheets"],
        **{name: row[name] for name in numbers},
        agrees=bool(row["agrees"]),
        told=(row["ruler_mm"], row["tip_offset_mm"]),
    )


@_readable
def card(row: Row) -> PrintedCard:
    """A row of `cards`."""
    scale = Scale(row["ruler_mm"], row["tip_offset_mm"], row["name"])
    return PrintedCard(row["id"], datetime.fromisoformat(row["said_at"]), scale)


@_readable
def scale(row: Row) -> tuple[int, Scale]:
    """A row of `settings_used`: its id, and what it says of the printed card.

    Settings of earlier versions name no card.
    """
    said = json.loads(row["content"])
    known = said["tip_offset_is_measured"] or said["tip_offset_mm"] != 0.0
    offset_mm = float(said["tip_offset_mm"]) if known else None
    return row["id"], Scale(float(said["ruler_mm"]), offset_mm, said.get("card", ""))


@_readable
def squeeze(row: Row) -> Squeeze:
    """A row of `squeezes`."""
    return Squeeze(
        id=row["id"],
        done_at=_happened(row, "done_at"),
        before_photo_id=row["before_photo_id"],
        after_photo_id=row["after_photo_id"],
        by=row["by"],
    )


@_readable
def decision(row: Row) -> Decision:
    """A row of `decisions`."""
    return Decision(
        id=row["id"],
        decided_at=_happened(row, "decided_at"),
        action=row["action"],
        reason=row["reason"],
        by=row["by"],
        advised=row["advised"],
        rule=row["rule"],
        override_reason=row["override_reason"],
    )


def _list(text: str | NotFetched | None) -> KeptList | None:
    if isinstance(text, NotFetched):
        return text
    return KeptList(text) if text else None


def _date(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def possible(text: str, entered: str) -> datetime | None:
    """A time that a row names; None if it cannot have been when the row was entered, see `aperture.dates`."""
    moment = datetime.fromisoformat(text)
    # Of thousands, nearly all were before: then the texts are in that order, too.
    if FIRST_TEXT <= text <= entered or could_be_entered(moment.replace(tzinfo=None), _on_the_wall(entered)):
        return moment
    return None


def _happened(row: Row, name: str) -> datetime:
    """When something was done; if that cannot be, when it was entered."""
    return possible(row[name], row["recorded_at"]) or _on_the_wall(row["recorded_at"])


def _on_the_wall(entered: str) -> datetime:
    return datetime.fromisoformat(entered).replace(tzinfo=None)


def _truth(value: int | None) -> bool | None:
    return None if value is None else bool(value)
