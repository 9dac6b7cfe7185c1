"""The book's pages: the tray of reeds, one reed with its forms, what is due, lots and orders, an import."""

from datetime import date, datetime
from typing import cast

from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from aperture.book.decide import decide
from aperture.book.due import HEADINGS, due
from aperture.book.facts import soak_change, soak_times, squeeze_change
from aperture.book.lot_record import lot_records, of_source, reasons_for_seller
from aperture.book.order_plan import plan_order
from aperture.book.records import ACTIONS, FAULTS, RESPONSES, Action, Entry, History
from aperture.book.return_sheet import return_sheet
from aperture.book.rules import CAUTIONS, SQUEEZE_CAUTION, Advised, advise, advise_all
from aperture.book.shares import cost_per_usable, share
from aperture.book.soak_trend import soak_trend
from aperture.book.words import cost_words, recorded, share_words, soaking_words
from aperture.card import CARD, FACES
from aperture.desk.plots import Plot, Point, plot
from aperture.desk.tips import tip_view
from aperture.desk.uploads import received, stored, take
from aperture.desk.web import desk_of, desk_only, page, safe_form, see
from aperture.errors import BookError
from aperture.report import NAMES, UNITS, change_lines
from aperture.verdict import Change

MOST_FILES = 200


@desk_only
async def reeds(request: Request) -> Response:
    """The tray: every reed with its small picture and class."""
    everything = request.query_params.get("all") == "1"
    told = [(history, advised) for history, advised in _told(request) if everything or not history.gone]
    tray = [
        {
            "reed": history.reed,
            "gone": history.gone,
            "decided": history.decision.action if history.decision else None,
            "next": advised.action,
            "states": [(state, history.latest(state)) for state in ("dry", "soaked")],
            "view": _view(history.latest("soaked") or history.latest("dry")),
        }
        for history, advised in told
    ]
    return page(request, "reeds.html", tray=tray, everything=everything, most=CARD.reed_tags.count)


