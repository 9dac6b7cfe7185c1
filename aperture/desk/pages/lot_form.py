"""A lot is entered, or changed: first what cannot be is said beside its field, then what it would change."""

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.present.words import lot_detail_words
from aperture.book.store.lot_entry import DETAILS, LotEntry, fingerprint, mistakes
from aperture.book.store.records import Lot
from aperture.desk.pages.fields import NOTHING, day, decimal, text
from aperture.desk.pages.lots import FIELDS, lots_page, typed_as
from aperture.desk.web import desk_of, desk_only, page, redirect, with_form


@desk_only
@with_form
def enter_lot(request: Request, form: FormData) -> Response:
    """A lot; or of one that is there, its details again, once that was asked.

    What is empty stays as it was, but in the form that showed how it was: there it is not known any more.
    """
    said, wrong = _read(form)
    with desk_of(request).open_book() as book, book.writing():
        code = said.code or ""
        now = book.lot(code) if code and book.has_lot(code) else None
        changing = form.get("change") == "yes"
        entry = said if now is None or changing else said.over(now)
        # What could not be read is said before what it would mean.
        found = mistakes(entry) | wrong
        wrong = {name: found[name] for name in FIELDS if name in found}
        if not wrong and (now is None or form.get("seen") == fingerprint(now)):
            entered = book.add_lot(**asdict(entry))
            return redirect("/lots", f"Lot {entered.code} is in the book.", book.entered)
    if wrong:
        typed = {name: str(form.get(field, "")) for name, field in FIELDS.items()}
        return lots_page(request, typed=typed, wrong=wrong, change=now if changing else None)
    assert now is not None
    if not entry.differs(now):
        return redirect("/lots", f"Lot {now.code} is in the book.")
    return _ask(request, now, entry)


routes = [Route("/lots", enter_lot, methods=["POST"])]


def _read(form: FormData) -> tuple[LotEntry, dict[str, str]]:
    """What was typed, and of what is no date or no number a sentence each."""
    wrong: dict[str, str] = {}

    def value(read: Callable[[Mapping[str, Any], str], Any], name: str) -> Any:
        try:
            return read(form, FIELDS[name])
        except HTTPException as error:
            wrong[name] = error.detail.removesuffix(NOTHING).strip()
            return None

    entry = LotEntry(
        code=text(form, "code"),
        source=text(form, "source"),
        ordered_on=value(day, "ordered_on"),
        return_by=value(day, "return_by"),
        price_per_reed=value(decimal, "price_per_reed"),
        strength=text(form, "strength"),
    )
    return entry, wrong


def _ask(request: Request, now: Lot, entry: LotEntry) -> Response:
    """The old beside the new, as far as they differ, and one button that goes on."""
    currency = desk_of(request).settings.currency
    rows = [
        (DETAILS[name], *(lot_detail_words(name, getattr(of, name), currency) for of in (now, entry)))
        for name in entry.differs(now)
    ]
    sent = {FIELDS[name]: value for name, value in typed_as(entry).items()}
    return page(request, "change_lot.html", lot=now, rows=rows, sent=sent, seen=fingerprint(now))
