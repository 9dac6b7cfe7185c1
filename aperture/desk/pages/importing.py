"""The page that takes a folder of photos into the book, as `aperture intake` does."""

import json
from collections.abc import Sequence
from dataclasses import replace
from hashlib import sha256
from pathlib import PurePosixPath
from urllib.parse import unquote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from aperture.batch.photo_files import is_called_like_a_photo, natural_order
from aperture.book.photos.pictures import is_called_kept, is_kept_copy
from aperture.desk.intake.work import Done
from aperture.desk.pages.fields import decimal, text
from aperture.desk.uploads import Received, clean_name, received, stored, take
from aperture.desk.web import check_csrf, desk_of, desk_only, in_thread, page, safe_form
from aperture.desk.wording import page_words
from aperture.identity import FOLDERS_READ

MOST_FILES = 200
MOST_NAMES = 20_000
# What a file system knows: no name has more than 255 characters (ext4: 255 bytes; NTFS: 255 UTF-16 units;
# common practice, no published source for all), and nobody looks for photos in so many folders.
LONGEST_NAME, MOST_FOLDERS = 255, 32
# 200 for each, on an average.
MOST_NAMES_BYTES = 200 * MOST_NAMES


@desk_only
def import_page(request: Request) -> Response:
    """Where a folder of photos is dropped."""
    return _page(request, None)


@desk_only
async def import_names(request: Request) -> Response:
    """Which of the files that were dropped are taken, and in what order: their places in the list sent."""
    check_csrf(request, request.headers.get("x-csrf", ""))
    sent = bytearray()
    async for part in request.stream():
        sent += part
        if len(sent) > MOST_NAMES_BYTES:
            raise HTTPException(413, "Their names are too long. Import one folder after the other.")
    return await in_thread(request, _in_order, bytes(sent))


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
    return JSONResponse(those_taken(names))


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
    """One photo of a folder, sent by our script."""
    lot, folders = (unquote(request.headers.get(name, "")) or None for name in ("x-lot", "x-folders"))
    said = request.headers.get("x-seconds", "")
    seconds = float(said) if said.isdecimal() and len(said) <= 5 else None
    async with received(request) as photo:
        named = _in_folders(photo, folders)
        if await run_in_threadpool(_is_kept, named):
            done = Done("left out, pictures that a reed book keeps", None, None)
        else:
            done = await take(request, named, lot=lot, seconds=seconds)
    return JSONResponse(
        {
            "name": photo.name,
            "what": done.what,
            "why": page_words(done.why),
            "sha256": done.sha256,
            "code": done.code,
        }
    )


@desk_only
async def import_photos(request: Request) -> Response:
    """The same without a script: several photos in one form."""
    form = await safe_form(request, files=MOST_FILES)
    lot, seconds = text(form, "lot"), decimal(form, "seconds")
    done = []
    for upload in form.getlist("photos"):
        if isinstance(upload, UploadFile) and upload.filename:  # a field that was left empty has no name
            folders = (upload.filename or "").rpartition("/")[0]
            async with stored(upload) as photo:
                named = _in_folders(photo, folders)
                done.append((photo.name, await take(request, named, lot=lot, seconds=seconds)))
    return await in_thread(request, _page, request, done)


routes = [
    Route("/import", import_page),
    Route("/import", import_photos, methods=["POST"]),
    Route("/import/names", import_names, methods=["POST"]),
    Route("/import/photo", import_photo, methods=["POST"]),
]


def _in_folders(photo: Received, folders: str | None) -> Received:
    """The photo with the names of the folders that it came from before its own, as far as they are read."""
    kept = [clean_name(folder) for folder in (folders or "").split("/") if folder.strip()][-FOLDERS_READ:]
    return replace(photo, name="/".join([*kept, photo.name]))


def _is_kept(photo: Received) -> bool:
    """Whether that is a picture out of a reed book's folder: no new photo, but a copy of one."""
    name = PurePosixPath(photo.name)
    return is_called_kept(name) and is_kept_copy(name, sha256(photo.path.read_bytes()).hexdigest())


def _page(request: Request, done: Sequence[tuple[str, Done]] | None) -> Response:
    """The page; with `done` what became of each photo, by its name."""
    with desk_of(request).open_book() as book:
        lots = [lot.code for lot in book.lots()]
    return page(request, "import.html", lots=lots, done=done)
