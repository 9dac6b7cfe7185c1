"""Photos damaged in every way that we could think of, and what becomes of them; seeded.

python -m tests.damaged_photos FOLDER KIND FIRST LAST       tries these, one line of JSON each

`prepare` writes undamaged photos and what they measure into a folder. `tries` damages them, reads and
measures what is left, and says what came of it. A photo that is no longer read is refused, which is right;
one whose pixels and camera data are those of the undamaged one gives the same number, so that it needs no
measuring; any other is measured, and must agree with the undamaged one within its own ±, or ask for a look.
"""

import json
import resource
import signal
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from random import Random
from typing import Any

import cv2
import numpy as np
from PIL import Image

from aperture.book.photos.privacy import without_private
from aperture.card.geometry import CARD
from aperture.errors import ApertureError, PhotoError
from aperture.measure import measure
from aperture.photo import Photo, read_photo
from aperture.settings import Settings
from aperture.view.view import locate_card
from tests import photo_bombs
from tests.photo_bombs import claim_size, exif_block, jpeg_segments

ROOT = Path(__file__).parents[1]
QUANTITIES = ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")
# Of a processor. A child process that takes more is ended by the system, and its photo counts as lost.
MOST_SECONDS = 60
MOST_ADDRESSES = 6 * 2**30
RECORDS = "records.json"
SEEN_IN = {"JPEG": ".jpg", "PNG": ".png", "TIFF": ".tif", "WebP": ".webp", "HEIC": ".heic"}


@dataclass(frozen=True)
class Base:
    """An undamaged photo."""

    path: Path

    @property
    def name(self) -> str:
        return self.path.name

    @property
    def format(self) -> str:
        return next(format for format, ending in SEEN_IN.items() if ending == self.path.suffix)

    @cached_property
    def content(self) -> bytes:
        return self.path.read_bytes()

    @cached_property
    def photo(self) -> Photo:
        return read_photo(self.path)

    @cached_property
    def record(self) -> dict[str, Any]:
        """What it measures."""
        known = self.path.with_name(RECORDS)
        if known.exists():
            return dict(json.loads(known.read_text())[self.name])
        return measure(self.path).record()


@dataclass(frozen=True)
class Tried:
    """What came of one damaged photo.

    `outcome`: "refused", "same" (picture and camera data), "agrees", "flagged" (asks for a look), or one of
    `LOST`: "wrong" (another number, silently), "escaped" (an exception that is none of ours), "memory" (it
    ran into the limit), "crash" (the process ended). `why`: flag, exception, or the numbers.
    """

    kind: str
    number: int
    base: str
    outcome: str
    why: str
    seconds: float


LOST = ("wrong", "escaped", "memory", "crash")

# --- undamaged photos -------------------------------------------------------------------------------------


def prepare(folder: Path, measured: bool) -> None:
    """Write the undamaged photos into a folder, and what each measures if children will ask."""
    small = _small()
    saved = {
        "jpeg": ("JPEG", {"quality": 90}),
        "jpeg-restarts": ("JPEG", {"quality": 90, "restart_marker_rows": 1}),
        "jpeg-progressive": ("JPEG", {"quality": 90, "progressive": True}),
        "png": ("PNG", {}),
        "tiff": ("TIFF", {"compression": "tiff_adobe_deflate"}),
        "webp": ("WebP", {"quality": 97}),
        "heic": ("HEIC", {"quality": 80}),
    }
    exif = exif_block(small.width, small.height)
    for name, (format, options) in saved.items():
        path = folder / f"{name}{SEEN_IN[format]}"
        if format == "HEIC":
            import pillow_heif

            pillow_heif.from_pillow(small).save(path, exif=exif, **options)
        else:
            # Pillow cannot write a compressed TIFF with camera data.
            small.save(path, format, **options, **({} if format == "TIFF" else {"exif": exif}))
    for name in ("R04_dry.jpg", "R03_soaked.heic"):
        (folder / f"full-{name}").write_bytes((ROOT / "demo_images" / name).read_bytes())
    if measured:
        records = {base.name: base.record for base in bases(folder)}
        assert all(record["outcome"] == "measured" and not record["review"] for record in records.values())
        (folder / RECORDS).write_text(json.dumps(records))


def bases(folder: Path) -> list[Base]:
    """What `prepare` wrote."""
    return [Base(path) for path in sorted(folder.iterdir()) if path.suffix in SEEN_IN.values()]


def _small() -> Image.Image:
    """A photo with known truth, cut to its card and made half as large, so that thousands can be tried."""
    photo = read_photo(ROOT / "fixtures" / "photos" / "round-22.jpg")
    view = locate_card(photo, Settings())
    width, height = CARD.width_mm, CARD.height_mm
    corners = view.to_pixel(np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]))
    left, top = np.maximum(corners.min(axis=0) - 40, 0).astype(int)
    right, bottom = (corners.max(axis=0) + 40).astype(int)
    part = photo.colour()[top:bottom, left:right]
    return Image.fromarray(cv2.resize(part, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))


