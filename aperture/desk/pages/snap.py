"""The phone's pages: one button that takes a photo, a timer for the soak, and what the photo gave."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from aperture.book.advice.rules import advise
from aperture.book.photos.intake import soaked_as
from aperture.book.present.words import recorded
from aperture.book.store.ledger import Book
from aperture.book.store.records import Entry, Filing, Reed, Soaking
from aperture.card.geometry import CARD, FACES, Face
from aperture.desk.intake.work import Done
from aperture.desk.pages.fields import decimal, reed_number, text
from aperture.desk.pages.tips import TipView, tip_view
from aperture.desk.security.shield import MOST_BYTES
from aperture.desk.uploads import check_rate, may_see, received, stored, take
from aperture.desk.web import Desk, cameras_too, desk_of, page, redirect, safe_form, session_of, with_form
from aperture.desk.wording import page_words
from aperture.flags import FLAGS, Flag
from aperture.present.report import NAMES, UNITS
from aperture.scale import scale_words

# So many of the last photos stay on the page.
RECENT = 5
LONGEST_SOAK_SECONDS = 3600.0


@dataclass(frozen=True)
class Shown:
    """What is shown of a photo; `entry` is None where the book does not have it, and `why` says why.

    `seen` is its class or "refused", `numbers` names and values with their ±, `doubts` why a person should
    look, `most` the highest number of a reed; `code` is the flag of a refusal, which `why` says.
    """

    sha: str | None
    why: str | None
    entry: Entry | None = None
    seen: str | None = None
    numbers: tuple[tuple[str, str], ...] = ()
    reed: Reed | None = None
    state: Face | None = None
    advice: str = ""
    doubts: tuple[Flag, ...] = ()
    view: TipView | None = None
    code: str | None = None
    scale: str = ""
    most: int = CARD.reed_tags.count

    @property
    def refused(self) -> bool:
        """Whether there is no number, or a person asked for another photo."""
        return self.seen == "refused"


@cameras_too
def snap_page(request: Request) -> Response:
    """The button, the timer, and what the last photos gave."""
    desk = desk_of(request)
    with desk.open_book() as book:
        recent = [_shown(desk, book, done.sha256, done.why, done.code) for done in _recent(request)]
    return page(
        request,
        "snap.html",
        recent=recent,
        recent_most=RECENT,
        seconds=round(desk.settings.soaking.new_seconds),
        most=CARD.reed_tags.count,
        most_bytes=MOST_BYTES,
    )


@cameras_too
async def snap(request: Request) -> Response:
    """A photo: as the whole body of a request from our script, or in a plain form."""
    if "form" in request.headers.get("content-type", ""):
        form = await safe_form(request, files=1)
        check_rate(request)
        upload = form.get("photo")
        if not isinstance(upload, UploadFile):
            raise HTTPException(400, "No photo came.")
        async with stored(upload) as photo:
            said = _said(form)
            done = await take(request, photo, *said[:2], seconds=said[2])
        _remember(request, done, said[2])
        return redirect("/snap#result")
    said = _said({name: request.headers.get(f"x-{name}") for name in ("reed", "state", "seconds")})
    async with received(request) as photo:
        done = await take(request, photo, *said[:2], seconds=said[2])
    _remember(request, done, said[2])
    where = f"/result/{done.sha256}?part=1" if done.sha256 else None
    return JSONResponse({"what": done.what, "why": page_words(done.why), "result": where})


@cameras_too
def result(request: Request) -> Response:
    """What one photo gave, and what to do next."""
    desk = desk_of(request)
    with desk.open_book() as book:
        shown = _shown(desk, book, _entry(request, book).photo.sha256)
    part = request.query_params.get("part") == "1"
    return page(request, "result_part.html" if part else "result.html", one=shown)


@cameras_too
@with_form
def file_photo(request: Request, form: FormData) -> Response:
    """Whoever took a photo without tag or card says which reed and state it shows.

    What is known already stays: for that there is the review.
    """
    reed, state, _ = _said(form)
    desk = desk_of(request)
    with desk.open_book() as book, book.writing():
        entry = _entry(request, book)
        was, photo = entry.filing, entry.photo
        filed = book.reed_with_id(was.reed_id) if was.reed_id is not None else None
        if filed is None and reed is not None:
            filed = book.known_or_new(reed, photo.when)
        reed_id = filed.id if filed is not None else None
        state = was.state or state
        if (reed_id, state) != (was.reed_id, was.state):
            soaking = Soaking(seconds=_soaks(request).get(photo.sha256))
            soaking = (
                soaked_as(soaking, desk.settings, book, filed, photo) if state == "soaked" else Soaking()
            )
            book.add_filing(photo, Filing(reed_id, state, soaking, "said on the phone", None))
    _remember(request, Done("filed", photo.sha256, None))
    return redirect(f"/result/{photo.sha256}")


routes = [
    Route("/snap", snap_page),
    Route("/snap", snap, methods=["POST"]),
    Route("/result/{sha}", result),
    Route("/result/{sha}/file", file_photo, methods=["POST"]),
]


def _entry(request: Request, book: Book) -> Entry:
    sha = request.path_params["sha"]
    photo = book.photo(sha) if may_see(request, sha) else None
    if photo is None:
        raise HTTPException(404, "There is no such photo, or another phone took it.")
    return book.entry(photo)


def _shown(desk: Desk, book: Book, sha: str | None, why: str | None = None, code: str | None = None) -> Shown:
    photo = book.photo(sha) if sha is not None else None
    if photo is None:
        return Shown(None, why or "The book does not have it any more.", code=code)
    entry = book.entry(photo)
    reading, state = entry.reading, entry.filing.state
    record = reading.record
    reed = book.reed_with_id(entry.filing.reed_id) if entry.filing.reed_id is not None else None
    if not reading.measured:
        return Shown(
            photo.sha256,
            record["reason"],
            entry,
            "refused",
            reed=reed,
            state=state,
            advice=record["advice"] or "",
            view=tip_view(reading),
            code=next((code for code in record["flags"] if code in FLAGS), None),
        )
    advice = record["advice"] or ""
    if reed is not None and state is not None:
        advised = advise(book.history(reed), desk.settings.soaking, photo.when.date())
        advice = f"{advised.what} {advised.why}"
    names = ("height_mm", "ellipse_ratio")
    return Shown(
        photo.sha256,
        None,
        entry,
        reading.seen,
        tuple((NAMES[name], recorded(record, name, UNITS[name])) for name in names),
        reed,
        state,
        advice,
        tuple(FLAGS[code] for code in record["flags"] if FLAGS[code].effect == "review"),
        tip_view(reading),
        scale=scale_words(reading.scale),
    )


def _recent(request: Request) -> list[Done]:
    """What became of the last photos of the one who asks, the newest first."""
    return desk_of(request).state.recent[_key(request)]


def _soaks(request: Request) -> dict[str, float]:
    """How long the timer ran before a photo, by its hash."""
    return desk_of(request).state.soaks


def _remember(request: Request, done: Done, seconds: float | None = None) -> None:
    recent = _recent(request)
    others = [one for one in recent if done.sha256 is None or one.sha256 != done.sha256]
    recent[:] = [done, *others][:RECENT]
    if done.sha256 is not None and seconds is not None:
        _soaks(request).setdefault(done.sha256, seconds)


def _key(request: Request) -> str:
    session = session_of(request)
    assert session is not None
    return session.key


def _said(sent: Mapping[str, Any]) -> tuple[int | None, Face | None, float | None]:
    """What was typed of a photo: the reed's number, its state, how long it was soaked; None for nothing.

    Raises
    ------
    HTTPException : 400, something else was typed.
    """
    reed, state, seconds = reed_number(sent, "reed"), text(sent, "state"), decimal(sent, "seconds")
    if state not in (None, *FACES):
        raise HTTPException(400, "A reed is dry or soaked.")
    if seconds is not None and not 0.0 < seconds <= LONGEST_SOAK_SECONDS:
        raise HTTPException(400, "A soak takes more than no time, and at most an hour.")
    return reed, state, seconds
