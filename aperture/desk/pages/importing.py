"""The page that takes a folder of photos into the book, as `aperture intake` does."""

import json
from asyncio import gather, wrap_future
from contextlib import AsyncExitStack, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path, PurePosixPath
from urllib.parse import unquote

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from aperture.batch.photo_files import is_called_like_a_drawing, is_called_like_a_photo, natural_order
from aperture.desk.intake.arrivals import News
from aperture.desk.intake.folder import offered_folders
from aperture.desk.intake.work import Done, Order
from aperture.desk.pages.arrived import HEADINGS, Line, arrived
from aperture.desk.pages.fields import decimal, text
from aperture.desk.uploads import Received, clean_name, keep_small, received_to_stay, stored
from aperture.desk.web import Desk, check_csrf, desk_of, desk_only, in_thread, page, safe_form
from aperture.desk.wording import page_words
from aperture.identity import FOLDERS_READ

MOST_FILES = 200
MOST_NAMES = 20_000
# What a file system knows: no name has more than 255 characters (ext4: 255 bytes; NTFS: 255 UTF-16 units;
# common practice, no published source for all), and nobody looks for photos in so many folders.
LONGEST_NAME, MOST_FOLDERS = 255, 32
# How long a page waits for news before it asks again.
NEWS_SECONDS = 20.0
# 200 for each, on an average.
MOST_NAMES_BYTES = 200 * MOST_NAMES


@desk_only
def import_page(request: Request) -> Response:
    """Where a folder of photos is dropped."""
    return import_view(request)


@desk_only
async def import_names(request: Request) -> Response:
    """Which of the files that were dropped are taken, and in what order: their places in the list sent.

    X-Drawn says how many were left out because they are called like this program's own pictures.
    """
    check_csrf(request, request.headers.get("x-csrf", ""))
    sent = bytearray()
    async for part in request.stream():
        sent += part
        if len(sent) > MOST_NAMES_BYTES:
            raise HTTPException(413, "Their names are too long. Import one folder after the other.")
    answer = await in_thread(request, _in_order, bytes(sent))
    arrivals = desk_of(request).state.arrivals
    arrivals.begin()
    answer.headers["X-Arrivals"] = str(arrivals.lot)
    return answer


def _in_order(sent: bytes) -> Response:
    try:
        names = json.loads(sent)
    except (ValueError, RecursionError):
        names = None
    if not isinstance(names, list) or len(names) > MOST_NAMES or not all(isinstance(n, str) for n in names):
        raise HTTPException(400, f"That is no list of at most {MOST_NAMES} files.")
    for name in names:
        if any(len(part) > LONGEST_NAME for part in name.split("/")) or name.count("/") > MOST_FOLDERS:
            raise HTTPException(
                400, f"“{name[:40]}…” is too long for a file's name. Shorten it, then try again."
            )
    taken = those_taken(names)
    left_out = (names[place].rpartition("/")[2] for place in {*range(len(names))} - {*taken})
    drawn = sum(map(is_called_like_a_drawing, left_out))
    return JSONResponse(taken, headers={"X-Drawn": str(drawn)})


def those_taken(names: list[str]) -> list[int]:
    """Of files that were dropped, the places of those that `photos_in` takes, in its order.

    Parameters
    ----------
    names : of files, taken whatever they are called, in the order given; and of files in folders, with "/"
        between.
    """
    paths = [PurePosixPath(name) for name in names]
    wanted = [
        place
        for place, path in enumerate(paths)
        if len(path.parts) == 1
        or (is_called_like_a_photo(path.name) and not any(p.startswith(".") for p in path.parts[1:]))
    ]

    def in_order(place: int) -> list[tuple[list[tuple[str, int]], str]]:
        parts = paths[place].parts
        return [natural_order(part) for part in parts] if len(parts) > 1 else []

    return sorted(wanted, key=in_order)


@desk_only
async def import_photo(request: Request) -> Response:
    """One photo of a folder. Who says so is answered at once, and asks later what became of it."""
    lot, folders = (unquote(request.headers.get(name, "")) or None for name in ("x-lot", "x-folders"))
    said = request.headers.get("x-seconds", "")
    seconds = float(said) if said.isdecimal() and len(said) <= 5 else None
    arrivals = desk_of(request).state.arrivals
    photo = await received_to_stay(request)
    try:
        await arrivals.room()
        named = _in_folders(photo, folders)
        doing = arrivals.add(_order(request, named, lot, seconds), partial(_forget, photo.path))
    except BaseException:
        _forget(photo.path)
        raise
    if request.headers.get("x-later"):
        news = arrivals.since()
        return JSONResponse({"name": photo.name, "lot": news.lot, "sent": news.sent, "done": news.done}, 202)
    return await in_thread(request, _told, request, photo.name, await wrap_future(doing))


