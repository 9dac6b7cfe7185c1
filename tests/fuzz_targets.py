"""Everything that reads a file or a request, each as a function of bytes; only known errors come out.

The suite gives each what lies in `tests/fuzz_corpus`: what once failed. The bench lets atheris look for more.
"""

import asyncio
import atexit
import functools
import io
import shutil
import struct
import tempfile
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from PIL import Image

from aperture.book.backup.checking import check
from aperture.book.photos import privacy
from aperture.book.photos.privacy import without_private
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.errors import ApertureError, PhotoError
from aperture.photo import read_photo
from aperture.settings import Settings, load_settings
from aperture.studies.labels import LabelError, labelled_photos
from aperture.studies.other_readings import read_other_readings
from aperture.studies.table import TableError
from tests.photo_bombs import exif_block, with_exif

CORPUS = Path(__file__).with_name("fuzz_corpus")


@functools.cache
def _folder() -> Path:
    """Where files are written: in memory where there is such a place."""
    shared = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(prefix="aperture-fuzz-", dir=shared if shared.is_dir() else None))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _file(name: str, content: bytes) -> Path:
    path = _folder() / name
    path.write_bytes(content)
    return path


def photo(content: bytes) -> None:
    """A photo file, and the copy of it that the book would keep."""
    with suppress(PhotoError):
        found = read_photo(_file("photo", content))
        if found.luma.size < 1_000_000:
            without_private(found)


@functools.cache
def _gray_jpeg() -> bytes:
    buffer = io.BytesIO()
    Image.new("L", (200, 200), 128).save(buffer, "JPEG")
    return buffer.getvalue()


def exif(content: bytes) -> None:
    """The block of camera data in a sound JPEG, which it must never cost."""
    found = read_photo(_file("noted.jpg", with_exif(_gray_jpeg(), "JPEG", content)))
    without_private(found)


def settings(content: bytes) -> None:
    """A settings file."""
    with suppress(ApertureError):
        load_settings(_file("settings.toml", content))


def labels(content: bytes) -> None:
    """A table of labels."""
    _file("a.jpg", b"x")
    with suppress(LabelError):
        labelled_photos([_file("labels.csv", content)])


def readings(content: bytes) -> None:
    """A table of readings in another way."""
    with suppress(TableError):
        read_other_readings(_file("readings.csv", content))


def rewriting(content: bytes) -> None:
    """Photos written again without private data: what is raised here makes `without_private` write a PNG."""
    format = ("JPEG", "WebP", "HEIC")[content[0] % 3] if content else "JPEG"
    with suppress(ValueError, LookupError, struct.error):
        privacy._REWRITERS[format](content[1:], {0x0112: 6})


@functools.cache
def _small_book() -> bytes:
    """The file of a book with one of everything."""
    path = _folder() / "whole.sqlite3"
    day = datetime(2026, 10, 5, 14, 0)
    refused = {
        **dict.fromkeys(("u", "shape", "height_mm", "width_mm", "area_mm2", "ellipse_ratio")),
        "outcome": "refused",
        "review": True,
        "flags": ["no-card"],
    }
    with Book(path, create=True) as book:
        book.add_lot("26a", "north", day.date(), day.date(), 21.0, "medium")
        reed = book.add_reed(7, "26a", "A3", "P4")
        with book.writing():
            taken = book.add_photo("0" * 64, "R07.jpg", day, day)
            book.add_filing(taken, Filing(reed.id, "dry", Soaking(), None, None))
            book.add_reading(taken, refused, Settings(), 0.001, [[0.0, 1.0], [1.0, 0.0], [1.0, 1.0]])
        book.add_check(reed, day, {"leak": False}, "good", -8.0, "a note", "T1")
        book.add_squeeze(reed, day)
        book.add_decision(reed, day, "keep", "so", "T1", "keep", "keep")
        copy = _folder() / "copy.sqlite3"
        book.copy_to(copy)
    return copy.read_bytes()


def ledger(content: bytes) -> None:
    """A book's file with bytes changed: four of where, one of how many, and what stands there instead."""
    file = bytearray(_small_book())
    while len(content) > 5:
        where, length = struct.unpack_from("<IB", content)
        part, content = content[5 : 5 + length], content[5 + length :]
        where %= len(file)
        file[where : where + len(part)] = part[: len(file) - where]
    for leftover in _folder().glob("book*"):
        if leftover.is_file():
            leftover.unlink()
    path = _file("book.sqlite3", bytes(file))
    with suppress(ApertureError), Book(path) as book:
        for look in (book.lots, book.reeds, book.photos, book.unfiled, book.histories, book.integrity_errors):
            with suppress(ApertureError):
                look()
        with suppress(ApertureError):
            for history in book.histories():
                for entry in history.entries:
                    book.settings_of(entry.reading)
    with suppress(ApertureError):
        check(path)


