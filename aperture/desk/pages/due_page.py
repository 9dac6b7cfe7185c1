"""The page to begin with: what is due, a row for each thing to do with the button that does it; what comes
next where nothing is; and in an empty book the first three steps."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import cast
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.advice.due import HEADINGS, Task, due
from aperture.book.advice.looking import photo_that_counts
from aperture.book.advice.rule import Step
from aperture.book.advice.rules import CAUTIONS_FOR, Advised
from aperture.book.present.words import days_left_words, recorded, seen_words
from aperture.book.store.ledger import Book
from aperture.book.store.records import Entry, History
from aperture.card.paper import PAPERS
from aperture.desk.pages.gauge import last_check
from aperture.desk.pages.leaves import leaf
from aperture.desk.pages.tips import TipView, tip_view
from aperture.desk.pages.waiting import queue, what_is_missing
from aperture.desk.web import Desk, desk_of, desk_only, page, told_here
from aperture.errors import BookError
from aperture.present.report import NAMES, UNITS

# So many things to do are on one page.
DUE = 60
# Where the print is checked, and what its bar measures is asked.
CHECK_PRINT = "/cards"
# Of the four numbers those that a ruler has, too.
MILLIMETRES = ("height_mm", "width_mm")

Told = Sequence[tuple[History, Advised]]


@dataclass(frozen=True)
class Button:
    """What does a thing that is due: its words and its address.

    `enters` is the reed's id, if pressing it enters at once that it was done with that reed.
    """

    words: str
    address: str
    enters: int | None = None


@dataclass(frozen=True)
class Row:
    """One thing to do, as the page shows it.

    `seen` is what the photo showed on which it rests, with its millimetres, `taken` the day of that; `left`
    is how many days there are. `button` does it, `after` is what can be said once it is done.
    """

    task: Task
    why: str
    view: TipView | None
    seen: str
    taken: date | None
    left: str
    button: Button
    after: Button | None = None


@desk_only
def due_page(request: Request) -> Response:
    """What is to be done today: for reeds, then with photos of which nobody knows the reed or the state."""
    desk, today = desk_of(request), date.today()
    with desk.open_book() as book:
        told = told_here(desk, book, today)
        tasks, unfiled = due(told), book.unfiled_hashes()
        this = leaf(request.query_params.get("page"), len(tasks) + len(unfiled), DUE)
        rows = _rows(desk, book, told, this.of(tasks), today)
        entries = book.entries(this.of(unfiled, before=len(tasks)))
        empty = not told and not unfiled and not book.reeds()
        waiting = len(queue(desk, book)) if not this.count else 0
        checked = last_check(book)
    groups = [(kind, [row for row in rows if row.task.kind == kind]) for kind in HEADINGS]
    return page(
        request,
        "due.html",
        groups=[(HEADINGS[kind], _cautions(kind, mine), mine) for kind, mine in groups if mine],
        unfiled=[(entry, what_is_missing(entry), tip_view(entry.reading)) for entry in entries],
        leaf=this,
        today=today,
        empty=empty,
        returns=_returns(told, today) if not this.count else [],
        waiting=waiting,
        checked=checked,
        checked_on=_day_words(checked.day, today) if checked is not None else "",
        photo=_photo_button(desk, "Photograph a reed"),
        papers=PAPERS,
        check_print=CHECK_PRINT,
        lan=desk.lan_address is not None,
    )


def counts(desk: Desk) -> Mapping[str, int]:
    """How many things are due and how many photos wait for eyes, by the page's address; for the menu.

    Nothing where the book cannot be read: the page says why.
    """
    today = date.today()
    try:
        with desk.open_book() as book:
            key = (book.last_seal(), today)
            if desk.state.counts is None or desk.state.counts[0] != key:
                tasks = due(told_here(desk, book, today))
                found = {
                    "/due": len(tasks) + len(book.unfiled_hashes()),
                    "/review": len(queue(desk, book)),
                }
                desk.state.counts = (key, found)
            return desk.state.counts[1]
    except (BookError, OSError):
        return {}


routes = [
    Route("/due", due_page),
]


def _rows(desk: Desk, book: Book, told: Told, tasks: Sequence[Task], today: date) -> list[Row]:
    """The rows of these tasks; only what is shown is read with its outlines."""
    about = {history.reed.number: (history, advised) for history, advised in told}
    resting = {task.reed: photo_that_counts(about[task.reed][0]) for task in tasks}
    shas = [entry.photo.sha256 for entry in resting.values() if entry is not None]
    drawn = {entry.photo.sha256: entry for entry in book.entries(shas)}
    rows = []
    for task in tasks:
        history, advised = about[task.reed]
        entry = resting[task.reed]
        entry = drawn[entry.photo.sha256] if entry is not None else None
        button, after = _buttons(desk, task, history, entry)
        rows.append(
            Row(
                task,
                advised.to_do.why,
                tip_view(entry.reading) if entry is not None else None,
                _seen(entry) if entry is not None else "No photo yet.",
                entry.photo.when.date() if entry is not None else None,
                days_left_words(task.until, today) if task.until is not None else "",
                button,
                after,
            )
        )
    return rows


def _cautions(kind: str, rows: Sequence[Row]) -> list[str]:
    """What is to be taken care of, but for what the rows say themselves."""
    said = [row.why for row in rows]
    return [caution for caution in CAUTIONS_FOR.get(cast("Step", kind), ()) if caution not in said]


def _seen(entry: Entry) -> str:
    """For example "Soaked: elliptical, height 0.83 ± 0.02 mm, width 6.78 ± 0.11 mm"."""
    state, record = entry.filing.state or "dry or soaked", entry.reading.record
    if not entry.reading.measured:
        return f"{state.capitalize()}: could not be measured"
    numbers = [f"{NAMES[name]} {recorded(record, name, UNITS[name])}" for name in MILLIMETRES]
    return f"{state.capitalize()}: {', '.join([seen_words(entry.reading), *numbers])}"


def _buttons(desk: Desk, task: Task, history: History, entry: Entry | None) -> tuple[Button, Button | None]:
    """What does it, and what can be said once it is done."""
    here = f"/reed/{task.reed}"
    decide = Button("Decide", f"{here}#decide")
    if task.kind == "send back" and history.decision is not None and history.decision.action == "send back":
        gone = Button("It was sent back", f"{here}#decide")
        if history.lot is None:
            return gone, None
        return Button("Print the sheet", f"/lot/{quote(history.lot.code, safe='')}/return-sheet.pdf"), gone
    if task.kind in ("photograph again", "soak", "dry and judge again"):
        return _photo_button(desk, "Photograph it"), None
    if task.kind == "squeeze":
        return Button("It was squeezed now", f"{here}/squeeze", enters=history.reed.id), None
    if task.kind == "look":
        return Button("Look at it", f"/review/{entry.photo.sha256}" if entry is not None else here), None
    if task.kind == "check by hand":
        return Button("Enter the check", f"{here}#check"), None
    if task.kind == "throw away":
        return Button("It was thrown away", f"{here}#decide"), None
    return decide, None


def _photo_button(desk: Desk, words: str) -> Button:
    """A phone as the camera where the desk lets phones in; else a photo that was copied here."""
    if desk.lan_address is not None:
        return Button(words, "/phone")
    return Button("Bring photos in" if words != "Photograph it" else "Bring its photo in", "/import")


def _day_words(day: date, today: date) -> str:
    """For example "12 November"; with its year where that is another one than today's."""
    year = "" if day.year == today.year else f" {day.year}"
    return f"{day.day} {day:%B}{year}"


def _returns(told: Told, today: date) -> list[tuple[str, int, str]]:
    """Lots that may still go back: the code, how many of its reeds are here, how many days are left."""
    found: dict[str, tuple[date, int]] = {}
    for history, _ in told:
        lot = history.lot
        if lot is not None and lot.return_by is not None and lot.return_by >= today:
            found[lot.code] = (lot.return_by, found.get(lot.code, (lot.return_by, 0))[1] + 1)
    by_day = sorted((until, code, count) for code, (until, count) in found.items())
    return [(code, count, days_left_words(until, today)) for until, code, count in by_day]
