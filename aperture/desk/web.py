"""What all pages share: the desk they belong to, who is asking, the page's frame, forms that are safe."""

import secrets
import time
from collections import defaultdict
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import partial, wraps
from inspect import iscoroutinefunction
from pathlib import Path
from typing import Any, ParamSpec, Protocol, cast

from anyio import CapacityLimiter, to_thread
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import Scope

from aperture import __version__
from aperture.book.advice.rules import Advised, advise
from aperture.book.store.ledger import Book
from aperture.book.store.records import History
from aperture.book.store.withdrawals import Entered
from aperture.desk.intake.arrivals import Arrivals
from aperture.desk.intake.folder import FolderWatch
from aperture.desk.intake.work import Done, GaugeOrder, Order, Turn, book_refuses
from aperture.desk.refused import refused_in
from aperture.desk.security.access import Access, Session
from aperture.desk.wording import explained, page_words, plain
from aperture.errors import BookError
from aperture.settings import Settings

HERE = Path(__file__).parent

# Who writes to the book holds it for milliseconds; a page that waits longer says so.
LOCK_WAIT_SECONDS = 1.0
# So many threads work for phones at once; the desk's own browser has others.
CAMERA_THREADS = 8
# Not to be shown without asking this desk again, but when somebody goes back (RFC 9111, 5.2.2.4, 5.2.2.7).
BACK = "private, no-cache"
# So long something that was entered can be undone.
UNDO_SECONDS = 60.0

# What makes a page out of a request: in a thread, or, if it waits for something to come, in the event loop.
Maker = Callable[[Request], Response]
Handler = Callable[[Request], Awaitable[Response]]
# The same with the form that was sent, and came from one of our own pages.
FormMaker = Callable[[Request, FormData], Response]
P = ParamSpec("P")

_pages = Environment(
    loader=FileSystemLoader(HERE / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    finalize=page_words,
    trim_blocks=True,
    lstrip_blocks=True,
)
_pages.filters |= {"explained": explained, "plain": plain}


class TakesPhotos(Protocol):
    """Takes photos into the book."""

    def take(self, order: Order | GaugeOrder, turn: Turn | None = None) -> Done:
        """Take one in, or check one of a gauge; what became of it. `turn` waits until it may be entered."""

    def is_whole(self, photo: Path) -> bool:
        """Whether a file can be read as a photo from its beginning to its end."""

    def close(self) -> None:
        """Give up the one that is being taken in."""


class _NobodyTakes:
    """Of a desk that does not run."""

    def take(self, order: Order | GaugeOrder, turn: Turn | None = None) -> Done:
        raise RuntimeError("this desk has no worker")

    def is_whole(self, photo: Path) -> bool:
        raise RuntimeError("this desk has no worker")

    def close(self) -> None:
        """Nothing is being taken in."""


@dataclass(frozen=True)
class Undo:
    """What can be undone: what was said of it, the rows that it entered, where to go then, and until when."""

    words: str
    entered: Sequence[Entered]
    back: str
    ends: float


@dataclass(frozen=True)
class Line:
    """What happened, in words, for the next page; `undo` is the key of what can be undone, or None."""

    words: str
    undo: str | None = None


@dataclass
class State:
    """What a desk keeps in memory while it runs.

    `worker` takes photos in, `taking` lets one of a phone go to it at a time, in the order in which they
    came. `arrivals` takes those of an import in, and those of the folder that is watched (`watch`). `threads`
    are those that work for phones. `histories` are all reeds that are here and the book's last seal when
    they were read; `advised` is what that day was advised, by the reed's id,
    `counts` are those in the menu, and what they rest on. By the key of the session that sent them: `sent`
    are hashes of photos, `recent` what became of the last ones, `lines` what its next page says has happened,
    `undos` what can be undone, by a key of its own. `clock` are seconds that only go forward. By the photo's
    hash: `soaks` are the timer's seconds, `small` small pictures. `soaked` says of which reed a soak was, by
    the session's key and the soak's name; 0 for a reed that nobody named. `door` is the file that leads the
    browser in, as long as it is there. `has_book`: the book was open once. `gauge` is what the last photo of
    a gauge gave, until it was shown.
    """

    worker: TakesPhotos = field(default_factory=_NobodyTakes)
    arrivals: Arrivals = field(default_factory=lambda: Arrivals(_NobodyTakes().take, 1))
    watch: FolderWatch | None = None
    taking: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(1))
    threads: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(CAMERA_THREADS))
    histories: tuple[tuple[int, str], list[History]] | None = None
    advised: tuple[date, dict[int, tuple[History, Advised]]] | None = None
    counts: tuple[object, Mapping[str, int]] | None = None
    sent: defaultdict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    recent: defaultdict[str, list[Done]] = field(default_factory=lambda: defaultdict(list))
    lines: dict[str, Line] = field(default_factory=dict)
    undos: defaultdict[str, dict[str, Undo]] = field(default_factory=lambda: defaultdict(dict))
    clock: Callable[[], float] = time.monotonic
    soaks: dict[str, float] = field(default_factory=dict)
    soaked: dict[tuple[str, str], int] = field(default_factory=dict)
    small: dict[str, bytes] = field(default_factory=dict)
    door: Path | None = None
    has_book: bool = False
    gauge: Done | None = None


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
    state: State = field(default_factory=State)

    @property
    def port(self) -> str:
        """Where it listens."""
        return self.address.rpartition(":")[2]

    @property
    def cookie(self) -> str:
        """The name of its cookie. Browsers send a cookie to all ports of a host: two desks need two names."""
        return f"aperture_desk_{self.port}"

    def open_book(self) -> Book:
        """The book, open; each request opens its own, in the thread in which it works.

        Only where there is none yet is one begun: one that is there can be read from a full disk, too. One
        that goes away while the desk runs is said to be missing: an empty one in its place would look as if
        all reeds were lost.
        """
        missing = not self.book_path.is_file() or self.book_path.stat().st_size == 0
        create = missing and not self.state.has_book
        book = Book(self.book_path, create=create, wait_seconds=LOCK_WAIT_SECONDS)
        self.state.has_book = True
        return book

    def take(self, order: Order | GaugeOrder, turn: Turn | None = None) -> Done:
        """Let the worker take a photo in, as `TakesPhotos.take`; not into a new book where one was."""
        if self.state.has_book and not self.book_path.is_file():
            return book_refuses(BookError("book-missing", str(self.book_path)))
        worker = self.state.worker
        return worker.take(order, turn) if turn is not None else worker.take(order)