class _Keeper:
    """In place of the desk's worker: looks at the file that came, and measures nothing."""

    def take(self, order, turn=None):  # type: ignore[no-untyped-def]
        from aperture.desk.intake.work import Done

        with order.photo.open("rb") as file:
            file.read(10)
        return Done("not taken in", None, "no photo")


@functools.cache
def _desk():  # type: ignore[no-untyped-def]
    """The desk's application, and the cookie and secret of a browser that is in."""
    from aperture.desk.app import create_app
    from aperture.desk.security.access import Access
    from aperture.desk.web import Desk

    with Book(_folder() / "reeds.sqlite3", create=True):
        pass
    access = Access()
    desk = Desk(_folder() / "reeds.sqlite3", Settings(), access, "127.0.0.1:8377", None)
    desk.state.worker = _Keeper()
    session = access.open_desk(access.desk_secret)
    assert session is not None
    return create_app(desk), f"{desk.cookie}={session.key}", session.csrf


def upload(content: bytes) -> None:
    """A form with photos, sent by a browser that is in; half of the times with its secret in it."""
    app, cookie, csrf = _desk()
    paths = ("/import", "/import/photo", "/snap", "/reed/7/check", "/lots", "/reeds")
    path = paths[content[0] % len(paths)] if content else "/import"
    secret = f'--x\r\nContent-Disposition: form-data; name="csrf"\r\n\r\n{csrf}\r\n'.encode()
    body = (secret if content[:1] < b"\x80" else b"") + content[1:]
    headers = {
        "host": "127.0.0.1:8377",
        "origin": "http://127.0.0.1:8377",
        "cookie": cookie,
        "x-csrf": csrf,
        "x-name": content[1:40].decode("latin-1"),
        "content-type": "multipart/form-data; boundary=x",
        "content-length": str(len(body)),
    }
    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": "POST",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "headers": [(name.encode(), value.encode("latin-1")) for name, value in headers.items()],
        "server": ("127.0.0.1", 8377),
        "client": ("127.0.0.1", 50_000),
        "scheme": "http",
        "root_path": "",
    }
    sent = []

    async def receive():  # type: ignore[no-untyped-def]
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message):  # type: ignore[no-untyped-def]
        sent.append(message)

    _loop().run_until_complete(app(scope, receive, send))
    assert 200 <= sent[0]["status"] < 500, sent[0]


@functools.cache
def _loop() -> asyncio.AbstractEventLoop:
    loop = asyncio.new_event_loop()
    atexit.register(loop.close)
    return loop


TARGETS: dict[str, Callable[[bytes], None]] = {
    "photo": photo,
    "exif": exif,
    "settings": settings,
    "labels": labels,
    "readings": readings,
    "rewriting": rewriting,
    "ledger": ledger,
    "upload": upload,
}


def seeds(name: str) -> list[bytes]:
    """Sound examples for a start, made again."""
    image = Image.linear_gradient("L").resize((210, 200)).convert("RGB")
    note = exif_block(210, 200)
    files = {}
    for format in ("JPEG", "PNG", "TIFF", "WEBP"):
        buffer = io.BytesIO()
        image.save(buffer, format, **({} if format == "TIFF" else {"exif": note}), quality=50)
        files[format] = buffer.getvalue()
    import pillow_heif

    buffer = io.BytesIO()
    pillow_heif.from_pillow(image).save(buffer, exif=note, quality=30)
    files["HEIC"] = buffer.getvalue()
    part = (
        b'--x\r\nContent-Disposition: form-data; name="photos"; filename="R07_dry.jpg"\r\n\r\n%s\r\n--x--\r\n'
    )
    from aperture.settings import settings_template

    return {
        "photo": [content for format, content in files.items() if format != "TIFF"],
        "exif": [note.removeprefix(b"Exif\0\0")],
        "settings": [settings_template().encode(), b"ruler_mm = 49.5\n[limits]\nround_from_ratio = 0.3\n"],
        "labels": [b"photo,label\na.jpg,round\n", b'\xef\xbb\xbfphoto;label\r\n"a.jpg";"shut"\r\n'],
        "readings": [
            b"reed,state,reading_mm,u_mm\n7,dry,0.83,0.05\n",
            "Reed;State;Reading (mm);±\r\n7;dry;0,83;± 0,05\r\n".encode(),
            b"reed\tstate\tclass_1\tclass_2\n7\tdry\tshut\tround\n",
        ],
        "rewriting": [b"\0" + files["JPEG"], b"\1" + files["WEBP"], b"\2" + files["HEIC"]],
        "ledger": [struct.pack("<IB", 40, 4) + bytes(4), struct.pack("<IB", 5000, 2) + b"\xff\xff"],
        "upload": [bytes([number]) + part % b"\xff\xd8\xff" for number in range(6)],
    }[name]
