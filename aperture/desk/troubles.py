"""What went wrong with a request, in words: what it was, what to do, and where to go from there."""

import asyncio
import re
from http import HTTPStatus
from urllib.parse import urlsplit

from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from aperture.desk.security.shield import LATER_SECONDS
from aperture.desk.web import PageTooOldError, page, session_of
from aperture.desk.wording import page_words
from aperture.errors import ApertureError
from aperture.flags import FLAGS

# A form of a page has no more in it; whoever sends it slowly must not stand in others' way.
_MOST_BYTES, _FORM_SECONDS = 64 * 1024, 10.0
# What a page puts into a form by itself, and nobody typed.
_NOT_TYPED = {"asked", "came_back", "change", "csrf", "instead", "key", "make", "points", "reed_id", "say"}
_NOT_TYPED |= {"seen", "then", "upon", "was_lot", "was_slot", "was_player"}


async def trouble_page(request: Request, error: Exception) -> Response:
    """Whatever goes wrong is said in words: on a page, or as JSON to a script that asks for that."""
    status, what, advice = trouble(error)
    code = error.code if isinstance(error, ApertureError) else None
    if isinstance(error, PageTooOldError) and (sent := await _sent(request)):
        typed = [(name.replace("_", " "), said) for name, said in sent if said and name not in _NOT_TYPED]
        way = _ways_on(request, status)[-1]
        return page(request, "send_again.html", status, sent=sent, typed=typed, way=way)
    if what == HTTPStatus(status).phrase:  # what the library says that no page of ours has answered
        what, advice = _NO_PAGE.get(status, _NO_PAGE[400])
    if request.headers.get("accept") == "application/json":
        answer: Response = JSONResponse({"what": page_words(what), "advice": page_words(advice)}, status)
    else:
        facts = {"what": what, "advice": advice, "code": code, "ways": _ways_on(request, status)}
        answer = page(request, "trouble.html", status, heading=_HEADINGS.get(status, _FAILED), **facts)
    if isinstance(error, HTTPException):
        answer.headers.update(error.headers or {})
    if status == 503:
        answer.headers["Retry-After"] = str(LATER_SECONDS)
    return answer


async def _sent(request: Request) -> list[tuple[str, str]]:
    """The fields of the form that was sent, but for the page's secret; none if it is no form of text."""
    kind, length = request.headers.get("content-type", ""), request.headers.get("content-length", "")
    small = length.isdecimal() and int(length) <= _MOST_BYTES
    script = request.headers.get("accept") == "application/json"
    if (
        request.method != "POST"
        or not kind.startswith("application/x-www-form-urlencoded")
        or not small
        or script
    ):
        return []
    try:
        async with asyncio.timeout(_FORM_SECONDS):
            form = await request.form(max_files=0, max_fields=60, max_part_size=_MOST_BYTES)
    except (HTTPException, TimeoutError):
        return []
    return [(name, said) for name, said in form.multi_items() if isinstance(said, str) and name != "csrf"]


# RFC 9110, 15.5.5 and 15.6.4; what else the book refuses is a conflict with what it holds (15.5.10).
_STATUS = {"book-unknown": 404, "book-missing": 404, "book-busy": 503}
_FAILED = "That did not work"
_HEADINGS = {404: "It is not here", 405: "There is no page here", 403: "Not from here"}
_NO_PAGE = {
    400: ("What came is no request that this desk can read.", "Go back, load the page again, and try again."),
    404: (
        "This desk has no page with that address.",
        "It may have been mistyped, or be of another version. Every page is reached from the menu.",
    ),
    405: (
        "This address takes what was entered in a form; it shows no page of its own.",
        "Go back to the page with the form. What was saved before is saved.",
    ),
}


def trouble(error: Exception) -> tuple[int, str, str]:
    """The status of the answer, what is wrong, and what to do."""
    if isinstance(error, HTTPException):
        return error.status_code, error.detail, ""
    if isinstance(error, ClientDisconnect):  # most likely there is nobody left to read this
        return 400, "The connection broke before all of it was here.", "Try again."
    if isinstance(error, ApertureError):
        flag = FLAGS[error.code]
        status = _STATUS.get(error.code, 409)
        return status, f"{flag.sentence} {error.detail}", flag.advice
    if isinstance(error, OSError):
        what = f"This computer's disk refuses: {error.strerror or error}."
        return 507, what, "Nothing was lost. Make room on the disk, then try again."
    what = f"The program failed, and the fault is the program's. {type(error).__name__}"
    return 500, what, "Nothing was lost. Go back and try again."


def _ways_on(request: Request, status: int) -> list[tuple[str, str]]:
    """Where to go from a page that says what went wrong: addresses, and what their buttons say."""
    session, ways = session_of(request), []
    came_from = urlsplit(request.headers.get("referer", ""))
    here = came_from.netloc == request.url.netloc and came_from.path != request.url.path
    if here and re.match(r"/(?![/\\])", came_from.path):  # two slashes would lead to another computer
        ways.append((came_from._replace(scheme="", netloc="").geturl(), "Back to where you were"))
    elif status == 405:  # the form that sends there is on the page that is one step up
        ways.append((request.url.path.rpartition("/")[0] or "/", "Back to the page with the form"))
    if session is not None and session.role == "camera":
        return [*ways, ("/snap", "The camera")]
    return [*ways, ("/", "What is due" if session is not None else "Go on")]