# --- damage -----------------------------------------------------------------------------------------------

Damage = Callable[[Random, Base, list[Base]], bytes]


def _flip(dice: Random, base: Base, reach: int) -> bytes:
    content = bytearray(base.content)
    for _ in range(dice.choice([1, 1, 1, 2, 8])):
        place = dice.randrange(min(reach, len(content)))
        content[place] ^= 1 << dice.randrange(8) if dice.random() < 0.5 else dice.randrange(1, 256)
    return bytes(content)


def flipped_in_the_header(dice: Random, base: Base, _: list[Base]) -> bytes:
    """Bytes changed where the structure stands."""
    return _flip(dice, base, dice.choice([64, 300, 1000]))


def flipped_anywhere(dice: Random, base: Base, _: list[Base]) -> bytes:
    """Bytes changed, mostly in the compressed picture."""
    return _flip(dice, base, len(base.content))


def cut(dice: Random, base: Base, _: list[Base]) -> bytes:
    """A copy that was interrupted: cut, and perhaps with its end, or its length, restored."""
    kept = base.content[: dice.randrange(1, len(base.content))]
    rest = len(base.content) - len(kept)
    how = dice.randrange(4)
    if how == 0:
        return kept + base.content[-12:]
    if how == 1:
        return kept + bytes(rest)
    if how == 2:
        return kept + b"\xff" * min(rest, 1000)
    return kept


def a_block_lost(dice: Random, base: Base, others: list[Base]) -> bytes:
    """A block of the memory card is empty, missing, doubled, or holds a part of another photo."""
    size = dice.choice([16, 512, 4096])
    start = dice.randrange(len(base.content)) // size * size
    content, end = base.content, start + size
    how = dice.randrange(5)
    if how == 0:
        return content[:start] + content[end:]
    if how == 1:
        return content[:end] + content[start:]
    other = dice.choice(others).content
    from_other = dice.randrange(max(1, len(other) - size))
    filling = [bytes(size), b"\xff" * size, other[from_other : from_other + size]][how - 2]
    return content[:start] + filling[: len(content) - start] + content[end:]


def a_lying_header(dice: Random, base: Base, _: list[Base]) -> bytes:
    """The header gives another size: a little off, swapped, or gigantic."""
    width, height = base.photo.width_px, base.photo.height_px
    sides = [
        (height, width),
        (width + dice.randrange(-32, 33), height + dice.randrange(-32, 33)),
        (dice.randrange(1, 70_000), dice.randrange(1, 70_000)),
        (2 ** dice.randrange(1, 31), 2 ** dice.randrange(1, 31)),
        (width, 14_142),
        (14_142, 14_142),
    ]
    return claim_size(base.content, base.format, *dice.choice(sides))


def camera_data_damaged(dice: Random, base: Base, _: list[Base]) -> bytes:
    """The notes of the camera: bytes changed, loops, huge counts, another orientation, other lens."""
    if base.format == "HEIC" or dice.random() < 0.4:
        content = bytearray(base.content)
        start = max(content.find(b"Exif\0\0"), content.find(b"eXIf"), 0)
        for _ in range(dice.choice([1, 2, 8, 40])):
            content[min(start + dice.randrange(250), len(content) - 1)] = dice.randrange(256)
        return photo_bombs.sealed(bytes(content), base.format)
    return photo_bombs.with_exif(base.content, base.format, photo_bombs.bad_exif(dice))


def another_file_inside(dice: Random, base: Base, others: list[Base]) -> bytes:
    """Files in files: appended, put before, put into a segment, or called something else."""
    other = dice.choice(others).content
    how = dice.randrange(5)
    if how == 0:
        return base.content + other
    if how == 1:
        return other[: dice.randrange(1, len(other))] + base.content
    if how == 2:
        return base.content + b"PK\x03\x04" + dice.randbytes(500) + b"%PDF-1.7"
    if how == 3 and base.format == "JPEG":
        return jpeg_segments(
            base.content, b"\xff\xe1" + (65_535).to_bytes(2, "big") + other[:65_533].ljust(65_533)
        )
    heads = [b"\x89PNG\r\n\x1a\n", b"II*\0", b"RIFF\0\0\0\0WEBP", b"\xff\xd8\xff\xe0", b"\0\0\0\x18ftypheic"]
    head = dice.choice(heads)
    return head + base.content[len(head) :]


