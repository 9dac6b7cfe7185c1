"""The book's pages: the tray of reeds, one reed with its forms, what is due, lots and orders."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any, cast

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.advice.decide import decide
from aperture.book.advice.due import HEADINGS, due
from aperture.book.advice.facts import soak_change, soak_times, squeeze_change
from aperture.book.advice.rules import CAUTIONS, FOLLOWED_BY, SQUEEZE_CAUTION, advise, advise_all
from aperture.book.advice.soak_trend import soak_trend
from aperture.book.orders.lot_record import LotRecord, lot_records, of_source, reasons_for_seller
from aperture.book.orders.order_plan import MOST_NEEDED, OrderPlan, plan_order
from aperture.book.orders.shares import cost_per_usable, share
from aperture.book.present.return_sheet import GOING_BACK, return_sheet
from aperture.book.present.words import cost_words, recorded, seen_words, share_words, soaking_words
from aperture.book.store.ledger import Book
from aperture.book.store.records import ACTIONS, FAULTS, RESPONSES, Action, Entry, History, Reed
from aperture.card.geometry import CARD, FACES, Face
from aperture.correction import MARK
from aperture.desk.pages.fields import day, decimal, reed_in_address, reed_number, text
from aperture.desk.pages.leaves import leaf
from aperture.desk.pages.plots import Plot, Point, plot
from aperture.desk.pages.tips import tip_view
from aperture.desk.pages.waiting import what_is_missing, why_look
from aperture.desk.web import desk_of, desk_only, histories_here, page, redirect, with_form
from aperture.errors import BookError
from aperture.present.report import NAMES, UNITS, below_words, change_lines
from aperture.verdict import Change

# How sure one can ask to be of an order, in per cent.
SURE = ("80", "90", "95", "99")
# So many reeds are on one page of the tray, and so many things to do on one of what is due.
TRAY, DUE = 60, 60
# Nobody squeezes, photographs and squeezes again within this time.
ONE_SQUEEZE = timedelta(seconds=10)


@desk_only
def reeds(request: Request) -> Response:
    """The tray: every reed with its small pictures and class, so many on a page."""
    everything = request.query_params.get("all") == "1"
    desk = desk_of(request)
    with desk.open_book() as book:
        shown = book.reeds(here=not everything)
        this = leaf(request.query_params.get("page"), len(shown), TRAY)
        histories = book.histories_of(this.of(shown))
        lots = [lot.code for lot in book.lots()]
    told = advise_all(histories, desk.settings.soaking, date.today())
    latest = {reed.number: reed.id for reed in shown}
    tray = [
        {
            "reed": history.reed,
            "earlier": latest[history.reed.number] != history.reed.id,
            "gone": history.gone,
            "decided": history.decision.action if history.decision else None,
            "next": advised.action,
            "pair": _pair(history),
        }
        for history, advised in told
    ]
    return page(
        request,
        "reeds.html",
        tray=tray,
        everything=everything,
        leaf=this,
        lots=lots,
        most=CARD.reed_tags.count,
    )


@desk_only
def reed(request: Request) -> Response:
    """Everything about one reed, and the forms to enter what hands and ears found."""
    desk, today = desk_of(request), date.today()
    with desk.open_book() as book:
        this, same_number = _reed_asked_for(request, book)
        history = book.history(this)
        lots = [lot.code for lot in book.lots()]
    advised = advise(history, desk.settings.soaking, today)
    return page(
        request,
        "reed.html",
        history=history,
        others=[other for other in same_number if other != this],
        earlier=this != same_number[-1],
        advised=advised,
        needs_reason=advised.action in FOLLOWED_BY,
        cautions=advised.cautions or CAUTIONS,
        squeeze_caution=SQUEEZE_CAUTION,
        pair=_pair(history),
        rows=[_row(entry) for entry in history.entries],
        names=list(NAMES.values()),
        changes=_changes(history),
        trend=soak_trend(soak_times(history)),
        plots=_plots(history),
        faults=FAULTS,
        responses=RESPONSES,
        actions=ACTIONS,
        lots=lots,
    )


@desk_only
@with_form
def enter_reed(request: Request, form: FormData) -> Response:
    """A new reed; or of one that is here, its lot, place or player again. What is empty stays as it was."""
    number = reed_number(form, "number")
    if number is None:
        raise HTTPException(400, "The reed's number is missing. Nothing was written.")
    lot, slot, player = (text(form, name) for name in ("lot", "slot", "player"))
    with desk_of(request).open_book() as book, book.writing():
        now = book.reed_at(number, datetime.now())
        if now is None:
            book.add_reed(number, lot, slot, player)
        else:
            book.change_reed(now, lot or now.lot, slot or now.slot, player or now.player)
    return redirect(f"/reed/{number}")


@desk_only
@with_form
def change_reed(request: Request, form: FormData) -> Response:
    """A reed's lot, place and player as its page has them; what is empty there is not known any more."""
    with desk_of(request).open_book() as book:
        this = book.reed(reed_in_address(request))
        book.change_reed(this, text(form, "lot"), text(form, "slot"), text(form, "player"))
    return redirect(f"/reed/{this.number}")


