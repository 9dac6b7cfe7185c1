"""The phone's pages: one button that takes a photo, a timer for the soak, and what the photo gave."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from anyio import to_thread
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from aperture.book.advice.rules import advise
from aperture.book.photos.intake import soaked_as
from aperture.book.present.words import recorded
from aperture.book.store.ledger import Book
from aperture.book.store.records import Entry, Filing, Photo, Reed, Soaking
from aperture.card.geometry import CARD, FACES, Face
from aperture.desk.intake.work import Done
from aperture.desk.pages.fields import decimal, reed_number, text
from aperture.desk.pages.tips import TipView, tip_view
from aperture.desk.security.shield import MOST_BYTES
from aperture.desk.uploads import Received, check_rate, may_see, received, stored, take
from aperture.desk.web import Desk, cameras_too, desk_of, page, redirect, safe_form, session_of, with_form
from aperture.desk.wording import page_words
from aperture.flags import FLAGS, Flag
from aperture.present.report import NAMES, UNITS
from aperture.scale import scale_words

# So many of the last photos stay on the page.
RECENT = 5
LONGEST_SOAK_SECONDS = 3600.0
# Why a filing was changed.
SAID, SOAK_SAID = "said on the phone", "soak said on the phone"
KNOWN = "Nothing was changed: that was known already. What is wrong is corrected under Review, on the laptop."
# How it is known how long a reed was soaked.
TIMED = "by the timer"


@dataclass(frozen=True)
class Shown:
    """What is shown of a photo; `entry` is None where the book does not have it, and `why` says why.

    `seen` is its class or "refused", `numbers` names and values with their ±, `doubts` why a person should
    look, `most` the highest number of a reed; `code` is the flag of a refusal, which `why` says. `soaked` is
    how many seconds it was soaked and how that is known; None for what was not. `may_correct`: whether that
    can be said here. `small`: whether there is a small picture of the whole photo.
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
    soaked: tuple[float, str] | None = None
    may_correct: bool = False
    small: bool = False

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
            done = await _take(request, photo, form)
        return redirect("/snap#result")
    names = ("reed", "state", "seconds", "soak")
    said = {name: request.headers.get(f"x-{name}") for name in names}
    async with received(request) as photo:
        done = await _take(request, photo, said)
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


async def _take(request: Request, photo: Received, sent: Mapping[str, Any]) -> Done:
    """Take a photo in with what was said of it; a soak's seconds go with the reed that was soaked alone."""
    reed, state, seconds = _said(sent)
    soak = (_key(request), text(sent, "soak") or "")
    whose = desk_of(request).state.soaked
    named = seconds is not None and soak[1] != ""
    done = await take(
        request, photo, reed, state, seconds=seconds, seconds_of=lambda: whose.get(soak) if named else None
    )
    _remember(request, done)
    if done.sha256 is not None and seconds is not None:
        await to_thread.run_sync(_use_seconds, request, done.sha256, seconds, soak if named else None)
    return done


def _use_seconds(request: Request, sha: str, seconds: float, soak: tuple[str, str] | None) -> None:
    """Remember that a photo had the timer's seconds, and that they are its reed's from now on."""
    desk = desk_of(request)
    with desk.open_book() as book:
        photo = book.photo(sha)
        entry = book.entry(photo) if photo is not None else None
        # A photo that gave nothing, not even the state, has not used them up.
        if entry is None or entry.filing.state == "dry":
            return
        filing = entry.filing
        if filing.state is None and not entry.reading.measured:
            return
        number = book.reed_with_id(filing.reed_id).number if filing.reed_id is not None else 0
    whose = desk.state.soaked.setdefault(soak, number) if soak is not None else number
    if whose == number:
        _soaks(request).setdefault(sha, seconds)


@cameras_too
@with_form
def correct_soak(request: Request, form: FormData) -> Response:
    """Whoever took a photo says how long its reed was really soaked."""
    seconds = _seconds(form)
    if seconds is None:
        raise HTTPException(400, "Say for how many seconds it was soaked.")
    desk = desk_of(request)
    with desk.open_book() as book, book.writing():
        entry = _entry(request, book)
        was = entry.filing
        if not _may_correct(entry):
            raise HTTPException(
                409, "How long it was soaked is not to be said here: see Review on the laptop."
            )
        if was.soaking.seconds != seconds:
            soaking = replace(was.soaking, seconds=seconds)
            book.add_filing(entry.photo, Filing(was.reed_id, "soaked", soaking, SOAK_SAID, None))
    return _answered(book, entry.photo, f"Soaked for {seconds:g} s")


