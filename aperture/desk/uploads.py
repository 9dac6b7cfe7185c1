"""A photo that comes through a page: received into a file of its own, taken into the book, forgotten."""

import os
import re
import secrets
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO
from urllib.parse import unquote

from anyio import to_thread
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request

from aperture.card.geometry import Face
from aperture.desk.intake.work import Done, Order
from aperture.desk.web import Desk, check_csrf, desk_of, session_of
from aperture.present.report import printable

LONGEST_PHOTO_NAME = 120
# Small pictures that are kept while the desk runs, of some 10 kB each.
MOST_SMALL = 500
# For who sends too many photos within a minute.
WAIT_SECONDS = 20
_CHUNK_BYTES = 2**20
_OURS = re.compile("aperture-[0-9a-f]{32}")
# No photo takes this long to be received and measured.
_OLD_SECONDS = 3600.0


@dataclass(frozen=True)
class Received:
    """A photo that lies in a file of ours, and what it was called where it came from."""

    path: Path
    name: str


def clean_name(name: str) -> str:
    """What is kept of a file's name: its last part, without what cannot be printed, not too long."""
    last = name.replace("\\", "/").rpartition("/")[2]
    return printable(last).strip()[:LONGEST_PHOTO_NAME] or "photo"


@asynccontextmanager
async def received(request: Request) -> AsyncIterator[Received]:
    """The photo that is the whole body of a request, in a file that is gone afterwards.

    Its name comes percent-encoded in X-Name, the session's secret in X-CSRF. No part of the request becomes
    part of a path.

    Raises
    ------
    HTTPException : 403 without the secret, 429 too many, 400 nothing came.
    """
    check_csrf(request, request.headers.get("x-csrf", ""))
    check_rate(request)
    name = clean_name(unquote(request.headers.get("x-name", "")))
    with _new_file() as (file, path):
        async for chunk in request.stream():
            file.write(chunk)
        if file.tell() == 0:
            raise HTTPException(400, "No photo came.")
        file.close()
        yield Received(path, name)


async def received_to_stay(request: Request) -> Received:
    """As `received`, but the file stays: whoever gets it clears it away."""
    async with received(request) as photo:
        return replace(photo, path=photo.path.rename(_new_path()))


@asynccontextmanager
async def stored(upload: UploadFile) -> AsyncIterator[Received]:
    """The photo in a field of a form, in a file that is gone afterwards."""
    try:
        with _new_file() as (file, path):
            while chunk := await upload.read(_CHUNK_BYTES):
                file.write(chunk)
            file.close()
            yield Received(path, clean_name(upload.filename or ""))
    finally:
        await upload.close()


@contextmanager
def _new_file() -> Iterator[tuple[BinaryIO, Path]]:
    """A new file that only this user can read, open for writing; gone afterwards.

    Its name must not look like a reed's number or a state, for those are read from the names of photos: the
    names that `tempfile` makes sometimes do ("aperture-r3_nzhgx"), hexadecimal digits never.
    """
    _forget_old()
    path = _new_path()
    handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_BINARY", 0), 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file, path
    finally:
        path.unlink(missing_ok=True)


def _new_path() -> Path:
    return Path(tempfile.gettempdir()) / f"aperture-{secrets.token_hex(16)}"


def _forget_old() -> None:
    """Clear away the photos that desks which were killed have left."""
    for left in Path(tempfile.gettempdir()).glob("aperture-*"):
        with suppress(OSError):  # of somebody else, or gone meanwhile
            if _OURS.fullmatch(left.name) and time.time() - left.lstat().st_mtime > _OLD_SECONDS:
                left.unlink()


def check_rate(request: Request) -> None:
    """Raise HTTPException 429 if this phone has sent too many photos within a minute."""
    session = session_of(request)
    camera = session is None or session.role == "camera"
    if session is None or (camera and not desk_of(request).access.may_upload(session)):
        words = "That is too many photos within a minute. Wait a little."
        raise HTTPException(429, words, {"Retry-After": str(WAIT_SECONDS)})


async def take(
    request: Request,
    photo: Received,
    reed: int | None = None,
    state: Face | None = None,
    lot: str | None = None,
    seconds: float | None = None,
    seconds_of: Callable[[], int | None] = lambda: None,
) -> Done:
    """Take a photo into the book in the desk's worker, while other pages go on.

    `seconds_of` says, when it is the photo's turn, whose the seconds are, as in `Order`.
    """
    desk = desk_of(request)
    order = Order(desk.book_path, photo.path, photo.name, desk.settings, reed, state, lot, seconds)
    # They wait here for their turn, not each in a thread: pages need those.
    done = await to_thread.run_sync(
        lambda: desk.take(replace(order, seconds_of=seconds_of())), limiter=desk.state.taking
    )
    session = session_of(request)
    if session is not None and done.sha256 is not None:
        sent_by(request).add(done.sha256)
    keep_small(desk, done)
    return done


def keep_small(desk: Desk, done: Done) -> None:
    """Keep the small picture of a photo for the pages, and of so many the latest only."""
    small = desk.state.small
    if done.small is not None and done.sha256 is not None:
        small.pop(done.sha256, None)
        small[done.sha256] = done.small
        while len(small) > MOST_SMALL:
            del small[next(iter(small))]


def sent_by(request: Request) -> set[str]:
    """The hashes of the photos that the one who asks has sent."""
    session = session_of(request)
    assert session is not None
    return desk_of(request).state.sent[session.key]


def may_see(request: Request, sha256: str) -> bool:
    """Whether the one who asks may see a photo: the desk all of them, a camera its own."""
    session = session_of(request)
    return session is not None and (session.role == "desk" or sha256 in sent_by(request))
