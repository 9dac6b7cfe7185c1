"""The page of one reed: what is known, what changed, and the forms to enter what hands and ears found."""

from datetime import date, datetime, timedelta
from typing import cast

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.advice.decide import decide
from aperture.book.advice.facts import soak_change, soak_times, squeeze_change
from aperture.book.advice.rules import CAUTIONS, FOLLOWED_BY, SQUEEZE_CAUTION, advise
from aperture.book.advice.soak_trend import soak_trend
from aperture.book.present.words import recorded, seen_words, soaking_words
from aperture.book.store.ledger import Book
from aperture.book.store.records import ACTIONS, FAULTS, RESPONSES, Action, Entry, History, Reed, short_code
from aperture.card.geometry import FACES, Face
from aperture.correction import MARK
from aperture.desk.pages.fields import about, code, decimal, reed_in_address, said_beside, text
from aperture.desk.pages.latest import latest_pair
from aperture.desk.pages.plots import Plot, Point, plot
from aperture.desk.web import desk_of, desk_only, page, redirect, with_form
from aperture.errors import BookError
from aperture.present.report import NAMES, UNITS, below_words, change_lines
from aperture.verdict import Change

# Nobody squeezes, photographs and squeezes again within this time.
ONE_SQUEEZE = timedelta(seconds=10)


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
        pair=latest_pair(history),
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
@said_beside(reed, "details")
def change_reed(request: Request, form: FormData) -> Response:
    """A reed's lot, place and player as its page has them; what is empty there is not known any more."""
    with desk_of(request).open_book() as book:
        this = book.reed(reed_in_address(request))
        slot, player = code(form, "slot", "A slot"), code(form, "player", "A player")
        book.change_reed(this, text(form, "lot"), slot, player)
    return redirect(
        f"/reed/{this.number}", f"Reed {this.number}: lot, place and player, saved.", book.entered
    )


@desk_only
@with_form
@said_beside(reed, "check")
def enter_check(request: Request, form: FormData) -> Response:
    """A check by hand."""
    faults = {name: form[name] == "yes" for name in FAULTS if form.get(name) in ("yes", "no")}
    cents = decimal(form, "cents")
    with desk_of(request).open_book() as book:
        this = book.reed(reed_in_address(request))
        if not faults and cents is None and not text(form, "response") and not text(form, "note"):
            raise BookError("book-entry-wrong", "nothing was looked at")
        response, note, by = text(form, "response"), text(form, "note"), code(form, "by", "Who checked")
        book.add_check(this, book.now(this), faults, response, cents, note, by)
    return redirect(f"/reed/{this.number}", f"Reed {this.number}: check by hand, saved.", book.entered)


@desk_only
@with_form
@said_beside(reed, "squeeze")
def enter_squeeze(request: Request, form: FormData) -> Response:
    """A squeeze; a button that was pressed twice is one."""
    now = datetime.now()
    with desk_of(request).open_book() as book, book.writing():
        this = book.reed(reed_in_address(request))
        if not any(abs(now - squeeze.done_at) < ONE_SQUEEZE for squeeze in book.history(this).squeezes):
            book.add_squeeze(this, book.now(this), by=code(form, "by", "Who squeezed"))
    return redirect(f"/reed/{this.number}", f"Reed {this.number}: squeezed, saved.", book.entered)


@desk_only
@with_form
@said_beside(reed, "decision")
def enter_decision(request: Request, form: FormData) -> Response:
    """A decision; against the advice it needs a reason."""
    desk = desk_of(request)
    with desk.open_book() as book:
        this = book.reed(reed_in_address(request))
        action = cast("Action", text(form, "action") or "")
        with about("by"):
            by, reason = short_code(text(form, "by") or "", "Who decides"), text(form, "reason")
        with about("action" if reason else "reason"):
            said = decide(book, this, action, by, reason, book.now(this), desk.settings)
    return redirect(f"/reed/{this.number}", f"{said} Saved.", book.entered)


routes = [
    Route("/reed/{number}", reed),
    Route("/reed/{number}/details", change_reed, methods=["POST"]),
    Route("/reed/{number}/check", enter_check, methods=["POST"]),
    Route("/reed/{number}/squeeze", enter_squeeze, methods=["POST"]),
    Route("/reed/{number}/decision", enter_decision, methods=["POST"]),
]


def _reed_asked_for(request: Request, book: Book) -> tuple[Reed, list[Reed]]:
    """The reed that a page is about, and all that have or had its number, the oldest first.

    It is the one that has the number now, or had it last; or, named by its id, an earlier one.
    """
    number, earlier = reed_in_address(request), request.query_params.get("id", "")
    last = book.reed(number)
    same_number = book.reeds_with_number(number)
    return next((reed for reed in same_number if str(reed.id) == earlier), last), same_number


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
