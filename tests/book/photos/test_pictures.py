"""The folder of pictures: names, nothing half-written, and a tip's picture with known millimetres."""

import errno
import hashlib
import io
import os
import pickle
import re
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from aperture.book.photos import pictures
from aperture.book.photos.pictures import all_kept, keep, keep_tip, leftovers, place_of
from aperture.card.geometry import CARD
from aperture.errors import PhotoError
from aperture.photo import read_photo
from aperture.settings import Settings
from aperture.view.view import locate_card
from tests.made_photos import PX_PER_MM_DRAWN, camera_before, luma_of, printed

FOCAL_35MM = 36


def blocks(seed: int = 7) -> Image.Image:
    cells = np.random.default_rng(seed).integers(20, 236, (13, 20, 3), dtype=np.uint8)
    return Image.fromarray(np.kron(cells, np.ones((16, 16, 1), np.uint8)))


def photo_in(folder: Path, format: str = "JPEG", seed: int = 7):
    """A photo of coloured blocks whose EXIF data name an owner."""
    exif = Image.Exif()
    exif[0x013B] = "nobody in particular"
    buffer = io.BytesIO()
    if format == "HEIC":
        pillow_heif.from_pillow(blocks(seed)).save(buffer, exif=exif.tobytes())
    else:
        blocks(seed).save(buffer, format, exif=exif.tobytes())
    path = folder / f"R07 dry {seed}.photo"
    path.write_bytes(buffer.getvalue())
    return read_photo(path)


def photo_of_discs(folder: Path, discs_mm, tilt_deg: float = 8.0, white: float = 0.75):
    """A photo of the printed card with black discs (x, y, radius in mm) in its notch; the camera is known."""
    light = printed("dry").copy()
    for x, y, radius in discs_mm:
        # A tenth of a drawn pixel; the middle of drawn pixel i lies (i + 1/2) / 40 mm from the edge.
        at = np.array([x, CARD.height_mm - y]) * PX_PER_MM_DRAWN - 0.5
        centre = tuple(int(place) for place in np.rint(at * 16))
        cv2.circle(light, centre, round(radius * PX_PER_MM_DRAWN * 16), 0.0, cv2.FILLED, cv2.LINE_AA, 4)
    camera, size = camera_before(tilt_deg=tilt_deg, about=1, focal_35mm=FOCAL_35MM)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = FOCAL_35MM
    path = folder / "made.png"
    luma = luma_of(camera, size, light, white=white, black=0.03 * white / 0.75)
    Image.fromarray(luma).save(path, exif=exif)
    return read_photo(path)


def everything_in(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


# --- photos -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("format", "ending"),
    [("JPEG", "jpg"), ("PNG", "png"), ("TIFF", "png"), ("WebP", "webp"), ("HEIC", "heic")],
)
def test_a_photo_is_named_by_what_it_was_and_holds_what_is_not_private(
    tmp_path: Path, format: str, ending: str
) -> None:
    photo, folder = photo_in(tmp_path, format), tmp_path / "new" / "pictures"
    kept = keep(folder, photo)
    original = hashlib.sha256((tmp_path / "R07 dry 7.photo").read_bytes()).hexdigest()
    assert kept.sha256 == original
    assert kept.name == f"{original[:2]}/{original}.{ending}"
    content = (folder / kept.name).read_bytes()
    assert (len(content), hashlib.sha256(content).hexdigest()) == (kept.size_bytes, kept.kept_sha256)
    assert b"nobody" not in content
    assert b"nobody" in photo.encoded
    np.testing.assert_array_equal(read_photo(folder / kept.name).luma, photo.luma)
    assert everything_in(folder) == {kept.name}


