"""The phone's pages: one button that takes a photo, a timer for the soak, and what the photo gave."""

from typing import Any

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from aperture.book.records import Entry, Filing, Soaking
from aperture.book.rules import advise
from aperture.book.words import recorded
from aperture.card import CARD, Face
from aperture.desk.tips import tip_view
from aperture.desk.uploads import check_rate, may_see, received, sent_by, stored, take
from aperture.desk.web import cameras_too, desk_of, page, safe_form, see, session_of
from aperture.desk.work import Done
from aperture.flags import FLAGS
from aperture.report import NAMES, UNITS


@cameras_too
async def snap_page(request: Request) -> Response:
    """The button, the timer, and the last result."""
    last = desk_of(request).state.get("last", {}).get(_key(request))
    habit = desk_of(request).settings.soaking
    return page(request, "snap.html", last=last, seconds=round(habit.new_seconds), most=CARD.reed_tags.count)


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
            done = await take(request, photo, _number(str(form.get("reed", ""))), _state(form.get("state")))
        _remember(request, done)
        return see(f"/result/{done.sha256}" if done.sha256 else "/snap#result")
    async with received(request) as photo:
        reed, state = _number(request.headers.get("x-reed", "")), _state(request.headers.get("x-state"))
        done = await take(request, photo, reed, state)
    _remember(request, done)
    where = f"/result/{done.sha256}?part=1" if done.sha256 else None
    return JSONResponse({"what": done.what, "why": done.why, "result": where})


@cameras_too
async def result(request: Request) -> Response:
    """What one photo gave, and what to do next."""
    entry = _entry(request)
    part = request.query_params.get("part") == "1"
    return page(request, "result_part.html" if part else "result.html", **_facts(request, entry))


@cameras_too
async def file_photo(request: Request) -> Response:
    """Whoever took a photo without tag or card says which reed and state it shows."""
    form = await safe_form(request)
    entry = _entry(request)
    reed, state = _number(str(form.get("reed", ""))), _state(form.get("state"))
    desk = desk_of(request)
    with desk.open_book() as book, book.writing():
        reed_id = entry.filing.reed_id if reed is None else book.known_or_new(reed, entry.photo.when).id
        state = state or entry.filing.state
        habit = desk.settings.soaking
        soaking = (
            Soaking(habit.new_seconds, habit.water, habit.wetted, "new") if state == "soaked" else Soaking()
        )
        book.add_filing(entry.photo, Filing(reed_id, state, soaking, "said on the phone", None))
    _remember(request, Done("filed", entry.photo.sha256, None))
    return see(f"/result/{entry.photo.sha256}")


routes = [
    Route("/snap", snap_page),
    Route("/snap", snap, methods=["POST"]),
    Route("/result/{sha}", result),
    Route("/result/{sha}/file", file_photo, methods=["POST"]),
]


def _entry(request: Request) -> Entry:
    sha = request.path_params["sha"]
    with desk_of(request).open_book() as book:
        photo = book.photo(sha) if may_see(request, sha) else None
        if photo is None:
            raise HTTPException(404, "There is no such photo, or another phone took it.")
        return book.entry(photo)


def _facts(request: Request, entry: Entry) -> dict[str, Any]:
    """What the result page shows."""
    record, reading = entry.reading.record, entry.reading
    numbers = [
        (NAMES[name], recorded(record, name, UNITS[name]))
        for name in ("height_mm", "ellipse_ratio")
        if reading.measured
    ]
    reed, advice = None, record["advice"] or ""
    if entry.filing.reed_id is not None:
        desk = desk_of(request)
        with desk.open_book() as book:
            reed = book.reed_with_id(entry.filing.reed_id)
            if reading.measured and entry.filing.state is not None:
                advised = advise(book.history(reed), desk.settings.soaking, entry.photo.when.date())
                advice = f"{advised.what} {advised.why}"
    doubts = [FLAGS[code] for code in record["flags"] if FLAGS[code].effect == "review"]
    return {
        "entry": entry,
        "seen": "refused" if not reading.measured else reading.seen,
        "record": record,
        "numbers": numbers,
        "reed": reed,
        "state": entry.filing.state,
        "advice": advice,
        "doubts": doubts if reading.measured else [],
        "view": tip_view(reading),
        "most": CARD.reed_tags.count,
    }


def _remember(request: Request, done: Done) -> None:
    desk_of(request).state.setdefault("last", {})[_key(request)] = done
    if done.sha256 is not None:
        sent_by(request).add(done.sha256)


def _key(request: Request) -> str:
    session = session_of(request)
    assert session is not None
    return session.key


def _number(text: str) -> int | None:
    """A reed's number; None for nothing or nonsense."""
    return (
        int(text) if text.isdecimal() and len(text) < 6 and 1 <= int(text) <= CARD.reed_tags.count else None
    )


def _state(text: Any) -> Face | None:
    return text if text in ("dry", "soaked") else None
