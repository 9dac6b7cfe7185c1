"""The page of the gauge: a photo of a slit of known height, and what the checks so far say."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from anyio import to_thread
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.photos.card_in_use import with_card
from aperture.book.store.ledger import Book
from aperture.book.store.records import GaugeCheck
from aperture.desk.intake.work import GaugeOrder
from aperture.desk.pages.fields import decimal
from aperture.desk.uploads import stored
from aperture.desk.web import desk_of, desk_only, page, redirect, safe_form
from aperture.present.gauge_screen import STANDING, line_sentences, verdict_words
from aperture.present.report import with_uncertainty
from aperture.scale import scale_of, scale_words
from aperture.studies.gauge import FEWEST_SHEETS, MOST_SHEETS, expected_height
from aperture.studies.gauge_line import line_through, what_explains

# So many checks are listed, the newest first.
LISTED = 30


@dataclass(frozen=True)
class LastCheck:
    """The day of the last check with a gauge, and whether all that was checked that day agrees by now."""

    check: GaugeCheck
    agrees: bool

    @property
    def day(self) -> date:
        """When it was made."""
        return self.check.done_at.date()


def last_check(book: Book) -> LastCheck | None:
    """When the program was last checked with a gauge, and how; None if it never was."""
    checks = book.gauge_checks()
    if not checks:
        return None
    return LastCheck(checks[-1], checks[-1].done_at.date() not in book.days_in_doubt())


@desk_only
def gauge_page(request: Request) -> Response:
    """The form, what the last photo gave, the checks so far, and the line through those of one day."""
    desk = desk_of(request)
    with desk.open_book() as book:
        checks, checked = book.gauge_checks(), last_check(book)
        settings = with_card(book, desk.settings)
    same = alike(checks)
    line = line_through(same, settings)
    done, desk.state.gauge = desk.state.gauge, None
    return page(
        request,
        "gauge.html",
        done=done,
        last=checked.check if checked else None,
        days=(date.today() - checked.day).days if checked else None,
        failed=checked is not None and not checked.agrees,
        rows=[(check, *_words(check)) for check in reversed(checks[-LISTED:])],
        line=line_sentences(line) if line else [],
        heights=line.heights if line else 0,
        explained=what_explains(same, line, settings) if same else (),
        sheets=(FEWEST_SHEETS, MOST_SHEETS),
        scale=scale_words(scale_of(settings)),
        standing=STANDING,
    )


@desk_only
async def gauge_photo(request: Request) -> Response:
    """A photo of a gauge, measured in the desk's worker; the check is kept in the book."""
    form = await safe_form(request, files=1)
    try:
        upload, sheets, ream_mm = _said(form)
        desk = desk_of(request)
        async with stored(upload) as photo:
            order = GaugeOrder(desk.book_path, photo.path, photo.name, desk.settings, sheets, ream_mm)
            desk.state.gauge = await to_thread.run_sync(desk.take, order, limiter=desk.state.taking)
    finally:
        await form.close()
    return redirect("/gauge#result")


routes = [
    Route("/gauge", gauge_page),
    Route("/gauge", gauge_photo, methods=["POST"]),
]


def _said(form: FormData) -> tuple[UploadFile, int, float]:
    """The photo, the sheets and the ream.

    Raises
    ------
    HTTPException : 400, something is missing, or is no number.
    GaugeError : no gauge is so.
    """
    upload = form.get("photo")
    sheets, ream_mm = decimal(form, "sheets"), decimal(form, "ream")
    if not isinstance(upload, UploadFile) or not upload.filename:
        raise HTTPException(400, "No photo was chosen. Nothing was written: go back and choose one.")
    if sheets is None or ream_mm is None:
        raise HTTPException(400, "Say how many sheets there are, and how high the ream is.")
    if sheets != int(sheets):
        raise HTTPException(400, "Sheets are whole. Nothing was written: go back and correct it.")
    expected_height(int(sheets), ream_mm)  # refuses what no photo could be of
    return upload, int(sheets), ream_mm


def alike(checks: Sequence[GaugeCheck]) -> list[GaugeCheck]:
    """The checks of the last day with the same ream and the same settings as the last one."""
    if not checks:
        return []
    last = checks[-1]
    day = last.done_at.date()
    return [
        check
        for check in checks
        if (check.done_at.date(), check.told, check.ream_mm) == (day, last.told, last.ream_mm)
    ]


def _words(check: GaugeCheck) -> tuple[str, str, str, str]:
    """A check's measured and expected height and whether they agree, as the table has them."""
    return (
        with_uncertainty(check.gap_mm, check.u_gap_mm),
        with_uncertainty(check.expected_mm, check.u_expected_mm),
        f"{check.en:+.2f}",
        verdict_words(check.en),
    )