@pytest.mark.parametrize("format", ["JPEG", "TIFF"])
def test_keeping_a_photo_again_changes_nothing(tmp_path: Path, format: str) -> None:
    photo, folder = photo_in(tmp_path, format), tmp_path / "pictures"
    first = keep(folder, photo)
    path = place_of(folder, first.name)
    before = path.stat()
    renamed = replace(photo, path=Path("another name.jpg"))
    assert keep(folder, renamed) == first
    assert (path.stat().st_ino, path.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


def test_what_another_version_kept_is_left_as_it_is(tmp_path: Path) -> None:
    photo, folder = photo_in(tmp_path), tmp_path / "pictures"
    path = place_of(folder, keep(folder, photo).name)
    # The same picture with other bytes around it, as another version might have written it.
    other = path.read_bytes().replace(b"\xff\xd9", b"\xff\xfe\0\3x\xff\xd9")
    path.write_bytes(other)
    kept = keep(folder, photo)
    assert path.read_bytes() == other
    assert kept.kept_sha256 == hashlib.sha256(other).hexdigest()


def test_a_kept_photo_that_was_damaged_is_written_again(tmp_path: Path) -> None:
    photo, folder = photo_in(tmp_path), tmp_path / "pictures"
    first = keep(folder, photo)
    place_of(folder, first.name).write_bytes(b"\xff\xd8\xff half of it")
    assert keep(folder, photo) == first
    assert hashlib.sha256(place_of(folder, first.name).read_bytes()).hexdigest() == first.kept_sha256


def test_a_photo_that_cannot_be_decoded_leaves_nothing(tmp_path: Path) -> None:
    photo, folder = photo_in(tmp_path), tmp_path / "pictures"
    with pytest.raises(PhotoError):
        keep(folder, replace(photo, encoded=photo.encoded[:400]))
    assert everything_in(tmp_path) == {"R07 dry 7.photo"}


# --- names --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sha256", ["", "..", "../../" + "a" * 58, "A" * 64, "a" * 63, "a" * 65, "é" * 64])
def test_no_place_comes_from_outside(tmp_path: Path, sha256: str) -> None:
    photo = replace(photo_in(tmp_path), sha256=sha256)
    with pytest.raises(ValueError, match="SHA-256"):
        keep(tmp_path / "pictures", photo)
    assert everything_in(tmp_path) == {"R07 dry 7.photo"}


@pytest.mark.parametrize(
    "name",
    [
        "",
        "/etc/passwd",
        "../" + "a" * 64 + ".jpg",
        "ab/" + "a" * 64 + ".jpg",  # in the wrong folder
        "aa/" + "a" * 64 + ".exe",
        "aa/" + "a" * 64 + ".jpg/x",
        "aa\\" + "a" * 64 + ".jpg",
        "aa/" + "a" * 64 + ".jpg\n",
        "aa/../aa/" + "a" * 64 + ".jpg",
    ],
)
def test_names_that_are_none(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="not the name"):
        place_of(tmp_path, name)


def test_all_that_is_kept(tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    assert list(all_kept(folder)) == []
    names = [
        keep(folder, photo_in(tmp_path, format, seed)).name for seed, format in enumerate(["JPEG", "PNG"])
    ]
    view_photo = photo_of_discs(tmp_path, [])
    names.append(keep_tip(folder, view_photo, locate_card(view_photo, Settings())).name)
    for foreign in ("notes.txt", ".DS_Store", "aa/notes.txt", "aa/.x.part", f"ab/{'a' * 64}.jpg"):
        path = folder / foreign
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"x")
    (folder / "cc" / f"{'c' * 64}.jpg").mkdir(parents=True)
    assert list(all_kept(folder)) == sorted(names)
    assert [path.relative_to(folder).as_posix() for path in leftovers(folder)] == ["aa/.x.part"]


# --- what can go wrong --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("function", "number"), [("fsync", errno.ENOSPC), ("fsync", errno.EIO), ("replace", errno.EROFS)]
)
def test_a_full_disk_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, function: str, number: int
) -> None:
    folder = tmp_path / "pictures"
    earlier = keep(folder, photo_in(tmp_path, seed=1))
    photo = photo_of_discs(tmp_path, [])
    view = locate_card(photo, Settings())
    tip = place_of(folder, keep_tip(folder, photo, view).name)
    before = {name: (folder / name).read_bytes() for name in everything_in(folder)}

    def fail(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, function, fail)
    for attempt in (
        lambda: keep(folder, photo_in(tmp_path, seed=2)),
        lambda: keep_tip(folder, photo, replace(view, scale=0.98)),
    ):
        with pytest.raises(OSError, match=os.strerror(number)) as caught:
            attempt()
        assert caught.value.errno == number
        assert str(caught.value.filename).startswith(str(folder))
        # It may come from another process.
        assert pickle.loads(pickle.dumps(caught.value)).filename == caught.value.filename
    assert {name: (folder / name).read_bytes() for name in everything_in(folder)} == before
    assert earlier.name in before
    assert tip.exists()


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "pictures").write_bytes(b"a file where the folder should be")
    with pytest.raises(OSError, match="pictures") as caught:
        keep(tmp_path / "pictures", photo_in(tmp_path))
    assert str(caught.value.filename).startswith(str(tmp_path / "pictures"))


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="nothing is forbidden to the superuser")
def test_a_read_only_folder(tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    folder.mkdir(mode=0o500)
    with pytest.raises(PermissionError) as caught:
        keep(folder, photo_in(tmp_path))
    assert str(caught.value.filename).startswith(str(folder))


@pytest.mark.skipif(os.name != "posix", reason="there is no SIGKILL")
def test_a_run_that_is_killed_while_it_writes(tmp_path: Path) -> None:
    photo, folder = photo_in(tmp_path), tmp_path / "pictures"
    program = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from aperture.book.photos.pictures import keep\n"
        "from aperture.photo import read_photo\n"
        "os.fsync = lambda file: os.kill(os.getpid(), signal.SIGKILL)\n"
        "keep(Path(sys.argv[2]), read_photo(sys.argv[1]))\n"
    )
    run = subprocess.run([sys.executable, "-c", program, photo.path, folder], check=False)
    assert run.returncode == -signal.SIGKILL
    left = list(leftovers(folder))
    assert len(left) == 1
    assert list(all_kept(folder)) == []
    kept = keep(folder, photo)
    assert list(all_kept(folder)) == [kept.name]
    assert list(leftovers(folder)) == left


