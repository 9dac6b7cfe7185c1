"""Lots and orders: the record of each lot, how many reeds to order, the return sheet."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.orders.lot_record import (
    LotRecord,
    last_priced,
    lot_records,
    of_source,
    reasons_for_seller,
    sources_of,
)
from aperture.book.orders.order_plan import MOST_NEEDED, plan_order
from aperture.book.orders.shares import cost_per_usable, share
from aperture.book.present.order_words import order_answer
from aperture.book.present.return_sheet import GOING_BACK, return_sheet
from aperture.book.present.words import cost_words, price_words, share_words
from aperture.book.store.ledger import Book
from aperture.book.store.lot_entry import LotEntry
from aperture.book.store.records import Lot
from aperture.desk.pages.lot_drawings import order_curve, share_bar
from aperture.desk.refused import Refused, refused_in
from aperture.desk.web import desk_of, desk_only, page

# How sure one can ask to be of an order, in per cent.
SURE = ("80", "90", "95", "99")
# So many days before a lot can go back no more, they are counted.
DAYS_COUNTED = 100
# A defect in a page's words, where `lot_record` has a word too short to stand alone.
_REASON = {"other": "another reason"}
# The form for an order; that for a lot, and its fields by the names of `LotEntry`.
ORDER, FORM = "order", "lot"
FIELDS = {
    "code": "code",
    "source": "source",
    "ordered_on": "ordered_on",
    "return_by": "return_by",
    "price_per_reed": "price",
    "strength": "strength",
}


@desk_only
def lots(request: Request) -> Response:
    """The lots, how many reeds to order, and a form for a lot: empty, or with one that is to be changed."""
    asked, currency = request.query_params, desk_of(request).settings.currency
    with desk_of(request).open_book() as book:
        fates = book.fates()
        records = lot_records(book.lots(), fates)
        change = _to_change(request, book)
    to_go = {one.lot.id for one in fates if one.lot and one.decision and one.decision.action in GOING_BACK}
    sources = sources_of(records)
    source = asked.get("source") or (sources[0] if sources else "")
    wanted = {"need": asked.get("need") or "12", "sure": asked.get("sure") or "90", "source": source}
    refused = Refused(ORDER, asked, _wrong_order(**wanted) if "need" in asked else {})
    if refused:
        request.state.refused = refused
    order = _order(records, currency, **wanted) if "need" in asked and not refused else {}
    return page(
        request,
        "lots.html",
        400 if refused else 200,
        rows=[_row(record, record.lot.id in to_go, currency) for record in records],
        sources=sources,
        **{"plan": None, "answer": None, "drawing": None, **order},
        asked=wanted,
        change=change,
        now={FIELDS[name]: value for name, value in typed_as(change).items()},
        sure=SURE,
        currency=currency,
    )


@desk_only
def sheet(request: Request) -> Response:
    """The return sheet of a lot, a PDF."""
    desk = desk_of(request)
    with desk.open_book() as book:
        lot = book.lot(request.path_params["lot"])
        histories = book.histories(lot=lot.code)
        reasons = reasons_for_seller(histories)
        pdf = return_sheet(book, lot, histories, reasons, date.today(), currency=desk.settings.currency)
    return Response(pdf, media_type="application/pdf")


routes = [
    Route("/lots", lots),
    Route("/lot/{lot}/return-sheet.pdf", sheet),
]


def _to_change(request: Request, book: Book) -> Lot | None:
    """The lot that the form is to change; None for a new one.

    Raises
    ------
    BookError : there is no such lot.
    """
    asked, was = request.query_params.get("change"), refused_in(request, FORM)
    if was:
        code = was.value("code")
        return book.lot(code) if was.value("change") == "yes" and book.has_lot(code) else None
    return book.lot(asked) if asked else None


def typed_as(lot: Lot | LotEntry | None) -> dict[str, str]:
    """A lot as it stands in the form's fields, by the names of `LotEntry`; empty fields for none."""
    values = {name: getattr(lot, name, None) for name in FIELDS}
    if (price := values["price_per_reed"]) is not None:
        # All digits that there are, so that nobody changes it who only looks.
        values["price_per_reed"] = f"{price:.2f}" if price == round(price, 2) else repr(price)
    return {name: str(value) if value is not None else "" for name, value in values.items()}


def _wrong_order(need: str, sure: str, source: str) -> dict[str | None, str]:
    """What cannot be asked of an order, by the name of the field, in a sentence each."""
    wrong: dict[str | None, str] = {}
    if not (need.isdecimal() and len(need) <= 4 and 1 <= int(need) <= MOST_NEEDED):
        wrong["need"] = f"“{need}” is no number from 1 to {MOST_NEEDED}."
    if sure not in SURE:
        wrong["sure"] = f"“{sure}” % cannot be chosen."
    return wrong


def _row(record: LotRecord, goes_back: bool, currency: str) -> dict[str, Any]:
    """A lot's line in the table."""
    lot, found = record.lot, share(record.usable, record.judged)
    cost = cost_per_usable(lot.price_per_reed, found) if lot.price_per_reed is not None else None
    dates = [f"ordered {lot.ordered_on}" if lot.ordered_on else "", _until(lot.return_by)]
    also = [f"{count} × {_REASON.get(defect, defect)}" for defect, count in record.defects]
    also += [f"{record.undecided} not decided"] if record.undecided else []
    return {
        "lot": lot,
        "record": record,
        "dates": [words for words in dates if words],
        "goes_back": goes_back,
        "bar": share_bar(found),
        "share": share_words(found),
        "also": ", ".join(also),
        "price": price_words(lot.price_per_reed, currency) if cost else "price not known",
        "cost": cost_words(cost, currency) if cost and cost.estimate is not None else None,
    }


def _until(return_by: date | None) -> str:
    """Until when a lot can go back."""
    if return_by is None:
        return ""
    left = (return_by - date.today()).days
    if left < 0:
        return f"could go back until {return_by}"
    words = f"back until {return_by}"
    return f"{words}, {left} {'day' if left == 1 else 'days'} left" if left < DAYS_COUNTED else words


def _order(records: Sequence[LotRecord], currency: str, need: str, sure: str, source: str) -> dict[str, Any]:
    """How many to order: the plan, its short answer, its drawing.

    Raises
    ------
    BookError : no lot came from that source.
    """
    # In a book without lots there is no source to choose; the plan says that nothing is known yet.
    mine = of_source(records, source) if records else []
    plan = plan_order(int(need), int(sure) / 100, [(record.usable, record.judged) for record in mine])
    answer = order_answer(plan, last_priced(mine), currency)
    return {"plan": plan, "answer": answer, "drawing": order_curve(plan)}