@desk_only
async def import_photos(request: Request) -> Response:
    """The same without a script: several photos in one form."""
    form = await safe_form(request, files=MOST_FILES)
    lot, seconds = text(form, "lot"), decimal(form, "seconds")
    arrivals = desk_of(request).state.arrivals
    arrivals.begin()
    doing = []
    async with AsyncExitStack() as stack:
        for upload in form.getlist("photos"):
            if isinstance(upload, UploadFile) and upload.filename:  # a field that was left empty has no name
                photo = await stack.enter_async_context(stored(upload))
                named = _in_folders(photo, upload.filename.rpartition("/")[0])
                doing.append(wrap_future(arrivals.add(_order(request, named, lot, seconds))))
        await gather(*doing)
    return await in_thread(request, import_view, request, nothing_chosen=not doing)


@desk_only
async def import_news(request: Request) -> Response:
    """What became of the photos from a number on; it waits until there is something new."""
    arrivals = desk_of(request).state.arrivals
    after, version = (_count(request.query_params.get(name)) for name in ("after", "version"))
    await arrivals.change(version, NEWS_SECONDS)
    return await in_thread(request, _news, request, arrivals.since(after))


def _news(request: Request, news: News) -> Response:
    watch = desk_of(request).state.watch
    return JSONResponse(
        {
            "next": news.next,
            "version": news.version,
            "lot": news.lot,
            "sent": news.sent,
            "done": news.done,
            "secondsEach": news.seconds_each,
            "lines": [_as_value(request, one) for one in _lines(desk_of(request), news)],
            "watch": bytes(page(request, "watched.html", watch=watch).body).decode().strip(),
        }
    )


def _order(request: Request, photo: Received, lot: str | None, seconds: float | None) -> Order:
    desk = desk_of(request)
    return Order(desk.book_path, photo.path, photo.name, desk.settings, lot=lot, seconds=seconds)


def _forget(path: Path) -> None:
    with suppress(OSError):  # the system clears it away
        path.unlink(missing_ok=True)


def _count(said: str | None) -> int:
    return int(said) if said is not None and said.isdecimal() and len(said) < 10 else 0


def _lines(desk: Desk, news: News) -> list[Line]:
    """What is shown of photos that came, in their order."""
    for one in news.came:
        keep_small(desk, one.done)
    with desk.open_book() as book:
        return arrived(book, [(one.name, one.done) for one in news.came], desk.state.small)


def _as_value(request: Request, one: Line) -> dict[str, str]:
    line = bytes(page(request, "arrived_line.html", one=one).body).decode().strip()
    return {"outcome": one.outcome, "line": line}


def _told(request: Request, name: str, done: Done) -> Response:
    """What became of one photo, as values and as a line of the page."""
    desk = desk_of(request)
    keep_small(desk, done)
    with desk.open_book() as book:
        (one,) = arrived(book, [(name, done)], desk.state.small)
    return JSONResponse(
        {
            "name": name,
            "what": done.what,
            "why": page_words(done.why),
            "sha256": done.sha256,
            "code": done.code,
            **_as_value(request, one),
        }
    )


routes = [
    Route("/import", import_page),
    Route("/import", import_photos, methods=["POST"]),
    Route("/import/names", import_names, methods=["POST"]),
    Route("/import/photo", import_photo, methods=["POST"]),
    Route("/import/news", import_news),
]


def _in_folders(photo: Received, folders: str | None) -> Received:
    """The photo with the names of the folders that it came from before its own, as far as they are read."""
    kept = [clean_name(folder) for folder in (folders or "").split("/") if folder.strip()][-FOLDERS_READ:]
    return replace(photo, name="/".join([*kept, photo.name]))


def import_view(request: Request, nothing_chosen: bool = False) -> Response:
    """The page: what came, and where more comes from."""
    desk = desk_of(request)
    news = desk.state.arrivals.since()
    with desk.open_book() as book:
        lots = [lot.code for lot in book.lots()]
    return page(
        request,
        "import.html",
        lots=lots,
        headings=HEADINGS,
        lines=_lines(desk, news),
        news=news,
        nothing_chosen=nothing_chosen,
        watch=desk.state.watch,
        folders=offered_folders(),
    )
