"""What all pages share: the desk they belong to, who is asking, the page's frame, forms that are safe."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from functools import wraps
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from aperture import __version__
from aperture.book.store.ledger import Book
from aperture.book.store.records import History
from aperture.desk.security.access import Access, Session
from aperture.desk.wording import page_words
from aperture.errors import ApertureError
from aperture.flags import FLAGS
from aperture.settings import Settings

HERE = Path(__file__).parent

Handler = Callable[[Request], Awaitable[Response]]

_pages = Environment(
    loader=FileSystemLoader(HERE / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    finalize=page_words,
    trim_blocks=True,
    lstrip_blocks=True,
)


@dataclass(frozen=True)
class Desk:
    """A running desk: the book it keeps, the settings it measures with, its doors.

    `lan_address` is the address, with port, that phones use; None if none are let in.
    """

    book_path: Path
    settings: Settings
    access: Access
    address: str
    lan_address: str | None = None
    # What the parts keep while the desk runs, by their own names.
    state: dict[str, Any] = field(default_factory=dict)

    @property
    def port(self) -> str:
        """Where it listens."""
        return self.address.rpartition(":")[2]

    @property
    def cookie(self) -> str:
        """The name of its cookie. Browsers send a cookie to all ports of a host: two desks need two names."""
        return f"aperture_desk_{self.port}"

    def open_book(self) -> Book:
        """The book, open; each request opens its own."""
        return Book(self.book_path, create=True)


def histories_here(desk: Desk, book: Book) -> list[History]:
    """Everything about the reeds that are here, but for outlines; read again only if the book has grown."""
    seal, kept = book.last_seal(), desk.state.get("histories")
    if kept is None or seal is None or kept[0] != seal:
        kept = desk.state["histories"] = (seal, book.histories(here=True, outlines=False))
    histories: list[History] = kept[1]
    return histories


def desk_of(request: Request) -> Desk:
    """The desk that a request belongs to."""
    desk: Desk = request.app.state.desk
    return desk


def session_of(request: Request) -> Session | None:
    """Who is asking; None if nobody known."""
    desk = desk_of(request)
    return desk.access.session(request.cookies.get(desk.cookie))


def desk_only(handler: Handler) -> Handler:
    """Only the desk's own browser comes in."""
    return _guarded(handler, ("desk",))


def cameras_too(handler: Handler) -> Handler:
    """The desk's own browser and phones that were let in."""
    return _guarded(handler, ("desk", "camera"))


def page(request: Request, template: str, status: int = 200, **facts: Any) -> HTMLResponse:
    """A page made from a template; `facts` are its variables. Everything in them is escaped."""
    session = session_of(request)
    words = _pages.get_template(template).render(
        session=session,
        csrf=session.csrf if session else "",
        here=request.url.path,
        version=__version__,
        **facts,
    )
    return HTMLResponse(words, status)


async def safe_form(request: Request, files: int = 0) -> FormData:
    """The form that was sent, if it came from one of our own pages.

    Raises
    ------
    HTTPException : 403, it did not; 400, it is no form, or has too much in it.
    """
    form = await request.form(max_files=files, max_fields=60, max_part_size=64 * 1024)
    try:
        check_csrf(request, str(form.get("csrf", "")))
    except HTTPException:
        await form.close()
        raise
    return form


def check_csrf(request: Request, given: str) -> None:
    """Raise HTTPException 403 unless the session's own secret came with the request."""
    session = session_of(request)
    if session is None or given != session.csrf:
        raise HTTPException(403, "This page is too old. Load it again.")


def redirect(path: str) -> RedirectResponse:
    """After something was changed: look at this page next."""
    return RedirectResponse(path, 303)


async def trouble_page(request: Request, error: Exception) -> Response:
    """Whatever goes wrong is said in words: on a page, or as JSON to a script that asks for that."""
    status, what, advice = _trouble(error)
    code = error.code if isinstance(error, ApertureError) else None
    if request.headers.get("accept") == "application/json":
        answer: Response = JSONResponse({"what": page_words(what), "advice": page_words(advice)}, status)
    else:
        answer = page(request, "trouble.html", status, what=what, advice=advice, code=code)
    if isinstance(error, HTTPException):
        answer.headers.update(error.headers or {})
    return answer


def _trouble(error: Exception) -> tuple[int, str, str]:
    """The status of the answer, what is wrong, and what to do."""
    if isinstance(error, HTTPException):
        return error.status_code, error.detail, ""
    if isinstance(error, ClientDisconnect):  # most likely there is nobody left to read this
        return 400, "The connection broke before all of it was here.", "Try again."
    if isinstance(error, ApertureError):
        flag = FLAGS[error.code]
        status = 404 if error.code in ("book-unknown", "book-missing") else 409
        return status, f"{flag.sentence} {error.detail}", flag.advice
    if isinstance(error, OSError):
        what = f"This computer's disk refuses: {error.strerror or error}."
        return 507, what, "Nothing was lost. Make room on the disk, then try again."
    what = f"The program failed, and the fault is the program's. {type(error).__name__}"
    return 500, what, "Nothing was lost. Go back and try again."


def _guarded(handler: Handler, roles: tuple[str, ...]) -> Handler:
    @wraps(handler)
    async def guarded(request: Request) -> Response:
        session = session_of(request)
        if session is None:
            raise HTTPException(
                401, "This desk does not know you. Open it from the program, or scan the code."
            )
        if session.role not in roles:
            raise HTTPException(403, "A phone sees its own photos only.")
        return await handler(request)

    return guarded
