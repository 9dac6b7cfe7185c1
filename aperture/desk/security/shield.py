"""What stands before every page: which host was asked for, who asks, how much is sent and how slowly, and
strict headers."""

import asyncio
from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from aperture.desk.security.access import Session

# The largest photo of a phone, and room to spare.
MOST_BYTES = 60 * 2**20
# More at once than a few phones ask for; as many for all that nobody knows. Neither takes the places of the
# others, and the desk's own browser needs none.
MOST_AT_ONCE = 40
# Of one phone, or of one address that nobody knows. A browser asks six things at once (common practice, no
# published source).
MOST_OF_ONE = 10
# After so long it is worth asking again.
LATER_SECONDS = 2

HEADERS = {
    # Nothing from elsewhere, no script or style inside a page.
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self';"
        " form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # With "no-referrer" browsers would send no Origin, by which a request from another page is known.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}


@dataclass(frozen=True)
class Patience:
    """How slowly something may be sent: after the grace at least so fast on an average, and not for ever.

    The slowest phone on the worst network sends faster, and its page gives up at the end, too.
    """

    grace_seconds: float = 10.0
    bytes_a_second: float = 20_000.0
    end_seconds: float = 150.0


def _nobody(_: Scope) -> Session | None:
    return None


class Shield:
    """Turns away what no browser of ours would send.

    Parameters
    ----------
    app : what it stands before.
    hosts : the names, with port, under which the desk may be asked for: other names mean that somebody's
        web site points at this computer.
    session_in : whose request it is; None for nobody known.
    most_bytes : of one request.
    patience : with who sends slowly.
    """

    def __init__(
        self,
        app: ASGIApp,
        hosts: Collection[str],
        session_in: Callable[[Scope], Session | None] = _nobody,
        most_bytes: int = MOST_BYTES,
        patience: Patience | None = None,
    ) -> None:
        self._app, self._hosts, self._most_bytes = app, frozenset(hosts), most_bytes
        self._session_in, self._patience = session_in, patience or Patience()
        self._going: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return  # there are no web sockets here
        places = self._places(scope)
        trouble = self._trouble(scope, places)
        if trouble is not None:
            status, words = trouble
            later = {"Retry-After": str(LATER_SECONDS)} if status == 503 else {}
            await PlainTextResponse(words, status, HEADERS | later)(scope, receive, send)
            return
        body = _Body(receive, self._most_bytes, self._patience)

        async def send_strictly(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                # A page may say otherwise.
                said = {"Cache-Control": headers.get("Cache-Control", HEADERS["Cache-Control"])}
                headers.update(HEADERS | said)
            await send(message)

        self._going.update(places.keys())
        try:
            await self._app(scope, body, send_strictly)
        finally:
            self._going.subtract(places.keys())
            for place in places:
                if not self._going[place]:
                    del self._going[place]

    def _places(self, scope: Scope) -> dict[str, int]:
        """Of whom a request takes a place, and how many places those have."""
        session = self._session_in(scope)
        if session is not None and session.role == "desk":
            return {}
        if session is not None:
            return {"phones": MOST_AT_ONCE, session.key: MOST_OF_ONE}
        address, _ = scope.get("client") or (None, None)
        return {"strangers": MOST_AT_ONCE} | ({f"from {address}": MOST_OF_ONE} if address else {})

    def _trouble(self, scope: Scope, places: dict[str, int]) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self._hosts:
            return 421, "This desk does not answer to that name."
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "Not that way."
        if scope["method"] == "POST":
            origin = headers.get("origin", "")
            if origin.lower().removeprefix("http://") != headers["host"].lower():
                return 403, "This came from another page."
            length = headers.get("content-length", "")
            if not length.isdigit():
                return 411, "How long it is must be said before."
            if int(length) > self._most_bytes:
                return 413, "That is too large. Take the photo with the phone's normal photo size."
        if any(self._going[place] >= most for place, most in places.items()):
            return 503, "Too many ask at once. Try again in a moment."
        return None


class _Body:
    """Receives no more than was allowed, whatever was said before, and not too slowly."""

    def __init__(self, receive: Receive, most_bytes: int, patience: Patience) -> None:
        self._receive, self._left, self._patience = receive, most_bytes, patience
        self._began: float | None = None
        self._came, self._whole = 0, False

    async def __call__(self) -> Message:
        """The next part; HTTPException 408 (RFC 9110, 15.5.9) where it does not come in time."""
        if self._whole:  # whoever asks now waits for the connection to break
            return await self._receive()
        try:
            async with asyncio.timeout_at(self._until()):
                message = await self._receive()
        except TimeoutError:
            words = "That came too slowly. Go nearer to the network's box, then send it again."
            # What is left of it must not keep the connection open.
            raise HTTPException(408, words, {"Connection": "close"}) from None
        size = len(message.get("body", b""))
        self._came, self._left = self._came + size, self._left - size
        self._whole = not message.get("more_body", False)
        return message if self._left >= 0 else {"type": "http.disconnect"}

    def _until(self) -> float:
        """The event loop's time at which more must be here."""
        if self._began is None:
            self._began = asyncio.get_running_loop().time()
        allowed = self._patience.grace_seconds + self._came / self._patience.bytes_a_second
        return self._began + min(allowed, self._patience.end_seconds)