# --- tips ---------------------------------------------------------------------------------------------


def darkness(path: Path) -> np.ndarray:
    """How dark each pixel is, 0 for paper and 1 for ink, in linear light (IEC 61966-2-1)."""
    stored = np.asarray(Image.open(path).convert("L")) / 255
    light = np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)
    paper, ink = np.percentile(light, 95), light.min()
    return np.clip((paper - light) / (paper - ink), 0, 1)


@pytest.mark.parametrize("ruler_mm", [50.0, 48.5])
@pytest.mark.parametrize("tilt_deg", [0.0, 12.0])
def test_millimetres_in_the_picture_of_a_tip(tmp_path: Path, tilt_deg: float, ruler_mm: float) -> None:
    # Drawn where it is known; a print whose 50 mm bar is 48.5 mm long has everything at 0.97 of its place.
    drawn = [(40.5, 3.0, 0.8), (45.1, 6.2, 0.6)]
    photo = photo_of_discs(tmp_path, drawn, tilt_deg)
    view = locate_card(photo, Settings(ruler_mm=ruler_mm))
    tip = keep_tip(tmp_path / "pictures", photo, view)
    window, path = tip.window, place_of(tmp_path / "pictures", tip.name)
    assert re.fullmatch(f"{photo.sha256[:2]}/{photo.sha256}-[0-9a-f]{{8}}-tip.jpg", tip.name)
    with Image.open(path) as image:
        assert (image.format, image.size) == ("JPEG", window.size_px)
        assert image.width == 1000
        assert not image.getexif()
    dark = darkness(path)
    rows, columns = np.indices(dark.shape)
    for x, y, radius in np.array(drawn) * ruler_mm / 50:
        at = window.to_px(np.array([[x, y]]))[0]
        near = np.hypot(columns - at[0], rows - at[1]) < 1.5 * radius * window.px_per_mm
        weight = dark * near
        found_px = np.array([[(weight * columns).sum(), (weight * rows).sum()]]) / weight.sum()
        assert np.abs(window.to_mm(found_px) - (x, y)).max() < 0.02
        # Black dots are blurred but keep their area; the paper's grain adds a little.
        assert weight.sum() / window.px_per_mm**2 == pytest.approx(np.pi * radius**2, rel=0.05)


def test_nothing_is_drawn_on_the_picture_of_a_tip_and_dark_photos_are_brightened(tmp_path: Path) -> None:
    levels = []
    for white in (0.75, 0.25):
        photo = photo_of_discs(tmp_path, [], white=white)
        tip = keep_tip(tmp_path / "pictures", photo, locate_card(photo, Settings()))
        pixels = np.asarray(Image.open(place_of(tmp_path / "pictures", tip.name))).astype(int)
        # The empty notch of a made photo is paper: one gray, but for its grain.
        assert np.ptp(pixels, axis=2).max() <= 2
        assert pixels.std() < 5
        levels.append((photo.luma.max(), pixels.mean()))
    (_, bright), (dark_photo, brightened) = levels
    assert brightened > dark_photo + 50
    assert brightened == pytest.approx(bright, abs=15)


def test_a_tip_seen_again_is_another_picture(tmp_path: Path) -> None:
    photo, folder = photo_of_discs(tmp_path, [(40.5, 3.0, 0.8)]), tmp_path / "pictures"
    first = keep_tip(folder, photo, locate_card(photo, Settings()))
    content = place_of(folder, first.name).read_bytes()
    assert keep_tip(folder, photo, locate_card(photo, Settings())) == first
    assert place_of(folder, first.name).read_bytes() == content
    second = keep_tip(folder, photo, locate_card(photo, Settings(tip_offset_mm=5.0)))
    assert place_of(folder, second.name).read_bytes() != content
    assert place_of(folder, first.name).read_bytes() == content
    assert list(all_kept(folder)) == sorted([first.name, second.name])


def test_the_folder_has_no_other_endings() -> None:
    # What `keep` writes, `place_of` must find.
    for ending in (*pictures._ENDINGS.values(), f"-0123abcd{pictures._TIP_ENDING}"):
        place_of(Path(), f"0a/0a{'0' * 62}{ending}")
