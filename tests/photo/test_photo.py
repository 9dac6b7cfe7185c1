"""Reading photo files: formats, orientation, brightness, what the camera wrote, and every refusal."""

import hashlib
import importlib.util
import io
import os
import random
import struct
import zlib
from datetime import datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps
from PIL.TiffImagePlugin import IFDRational

from aperture.errors import PhotoError
from aperture.flags import FLAGS
from aperture.measure import measure
from aperture.photo import glance, heif, read_photo
from aperture.photo.flat import flatten
from aperture.photo.heif_decoding import decode_heif

FORMATS = ["JPEG", "PNG", "HEIC", "AVIF", "TIFF", "WebP"]

# Exif 2.3 (CIPA DC-008), tag Orientation; from memory: which side of the picture, as it is to be seen, the
# stored row 0 and the stored column 0 are.
ORIENTATIONS = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def upright_picture() -> np.ndarray:
    """Random coloured blocks, 208 rows × 320 columns: every turn or mirroring shows, loss in JPEG hardly."""
    blocks = np.random.default_rng(7).integers(20, 236, (13, 20, 3), dtype=np.uint8)
    return np.kron(blocks, np.ones((16, 16, 1), np.uint8))


def stored_for(upright: np.ndarray, orientation: int) -> np.ndarray:
    """The pixels a camera stores under this orientation, straight from the table: no rotating function."""
    row_side, column_side = ORIENTATIONS[orientation]
    rows, columns = np.arange(upright.shape[0]), np.arange(upright.shape[1])
    if row_side in ("top", "bottom"):
        seen_rows = rows if row_side == "top" else rows[::-1]
        seen_columns = columns if column_side == "left" else columns[::-1]
        return upright[seen_rows[:, None], seen_columns[None, :]]
    # Stored row r is a column of the seen picture, counted from the left or from the right.
    seen_columns = columns if row_side == "left" else columns[::-1]
    seen_rows = rows if column_side == "top" else rows[::-1]
    return upright[seen_rows[None, :], seen_columns[:, None]]


def exif_with(orientation: int | None = None, **tags: object) -> Image.Exif:
    """EXIF data with these tags of the Exif block, by number: `_9003="2026:01:02 03:04:05"`."""
    exif = Image.Exif()
    if orientation is not None:
        exif[0x0112] = orientation
    for tag, value in tags.items():
        exif.get_ifd(0x8769)[int(tag[1:], 16)] = value
    return exif


def encode(
    picture: np.ndarray | Image.Image, format: str, exif: Image.Exif | None = None, **options
) -> bytes:
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    buffer = io.BytesIO()
    if exif is not None:
        options["exif"] = exif.tobytes()
    if format == "HEIC":
        pillow_heif.from_pillow(image).save(buffer, **{"quality": 95, "chroma": 444} | options)
    else:
        defaults = {
            "JPEG": {"quality": 95},
            "WebP": {"quality": 95},
            "AVIF": {"quality": 95, "subsampling": "4:4:4"},
        }.get(format, {})
        image.save(buffer, format=format.upper(), **defaults | options)
    return buffer.getvalue()


def write(folder: Path, content: bytes, name: str = "photo.jpg") -> Path:
    path = folder / name
    path.write_bytes(content)
    return path


def refusal(path: Path) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        read_photo(path)
    assert FLAGS[caught.value.code].effect == "refuse"
    return caught.value


def bt601(rgb: np.ndarray) -> np.ndarray:
    """Luma of ITU-R BT.601, full range as in JFIF 1.02: 0.299 R + 0.587 G + 0.114 B."""
    return rgb.astype(float) @ [0.299, 0.587, 0.114]


def mean_difference(a: np.ndarray, b: np.ndarray) -> float:
    assert a.shape == b.shape
    return float(np.abs(a.astype(float) - b.astype(float)).mean())


# --- orientation --------------------------------------------------------------------------------------


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("format", FORMATS)
def test_orientation_is_applied_exactly_once(tmp_path: Path, format: str, orientation: int) -> None:
    # In the HEIC files pillow-heif writes the boxes irot and imir *and* the EXIF orientation, as phones do.
    upright = upright_picture()
    path = write(tmp_path, encode(stored_for(upright, orientation), format, exif_with(orientation)))
    photo = read_photo(path)
    assert photo.format == format
    assert (photo.height_px, photo.width_px) == (208, 320)
    # A wrong turn would differ by some 60 levels.
    assert mean_difference(photo.luma, bt601(upright)) < 2
    assert mean_difference(photo.colour(), upright) < 6
    assert photo.luma.flags.c_contiguous
    assert photo.luma.dtype == np.uint8


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("format", ["JPEG", "PNG", "TIFF", "WebP"])
def test_orientation_agrees_with_pillow(tmp_path: Path, format: str, orientation: int) -> None:
    path = write(tmp_path, encode(upright_picture(), format, exif_with(orientation)))
    with Image.open(path) as image:
        reference = np.asarray(ImageOps.exif_transpose(image).convert("L"))
    assert np.abs(read_photo(path).luma.astype(int) - reference).max() <= 2


