"""What is due: the things to do now, and photos of which nobody knows the reed or the state."""

from datetime import date

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.advice.due import HEADINGS, due
from aperture.book.advice.rules import advise_all
from aperture.desk.pages.leaves import leaf
from aperture.desk.pages.waiting import what_is_missing
from aperture.desk.web import desk_of, desk_only, histories_here, page

# So many things to do are on one page.
DUE = 60


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


routes = [
    Route("/due", due_page),
]