@cameras_too
@with_form
def file_photo(request: Request, form: FormData) -> Response:
    """Whoever took a photo without tag or card says which reed and state it shows.

    What is known already stays: for that there is the review.
    """
    reed, said_state, _ = _said(form)
    desk = desk_of(request)
    with desk.open_book() as book, book.writing():
        entry = _entry(request, book)
        was, photo = entry.filing, entry.photo
        filed = book.reed_with_id(was.reed_id) if was.reed_id is not None else None
        if filed is None and reed is not None:
            filed = book.known_or_new(reed, photo.when)
        reed_id = filed.id if filed is not None else None
        state = was.state or said_state
        if (reed_id, state) != (was.reed_id, was.state):
            soaking = Soaking(seconds=_soaks(request).get(photo.sha256))
            soaking = (
                soaked_as(soaking, desk.settings, book, filed, photo) if state == "soaked" else Soaking()
            )
            book.add_filing(photo, Filing(reed_id, state, soaking, SAID, None))
    _remember(request, Done("filed", photo.sha256, None))
    if (said_state or state) != state or (reed is not None and filed is not None and filed.number != reed):
        return redirect(f"/result/{photo.sha256}", KNOWN)
    number = f"Reed {filed.number}" if filed is not None else "Reed not known"
    return _answered(book, photo, f"{number}, {state or 'state not known'}")


def _answered(book: Book, photo: Photo, words: str) -> Response:
    """The page of a photo again; of what was entered it says so, and it can be undone.

    A button that was pressed twice entered nothing the second time: what the first said still stands there.
    """
    return redirect(f"/result/{photo.sha256}", f"{words}: saved." if book.entered else "", book.entered)


@cameras_too
def small(request: Request) -> Response:
    """A small picture of a photo that came while this desk runs."""
    sha = request.path_params["sha"]
    content = desk_of(request).state.small.get(sha) if may_see(request, sha) else None
    if content is None:
        raise HTTPException(404, "There is no such picture.")
    return Response(content, media_type="image/jpeg")


routes = [
    Route("/small/{sha}", small),
    Route("/snap", snap_page),
    Route("/snap", snap, methods=["POST"]),
    Route("/result/{sha}", result),
    Route("/result/{sha}/file", file_photo, methods=["POST"]),
    Route("/result/{sha}/soaked", correct_soak, methods=["POST"]),
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
            small=photo.sha256 in desk.state.small,
        )
    advice = record["advice"] or ""
    if reed is not None and state is not None:
        advised = advise(book.history(reed), desk.settings.soaking, photo.when.date())
        advice = f"{advised.to_do.what} {advised.to_do.why}"
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
        soaked=_soaked(desk, entry),
        may_correct=_may_correct(entry),
        scale=scale_words(reading.scale),
    )


def _soaked(desk: Desk, entry: Entry) -> tuple[float, str] | None:
    """For how long a reed was soaked, and how that is known; None for what was not."""
    filing, seconds, habit = entry.filing, entry.filing.soaking.seconds, desk.settings.soaking
    if filing.state != "soaked" or seconds is None:
        return None
    if filing.by is not None:
        return seconds, "as said at the desk"
    if filing.reason == SOAK_SAID:
        return seconds, "as said on the phone"
    if desk.state.soaks.get(entry.photo.sha256) == seconds:
        return seconds, TIMED
    return seconds, "the usual time" if seconds in (habit.new_seconds, habit.old_seconds) else ""


def _may_correct(entry: Entry) -> bool:
    """Whether the phone may say how long a reed was soaked: until somebody at the desk did."""
    return entry.filing.state == "soaked" and entry.filing.by is None


def _recent(request: Request) -> list[Done]:
    """What became of the last photos of the one who asks, the newest first."""
    return desk_of(request).state.recent[_key(request)]


def _soaks(request: Request) -> dict[str, float]:
    """How long the timer ran before a photo, by its hash."""
    return desk_of(request).state.soaks


def _remember(request: Request, done: Done) -> None:
    recent = _recent(request)
    others = [one for one in recent if done.sha256 is None or one.sha256 != done.sha256]
    recent[:] = [done, *others][:RECENT]


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
    reed, state = reed_number(sent, "reed"), text(sent, "state")
    if state not in (None, *FACES):
        raise HTTPException(400, "A reed is dry or soaked.")
    return reed, state, _seconds(sent)


def _seconds(sent: Mapping[str, Any]) -> float | None:
    """For how long a reed was soaked; None for nothing.

    Raises
    ------
    HTTPException : 400, no soak is that long.
    """
    seconds = decimal(sent, "seconds")
    if seconds is not None and not 0.0 < seconds <= LONGEST_SOAK_SECONDS:
        raise HTTPException(400, "A soak takes more than no time, and at most an hour.")
    return seconds
