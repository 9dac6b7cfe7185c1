"""Rows of the reed book's tables as the plain values of `records`."""

import sqlite3
from collections.abc import Callable, Mapping
from datetime import date, datetime
from functools import wraps
from typing import Any, TypeVar

from aperture.book.records import (
    FAULTS,
    Check,
    Decision,
    Filing,
    Kept,
    KeptList,
    Lot,
    Photo,
    Reading,
    Reed,
    Soaking,
    Squeeze,
)
from aperture.errors import BookError

Row = Mapping[str, Any] | sqlite3.Row
Value = TypeVar("Value")


def _readable(make: Callable[[Row], Value]) -> Callable[[Row], Value]:
    """A row that lacks a column, or whose texts are no times or no JSON, was spoilt."""

    @wraps(make)
    def made(row: Row) -> Value:
        try:
            return make(row)
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
def photo(row: Row) -> Photo:
    """A row of `photos`."""
    return Photo(
        id=row["id"],
        sha256=row["sha256"],
        name=row["name"],
        taken=_time(row["taken"]),
        received_at=datetime.fromisoformat(row["received_at"]),
        kept=row["kept"],
        kept_sha256=row["kept_sha256"],
    )


@_readable
def filing(row: Row) -> Filing:
    """A row of `current_filings`."""
    soaking = Soaking(row["soak_seconds"], row["water"], row["wetted"], row["age"])
    return Filing(row["reed_id"], row["state"], soaking, row["reason"], row["by"])


@_readable
def reading(row: Row) -> Reading:
    """A row of `readings`."""
    return Reading(
        id=row["id"],
        photo_id=row["photo_id"],
        origin=row["origin"],
        version=row["version"],
        coverage_factor=row["coverage_factor"],
        printed_scale_relative=row["printed_scale_relative"],
        record=Kept(row["record"], outcome=row["outcome"], shape=row["shape"], review=bool(row["review"])),
        outline_mm=KeptList(row["outline_mm"]) if row["outline_mm"] else None,
        tip=row["tip"],
        tip_window=KeptList(row["tip_window"]) if row["tip_window"] else None,
        by=row["by"],
        recorded_at=datetime.fromisoformat(row["recorded_at"]),
    )


@_readable
def check(row: Row) -> Check:
    """A row of `checks`."""
    return Check(
        id=row["id"],
        done_at=datetime.fromisoformat(row["done_at"]),
        **{name: _truth(row[name]) for name in FAULTS},
        response=row["response"],
        pitch_cents=row["pitch_cents"],
        note=row["note"],
        by=row["by"],
    )


@_readable
def squeeze(row: Row) -> Squeeze:
    """A row of `squeezes`."""
    return Squeeze(
        id=row["id"],
        done_at=datetime.fromisoformat(row["done_at"]),
        before_photo_id=row["before_photo_id"],
        after_photo_id=row["after_photo_id"],
        by=row["by"],
    )


@_readable
def decision(row: Row) -> Decision:
    """A row of `decisions`."""
    return Decision(
        id=row["id"],
        decided_at=datetime.fromisoformat(row["decided_at"]),
        action=row["action"],
        reason=row["reason"],
        by=row["by"],
        advised=row["advised"],
        rule=row["rule"],
        override_reason=row["override_reason"],
    )


def _date(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _time(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None


def _truth(value: int | None) -> bool | None:
    return None if value is None else bool(value)
