"""The tray: every reed with its small pictures and class, and the form for a new one."""

from datetime import date, datetime

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.advice.rules import advise_all
from aperture.card.geometry import CARD
from aperture.desk.pages.fields import FieldError, code, reed_number, said_beside, text
from aperture.desk.pages.latest import latest_pair
from aperture.desk.pages.leaves import leaf
from aperture.desk.web import desk_of, desk_only, page, redirect, with_form

# So many reeds are on one page.
TRAY = 60


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
            "next": advised.to_do.action,
            "advised": advised.action if advised.beside else None,
            "pair": latest_pair(history),
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
@with_form
@said_beside(reeds, "reed")
def enter_reed(request: Request, form: FormData) -> Response:
    """A new reed; or of one that is here, its lot, place or player again. What is empty stays as it was."""
    number = reed_number(form, "number")
    if number is None:
        raise FieldError(400, "The reed's number is missing. Nothing was written.", "number")
    lot, slot, player = text(form, "lot"), code(form, "slot", "A slot"), code(form, "player", "A player")
    with desk_of(request).open_book() as book, book.writing():
        now = book.reed_at(number, datetime.now())
        if now is None:
            book.add_reed(number, lot, slot, player)
        else:
            book.change_reed(now, lot or now.lot, slot or now.slot, player or now.player)
    said = f"Reed {number}: {'made' if now is None else 'lot, place and player'}, saved."
    return redirect(f"/reed/{number}", said, book.entered, back="/reeds" if now is None else None)


routes = [
    Route("/reeds", reeds),
    Route("/reeds", enter_reed, methods=["POST"]),
]
