"""Lots and orders: the record of each lot, how many reeds to order, the return sheet."""

from collections.abc import Sequence
from datetime import date

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.orders.lot_record import LotRecord, lot_records, of_source, reasons_for_seller
from aperture.book.orders.order_plan import MOST_NEEDED, OrderPlan, plan_order
from aperture.book.orders.shares import cost_per_usable, share
from aperture.book.present.return_sheet import GOING_BACK, return_sheet
from aperture.book.present.words import cost_words, share_words
from aperture.desk.pages.fields import day, decimal, text
from aperture.desk.web import desk_of, desk_only, page, redirect, with_form

# How sure one can ask to be of an order, in per cent.
SURE = ("80", "90", "95", "99")


@desk_only
def lots(request: Request) -> Response:
    """The lots, how many reeds to order, and a form for a lot: empty, or with one that is to be changed."""
    asked = request.query_params
    with desk_of(request).open_book() as book:
        fates = book.fates()
        records = lot_records(book.lots(), fates)
        change = book.lot(asked["change"]) if asked.get("change") else None
    to_go = [one.lot.code for one in fates if one.lot and one.decision and one.decision.action in GOING_BACK]
    rows = []
    for record in records:
        found, price = share(record.usable, record.judged), record.lot.price_per_reed
        cost = cost_per_usable(price, found) if price is not None else None
        rows.append((record, share_words(found), cost_words(cost)))
    sources = sorted({record.lot.source for record in records})
    source = asked.get("source") or (sources[0] if sources else "")
    wanted = {"need": asked.get("need") or "12", "sure": asked.get("sure") or "90", "source": source}
    plan = _plan(records, **wanted) if "need" in asked else None
    return page(
        request,
        "lots.html",
        to_go=to_go,
        rows=rows,
        sources=sources,
        plan=plan,
        asked=wanted,
        change=change,
        sure=SURE,
    )


@desk_only
@with_form
def enter_lot(request: Request, form: FormData) -> Response:
    """A lot; or of one that is there, its details again. What is empty stays as it was, but in the form that
    showed how it was: there it is not known any more."""
    code, source, strength = (text(form, name) for name in ("code", "source", "strength"))
    ordered_on, return_by, price = day(form, "ordered_on"), day(form, "return_by"), decimal(form, "price")
    with desk_of(request).open_book() as book, book.writing():
        now = next((lot for lot in book.lots() if lot.code.casefold() == (code or "").casefold()), None)
        if now is not None and form.get("change") != "yes":
            source, strength = source or now.source, strength or now.strength
            ordered_on, return_by = ordered_on or now.ordered_on, return_by or now.return_by
            price = now.price_per_reed if price is None else price
        book.add_lot(code or "", source or "", ordered_on, return_by, price, strength)
    return redirect("/lots", f"Lot {code}: saved.", book.entered)


@desk_only
def sheet(request: Request) -> Response:
    """The return sheet of a lot, a PDF."""
    with desk_of(request).open_book() as book:
        lot = book.lot(request.path_params["lot"])
        histories = book.histories(lot=lot.code)
        pdf = return_sheet(book, lot, histories, reasons_for_seller(histories), date.today())
    return Response(pdf, media_type="application/pdf")


routes = [
    Route("/lots", lots),
    Route("/lots", enter_lot, methods=["POST"]),
    Route("/lot/{lot}/return-sheet.pdf", sheet),
]


def _plan(records: Sequence[LotRecord], need: str, sure: str, source: str) -> OrderPlan:
    """How many to order.

    Raises
    ------
    HTTPException : 400, that cannot be asked.
    BookError : no lot came from that source.
    """
    if not (need.isdecimal() and len(need) <= 4 and 1 <= int(need) <= MOST_NEEDED):
        raise HTTPException(400, f"“{need}” usable reeds: say a number from 1 to {MOST_NEEDED}.")
    if sure not in SURE:
        raise HTTPException(400, f"“{sure}” % sure: choose {', '.join(SURE[:-1])} or {SURE[-1]}.")
    # In a book without lots there is no source to choose; the plan says that nothing is known yet.
    mine = of_source(records, source) if records else []
    return plan_order(int(need), int(sure) / 100, [(record.usable, record.judged) for record in mine])
