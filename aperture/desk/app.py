"""The desk's pages put together: which address shows what, and the shield before all of it."""

import asyncio
from contextlib import suppress

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from aperture.desk.intake.arrivals import Arrivals
from aperture.desk.intake.crew import at_once
from aperture.desk.pages import (
    cards,
    comparing,
    due_page,
    gauge,
    help,
    importing,
    lot_form,
    lots,
    one_reed,
    phone,
    picture,
    printing,
    review,
    snap,
    tray,
    trying,
    undo,
    watching,
    whole_photo,
)
from aperture.desk.security.access import CAMERA_SECONDS, Session
from aperture.desk.security.shield import Shield
from aperture.desk.troubles import trouble_page
from aperture.desk.web import HERE, Desk, desk_of, page, redirect, session_in, session_of
from aperture.errors import ApertureError

# A form of one line.
PAIR_SECONDS = 10.0


def create_app(desk: Desk) -> ASGIApp:
    """The desk as a web application.

    Parameters
    ----------
    desk : what it keeps; its two addresses are the only names that are answered to.
    """
    hosts = {desk.address, f"localhost:{desk.port}", f"127.0.0.1:{desk.port}"}
    if desk.lan_address is not None:
        hosts.add(desk.lan_address)
    app = Starlette(
        routes=[
            Route("/", start),
            Route("/open/{secret}", open_desk),
            Route("/pair/{secret}", pair_page),
            Route("/pair", pair, methods=["POST"]),
            *snap.routes,
            *review.routes,
            *trying.routes,
            *whole_photo.routes,
            *tray.routes,
            *undo.routes,
            *one_reed.routes,
            *due_page.routes,
            *printing.routes,
            *lots.routes,
            *lot_form.routes,
            *importing.routes,
            *watching.routes,
            *gauge.routes,
            *comparing.routes,
            *cards.routes,
            *picture.routes,
            *phone.routes,
            *help.routes,
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ],
        exception_handlers={
            HTTPException: trouble_page,
            ApertureError: trouble_page,
            ClientDisconnect: trouble_page,
            OSError: trouble_page,
            Exception: trouble_page,
        },
    )
    app.state.desk = desk
    desk.state.arrivals = Arrivals(desk.take, at_once(desk.settings))
    app.state.counts = due_page.counts
    return Shield(app, hosts, lambda scope: session_in(desk, scope))


async def start(request: Request) -> Response:
    """Where to begin: the desk sees what is due, a phone its camera."""
    session = session_of(request)
    if session is None:
        return page(request, "stranger.html", 401)
    return redirect("/due" if session.role == "desk" else "/snap")


async def open_desk(request: Request) -> Response:
    """The address that the program opens in this computer's browser, once."""
    session = session_of(request)
    if session is None or session.role != "desk":
        session = desk_of(request).access.open_desk(request.path_params["secret"], _address(request))
    if session is None:
        return page(request, "stranger.html", 401)
    state = desk_of(request).state
    if state.door is not None:
        with suppress(OSError):  # the desk tries again when it is closed
            state.door.unlink(missing_ok=True)
    # Not a redirect: whoever comes from a file, as the browser does, would not send a strict cookie on.
    return _let_in(request, session, page(request, "opened.html"), None)


async def pair_page(request: Request) -> Response:
    """What a phone sees that scanned the code: one button, so that a preview of the link lets nobody in."""
    return page(request, "pair.html", secret=request.path_params["secret"])


async def pair(request: Request) -> Response:
    """The button was pressed: let the phone in as a camera."""
    try:
        # Nobody known is asking: who sends it slowly must not stand in others' way.
        async with asyncio.timeout(PAIR_SECONDS):
            form = await request.form(max_files=0, max_fields=5, max_part_size=1024)
    except TimeoutError:
        raise HTTPException(408, "That took too long. Press the button again.") from None
    session = desk_of(request).access.pair(str(form.get("secret", "")), _address(request))
    if session is None:
        return page(request, "stranger.html", 401)
    return _let_in(request, session, redirect("/snap"), int(CAMERA_SECONDS))


def _address(request: Request) -> str:
    """Where somebody comes from."""
    return request.client.host if request.client is not None else ""


def _let_in(request: Request, session: Session, answer: Response, seconds: int | None) -> Response:
    answer.set_cookie(desk_of(request).cookie, session.key, max_age=seconds, httponly=True, samesite="strict")
    return answer
