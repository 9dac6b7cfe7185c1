"""What is no photo, whatever it is called: pipes, files without end, a HEIC that crashes its decoder."""

import os
import struct
import subprocess
import sys
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import numpy as np
import pillow_heif
from PIL import Image

from aperture.book.store.ledger import Book
from aperture.desk.intake.work import Order, Worker
from aperture.settings import Settings
from tests.book.photos.test_intake import picture
from tests.breaking import Count, check_whole

ROOT = Path(__file__).parents[2]
# What waits for ever is told from what is slow.
MOST_SECONDS = 120


def decoy_heic() -> bytes:
    """A HEIC on which pi_heif 1.4.0 crashes: the type of an item is no text.

    Before its list of items stands a box that nobody reads, with what looks like an empty list in it. Layout:
    ISO/IEC 14496-12.
    """
    buffer, exif = BytesIO(), Image.Exif()
    exif[0x0112] = 1
    noise = np.random.default_rng(3).integers(0, 255, (208, 320, 3), dtype=np.uint8)
    pillow_heif.from_pillow(Image.fromarray(noise)).save(buffer, exif=exif.tobytes())
    content = buffer.getvalue().replace(b"\0Exif\0", b"\0Ex\xfff\0")
    decoy = struct.pack(">I4sI4sIH", 22, b"free", 14, b"iinf", 0, 0)
    first = int.from_bytes(content[:4], "big")
    return content[:first] + decoy + content[first:]


def _sparse(path: Path) -> None:
    path.write_bytes(b"\xff\xd8\xff")
    os.truncate(path, 10_000_000_000)


KINDS: dict[str, Callable[[Path], object]] = {
    "a pipe": os.mkfifo,
    "a link to a device without end": lambda path: path.symlink_to("/dev/zero"),
    "ten gigabytes of nothing": _sparse,
    "a HEIC with a decoy": lambda path: path.write_bytes(decoy_heic()),
}


def no_photos(folder: Path, kind: str) -> Count:
    """Measured alone and among others, taken in alone and among others, and sent to the desk's worker.

    Each time it is refused in words, and the photos beside it are not.
    """
    count = Count(note="measure and intake, of one and of several; the desk")
    bad = folder / "alone" / "photo.heic"
    bad.parent.mkdir(parents=True)
    KINDS[kind](bad)
    for number in range(4):
        picture(folder / "several" / f"R0{number + 1}_dry.jpg", 300 + number)
    KINDS[kind](folder / "several" / "photo.heic")
    for place, photos in (("alone", 0), ("several", 4)):
        with count.trial(f"measure, {place}"):
            said = _command("measure", folder / place, "--json", "--workers", 2)
            assert said.stdout.count("\n") == photos + 1
            assert sum("no-card" in line for line in said.stdout.splitlines()) == photos
        with count.trial(f"intake, {place}"):
            book = folder / f"{place}.sqlite3"
            _command("intake", folder / place, "--book", book, "--workers", 2)
            check_whole(book)
            with Book(book) as opened:
                assert len(opened.photos()) == photos
    with count.trial("the desk"), Worker() as worker:
        done = worker.take(Order(folder / "desk.sqlite3", bad, bad.name, Settings()))
        assert done.sha256 is None
        assert done.why
    return count


def _command(*words: object) -> "subprocess.CompletedProcess[str]":
    """An `aperture` command that says what it refused, and prints no trace."""
    command = [sys.executable, "-m", "aperture", *map(str, words)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_CONFIG_HOME": os.devnull}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=MOST_SECONDS)
    assert done.returncode == 3, f"{done.returncode}: {done.stderr[-500:]}"
    assert "Traceback" not in done.stderr + done.stdout
    assert "Fatal" not in done.stderr
    assert "internal-error" not in done.stdout
    return done