@desk_only
@with_form
def enter_check(request: Request, form: FormData) -> Response:
    """A check by hand."""
    faults = {name: form[name] == "yes" for name in FAULTS if form.get(name) in ("yes", "no")}
    cents = decimal(form, "cents")
    with desk_of(request).open_book() as book:
        this = book.reed(reed_in_address(request))
        if not faults and cents is None and not text(form, "response") and not text(form, "note"):
            raise BookError("book-entry-wrong", "nothing was looked at")
        response, note, by = (text(form, name) for name in ("response", "note", "by"))
        book.add_check(this, book.now(this), faults, response, cents, note, by)
    return redirect(f"/reed/{this.number}")


@desk_only
@with_form
def enter_squeeze(request: Request, form: FormData) -> Response:
    """A squeeze; a button that was pressed twice is one."""
    now = datetime.now()
    with desk_of(request).open_book() as book, book.writing():
        this = book.reed(reed_in_address(request))
        if not any(abs(now - squeeze.done_at) < ONE_SQUEEZE for squeeze in book.history(this).squeezes):
            book.add_squeeze(this, book.now(this), by=text(form, "by"))
    return redirect(f"/reed/{this.number}")


@desk_only
@with_form
def enter_decision(request: Request, form: FormData) -> Response:
    """A decision; against the advice it needs a reason."""
    desk = desk_of(request)
    with desk.open_book() as book:
        this = book.reed(reed_in_address(request))
        action = cast("Action", text(form, "action") or "")
        by, reason = text(form, "by") or "", text(form, "reason")
        decide(book, this, action, by, reason, book.now(this), desk.settings)
    return redirect(f"/reed/{this.number}")


@desk_only
def due_page(request: Request) -> Response:
    """What is to be done today: for reeds, then with photos of which nobody knows the reed or the state."""
    desk = desk_of(request)
    with desk.open_book() as book:
        tasks = due(advise_all(histories_here(desk, book), desk.settings.soaking, date.today()))
        unfiled = book.unfiled_hashes()
        this = leaf(request.query_params.get("page"), len(tasks) + len(unfiled), DUE)
        entries = book.entries(this.of(unfiled, before=len(tasks)))
    shown = this.of(tasks)
    groups = [(heading, [task for task in shown if task.kind == kind]) for kind, heading in HEADINGS.items()]
    return page(
        request,
        "due.html",
        groups=[(heading, mine) for heading, mine in groups if mine],
        any_task=bool(tasks),
        unfiled=[(entry, what_is_missing(entry)) for entry in entries],
        leaf=this,
        today=date.today(),
    )


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
    return redirect("/lots")


@desk_only
def sheet(request: Request) -> Response:
    """The return sheet of a lot, a PDF."""
    with desk_of(request).open_book() as book:
        lot = book.lot(request.path_params["lot"])
        histories = book.histories(lot=lot.code)
        pdf = return_sheet(book, lot, histories, reasons_for_seller(histories), date.today())
    return Response(pdf, media_type="application/pdf")


