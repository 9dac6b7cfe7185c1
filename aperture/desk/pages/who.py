"""Who works at this computer: a short code that its browser remembers, so that nobody types it twice."""

from urllib.parse import quote, unquote

from starlette.requests import Request
from starlette.responses import Response

from aperture.book.store.records import short_code
from aperture.errors import BookError

# Browsers give a cookie to all ports of a host: a desk that listens at another one knows it, too.
COOKIE = "aperture_who"
_YEAR_SECONDS = 365 * 24 * 3600


def remembered(request: Request) -> str:
    """The code that was typed last in this browser; empty if none was."""
    said = unquote(request.cookies.get(COOKIE, ""))
    try:
        return short_code(said, "Who it is")
    except BookError:
        return ""


def remember(answer: Response, code: str | None) -> Response:
    """The same answer; with it the browser remembers a code for a year. None is nothing to remember."""
    if code is not None:
        answer.set_cookie(COOKIE, quote(code), max_age=_YEAR_SECONDS, httponly=True, samesite="strict")
    return answer
