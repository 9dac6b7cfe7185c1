"""What was typed into the fields of a form, as values; what cannot be one is refused with a sentence."""

import math
from collections.abc import Mapping
from datetime import date
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request

from aperture.book.store.ledger import Book
from aperture.book.store.records import Entry
from aperture.card.geometry import CARD
from aperture.errors import BookError

NOTHING = "Nothing was written: go back and correct it."


def text(form: Mapping[str, Any], name: str) -> str | None:
    """What was typed; None for nothing."""
    value = form.get(name)
    return value.strip() or None if isinstance(value, str) else None


def reed_number(form: Mapping[str, Any], name: str) -> int | None:
    """A reed's number; None for nothing.

    Raises
    ------
    HTTPException : 400, it is none.
    """
    said = text(form, name)
    if said is None:
        return None
    number = _whole(said)
    if number is None or not 1 <= number <= CARD.reed_tags.count:
        raise HTTPException(
            400, f"“{said}” is no reed's number; they run from 1 to {CARD.reed_tags.count}. {NOTHING}"
        )
    return number


def reed_in_address(request: Request) -> int:
    """The number in the address of a reed's page; a page that is not there, if it is none."""
    said = request.path_params["number"]
    number = _whole(said)
    if number is None:
        raise HTTPException(404, f"“{said}” is no reed's number.")
    return number


def photo_in_address(request: Request, book: Book) -> Entry:
    """The photo whose hash is in the address; a page that is not there, if the book does not have it."""
    photo = book.photo(request.path_params["sha"])
    if photo is None:
        raise BookError("book-unknown", "that photo")
    return book.entry(photo)


def decimal(form: Mapping[str, Any], name: str) -> float | None:
    """A number, with a point or a comma; None for nothing.

    Raises
    ------
    HTTPException : 400, it is none.
    """
    said = text(form, name)
    if said is None:
        return None
    try:
        number = float(said.replace(",", ".").replace("−", "-"))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise HTTPException(400, f"“{said}” is no number. {NOTHING}")
    return number


def day(form: Mapping[str, Any], name: str) -> date | None:
    """A date as browsers send it, 2026-10-05; None for nothing.

    Raises
    ------
    HTTPException : 400, it is none.
    """
    said = text(form, name)
    try:
        return date.fromisoformat(said) if said else None
    except ValueError:
        raise HTTPException(400, f"“{said}” is no date; write it as 2026-10-05. {NOTHING}") from None


def _whole(said: str) -> int | None:
    """A whole number of at most five digits."""
    return int(said) if said.isdecimal() and len(said) <= 5 else None