def histories_here(desk: Desk, book: Book) -> list[History]:
    """Everything about the reeds that are here, but for outlines; of those only about which something was
    entered since it is read again. What stayed the same is the same object."""
    seal, kept = book.last_seal(), desk.state.histories
    if kept is not None and kept[0] == seal:
        return kept[1]
    changed = book.reeds_since(kept[0]) if kept is not None else None
    if kept is None or changed is None:
        histories = book.histories(here=True, outlines=False)
    else:
        again = [reed for reed in book.reeds(here=True) if reed.id in changed]
        histories = [history for history in kept[1] if history.reed.id not in changed]
        histories += book.histories_of(again, outlines=False)
        histories.sort(key=lambda history: (history.reed.number, history.reed.id))
    desk.state.histories = (seal, histories) if seal is not None else None
    return histories


def told_here(desk: Desk, book: Book, today: date) -> list[tuple[History, Advised]]:
    """What is advised today for the reeds that are here; worked out again for those that have changed."""
    day, before = desk.state.advised or (today, {})
    told = {}
    for history in histories_here(desk, book):
        known = before.get(history.reed.id) if day == today else None
        if known is None or known[0] is not history:
            known = history, advise(history, desk.settings.soaking, today)
        told[history.reed.id] = known
    desk.state.advised = today, told
    return [*told.values()]


def desk_of(request: Request) -> Desk:
    """The desk that a request belongs to."""
    desk: Desk = request.app.state.desk
    return desk


def session_of(request: Request) -> Session | None:
    """Who is asking; None if nobody known."""
    return session_in(desk_of(request), request.scope)


def session_in(desk: Desk, scope: Scope) -> Session | None:
    """The same of a request that has not reached its page yet."""
    return desk.access.session(HTTPConnection(scope).cookies.get(desk.cookie))


def desk_only(maker: Maker | Handler) -> Handler:
    """Only the desk's own browser comes in."""
    return _guarded(maker, ("desk",))


def cameras_too(maker: Maker | Handler) -> Handler:
    """The desk's own browser and phones that were let in."""
    return _guarded(maker, ("desk", "camera"))


def with_form(maker: FormMaker) -> Handler:
    """What gets the form, too, which came from one of our own pages."""

    @wraps(maker)
    async def handler(request: Request) -> Response:
        return await in_thread(request, maker, request, await safe_form(request))

    return handler