def test_exif_orientation_of_a_heic_is_information_only(tmp_path: Path) -> None:
    # HEIF (ISO/IEC 23008-12) has its own boxes for turning; documentation of pillow-heif, HeifImage.info:
    # "orientation tag is only for information purposes and must not be used to rotate image".
    def tag(orientation: int) -> bytes:
        return struct.pack(">HHIH", 0x0112, 3, 1, orientation)

    upright = upright_picture()
    not_turned = encode(upright, "HEIC", exif_with(1))
    turned = encode(stored_for(upright, 6), "HEIC", exif_with(6))
    assert not_turned.count(tag(1)) == turned.count(tag(6)) == 1
    assert b"irot" not in not_turned
    assert b"irot" in turned
    for content in (not_turned.replace(tag(1), tag(6)), turned.replace(tag(6), tag(1))):
        assert mean_difference(read_photo(write(tmp_path, content)).luma, bt601(upright)) < 2


@pytest.mark.parametrize("format", ["HEIC", "TIFF"])
def test_orientation_in_xmp_only_is_applied_exactly_once(tmp_path: Path, format: str) -> None:
    # pillow-heif writes the box irot for it; Pillow turns the TIFF.
    xmp = b"<x><tiff:Orientation>6 </tiff:Orientation></x>"
    options = {"xmp": xmp} if format == "HEIC" else {"tiffinfo": {700: xmp}}
    upright = upright_picture()
    photo = read_photo(write(tmp_path, encode(stored_for(upright, 6), format, **options)))
    assert mean_difference(photo.luma, bt601(upright)) < 2


@pytest.mark.parametrize("nonsense", [0, 9, 4711])
def test_impossible_orientation_counts_as_upright(tmp_path: Path, nonsense: int) -> None:
    upright = upright_picture()
    photo = read_photo(write(tmp_path, encode(upright, "JPEG", exif_with(nonsense))))
    assert mean_difference(photo.luma, bt601(upright)) < 2


# --- brightness and colour ----------------------------------------------------------------------------


def test_luma_of_lossless_pictures_is_bt601_and_pillows(tmp_path: Path) -> None:
    colours = np.random.default_rng(3).integers(0, 256, (200, 300, 3), dtype=np.uint8)
    for format, options in [("PNG", {}), ("TIFF", {"compression": "tiff_lzw"}), ("WebP", {"lossless": True})]:
        photo = read_photo(write(tmp_path, encode(colours, format, **options)))
        # Half a level is the rounding, the rest the fixed-point coefficients.
        assert np.abs(photo.luma - bt601(colours)).max() < 0.52
        np.testing.assert_array_equal(photo.luma, np.asarray(Image.fromarray(colours).convert("L")))
        np.testing.assert_array_equal(photo.colour(), colours)


@pytest.mark.parametrize("options", [{"subsampling": 0}, {"subsampling": 2}, {"progressive": True}], ids=str)
def test_luma_of_a_jpeg_is_its_y_channel(tmp_path: Path, options: dict[str, object]) -> None:
    noisy = upright_picture() // 2 + np.random.default_rng(1).integers(0, 128, (208, 320, 3), dtype=np.uint8)
    path = write(tmp_path, encode(noisy, "JPEG", **options))
    with Image.open(path) as image:
        image.draft("YCbCr", None)
        y_channel = np.asarray(image)[:, :, 0]
    # The standard inverse transform of libjpeg is exact integer arithmetic, so both must agree in every bit.
    np.testing.assert_array_equal(read_photo(path).luma, y_channel)


def test_luma_of_a_jpeg_is_bt601(tmp_path: Path) -> None:
    # JFIF 1.02 defines Y by the BT.601 formula; blocks of one colour at the best quality lose nearly nothing.
    upright = upright_picture()
    photo = read_photo(write(tmp_path, encode(upright, "JPEG", quality=100, subsampling=0)))
    assert np.abs(photo.luma - bt601(upright)).max() < 2


def test_pictures_in_unusual_modes(tmp_path: Path) -> None:
    colours = Image.fromarray(upright_picture())
    gray = np.asarray(colours.convert("L"))
    palette = colours.quantize(32)
    black_and_white = Image.fromarray(gray > 128)
    cmyk = encode(colours.convert("CMYK"), "JPEG", quality=100, subsampling=0)
    cases = [
        (encode(gray, "JPEG", quality=100), gray, 1),
        (encode(gray, "PNG"), gray, 0),
        (encode(palette, "PNG"), np.asarray(palette.convert("RGB").convert("L")), 0),
        (encode(black_and_white, "PNG"), 255 * (gray > 128), 0),
        (encode(black_and_white, "TIFF", compression="group4"), 255 * (gray > 128), 0),
        (cmyk, np.asarray(Image.open(io.BytesIO(cmyk)).convert("RGB").convert("L")), 0),
        (encode(colours.convert("CMYK"), "TIFF"), np.asarray(colours.convert("L")), 1),
        (encode(colours, "JPEG", quality=100, keep_rgb=True), gray, 2),
    ]
    for content, expected, tolerance in cases:
        photo = read_photo(write(tmp_path, content))
        assert np.abs(photo.luma.astype(int) - expected).max() <= tolerance
        assert photo.colour().shape == (208, 320, 3)
        assert np.abs(bt601(photo.colour()) - photo.luma).max() <= 2


