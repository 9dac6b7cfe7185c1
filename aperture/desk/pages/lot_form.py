"""A lot is entered, or changed: first what cannot be is said beside its field, then what it would change."""

from dataclasses import asdict

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.present.words import lot_detail_words
from aperture.book.store.lot_entry import DETAILS, LotEntry, fingerprint, mistakes
from aperture.book.store.records import Lot
from aperture.desk.pages.fields import FieldErrors, Reader, day, decimal, each, said_beside, text
from aperture.desk.pages.lots import FIELDS, FORM, lots, typed_as
from aperture.desk.web import desk_of, desk_only, page, redirect, with_form

# What reads the fields that are no text.
_READ: dict[str, Reader] = {"ordered_on": day, "return_by": day, "price_per_reed": decimal}


@desk_only
@with_form
@said_beside(lots, FORM)
def enter_lot(request: Request, form: FormData) -> Response:
    """A lot; or of one that is there, its details again, once that was asked.

    What is empty stays as it was, but in the form that showed how it was: there it is not known any more.
    """
    typed, unread = each(form, {sent_as: _READ.get(name, text) for name, sent_as in FIELDS.items()})
    said = LotEntry(**{name: typed[sent_as] for name, sent_as in FIELDS.items()})
    with desk_of(request).open_book() as book, book.writing():
        code = said.code or ""
        now = book.lot(code) if code and book.has_lot(code) else None
        entry = said if now is None or form.get("change") == "yes" else said.over(now)
        found = mistakes(entry)
        # What could not be read is said before what it would mean.
        wrong = {FIELDS[name]: found[name] for name in FIELDS if name in found} | unread
        if wrong:
            raise FieldErrors(
                400, {sent_as: wrong[sent_as] for sent_as in FIELDS.values() if sent_as in wrong}
            )
        if now is None or form.get("seen") == fingerprint(now):
            entered = book.add_lot(**asdict(entry))
            return redirect("/lots", f"Lot {entered.code} is in the book.", book.entered)
    if not entry.differs(now):
        return redirect("/lots", f"Lot {now.code} is in the book.")
    return _ask(request, now, entry)


routes = [Route("/lots", enter_lot, methods=["POST"])]


def _ask(request: Request, now: Lot, entry: LotEntry) -> Response:
    """The old beside the new, as far as they differ, and one button that goes on."""
    currency = desk_of(request).settings.currency
    rows = [
        (DETAILS[name], *(lot_detail_words(name, getattr(of, name), currency) for of in (now, entry)))
        for name in entry.differs(now)
    ]
    sent = {FIELDS[name]: value for name, value in typed_as(entry).items()}
    return page(request, "change_lot.html", lot=now, rows=rows, sent=sent, seen=fingerprint(now))
