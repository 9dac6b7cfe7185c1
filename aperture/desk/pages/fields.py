"""What was typed into the fields of a form, as values; what cannot be one is refused with a sentence."""

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from functools import wraps
from inspect import unwrap
from typing import Any, cast

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from aperture.book.store.ledger import Book
from aperture.book.store.records import Entry, short_code
from aperture.card.geometry import CARD
from aperture.desk.refused import Refused
from aperture.desk.troubles import trouble
from aperture.desk.web import FormMaker, Handler, Maker
from aperture.desk.wording import page_words
from aperture.errors import ApertureError, BookError
from aperture.flags import FLAGS

NOTHING = "Nothing was written: correct it."

# Reads one field of a form, by its name.
Reader = Callable[[Mapping[str, Any], str], Any]


class FieldErrors(HTTPException):
    """What is in these fields of a form cannot be: words by the field's name, in the order of the form."""

    def __init__(self, status: int, wrong: Mapping[str, str]) -> None:
        super().__init__(status, " ".join(wrong.values()))
        self.wrong = wrong


class FieldError(FieldErrors):
    """What is in one field of a form cannot be."""

    def __init__(self, status: int, words: str, field: str) -> None:
        super().__init__(status, {field: words})


def said_beside(
    shows: Handler, form_name: str, where: Callable[[FormData], str] | None = None
) -> Callable[[FormMaker], FormMaker]:
    """Of what takes a form: what it refuses is said on the page that has the form, beside the fields that are
    meant, with what was typed still there.

    Parameters
    ----------
    shows : the page, as its route has it.
    form_name : which of its forms; the template asks `typed_in(form_name)`.
    where : beside which field all is said, by what was sent; without it beside the fields of `FieldErrors`,
        and above the form what is about none.
    """

    def told(maker: FormMaker) -> FormMaker:
        @wraps(maker)
        def tried(request: Request, form: FormData) -> Response:
            try:
                return maker(request, form)
            except (ApertureError, HTTPException, OSError) as error:
                status, words = _refusal(error)
                said: dict[str | None, str] = {where(form) if where else None: words}
                if where is None and isinstance(error, FieldErrors):
                    said = dict(error.wrong.items())
                request.state.refused = Refused(form_name, form, said)
                # Where there is no such page, it says so itself.
                answer = cast("Maker", unwrap(shows))(request)
                answer.status_code = status
                return answer

        return tried

    return told


def _refusal(error: Exception) -> tuple[int, str]:
    """The status of an answer that refuses a form, and why, in words."""
    status, what, advice = trouble(error)
    if isinstance(error, BookError) and error.code == "book-entry-wrong":
        what = f"{FLAGS[error.code].sentence.removesuffix('.')}: {error.detail.rstrip('.')}."
        advice = "Nothing was written."
    return status, f"{what} {advice}".rstrip()


def each(form: Mapping[str, Any], readers: Mapping[str, Reader]) -> tuple[dict[str, Any], dict[str, str]]:
    """What was typed into several fields, and what is wrong with those that cannot be read, by their names.

    Parameters
    ----------
    readers : what reads a field, by its name, as the functions below do.
    """
    values: dict[str, Any] = dict.fromkeys(readers)
    wrong: dict[str, str] = {}
    for name, read in readers.items():
        try:
            values[name] = read(form, name)
        except FieldErrors as error:
            wrong[name] = error.detail.removesuffix(NOTHING).rstrip()
    return values, wrong


@contextmanager
def about(name: str) -> Iterator[None]:
    """What the book refuses inside is about this field.

    Raises
    ------
    FieldError : 409, it refused.
    """
    try:
        yield
    except BookError as error:
        if error.code != "book-entry-wrong":
            raise
        said = str(page_words(error.detail)).rstrip(".")
        raise FieldError(409, f"{said[:1].upper()}{said[1:]}. Nothing was written.", name) from error


def code(form: Mapping[str, Any], name: str, what: str) -> str | None:
    """A short code; None for nothing.

    Raises
    ------
    FieldError : 409, it is none; it says so of `what`.
    """
    said = text(form, name)
    with about(name):
        return short_code(said, what) if said is not None else None


def text(form: Mapping[str, Any], name: str) -> str | None:
    """What was typed; None for nothing."""
    value = form.get(name)
    return value.strip() or None if isinstance(value, str) else None


def reed_number(form: Mapping[str, Any], name: str) -> int | None:
    """A reed's number; None for nothing.

    Raises
    ------
    FieldError : 400, it is none.
    """
    said = text(form, name)
    if said is None:
        return None
    number = _whole(said)
    if number is None or not 1 <= number <= CARD.reed_tags.count:
        words = f"“{said}” is no reed's number; they run from 1 to {CARD.reed_tags.count}. {NOTHING}"
        raise FieldError(400, words, name)
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
    FieldError : 400, it is none.
    """
    said = text(form, name)
    if said is None:
        return None
    try:
        number = float(said.replace(",", ".").replace("−", "-"))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise FieldError(400, f"“{said}” is no number. {NOTHING}", name)
    return number


def day(form: Mapping[str, Any], name: str) -> date | None:
    """A date as browsers send it, 2026-10-05; None for nothing.

    Raises
    ------
    FieldError : 400, it is none.
    """
    said = text(form, name)
    try:
        return date.fromisoformat(said) if said else None
    except ValueError:
        raise FieldError(400, f"“{said}” is no date; write it as 2026-10-05. {NOTHING}", name) from None


def _whole(said: str) -> int | None:
    """A whole number of at most five digits."""
    return int(said) if said.isdecimal() and len(said) <= 5 else None