def test_sixteen_bits_are_rounded_to_eight(tmp_path: Path) -> None:
    # 65535 = 255 × 257: PNG (ISO/IEC 15948, sample depth rescaling) maps 257 v to v.
    eight = np.asarray(Image.fromarray(upright_picture()).convert("L"))
    sixteen = eight.astype(np.uint16) * 257
    big_endian = Image.frombytes("I;16B", (320, 208), sixteen.astype(">u2").tobytes())
    for content in [
        encode(Image.fromarray(sixteen), "PNG"),
        encode(Image.fromarray(sixteen), "TIFF"),
        encode(big_endian, "TIFF"),
        encode(Image.fromarray(sixteen + np.uint16(120)), "PNG"),
        encode(Image.fromarray(sixteen - np.uint16(120)), "PNG"),
    ]:
        np.testing.assert_array_equal(read_photo(write(tmp_path, content)).luma, eight)
    rgb = upright_picture()
    _, png = cv2.imencode(".png", rgb[:, :, ::-1].astype(np.uint16) * 257)
    np.testing.assert_array_equal(read_photo(write(tmp_path, png.tobytes())).colour(), rgb)


@pytest.mark.parametrize("format", ["PNG", "TIFF", "WebP", "HEIC"])
def test_transparency_is_shown_on_white(tmp_path: Path, format: str) -> None:
    # "over" of Porter and Duff (1984): alpha × colour + (1 - alpha) × white.
    rgba = np.zeros((208, 320, 4), np.uint8)
    rgba[..., :3] = (40, 80, 120)
    rgba[:, :96, 3] = 255
    rgba[:, 96:208, 3] = 102
    options = {"lossless": True, "exact": True} if format == "WebP" else {}
    colour = read_photo(write(tmp_path, encode(rgba, format, **options))).colour()
    tolerance = 4 if format == "HEIC" else 1
    for column, alpha in [(40, 1.0), (150, 0.4), (270, 0.0)]:
        expected = alpha * np.array([40, 80, 120]) + (1 - alpha) * 255
        assert np.abs(colour[100, column] - expected).max() <= tolerance


def test_pixels_cannot_be_changed_by_accident(tmp_path: Path) -> None:
    photo = read_photo(write(tmp_path, encode(upright_picture(), "JPEG")))
    with pytest.raises(ValueError, match="read-only"):
        photo.luma[0, 0] = 1


# --- what the file is ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a.jpg", "b.heic", "c.txt", "d"])
@pytest.mark.parametrize("format", FORMATS)
def test_the_bytes_decide_the_format(tmp_path: Path, format: str, name: str) -> None:
    assert read_photo(write(tmp_path, encode(upright_picture(), format), name)).format == format


@pytest.mark.parametrize(
    "name", ["été à Nîmes.jpg", "R07 'dry' \"1\".jpg", "簧片.jpg", "-x;$(y)&.jpg", " .jpg"]
)
def test_names_with_accents_spaces_and_quotes(tmp_path: Path, name: str) -> None:
    content = encode(upright_picture(), "JPEG")
    path = write(tmp_path, content, name)
    assert read_photo(path).path == path
    assert read_photo(str(path)).sha256 == hashlib.sha256(content).hexdigest()


def test_first_picture_of_a_file_with_several(tmp_path: Path) -> None:
    first, second = Image.fromarray(upright_picture()), Image.new("RGB", (400, 300), "red")
    pair = encode(first.copy(), "MPO", save_all=True, append_images=[second.copy()], quality=95)
    assert b"MPF\0" in pair
    pages = encode(first, "TIFF", save_all=True, append_images=[second])
    for content in (pair, pages):
        photo = read_photo(write(tmp_path, content))
        assert mean_difference(photo.luma, bt601(upright_picture())) < 2


def test_what_follows_the_end_of_a_jpeg_is_ignored(tmp_path: Path) -> None:
    # Common practice, no published source: phones append a short video or a second picture.
    picture = encode(upright_picture(), "JPEG")
    video = struct.pack(">I", 24) + b"ftypmp42" + random.Random(5).randbytes(50_000)
    expected = read_photo(write(tmp_path, picture)).luma
    for tail in (video, b"\0" * 10_000, encode(np.zeros((300, 300), np.uint8), "JPEG")[:-100]):
        np.testing.assert_array_equal(read_photo(write(tmp_path, picture + tail)).luma, expected)


