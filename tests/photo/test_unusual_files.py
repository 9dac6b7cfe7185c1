"""Unusual but legal files: kinds of JPEG and TIFF that no phone writes.

The JPEG files in `jpeg_kinds` were written with libjpeg-turbo 2.1 through its C interface (`jpeglib.h`), the
12-bit and the lossless one with libjpeg-turbo 3; all show coloured or gray blocks. The references are Pillow,
which decodes JPEG through that C interface, and tifffile.
"""

import itertools
import struct
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from aperture.book.photos.privacy import without_private
from aperture.photo import read_photo
from tests.photo.test_photo import bt601, refusal, upright_picture, write

KINDS = Path(__file__).with_name("jpeg_kinds")
# Pillow does not read them either.
NOT_READ = {"12-bit": "12 bits", "lossless": "without loss"}
# With what libjpeg-turbo's own interface does not know; OpenCV decodes them in a process of its own.
UNUSUAL = ["1-3-1", "3-1-1", "4-1-0", "4-4-1", "mixed-subsampling", "subsampled-brightness"]


@pytest.mark.parametrize("kind", sorted({path.stem for path in KINDS.iterdir()} - NOT_READ.keys()))
def test_a_legal_jpeg_has_the_pixels_that_the_reference_gives(kind: str) -> None:
    path = KINDS / f"{kind}.jpg"
    photo = read_photo(path)
    with Image.open(path) as image:
        np.testing.assert_array_equal(photo.colour(), np.asarray(image.convert("RGB")))
    if image.mode == "RGB" and kind != "rgb-subsampled":
        with Image.open(path) as image:
            image.draft("YCbCr", None)
            np.testing.assert_array_equal(photo.luma, np.asarray(image)[:, :, 0])


@pytest.mark.parametrize("kind", NOT_READ)
def test_a_jpeg_of_a_kind_that_is_not_read_is_refused_in_words(kind: str) -> None:
    error = refusal(KINDS / f"{kind}.jpg")
    assert error.code == "not-a-photo"
    assert NOT_READ[kind] in error.detail


@pytest.mark.parametrize("kind", UNUSUAL)
def test_a_damaged_jpeg_of_an_unusual_kind_is_refused(kind: str, tmp_path: Path) -> None:
    whole = (KINDS / f"{kind}.jpg").read_bytes()
    picture = whole.index(b"\xff\xda") + 20
    cut = whole[: (picture + len(whole)) // 2]
    for content in (cut, cut + b"\xff\xd9", cut + whole[-40:], whole[:picture] + whole[picture + 100 :]):
        assert refusal(write(tmp_path, content)).code == "photo-damaged"


@pytest.mark.parametrize("kind", UNUSUAL)
def test_a_jpeg_of_an_unusual_kind_is_kept_as_it_is(kind: str) -> None:
    photo = read_photo(KINDS / f"{kind}.jpg")
    assert without_private(photo)[1] == "JPEG"


# --- TIFF ---------------------------------------------------------------------------------------------


def shades() -> np.ndarray:
    return bt601(upright_picture()).round().astype(np.uint8)


@pytest.mark.parametrize(
    ("bits", "photometric", "order", "compression"),
    list(itertools.product([8, 16], ["minisblack", "miniswhite"], "<>", [None, "deflate"])),
)
def test_gray_of_a_tiff_is_as_its_tags_say(
    bits: int, photometric: str, order: str, compression: str | None, tmp_path: Path
) -> None:
    """TIFF 6.0, PhotometricInterpretation: 0, white is zero; 1, black is zero. Read right, or refused."""
    most = 2**bits - 1
    numbers = shades().astype(np.uint32) * most // 255
    stored = (most - numbers if photometric == "miniswhite" else numbers).astype(f"u{bits // 8}")
    path = tmp_path / "gray.tif"
    tifffile.imwrite(path, stored, photometric=photometric, byteorder=order, compression=compression)
    if (bits, photometric, order) == (16, "miniswhite", ">"):
        assert refusal(path).code == "photo-damaged"  # Pillow 13 does not know it
    else:
        np.testing.assert_array_equal(read_photo(path).luma, shades())
        np.testing.assert_array_equal(read_photo(path).colour()[:, :, 1], shades())


def test_twelve_bits_of_a_tiff_run_from_black_to_white(tmp_path: Path) -> None:
    """TIFF 6.0: 4095 is white, as 255 of 8 bits is; two values lie in three bytes."""
    pairs = np.rint(shades() * (4095 / 255)).astype(np.uint16).reshape(-1, 2)
    first, second = pairs[:, 0], pairs[:, 1]
    packed = np.stack([first >> 4, (first & 15) << 4 | second >> 8, second & 255], 1).astype(np.uint8)
    rows, columns = shades().shape
    data = packed.tobytes()
    entries = [
        (256, 4, columns), (257, 4, rows), (258, 3, 12), (259, 3, 1), (262, 3, 1),
        (273, 4, 8 + 2 + 9 * 12 + 4), (277, 3, 1), (278, 4, rows), (279, 4, len(data)),
    ]  # fmt: skip
    directory = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    content = b"II*\0" + struct.pack("<IH", 8, len(entries)) + directory + bytes(4) + data
    np.testing.assert_array_equal(read_photo(write(tmp_path, content)).luma, shades())


@pytest.mark.parametrize("order", "<>")
def test_colours_of_sixteen_bits_in_planes_are_refused(order: str, tmp_path: Path) -> None:
    planes = np.moveaxis(upright_picture().astype(np.uint16) * 257, 2, 0)
    path = tmp_path / "planes.tif"
    tifffile.imwrite(
        path, np.ascontiguousarray(planes), photometric="rgb", planarconfig="separate", byteorder=order
    )
    # Pillow 13 reads them wrongly; whoever finds that a later one does not, compares the colours here.
    error = refusal(path)
    assert error.code == "not-a-photo"
    assert "in a plane for each colour" in error.detail