async def in_thread(
    request: Request, maker: Callable[P, Response], *args: P.args, **kwargs: P.kwargs
) -> Response:
    """What is made in a thread: whoever waits there, for the disk or for who holds the book, delays no other.

    Phones have threads of their own, so that they cannot take those of the desk's own browser.
    """
    session, state = session_of(request), desk_of(request).state
    limiter = state.threads if session is not None and session.role == "camera" else None
    return await to_thread.run_sync(lambda: maker(*args, **kwargs), limiter=limiter)


def page(request: Request, template: str, status: int = 200, **facts: Any) -> HTMLResponse:
    """A page made from a template; `facts` are its variables. Everything in them is escaped."""
    session, state = session_of(request), desk_of(request).state
    words = _pages.get_template(template).render(
        session=session,
        said_once=lambda: state.lines.pop(session.key, None) if session else None,
        typed_in=partial(refused_in, request),
        # A page that says what went wrong must not go wrong over its menu.
        counts=lambda: request.app.state.counts(desk_of(request)) if status < 400 else {},
        csrf=session.csrf if session else "",
        here=request.url.path,
        version=__version__,
        **facts,
    )
    # A page that shows a form again can be come back to: else Back leads to a page of the browser's own, and
    # what was typed is gone.
    return HTMLResponse(words, status, {"Cache-Control": BACK} if request.method == "POST" else None)


async def safe_form(request: Request, files: int = 0) -> FormData:
    """The form that was sent, if it came from one of our own pages.

    Raises
    ------
    HTTPException : 403, it did not; 400, it is no form, or has too much in it.
    """
    try:
        form = await request.form(max_files=files, max_fields=60, max_part_size=64 * 1024)
    except HTTPException as error:
        if error.status_code != 400:
            raise
        raise HTTPException(
            400, "What came is no form of this desk, or has too much in it. Nothing was written."
        ) from error
    try:
        check_csrf(request, str(form.get("csrf", "")))
    except HTTPException:
        await form.close()
        raise
    return form


class PageTooOldError(HTTPException):
    """A form came from a page that was opened before its browser was let in: by nobody known, or by another
    session. It is offered to be sent again."""


def check_csrf(request: Request, given: str) -> None:
    """Raise PageTooOldError 403 unless the session's own secret came with the request."""
    session = session_of(request)
    if session is None or given != session.csrf:
        raise PageTooOldError(403, "This page is too old. Load it again.")


class Redirect(RedirectResponse):
    """To the page that is looked at next, and what that says at its top; see `redirect`."""

    def __init__(self, path: str, words: str, entered: Sequence[Entered], back: str) -> None:
        super().__init__(path, 303)
        self.words, self.entered, self.back = words, entered, back


def redirect(path: str, say: str = "", undo: Sequence[Entered] = (), back: str | None = None) -> Redirect:
    """After something was changed: look at this page next.

    Parameters
    ----------
    path : of the page.
    say : what happened, in a sentence: it stands at the top of the next page, once.
    undo : what was entered (`Book.entered`): with it there is a button *Undo*, for `UNDO_SECONDS`.
    back : the page to look at when it was undone; if it is not given, `path`.
    """
    return Redirect(path, say, undo, back or path)


def _remember(state: State, session: Session, answer: Redirect) -> None:
    """Keep what the next page of a session says, and what can be undone."""
    now, last = state.clock(), state.lines.get(session.key)
    undos = {key: one for key, one in state.undos[session.key].items() if now < one.ends}
    state.undos[session.key] = undos
    if not answer.words:
        return
    if answer.entered:
        key = secrets.token_urlsafe(8)
        undos[key] = Undo(answer.words, answer.entered, answer.back, now + UNDO_SECONDS)
        state.lines[session.key] = Line(answer.words, key)
    elif last is None or last.words != answer.words:  # else a button was pressed twice: once it entered
        state.lines[session.key] = Line(answer.words)


def _guarded(maker: Maker | Handler, roles: tuple[str, ...]) -> Handler:
    @wraps(maker)
    async def guarded(request: Request) -> Response:
        session = session_of(request)
        if session is None:
            raise PageTooOldError(
                401, "This desk does not know you. Open it from the program, or scan the code."
            )
        if session.role not in roles:
            raise HTTPException(403, "A phone sees its own photos only.")
        if iscoroutinefunction(maker):
            answer = cast("Response", await maker(request))
        else:
            answer = await in_thread(request, cast("Maker", maker), request)
        if isinstance(answer, Redirect):
            _remember(desk_of(request).state, session, answer)
        return answer

    return guarded