def restarts_damaged(dice: Random, base: Base, others: list[Base]) -> bytes:
    """JPEG: restart markers missing, doubled, renumbered, or in another order."""
    content = next(other for other in others if other.name.startswith("jpeg-restarts")).content
    places = [i for i in range(len(content) - 1) if content[i] == 0xFF and 0xD0 <= content[i + 1] <= 0xD7]
    place = dice.choice(places)
    how = dice.randrange(4)
    if how == 0:
        return content[:place] + content[place + 2 :]
    if how == 1:
        return content[:place] + content[place : place + 2] + content[place:]
    if how == 2:
        return content[: place + 1] + bytes([0xD0 + dice.randrange(8)]) + content[place + 2 :]
    first, second = sorted(dice.sample(places, 2))
    return content[:first] + content[second:] + content[first:second]


def a_bomb(dice: Random, base: Base, _: list[Base]) -> bytes:
    """Small files that would take much memory or time."""
    return dice.choice(photo_bombs.BOMBS)(dice)


KINDS: dict[str, Damage] = {
    "a byte changed in the header": flipped_in_the_header,
    "a byte changed anywhere": flipped_anywhere,
    "cut short": cut,
    "a block lost": a_block_lost,
    "a header that lies about the size": a_lying_header,
    "the camera's notes damaged": camera_data_damaged,
    "another file inside or before it": another_file_inside,
    "JPEG restart markers damaged": restarts_damaged,
    "a bomb: small, but huge inside": a_bomb,
}


def damaged(kind: str, number: int, undamaged: list[Base]) -> tuple[Base, bytes]:
    """The photo that this trial damages, and what is left of its file."""
    dice = Random(f"{kind} {number}")
    # Full-size photos take longer and differ in nothing else.
    full = [base for base in undamaged if base.name.startswith("full")]
    small = [base for base in undamaged if base not in full]
    base = dice.choice(full) if full and dice.random() < 0.03 else dice.choice(small)
    if kind == "JPEG restart markers damaged":
        base = next(one for one in small if one.name.startswith("jpeg-restarts"))
    return base, KINDS[kind](dice, base, small)


# --- what becomes of them -----------------------------------------------------------------------------------


def tries(kind: str, numbers: range, folder: Path, limited: bool = False) -> Iterator[Tried]:
    """Damage, read, measure. `limited`: the system ends this process when a photo takes too long."""
    undamaged = bases(folder)
    # The name must not say reed or state; its length does not matter.
    path = folder / f"damaged-{kind.replace(' ', '-')}-{numbers.start}"
    for number in numbers:
        base, content = damaged(kind, number, undamaged)
        path.write_bytes(content)
        if limited:
            signal.setitimer(signal.ITIMER_PROF, MOST_SECONDS)
        start = time.process_time()
        outcome, why = became(path, base)
        seconds = time.process_time() - start
        signal.setitimer(signal.ITIMER_PROF, 0)
        yield Tried(kind, number, base.name, outcome, why, seconds)
    path.unlink(missing_ok=True)


def became(path: Path, base: Base) -> tuple[str, str]:
    """What came of a damaged file: outcome and why, as in `Tried`."""
    try:
        photo = read_photo(path)
        if photo.width_px * photo.height_px < 20_000_000:
            without_private(photo)
        if _tells_the_same(photo, base.photo):
            return "same", ""
        result = measure(path)
    except PhotoError as error:
        ran_out = isinstance(error.__cause__, MemoryError) or "allocate" in error.detail
        return ("memory" if ran_out else "refused"), str(error)
    except ApertureError as error:
        return "refused", str(error)
    except Exception as error:
        return "escaped", repr(error)
    if result.outcome == "refused":
        return "refused", result.flags[0]
    numbers, u, expected = result.geometry, result.u, base.record
    assert numbers is not None
    assert u is not None
    found = {name: getattr(numbers, name) for name in QUANTITIES}
    off = [name for name in QUANTITIES if abs(found[name] - expected[name]) > u[name]]
    if result.review:
        return "flagged", " ".join(result.flags)
    seen = ", ".join(f"{name} {found[name]:.3f} not {expected[name]:.3f}" for name in off)
    return ("wrong", f"{seen} {result.flags}") if off else ("agrees", "")


def _tells_the_same(photo: Photo, base: Photo) -> bool:
    """Whether a photo has the pixels of another, and the camera's data that measuring uses."""
    used = [(one.focal_length_35mm, one.digital_zoom, one.provenance) for one in (photo, base)]
    return used[0] == used[1] and np.array_equal(photo.luma, base.luma)


def main() -> None:
    folder, kind, first, last = sys.argv[1:]
    resource.setrlimit(resource.RLIMIT_AS, (MOST_ADDRESSES, MOST_ADDRESSES))
    # Arithmetic without a result may end in a number that is none.
    warnings.simplefilter("error", RuntimeWarning)
    for one in tries(kind, range(int(first), int(last)), Path(folder), limited=True):
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        print(json.dumps({**one.__dict__, "peak_mb": peak / 1024}), flush=True)


if __name__ == "__main__":
    main()
