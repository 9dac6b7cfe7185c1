"""What stands before every page: which host was asked for, who asks, how much is sent, and strict headers."""

from collections.abc import Collection

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# The largest photo of a phone, and room to spare.
MOST_BYTES = 60 * 2**20
# More pages at once than one person and a few phones ask for.
MOST_AT_ONCE = 40
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


class Shield:
    """Turns away what no browser of ours would send.

    Parameters
    ----------
    app : what it stands before.
    hosts : the names, with port, under which the desk may be asked for: other names mean that somebody's
        web site points at this computer.
    most_bytes : of one request.
    """

    def __init__(self, app: ASGIApp, hosts: Collection[str], most_bytes: int = MOST_BYTES) -> None:
        self._app, self._hosts, self._most_bytes = app, frozenset(hosts), most_bytes
        self._going = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return  # there are no web sockets here
        trouble = self._trouble(scope)
        if trouble is not None:
            status, words = trouble
            later = {"Retry-After": str(LATER_SECONDS)} if status == 503 else {}
            await PlainTextResponse(words, status, HEADERS | later)(scope, receive, send)
            return
        counted = _Counted(receive, self._most_bytes)

        async def send_strictly(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        self._going += 1
        try:
            await self._app(scope, counted, send_strictly)
        finally:
            self._going -= 1

    def _trouble(self, scope: Scope) -> tuple[int, str] | None:
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
        if self._going >= MOST_AT_ONCE:
            return 503, "Too many ask at once. Try again in a moment."
        return None


class _Counted:
    """Receives no more than was allowed, whatever was said before."""

    def __init__(self, receive: Receive, most_bytes: int) -> None:
        self._receive, self._left = receive, most_bytes

    async def __call__(self) -> Message:
        message = await self._receive()
        self._left -= len(message.get("body", b""))
        return message if self._left >= 0 else {"type": "http.disconnect"}
