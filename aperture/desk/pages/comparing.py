"""The page that compares the book with another way of measuring, as `aperture compare` does."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.present.program_readings import program_readings
from aperture.desk.pages.fields import text
from aperture.desk.refused import Refused
from aperture.desk.uploads import clean_name
from aperture.desk.web import desk_of, desk_only, in_thread, page, safe_form
from aperture.present.agreement_page import (
    kappas,
    line_words,
    meaning,
    number_rows,
    sentences,
)
from aperture.present.agreement_plot import agreement_parts
from aperture.studies.comparison import Comparison, Pairing, compare
from aperture.studies.other_readings import other_readings_in
from aperture.studies.table import TableError, table_in

# A row has some 20 bytes: more is no table of reeds, whatever it is.
MOST_BYTES = 2**20
PASTED = "What you pasted"


@dataclass(frozen=True)
class _Sent:
    """A table that was sent: its bytes, what messages call it, and the field that it came in."""

    content: bytes
    name: str
    field: str


@desk_only
def compare_page(request: Request) -> Response:
    """The form alone."""
    return _page(request, None)


@desk_only
async def compare_table(request: Request) -> Response:
    """A table of readings or classes, compared with the book or refused beside its field. Nothing is kept."""
    form = await safe_form(request, files=1)
    try:
        sent = await _sent(form)
        return await in_thread(request, _compared, request, form, sent)
    finally:
        await form.close()


routes = [
    Route("/compare", compare_page),
    Route("/compare", compare_table, methods=["POST"]),
]


async def _sent(form: FormData) -> _Sent | None:
    """The table in the form; None where there is none, or two."""
    upload, pasted = form.get("file"), text(form, "pasted")
    if not isinstance(upload, UploadFile) or not upload.filename:
        return _Sent(pasted.encode(), PASTED, "pasted") if pasted else None
    return None if pasted else _Sent(await upload.read(MOST_BYTES + 1), clean_name(upload.filename), "file")


def _compared(request: Request, form: FormData, sent: _Sent | None) -> Response:
    try:
        if sent is None:
            both = text(form, "pasted") is not None
            raise TableError(
                "There is a file and something pasted: leave one of them out"
                if both
                else "Choose a file, or paste a table"
            )
        return _page(request, _against_book(request, sent, form.get("doubtful") == "yes"))
    except TableError as error:
        where = sent.field if sent is not None else "pasted"
        request.state.refused = Refused("compare", form, {where: f"{error}."})
        return _page(request, None, 400)


def _against_book(request: Request, sent: _Sent, include_reviewed: bool) -> Comparison:
    if len(sent.content) > MOST_BYTES:
        raise TableError(f"{sent.name} is too large for a table of reeds")
    other = other_readings_in(table_in(sent.content, sent.name))
    with desk_of(request).open_book() as book:
        wanted = [(one.reed, one.state) for one in other.readings]
        return compare(other, program_readings(book, wanted, include_reviewed))


def _page(request: Request, comparison: Comparison | None, status: int = 200) -> Response:
    return page(request, "compare.html", status, shown=None if comparison is None else _shown(comparison))


def _shown(comparison: Comparison) -> dict[str, Any]:
    """What the template says of a comparison."""
    heights = comparison.heights
    return {
        "sentences": sentences(comparison),
        "meaning": meaning(comparison),
        "count": len(comparison.pairings),
        # Made by ourselves, and every word in it is escaped there.
        "plots": [Markup(one) for one in agreement_parts(comparison, heights)] if heights else [],
        "numbers": number_rows(heights) if heights else [],
        "line": line_words(heights) if heights else "",
        "reeds": _reeds(comparison.pairings) if heights else [],
        "classes": kappas(comparison),
        "left_out": [(one.other.reed, one.other.state, one.why) for one in comparison.left_out],
        "empty": comparison.empty,
    }


def _reeds(pairings: Sequence[Pairing]) -> list[tuple[int, str, str, str, str]]:
    """Reed, state, both heights and their difference, the largest difference first."""
    known = sorted(pairings, key=lambda one: -abs(one.difference_mm or 0.0))
    return [
        (
            one.other.reed,
            one.other.state,
            f"{one.other.height_mm:.3f}",
            f"{one.own.height_mm:.3f}",
            f"{one.difference_mm:+.3f}".replace("-", "−"),
        )
        for one in known
    ]