@desk_only
async def reed(request: Request) -> Response:
    """Everything about one reed, and the forms to enter what hands and ears found."""
    desk, today = desk_of(request), date.today()
    with desk.open_book() as book:
        history = book.history(book.reed(_reed_number(request)))
        lots = [lot.code for lot in book.lots()]
    advised = advise(history, desk.settings.soaking, today)
    pair = [(state, history.latest(state)) for state in ("dry", "soaked")]
    return page(
        request,
        "reed.html",
        history=history,
        advised=advised,
        cautions=advised.cautions or CAUTIONS,
        squeeze_caution=SQUEEZE_CAUTION,
        pair=[(state, entry, _view(entry)) for state, entry in pair],
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
async def enter_reed(request: Request) -> Response:
    """A new reed, or a reed's lot, place and player anew."""
    form = await safe_form(request)
    number = int(_text(form, "number") or 0)
    with desk_of(request).open_book() as book, book.writing():
        known = book.reeds_with_number(number)
        details = (_text(form, "lot"), _text(form, "slot"), _text(form, "player"))
        if known and not book.is_gone(known[-1]):
            book.change_reed(known[-1], *details)
        else:
            book.add_reed(number, *details)
    return see(f"/reed/{number}")


@desk_only
async def enter_check(request: Request) -> Response:
    """A check by hand."""
    form = await safe_form(request)
    faults = {name: form[name] == "yes" for name in FAULTS if form.get(name) in ("yes", "no")}
    cents = _decimal(form, "cents")
    with desk_of(request).open_book() as book:
        this = book.reed(_reed_number(request))
        if not faults and cents is None and not _text(form, "response") and not _text(form, "note"):
            raise BookError("book-entry-wrong", "nothing was looked at")
        book.add_check(
            this,
            datetime.now(),
            faults,
            _text(form, "response"),
            cents,
            _text(form, "note"),
            _text(form, "by"),
        )
    return see(f"/reed/{this.number}")


@desk_only
async def enter_squeeze(request: Request) -> Response:
    """A squeeze."""
    form = await safe_form(request)
    with desk_of(request).open_book() as book:
        this = book.reed(_reed_number(request))
        book.add_squeeze(this, datetime.now(), by=_text(form, "by"))
    return see(f"/reed/{this.number}")


@desk_only
async def enter_decision(request: Request) -> Response:
    """A decision; against the advice it needs a reason."""
    form = await safe_form(request)
    desk = desk_of(request)
    with desk.open_book() as book:
        this = book.reed(_reed_number(request))
        action = cast("Action", _text(form, "action") or "")
        by, reason = _text(form, "by") or "", _text(form, "reason")
        decide(book, this, action, by, reason, datetime.now(), desk.settings)
    return see(f"/reed/{this.number}")


@desk_only
async def due_page(request: Request) -> Response:
    """What is to be done today."""
    tasks = due(_told(request))
    with desk_of(request).open_book() as book:
        unfiled = book.unfiled()
    groups = [(heading, [task for task in tasks if task.kind == kind]) for kind, heading in HEADINGS.items()]
    groups = [(heading, mine) for heading, mine in groups if mine]
    return page(request, "due.html", groups=groups, unfiled=unfiled, today=date.today())


@desk_only
async def lots(request: Request) -> Response:
    """The lots, and how many reeds to order."""
    with desk_of(request).open_book() as book:
        records = lot_records(book.lots(), book.histories())
    rows = []
    for record in records:
        found, price = share(record.usable, record.judged), record.lot.price_per_reed
        cost = cost_per_usable(price, found) if price is not None else None
        rows.append((record, share_words(found), cost_words(cost)))
    sources = sorted({record.lot.source for record in records})
    need, sure = request.query_params.get("need", ""), request.query_params.get("sure", "90")
    source = request.query_params.get("source") or (sources[0] if sources else "")
    plan = None
    if need.isdecimal() and 1 <= int(need) <= 1000 and sure in ("80", "90", "95", "99"):
        mine = [(record.usable, record.judged) for record in of_source(records, source)]
        plan = plan_order(int(need), int(sure) / 100, mine)
    asked = {"need": need or "12", "sure": sure, "source": source}
    return page(request, "lots.html", rows=rows, sources=sources, plan=plan, asked=asked)


@desk_only
async def enter_lot(request: Request) -> Response:
    """A lot, or its details anew."""
    form = await safe_form(request)
    with desk_of(request).open_book() as book:
        book.add_lot(
            _text(form, "code") or "",
            _text(form, "source") or "",
            _day(form, "ordered_on"),
            _day(form, "return_by"),
            _decimal(form, "price"),
            _text(form, "strength"),
        )
    return see("/lots")


@desk_only
async def sheet(request: Request) -> Response:
    """The return sheet of a lot, a PDF."""
    with desk_of(request).open_book() as book:
        lot = book.lot(request.path_params["lot"])
        histories = book.histories()
        pdf = return_sheet(book, lot, histories, reasons_for_seller(histories), date.today())
    return Response(pdf, media_type="application/pdf")


@desk_only
async def import_page(request: Request) -> Response:
    """Where a folder of photos is dropped."""
    with desk_of(request).open_book() as book:
        codes = [lot.code for lot in book.lots()]
    return page(request, "import.html", lots=codes, done=None)


@desk_only
async def import_photo(request: Request) -> Response:
    """One photo of a folder, sent by our script."""
    lot = request.headers.get("x-lot") or None
    async with received(request) as photo:
        done = await take(request, photo, lot=lot)
    return JSONResponse({"name": photo.name, "what": done.what, "why": done.why})


@desk_only
async def import_photos(request: Request) -> Response:
    """The same without a script: several photos in one form."""
    form = await safe_form(request, files=MOST_FILES)
    done = []
    for upload in form.getlist("photos"):
        if isinstance(upload, UploadFile):
            async with stored(upload) as photo:
                done.append((photo.name, await take(request, photo, lot=_text(form, "lot"))))
    return page(request, "import.html", lots=[], done=done)


routes = [
    Route("/reeds", reeds),
    Route("/reeds", enter_reed, methods=["POST"]),
    Route("/reed/{number:int}", reed),
    Route("/reed/{number:int}/check", enter_check, methods=["POST"]),
    Route("/reed/{number:int}/squeeze", enter_squeeze, methods=["POST"]),
    Route("/reed/{number:int}/decision", enter_decision, methods=["POST"]),
    Route("/due", due_page),
    Route("/lots", lots),
    Route("/lots", enter_lot, methods=["POST"]),
    Route("/lot/{lot}/return-sheet.pdf", sheet),
    Route("/import", import_page),
    Route("/import", import_photos, methods=["POST"]),
    Route("/import/photo", import_photo, methods=["POST"]),
]


def _told(request: Request) -> list[tuple[History, Advised]]:
    desk = desk_of(request)
    with desk.open_book() as book:
        histories = book.histories()
    return advise_all(histories, desk.settings.soaking, date.today())


def _view(entry: Entry | None) -> object:
    return tip_view(entry.reading) if entry is not None else None


def _row(entry: Entry) -> dict[str, object]:
    """A photo's line in the table of a reed."""
    return {
        "entry": entry,
        "when": f"{entry.photo.when:%Y-%m-%d %H:%M}",
        "soaking": soaking_words(entry.filing.soaking),
        "seen": entry.reading.seen if entry.reading.measured else "refused",
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


def _plots(history: History) -> list[Plot]:
    """Height and area over time, and the soak that it needed."""
    plots = []
    for name in ("height_mm", "area_mm2"):
        points = [
            Point(entry.photo.when, entry.reading.record[name], entry.reading.record["u"][name], state)
            for state in FACES
            for entry in history.photos(state)
            if entry.reading.measured
        ]
        if len(points) > 1:
            plots.append(plot(NAMES[name].capitalize(), UNITS[name], points))
    times = [
        Point(datetime.combine(day, datetime.min.time()), seconds, 0.0, "soaked")
        for day, seconds in soak_times(history)
    ]
    if len(times) > 1:
        plots.append(plot("Soak it needed", "s", times))
    return plots


def _reed_number(request: Request) -> int:
    return int(request.path_params["number"])


def _text(form: FormData, name: str) -> str | None:
    """What was typed into a field; None for nothing."""
    value = form.get(name)
    return value.strip() or None if isinstance(value, str) else None


def _decimal(form: FormData, name: str) -> float | None:
    text = _text(form, name)
    try:
        return float(text.replace(",", ".").replace("−", "-")) if text else None
    except ValueError:
        raise BookError("book-entry-wrong", f"{text!r} is no number") from None


def _day(form: FormData, name: str) -> date | None:
    text = _text(form, name)
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise HTTPException(400, f"{text!r} is no date.") from None
