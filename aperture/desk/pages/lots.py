"""Lots and orders: the record of each lot, how many reeds to order, the return sheet."""

from collections.abc import Mapping, Sequence
from datetime import date

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.orders.lot_record import LotRecord, lot_records, of_source, reasons_for_seller, sources_of
from aperture.book.orders.order_plan import MOST_NEEDED, OrderPlan, plan_order
from aperture.book.orders.shares import cost_per_usable, share
from aperture.book.present.return_sheet import GOING_BACK, return_sheet
from aperture.book.present.words import cost_words, price_words, share_words
from aperture.book.store.lot_entry import LotEntry
from aperture.book.store.records import Lot
from aperture.desk.web import desk_of, desk_only, page

# How sure one can ask to be of an order, in per cent.
SURE = ("80", "90", "95", "99")
# The fields of the form for a lot, by the names of `LotEntry`.
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
    return lots_page(request)


def lots_page(
    request: Request,
    typed: Mapping[str, str] | None = None,
    wrong: Mapping[str, str] | None = None,
    change: Lot | None = None,
) -> Response:
    """The page; with `typed` what somebody typed of a lot, and `wrong` what cannot be of it, in words.

    Both go by the names of `LotEntry`. `change` is the lot that the form is to change.
    """
    asked, currency = request.query_params, desk_of(request).settings.currency
    with desk_of(request).open_book() as book:
        fates = book.fates()
        records = lot_records(book.lots(), fates)
        if typed is None and asked.get("change"):
            change = book.lot(asked["change"])
        entered = book.lot(asked["entered"]).code if asked.get("entered") else None
    to_go = [one.lot.code for one in fates if one.lot and one.decision and one.decision.action in GOING_BACK]
    rows = []
    for record in records:
        found, price = share(record.usable, record.judged), record.lot.price_per_reed
        cost = cost_per_usable(price, found) if price is not None else None
        rows.append((record, share_words(found), price_words(price, currency), cost_words(cost, currency)))
    sources = sources_of(records)
    source = asked.get("source") or (sources[0] if sources else "")
    wanted = {"need": asked.get("need") or "12", "sure": asked.get("sure") or "90", "source": source}
    wrong_order = _wrong_order(**wanted) if "need" in asked else {}
    plan = _plan(records, **wanted) if "need" in asked and not wrong_order else None
    return page(
        request,
        "lots.html",
        400 if wrong or wrong_order else 200,
        to_go=to_go,
        rows=rows,
        sources=sources,
        plan=plan,
        asked=wanted,
        wrong_order=wrong_order,
        entered=entered,
        change=change,
        typed=typed or typed_as(change),
        wrong=wrong or {},
        sure=SURE,
        currency=currency,
    )


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
    Route("/lot/{lot}/return-sheet.pdf", sheet),
]


def typed_as(lot: Lot | LotEntry | None) -> dict[str, str]:
    """A lot as it stands in the form's fields, by the names of `LotEntry`; empty fields for none."""
    values = {name: getattr(lot, name, None) for name in FIELDS}
    if (price := values["price_per_reed"]) is not None:
        # All digits that there are, so that nobody changes it who only looks.
        values["price_per_reed"] = f"{price:.2f}" if price == round(price, 2) else repr(price)
    return {name: str(value) if value is not None else "" for name, value in values.items()}


def _wrong_order(need: str, sure: str, source: str) -> dict[str, str]:
    """What cannot be asked of an order, by the name of the field, in a sentence each."""
    wrong = {}
    if not (need.isdecimal() and len(need) <= 4 and 1 <= int(need) <= MOST_NEEDED):
        wrong["need"] = f"“{need}” is no number from 1 to {MOST_NEEDED}."
    if sure not in SURE:
        wrong["sure"] = f"“{sure}” % cannot be chosen."
    return wrong


def _plan(records: Sequence[LotRecord], need: str, sure: str, source: str) -> OrderPlan:
    """How many to order.

    Raises
    ------
    BookError : no lot came from that source.
    """
    # In a book without lots there is no source to choose; the plan says that nothing is known yet.
    mine = of_source(records, source) if records else []
    return plan_order(int(need), int(sure) / 100, [(record.usable, record.judged) for record in mine])