def test_a_little_padding_before_the_end_of_a_jpeg_is_harmless(tmp_path: Path) -> None:
    picture = encode(upright_picture(), "JPEG")
    padded = picture[:-2] + b"\x55" * 32 + picture[-2:]
    expected = read_photo(write(tmp_path, picture))
    np.testing.assert_array_equal(read_photo(write(tmp_path, padded)).luma, expected.luma)


def test_wrong_scan_parameters_are_harmless_but_a_cut_behind_them_is_not(tmp_path: Path) -> None:
    # Some phones write them (libjpeg-turbo, report 163); a baseline decoder does not need them.
    picture = encode(upright_picture(), "JPEG")
    scan = picture.index(b"\xff\xda")
    # Length (2), number of components (1), two bytes for each of three, then the parameters 0, 63, 0.
    assert picture[scan + 11 : scan + 14] == bytes([0, 63, 0])
    quirky = picture[: scan + 12] + b"\0" + picture[scan + 13 :]
    expected = read_photo(write(tmp_path, picture)).luma
    np.testing.assert_array_equal(read_photo(write(tmp_path, quirky)).luma, expected)
    assert refusal(write(tmp_path, quirky[: len(quirky) // 2])).code == "photo-damaged"


def test_photos_of_another_project(tmp_path: Path) -> None:
    # Real files and their SHA-256 as scikit-image ships and lists them.
    from skimage.data._registry import registry

    folder = Path(importlib.util.find_spec("skimage").submodule_search_locations[0])
    for name, format in [("rocket.jpg", "JPEG"), ("retina.jpg", "JPEG"), ("astronaut.png", "PNG")]:
        photo = read_photo(folder / "data" / name)
        assert photo.format == format
        assert photo.sha256 == registry[f"data/{name}"]
        with Image.open(folder / "data" / name) as image:
            reference = np.asarray(image.convert("RGB"))
        assert mean_difference(photo.colour(), reference) < 0.1
        # Where a colour is clipped to 0 or 255 the formula and the stored Y part a little.
        assert mean_difference(photo.luma, bt601(reference)) < 0.7


# --- what the camera wrote ----------------------------------------------------------------------------


@pytest.mark.parametrize("format", FORMATS)
def test_camera_data_is_read_from_every_format(tmp_path: Path, format: str) -> None:
    exif = exif_with(
        6,
        _9003="2026:03:04 05:06:07",
        _9011="-03:30",
        _a405=26,
        _a404=IFDRational(3, 2),
        _a002=208,
        _a003=320,
    )
    photo = read_photo(write(tmp_path, encode(upright_picture(), format, exif)))
    zone = timezone(-timedelta(hours=3, minutes=30))
    assert photo.taken == datetime(2026, 3, 4, 5, 6, 7, tzinfo=zone)
    assert photo.taken.utcoffset() == timedelta(hours=-3.5)
    assert photo.focal_length_35mm == 26
    assert photo.digital_zoom == 1.5
    assert photo.provenance == "camera"


@pytest.mark.parametrize(
    ("text", "offset", "expected"),
    [
        # Exif 2.3: "YYYY:MM:DD HH:MM:SS", 24 hours; unknown is blanks or, in practice, zeros.
        ("2024:02:29 23:59:59", None, datetime(2024, 2, 29, 23, 59, 59)),
        ("2024:02:29 23:59:59", "nonsense", datetime(2024, 2, 29, 23, 59, 59)),
        ("2024:02:29 23:59:59", "+99:00", datetime(2024, 2, 29, 23, 59, 59)),
        ("2023:02:29 12:00:00", None, None),
        ("0000:00:00 00:00:00", None, None),
        ("    :  :     :  :  ", None, None),
        ("1970:01:01 00:00:00", None, None),
        # after tomorrow: no photo was taken then, whatever its camera says
        ("9999:12:31 23:59:59", None, None),
        ("2150:01:01 00:00:00", "+02:00", None),
        ("2024:13:01 00:00:00", None, None),
        ("yesterday", "+01:00", None),
        ("", None, None),
    ],
)
def test_time_taken(tmp_path: Path, text: str, offset: str | None, expected: datetime | None) -> None:
    tags = {"_9003": text} | ({} if offset is None else {"_9011": offset})
    taken = read_photo(write(tmp_path, encode(upright_picture(), "JPEG", exif_with(**tags)))).taken
    assert taken == expected
    assert taken is None or taken.tzinfo is None


@pytest.mark.parametrize(
    ("focal_length", "expected"),
    [(26, 26.0), (13, 13.0), (0, None), (1, None), (65535, None), ("wide", None)],
)
def test_focal_length(tmp_path: Path, focal_length: object, expected: float | None) -> None:
    # Exif 2.3: 0 means that the focal length is unknown.
    photo = read_photo(write(tmp_path, encode(upright_picture(), "JPEG", exif_with(_a405=focal_length))))
    assert photo.focal_length_35mm == expected


@pytest.mark.parametrize(
    ("fraction", "expected"), [((2, 1), 2.0), ((0, 1), 1.0), ((0, 0), 1.0), ((5, 0), 1.0), ((1, 4), 1.0)]
)
def test_digital_zoom(tmp_path: Path, fraction: tuple[int, int], expected: float) -> None:
    # Exif 2.3: a numerator of 0 means that digital zoom was not used.
    exif = exif_with(_a404=IFDRational(*fraction))
    assert read_photo(write(tmp_path, encode(upright_picture(), "JPEG", exif))).digital_zoom == expected


@pytest.mark.parametrize(
    ("tags", "expected"),
    [
        ({"_a002": 320, "_a003": 208}, "camera"),
        ({"_a002": 208, "_a003": 320}, "camera"),
        ({"_a002": 4032, "_a003": 3024}, "changed"),
        ({"_a002": 320, "_a003": 240}, "changed"),
        ({"_a002": 320}, "unknown"),
        ({"_a002": 0, "_a003": 0}, "unknown"),
        ({"_a405": 26}, "unknown"),
        (None, "unknown"),
    ],
)
def test_provenance(tmp_path: Path, tags: dict[str, int] | None, expected: str) -> None:
    exif = None if tags is None else exif_with(**tags)
    assert read_photo(write(tmp_path, encode(upright_picture(), "JPEG", exif))).provenance == expected


def test_broken_camera_data_does_not_cost_the_picture(tmp_path: Path) -> None:
    whole = encode(upright_picture(), "JPEG", exif_with(1, _a405=26, _a002=320, _a003=208))
    start = whole.index(b"Exif\0\0") + 6
    for damage in (b"\xff" * 60, b"MM\0*\xff\xff\xff\xf0", bytes(60)):
        photo = read_photo(write(tmp_path, whole[:start] + damage + whole[start + len(damage) :]))
        assert mean_difference(photo.luma, bt601(upright_picture())) < 2
        assert photo.provenance == "unknown"
        assert photo.focal_length_35mm is None


def test_a_broken_list_of_pictures_does_not_cost_the_camera_data(tmp_path: Path) -> None:
    # Pillow warns about this APP2 segment (CIPA DC-007) and reads the file as an ordinary JPEG.
    picture = encode(upright_picture(), "JPEG", exif_with(1, _a405=26))
    segment = b"\xff\xe2" + struct.pack(">H", 2 + 4 + 20) + b"MPF\0" + b"\xee" * 20
    table = picture.index(b"\xff\xdb")
    photo = read_photo(write(tmp_path, picture[:table] + segment + picture[table:]))
    assert photo.focal_length_35mm == 26


# --- refusals -----------------------------------------------------------------------------------------


def test_files_that_are_not_there_or_cannot_be_opened(tmp_path: Path) -> None:
    assert refusal(tmp_path / "none.jpg").code == "file-missing"
    assert refusal(write(tmp_path, b"x") / "within a file.jpg").code == "file-missing"
    assert refusal(Path("with a \0 in it.jpg")).code == "file-missing"
    assert refusal(tmp_path).code == "file-unreadable"
    assert refusal(write(tmp_path, b"", "empty.jpg")).code == "file-empty"
    # A pipe without a writer would wait for ever.
    os.mkfifo(tmp_path / "pipe.jpg")
    assert refusal(tmp_path / "pipe.jpg").code == "file-unreadable"
    (tmp_path / "endless.jpg").symlink_to("/dev/zero")
    assert refusal(tmp_path / "endless.jpg").code == "file-unreadable"


def test_what_a_glance_tells_is_told_without_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of 1.5 GB that is no photo is not read: the limit alone would let it pass."""
    letter = write(tmp_path, b"Dear Sir,", "letter.jpg")
    os.truncate(letter, 1_500_000_000)
    resource = pytest.importorskip("resource")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert refusal(letter).code == "not-a-photo"
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000
    for path in (letter, tmp_path, tmp_path / "none", write(tmp_path, b"", "empty")):
        with pytest.raises(PhotoError) as caught:
            glance(path)
        assert caught.value.code == refusal(path).code
    glance(write(tmp_path, encode(upright_picture(), "JPEG")))


def test_a_file_one_may_not_read(tmp_path: Path) -> None:
    path = write(tmp_path, encode(upright_picture(), "JPEG"))
    path.chmod(0)
    user = os.geteuid()
    # Nothing is forbidden to the superuser: become nobody for a moment.
    if user == 0:
        os.seteuid(65534)
    try:
        assert refusal(path).code == "file-unreadable"
    finally:
        os.seteuid(user)


@pytest.mark.parametrize(
    "content",
    [
        b"Dear Sir,\nplease find attached my reed.\n",
        b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n",
        b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom",
        b"PK\x03\x04",
        b"\xff",
        b"\0" * 5000,
        encode(upright_picture(), "GIF"),
        encode(upright_picture(), "BMP"),
        encode(Image.new("F", (300, 300)), "TIFF"),
        encode(Image.new("I", (300, 300)), "TIFF"),
    ],
    ids=["text", "pdf", "video", "zip", "one-byte", "zeros", "gif", "bmp", "float", "integer"],
)
def test_other_files_called_jpg(tmp_path: Path, content: bytes) -> None:
    assert refusal(write(tmp_path, content)).code == "not-a-photo"


LOSSY_AND_LOSSLESS = [
    ("JPEG", {}),
    ("JPEG", {"progressive": True}),
    ("PNG", {}),
    ("HEIC", {}),
    ("AVIF", {}),
    ("TIFF", {}),
    ("TIFF", {"compression": "tiff_lzw"}),
    ("WebP", {}),
    ("WebP", {"lossless": True}),
]


@pytest.mark.parametrize(("format", "options"), LOSSY_AND_LOSSLESS, ids=str)
def test_a_file_that_was_cut_is_refused(tmp_path: Path, format: str, options: dict[str, object]) -> None:
    whole = encode(upright_picture(), format, exif_with(6), **options)
    # The last 16 bytes of a PNG hold no picture.
    for kept in (20, len(whole) // 4, len(whole) // 2, len(whole) * 9 // 10, len(whole) - 17):
        assert refusal(write(tmp_path, whole[:kept])).code == "photo-damaged"


def test_a_cut_jpeg_is_refused_although_it_has_an_end(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    whole = encode(upright_picture(), "JPEG")
    for content in (whole[: len(whole) // 2] + whole[-2:], whole[: len(whole) // 2] + whole[-200:]):
        assert refusal(write(tmp_path, content)).code == "photo-damaged"
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("format", ["JPEG", "PNG", "HEIC", "AVIF", "WebP"])
def test_an_interrupted_copy_filled_with_zeros_is_refused(tmp_path: Path, format: str) -> None:
    noise = np.random.default_rng(0).integers(0, 256, (300, 300, 3), dtype=np.uint8)
    whole = encode(noise, format)
    half = len(whole) // 2
    assert refusal(write(tmp_path, whole[:half] + bytes(len(whole) - half))).code == "photo-damaged"


def test_a_strip_that_is_hardly_wide_enough_is_read(tmp_path: Path) -> None:
    strip = np.full((200_000, 200), 128, np.uint8)
    result = measure(write(tmp_path, encode(strip, "PNG")))
    assert result.flags == ("no-card",)


def test_a_flipped_bit_in_a_png_is_refused(tmp_path: Path) -> None:
    whole = encode(upright_picture(), "PNG")
    for position in np.linspace(whole.index(b"IDAT") + 4, whole.index(b"IEND") - 9, 25).astype(int):
        content = bytearray(whole)
        content[position] ^= 1
        assert refusal(write(tmp_path, bytes(content))).code == "photo-damaged"


def with_size(format: str, width_px: int, height_px: int) -> bytes:
    """A small picture whose header claims this size; the layouts are those of the formats' standards."""
    picture = upright_picture()
    content = bytearray(encode(picture, format))
    if format == "JPEG":
        struct.pack_into(">HH", content, content.index(b"\xff\xc0") + 5, height_px, width_px)
    elif format == "PNG":
        struct.pack_into(">II", content, 16, width_px, height_px)
        struct.pack_into(">I", content, 29, zlib.crc32(content[12:29]))
    elif format in ("HEIC", "AVIF"):
        struct.pack_into(">II", content, content.index(b"ispe") + 8, width_px, height_px)
    elif format == "WebP":
        struct.pack_into("<HH", content, content.index(b"\x9d\x01\x2a") + 3, width_px, height_px)
    else:
        # Tags 256 and 257 are the first two entries of 12 bytes; type 4 is a 32-bit number.
        directory = struct.unpack_from("<I", content, 4)[0]
        struct.pack_into("<HHII", content, directory + 2, 256, 4, 1, width_px)
        struct.pack_into("<HHII", content, directory + 14, 257, 4, 1, height_px)
    return bytes(content)


@pytest.mark.parametrize("format", FORMATS)
def test_too_large_is_seen_in_the_header(
    tmp_path: Path, format: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    resource = pytest.importorskip("resource")
    sides = (16383, 16383) if format == "WebP" else (60_000, 60_000)
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 123_456)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert refusal(write(tmp_path, with_size(format, *sides))).code == "photo-too-large"
    # Decoding would take gigabytes. Linux counts in kilobytes.
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000
    # A setting of the whole process, to be found as it was.
    assert Image.MAX_IMAGE_PIXELS == 123_456


def test_the_limit_is_200_million_pixels(tmp_path: Path) -> None:
    # 14143 × 14142 is just above, 14143 × 14141 just below (and then found to be a lie).
    for format in ("PNG", "HEIC", "WebP"):
        above, below = with_size(format, 14143, 14142), with_size(format, 14143, 14141)
        assert refusal(write(tmp_path, above)).code == "photo-too-large"
        assert refusal(write(tmp_path, below)).code == "photo-damaged"


def test_a_file_larger_than_any_photo_is_not_read(tmp_path: Path) -> None:
    path = write(tmp_path, b"\xff\xd8\xff")
    with path.open("r+b") as file:
        file.truncate(5_000_000_000)
    assert refusal(path).code == "photo-too-large"


@pytest.mark.parametrize("format", FORMATS)
def test_a_header_with_a_wrong_size_is_refused(tmp_path: Path, format: str) -> None:
    for sides in ((320, 4000), (320, 240), (1000, 208)):
        assert refusal(write(tmp_path, with_size(format, *sides))).code == "photo-damaged"


def test_a_black_bottom_row_is_no_damage(tmp_path: Path) -> None:
    # In a PNG that ends early Pillow leaves black rows: these are real.
    picture = upright_picture()
    picture[100:] = 0
    np.testing.assert_array_equal(read_photo(write(tmp_path, encode(picture, "PNG"))).colour(), picture)


def test_a_jpeg_header_that_hides_rows_is_refused(tmp_path: Path) -> None:
    noise = np.random.default_rng(0).integers(0, 256, (600, 300, 3), dtype=np.uint8)
    content = bytearray(encode(noise, "JPEG"))
    struct.pack_into(">H", content, content.index(b"\xff\xc0") + 5, 400)
    assert refusal(write(tmp_path, bytes(content))).code == "photo-damaged"


def segments_of(jpeg: bytes) -> list[int]:
    """Where each segment before the compressed picture begins (ITU-T T.81, annex B: a marker, a length)."""
    starts, position = [], 2
    while True:
        starts.append(position)
        if jpeg[position + 1] == 0xDA:
            return starts
        position += 2 + int.from_bytes(jpeg[position + 2 : position + 4], "big")


@pytest.mark.parametrize("stray", [b"\0\0", b"\0", b"\x12\x34\0\xff\0\x56", b"\xff\xff\xff"], ids=bytes.hex)
def test_a_few_stray_bytes_between_segments_are_no_damage(tmp_path: Path, stray: bytes) -> None:
    """As some cameras write them; libjpeg: "Corrupt JPEG data: 2 extraneous bytes before marker 0xdb".

    T.81, B.1.1.2 allows any number of fill bytes 0xFF before a marker.
    """
    whole = encode(upright_picture(), "JPEG", exif_with(6, _9003="2026:03:04 05:06:07"))
    expected = read_photo(write(tmp_path, whole))
    between = segments_of(whole)[1:]
    for start in between:
        photo = read_photo(write(tmp_path, whole[:start] + stray + whole[start:]))
        np.testing.assert_array_equal(photo.colour(), expected.colour())
        assert photo.taken == expected.taken
    everywhere = whole
    for start in reversed(between):
        everywhere = everywhere[:start] + stray + everywhere[start:]
    np.testing.assert_array_equal(read_photo(write(tmp_path, everywhere)).luma, expected.luma)


def test_stray_bytes_in_the_compressed_picture_or_in_place_of_a_table_are_damage(tmp_path: Path) -> None:
    noise = np.random.default_rng(0).integers(0, 256, (300, 300, 3), dtype=np.uint8)
    for options in ({}, {"progressive": True}):
        whole = encode(noise, "JPEG", **options)
        picture = whole.index(b"\xff\xda") + 50
        for place in (picture, (picture + len(whole)) // 2):
            stray = whole[:place] + b"\xff\xfe\0\2\0\0" + whole[place:]
            assert refusal(write(tmp_path, stray)).code == "photo-damaged"
        for start in segments_of(whole):
            if whole[start + 1] in (0xDB, 0xC0, 0xC2, 0xC4):
                spoilt = whole[:start] + b"\0" + whole[start + 1 :]
                assert refusal(write(tmp_path, spoilt)).code == "photo-damaged"


def test_a_lost_restart_interval_is_damage(tmp_path: Path) -> None:
    """It is shorter than what may be stray; the decoder meets restarts that it does not expect."""
    whole = encode(upright_picture(), "JPEG", restart_marker_rows=1)
    start = next(start for start in segments_of(whole) if whole[start + 1] == 0xDD)
    spoilt = whole[:start] + b"\0" + whole[start + 1 :]
    assert refusal(write(tmp_path, spoilt)).code == "photo-damaged"


def test_a_jpeg_of_endless_scans_is_refused(tmp_path: Path) -> None:
    content = encode(upright_picture(), "JPEG", progressive=True)
    last_scan = content[content.rindex(b"\xff\xda") : -2]
    error = refusal(write(tmp_path, content[:-2] + 5000 * last_scan + content[-2:]))
    assert error.code == "photo-damaged"
    assert "scans" in error.detail


def test_a_jpeg_of_endless_segments_is_refused(tmp_path: Path) -> None:
    content = encode(upright_picture(), "JPEG")
    error = refusal(write(tmp_path, content[:2] + 100_000 * b"\xff\xfe\0\2" + content[2:]))
    assert error.code == "photo-damaged"
    assert "segments" in error.detail


@pytest.mark.parametrize("mode", ["RGBA", "RGB", "L"])
def test_a_picture_is_flattened_without_many_copies_of_it(mode: str) -> None:
    # Counted by the size of what is allocated, in pictures of 4 bytes for each pixel, as Pillow holds them.
    resource = pytest.importorskip("resource")
    image = Image.new(mode, (6000, 5000), "gray")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    gray = flatten(image, colour=False)
    assert gray.shape == (5000, 6000)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 0.6 * 4 * 6000 * 5000 / 1024


@pytest.mark.parametrize("format", FORMATS)
def test_too_small(tmp_path: Path, format: str) -> None:
    for rows, columns in ((199, 400), (400, 199)):
        content = encode(np.zeros((rows, columns, 3), np.uint8), format)
        assert refusal(write(tmp_path, content)).code == "photo-too-small"
    content = encode(np.zeros((200, 200, 3), np.uint8), format)
    assert read_photo(write(tmp_path, content)).luma.shape == (200, 200)


def crashing_heic() -> bytes:
    """pi_heif 1.4.0 has a segmentation fault on a type of an item that is no text."""
    content = encode(upright_picture(), "HEIC", exif_with(1))
    assert content.count(b"\0Exif\0") == 1
    return content.replace(b"\0Exif\0", b"\0Ex\xfff\0")


def with_a_decoy(content: bytes) -> bytes:
    """A box that nobody reads, in which stands what looks like an empty list of items (ISO/IEC 14496-12)."""
    decoy = struct.pack(">I4sI4sIH", 22, b"free", 14, b"iinf", 0, 0)
    first = int.from_bytes(content[:4], "big")
    return content[:first] + decoy + content[first:]


def test_a_decoy_before_the_list_of_items_does_not_hide_it(tmp_path: Path) -> None:
    error = refusal(write(tmp_path, with_a_decoy(crashing_heic())))
    assert (error.code, error.detail) == ("photo-damaged", "HEIC: the description of an item is no text")


def test_a_heic_that_crashes_the_decoder_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the look at its texts may miss."""
    monkeypatch.setattr(heif, "check_item_texts", lambda encoded: None)
    error = refusal(write(tmp_path, crashing_heic()))
    assert (error.code, error.detail) == ("photo-damaged", "HEIC: the decoder crashed on it")


def test_a_decoder_that_never_comes_back_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heif, "DECODER_SECONDS", 0.0)
    assert refusal(write(tmp_path, encode(upright_picture(), "HEIC"))).code == "photo-damaged"


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "L", "LA"])
def test_a_heic_decoded_apart_is_the_same(mode: str) -> None:
    image = Image.fromarray(upright_picture()).convert(mode)
    content = encode(image, "HEIC", exif_with(6, _9003="2026:03:04 05:06:07"))
    sizes: list[tuple[int, int]] = []

    def note(width_px: int, height_px: int) -> None:
        sizes.append((width_px, height_px))

    assert heif.read_heif(content, note) == decode_heif(content, note)
    assert sizes[0] == sizes[1]


def test_an_item_type_that_is_no_text_does_not_end_the_process(tmp_path: Path) -> None:
    assert refusal(write(tmp_path, crashing_heic())).code == "photo-damaged"


@pytest.mark.parametrize(("format", "options"), LOSSY_AND_LOSSLESS, ids=str)
def test_damaged_bytes_give_a_photo_or_a_refusal(
    tmp_path: Path, format: str, options: dict[str, object]
) -> None:
    dice = random.Random(f"{format} {options}")
    # Pillow 13 cannot write a compressed TIFF with an Exif block.
    exif = exif_with(6) if format == "TIFF" else exif_with(6, _9003="2026:01:02 03:04:05", _a405=26)
    whole = encode(upright_picture(), format, exif, **options)
    outcomes = set()
    for _ in range(80):
        content = bytearray(whole)
        # Most of what can go wrong is in the first bytes.
        reach = dice.choice([100, 600, len(content)])
        for _ in range(dice.choice([1, 2, 8])):
            content[dice.randrange(min(reach, len(content)))] = dice.choice([0, 1, 255, dice.randrange(256)])
        if dice.random() < 0.2:
            del content[dice.randrange(len(content)) :]
        if dice.random() < 0.2:
            position = dice.randrange(len(content) + 1)
            content[position : position + dice.randrange(50)] = dice.randbytes(dice.randrange(50))
        try:
            outcomes.add(read_photo(write(tmp_path, bytes(content))).luma.ndim)
        except PhotoError as error:
            outcomes.add(error.code)
    assert "photo-damaged" in outcomes
    assert outcomes <= {2, "photo-damaged", "not-a-photo", "photo-too-large", "photo-too-small", "file-empty"}