routes = [
    Route("/reeds", reeds),
    Route("/reeds", enter_reed, methods=["POST"]),
    Route("/reed/{number}", reed),
    Route("/reed/{number}/details", change_reed, methods=["POST"]),
    Route("/reed/{number}/check", enter_check, methods=["POST"]),
    Route("/reed/{number}/squeeze", enter_squeeze, methods=["POST"]),
    Route("/reed/{number}/decision", enter_decision, methods=["POST"]),
    Route("/due", due_page),
    Route("/lots", lots),
    Route("/lots", enter_lot, methods=["POST"]),
    Route("/lot/{lot}/return-sheet.pdf", sheet),
]


def _reed_asked_for(request: Request, book: Book) -> tuple[Reed, list[Reed]]:
    """The reed that a page is about, and all that have or had its number, the oldest first.

    It is the one that has the number now, or had it last; or, named by its id, an earlier one.
    """
    number, earlier = reed_in_address(request), request.query_params.get("id", "")
    last = book.reed(number)
    same_number = book.reeds_with_number(number)
    return next((reed for reed in same_number if str(reed.id) == earlier), last), same_number


def _pair(history: History) -> list[dict[str, Any]]:
    """The latest photo dry and soaked, each with its class, what is drawn of it, and why to look at it."""
    latest = [(state, history.latest(state)) for state in FACES]
    return [
        {
            "state": state,
            "entry": entry,
            "seen": seen_words(entry.reading) if entry and entry.reading.measured else None,
            "view": tip_view(entry.reading) if entry else None,
            "look": why_look(history, entry) if entry else None,
        }
        for state, entry in latest
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


def _row(entry: Entry) -> dict[str, object]:
    """A photo's line in the table of a reed."""
    return {
        "entry": entry,
        "when": f"{entry.photo.when:%Y-%m-%d %H:%M}",
        "soaking": soaking_words(entry.filing.soaking),
        "seen": seen_words(entry.reading) if entry.reading.measured else "refused",
        "numbers": [recorded(entry.reading.record, name, UNITS[name]) for name in NAMES],
    }


def _changes(history: History) -> list[tuple[str, list[str]]]:
    """What soaking and each squeeze changed, in words."""
    found: list[tuple[str, Change | None]] = [("Soaking changed", soak_change(history))]
    found += [
        (f"The squeeze of {squeeze.done_at:%Y-%m-%d} changed", squeeze_change(history, squeeze))
        for squeeze in history.squeezes
    ]
    return [
        (
            heading,
            change_lines(changed)
            if changed is not None
            else ["There are no two photos to compare, before and after it in the same soak."],
        )
        for heading, changed in found
        if changed is not None or "squeeze" in heading
    ]


def _point(entry: Entry, name: str, state: Face) -> Point:
    """A measured photo in a plot; of a height that cannot be told the bar from 0 to below what it lies."""
    when, record = entry.photo.when, entry.reading.record
    below_mm = record.get("height_below_mm") if name == "height_mm" else None
    if below_mm is not None:
        return Point(when, below_mm / 2.0, below_mm / 2.0, state, below_words(below_mm, UNITS[name]))
    return Point(when, record[name], record["u"][name], state)


def _plots(history: History) -> list[Plot]:
    """Height and area over time, and the soak that it needed."""
    plots = []
    for name in ("height_mm", "area_mm2"):
        points = [
            _point(entry, name, state)
            for state in FACES
            for entry in history.photos(state)
            if entry.reading.measured
        ]
        if len(points) > 1:
            records = [entry.reading.record for entry in history.entries]
            corrected = name == "height_mm" and any(record.get("correction") for record in records)
            title = f"{NAMES[name].capitalize()} {MARK if corrected else ''}".rstrip()
            plots.append(plot(title, UNITS[name], points))
    times = [
        Point(datetime.combine(day, datetime.min.time()), seconds, 0.0, "soaked")
        for day, seconds in soak_times(history)
    ]
    if len(times) > 1:
        plots.append(plot("Soak it needed", "s", times))
    return plots
