"""A photo without what is private: nothing private is left, and what is measured stays the same."""

import io
import random
import struct
import warnings
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps
from PIL.TiffImagePlugin import IFDRational

from aperture.book.photos import heic, privacy
from aperture.book.photos.privacy import without_private
from aperture.errors import PhotoError
from aperture.measure import measure
from aperture.photo import read_photo

DEMO = Path(__file__).parents[3] / "demo_images"
FORMATS = ["JPEG", "PNG", "TIFF", "WebP", "HEIC", "AVIF"]
KEPT_FORMAT = {"TIFF": "PNG"}

# Everything private that is put in holds this word, so that looking for it finds all.
PRIVATE = "PriVate"
# 51° 7' 12.34", as Exif writes it: three fractions.
LATITUDE = ((51, 1), (7, 1), (1234, 100))

# Exif 2.32 (CIPA DC-008), numbers from memory.
EXIF_BLOCK, GPS_BLOCK = 0x8769, 0x8825
ORIENTATION, TAKEN, OFFSET, SUBSECOND = 0x0112, 0x9003, 0x9011, 0x9291
FOCAL_LENGTH, FOCAL_35MM, ZOOM, WIDTH, HEIGHT = 0x920A, 0xA405, 0xA404, 0xA002, 0xA003
ALLOWED = {TAKEN, OFFSET, SUBSECOND, FOCAL_LENGTH, FOCAL_35MM, ZOOM, WIDTH, HEIGHT}
PRIVATE_TAGS = {
    "description": 0x010E,
    "make": 0x010F,
    "model": 0x0110,
    "software": 0x0131,
    "artist": 0x013B,
    "host": 0x013C,
    "copyright": 0x8298,
}
PRIVATE_EXIF_TAGS = {
    "maker note": 0x927C,
    "comment": 0x9286,
    "image id": 0xA420,
    "owner": 0xA430,
    "body": 0xA431,
    "lens": 0xA435,
}


def picture(columns: int = 320, rows: int = 208) -> Image.Image:
    """Coloured blocks with grain."""
    dice = np.random.default_rng(7)
    blocks = np.kron(dice.integers(20, 200, (rows // 16, columns // 16, 3)), np.ones((16, 16, 1)))
    return Image.fromarray((blocks + dice.integers(0, 50, blocks.shape)).astype(np.uint8))


def camera_exif(**more: object) -> Image.Exif:
    """What a phone writes: what measuring needs, and much that is private."""
    exif = Image.Exif()
    for name, tag in PRIVATE_TAGS.items():
        exif[tag] = f"{PRIVATE} {name}"
    block = exif.get_ifd(EXIF_BLOCK)
    for name, tag in PRIVATE_EXIF_TAGS.items():
        text = f"{PRIVATE} {name}"
        block[tag] = text.encode() if tag in (0x927C, 0x9286) else text
    gps = exif.get_ifd(GPS_BLOCK)
    gps[1], gps[2] = "N", tuple(IFDRational(*part) for part in LATITUDE)
    exif[ORIENTATION] = 6
    block[TAKEN], block[OFFSET], block[SUBSECOND] = "2026:03:04 05:06:07", "-03:30", "125"
    block[FOCAL_LENGTH], block[FOCAL_35MM], block[ZOOM] = IFDRational(577, 100), 26, IFDRational(3, 2)
    block[WIDTH], block[HEIGHT] = 320, 208
    for tag, value in more.items():
        block[int(tag[1:], 16)] = value
    return exif


XMP = (
    '<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
    f"<creator>{PRIVATE}</creator></x:xmpmeta>"
).encode()
PROFILE = b"\0\0\2\0none" + bytes(120) + f"{PRIVATE} profile".encode()
TAIL = f"{PRIVATE} tail ".encode() * 400


def preview() -> bytes:
    """A small JPEG with a private comment."""
    buffer = io.BytesIO()
    picture().resize((80, 52)).save(buffer, "JPEG", comment=f"{PRIVATE} preview")
    return buffer.getvalue()


def jpeg_segment(marker: int, content: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def private_jpeg(exif: Image.Exif | None = None, **options: object) -> bytes:
    buffer = io.BytesIO()
    second = picture(160, 96)
    picture().save(
        buffer,
        "MPO",
        **{"quality": 90, "save_all": True, "append_images": [second], "exif": exif or camera_exif()}
        | options,
        icc_profile=PROFILE,
        comment=f"{PRIVATE} comment",
        xmp=XMP,
    )
    segments = [
        # JFIF 1.02: extension with a thumbnail; Photoshop's block with IPTC; and one of an unknown maker.
        jpeg_segment(0xE0, b"JFXX\0\x10" + preview()),
        jpeg_segment(0xED, b"Photoshop 3.0\x008BIM\4\4\0\0\0\0\0\x14\x1c\2\x50\0\x0f" + PRIVATE.encode() * 2),
        jpeg_segment(0xEB, PRIVATE.encode() + bytes(20)),
    ]
    encoded = buffer.getvalue()
    table = encoded.index(b"\xff\xdb")
    return encoded[:table] + b"".join(segments) + encoded[table:] + TAIL


def private_png() -> bytes:
    buffer = io.BytesIO()
    from PIL.PngImagePlugin import PngInfo

    texts = PngInfo()
    texts.add_text("Author", PRIVATE)
    texts.add_text("Comment", PRIVATE, zip=True)
    texts.add_itxt("XML:com.adobe.xmp", XMP.decode())
    texts.add(b"tIME", struct.pack(">HBBBBB", 2026, 3, 4, 5, 6, 7))
    texts.add(b"prVt", f"{PRIVATE} chunk".encode())
    picture().save(buffer, "PNG", exif=camera_exif(), pnginfo=texts, icc_profile=PROFILE)
    return buffer.getvalue() + TAIL


def private_tiff() -> bytes:
    buffer = io.BytesIO()
    exif = camera_exif()
    exif[700], exif[33723], exif[34377] = XMP, PRIVATE.encode(), PRIVATE.encode()
    picture().save(buffer, "TIFF", exif=exif.tobytes(), icc_profile=PROFILE)
    return buffer.getvalue() + TAIL


def private_webp(**options: object) -> bytes:
    buffer = io.BytesIO()
    picture().save(
        buffer, "WebP", **{"quality": 90} | options, exif=camera_exif(), xmp=XMP, icc_profile=PROFILE
    )
    encoded = buffer.getvalue()
    chunk = b"prVt" + struct.pack("<I", len(PRIVATE) + 1) + PRIVATE.encode() + b"!"
    encoded = encoded[:4] + struct.pack("<I", len(encoded) - 8 + len(chunk)) + encoded[8:] + chunk
    return encoded + TAIL


def private_heic(image: Image.Image | None = None, **options: object) -> bytes:
    buffer = io.BytesIO()
    file = pillow_heif.from_pillow(image or picture())
    file.info["thumbnails"] = [64]
    file.add_from_pillow(picture(160, 96))
    defaults = {"quality": 90, "chroma": 444, "exif": camera_exif().tobytes(), "xmp": XMP}
    file[0].info["icc_profile"], file[0].info["icc_profile_type"] = PROFILE, "prof"
    file.save(buffer, **defaults | options)
    # A box of an unknown kind, as phones append a short video in one (common practice, no published source).
    return buffer.getvalue() + struct.pack(">I4s", 8 + len(TAIL), b"mpvd") + TAIL


def private_avif(image: Image.Image | None = None, **options: object) -> bytes:
    buffer = io.BytesIO()
    defaults = {"quality": 90, "subsampling": "4:4:4", "exif": camera_exif().tobytes(), "xmp": XMP}
    (image or picture()).save(buffer, "AVIF", icc_profile=PROFILE, **defaults | options)
    return buffer.getvalue() + struct.pack(">I4s", 8 + len(TAIL), b"mpvd") + TAIL


PRIVATE_PHOTOS = {
    "JPEG": private_jpeg,
    "PNG": private_png,
    "TIFF": private_tiff,
    "WebP": private_webp,
    "HEIC": private_heic,
    "AVIF": private_avif,
}


def read(folder: Path, encoded: bytes, name: str = "photo.jpg"):
    path = folder / name
    path.write_bytes(encoded)
    return read_photo(path)


def has_private(encoded: bytes) -> bool:
    words = [PRIVATE.encode(code) for code in ("ascii", "utf-16-le", "utf-16-be")]
    numbers = [struct.pack(f"{order}6I", *sum(LATITUDE, ())) for order in "<>"]
    return any(secret in encoded for secret in words + numbers)


def assert_measured_the_same(before, after) -> None:
    np.testing.assert_array_equal(after.luma, before.luma)
    np.testing.assert_array_equal(after.colour(), before.colour())
    for name in ("taken", "focal_length_35mm", "digital_zoom", "provenance"):
        assert getattr(after, name) == getattr(before, name)


# --- nothing private is left --------------------------------------------------------------------------


@pytest.mark.parametrize("format", FORMATS)
def test_nothing_private_is_left_and_everything_measured_is(tmp_path: Path, format: str) -> None:
    encoded = PRIVATE_PHOTOS[format]()
    assert has_private(encoded)
    before = read(tmp_path, encoded)
    assert (before.taken.utcoffset(), before.focal_length_35mm) == (timedelta(hours=-3.5), 26)
    assert (before.digital_zoom, before.provenance) == (1.5, "camera")

    kept, kept_format = without_private(before)
    assert kept_format == KEPT_FORMAT.get(format, format)
    assert not has_private(kept)
    assert kept.count(b"JFIF") + kept.count(b"Exif") <= 2
    after = read(tmp_path, kept, "kept")
    assert after.format == kept_format
    assert_measured_the_same(before, after)


@pytest.mark.parametrize("format", FORMATS)
def test_only_tags_on_the_list_are_left(tmp_path: Path, format: str) -> None:
    pillow_heif.register_heif_opener()
    kept, kept_format = without_private(read(tmp_path, PRIVATE_PHOTOS[format]()))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        image = Image.open(io.BytesIO(kept))
        exif = image.getexif()
    # PNG pixels are saved upright; in HEIC the picture's own properties turn it, and Pillow reports 1.
    # Of an AVIF it reports how that turns it.
    turned = {ORIENTATION} if kept_format in ("JPEG", "WebP", "AVIF") else set()
    assert set(exif) - {ORIENTATION} == {EXIF_BLOCK}
    assert exif.get(ORIENTATION, 1) == (6 if turned else 1)
    block = exif.get_ifd(EXIF_BLOCK)
    assert set(block) == ALLOWED
    assert exif.get_ifd(GPS_BLOCK) == {}
    assert exif.get_ifd(1) == {}  # where thumbnails are
    # What is measured, and what a later version may want, with the values of the original.
    assert (block[TAKEN], block[OFFSET], block[SUBSECOND]) == ("2026:03:04 05:06:07", "-03:30", "125")
    assert (block[FOCAL_LENGTH].numerator, block[FOCAL_LENGTH].denominator) == (577, 100)
    assert {"comment", "xmp", "icc_profile", "photoshop", "mp"}.isdisjoint(
        name for name, value in image.info.items() if value
    )


def test_a_jpeg_has_only_segments_that_a_decoder_needs(tmp_path: Path) -> None:
    kept, _ = without_private(read(tmp_path, private_jpeg()))
    image = Image.open(io.BytesIO(kept))
    assert [name for name, _ in image.applist] == ["APP0", "APP1"]
    # JFIF 1.02: 16 bytes with the marker's length, when there is no thumbnail.
    assert kept[2:20] == b"\xff\xe0\0\x10JFIF\0\1\1\0\0\1\0\1\0\0"
    assert kept.endswith(b"\xff\xd9")


def test_the_compressed_picture_of_a_jpeg_is_untouched(tmp_path: Path) -> None:
    for options in ({}, {"progressive": True}, {"subsampling": 0}, {"restart_marker_rows": 1}):
        encoded = private_jpeg(**options)
        kept, format = without_private(read(tmp_path, encoded))
        assert format == "JPEG"
        # All that comes after the tables of quantisation, up to the picture's end.
        assert kept[kept.index(b"\xff\xdb") :] in encoded


def test_chunks_of_a_png_and_a_webp(tmp_path: Path) -> None:
    png, _ = without_private(read(tmp_path, private_png()))
    names, position = [], 8
    while position < len(png):
        (length,) = struct.unpack_from(">I", png, position)
        names.append(png[position + 4 : position + 8])
        position += 12 + length
    assert list(dict.fromkeys(names)) == [b"IHDR", b"eXIf", b"IDAT", b"IEND"]

    for options in ({}, {"lossless": True}):
        encoded = private_webp(**options)
        webp, format = without_private(read(tmp_path, encoded))
        assert format == "WebP"
        assert int.from_bytes(webp[4:8], "little") == len(webp) - 8
        names, position = [], 12
        while position < len(webp):
            name, length = struct.unpack_from("<4sI", webp, position)
            names.append(name)
            if name in (b"VP8 ", b"VP8L"):  # the compressed picture
                assert webp[position : position + length] in encoded
            position += 8 + length + length % 2
        assert names == [b"VP8X", b"VP8L" if options else b"VP8 ", b"EXIF"]


@pytest.mark.parametrize(
    ("mode", "options"), [("RGB", {}), ("RGB", {"tile_size": 64}), ("RGBA", {}), ("L", {})], ids=str
)
def test_a_heic_holds_one_picture_and_one_note(tmp_path: Path, mode: str, options: dict[str, object]) -> None:
    # Phones write a picture as a grid of tiles; libheif decodes what is written here.
    image = picture()
    if mode == "RGBA":
        image.putalpha(Image.linear_gradient("L").resize(image.size))
    elif mode == "L":
        image = image.convert("L")
    encoded = private_heic(image, **options)
    if "tile_size" in options:
        assert encoded.count(b"hvc1") > 12
    before = read(tmp_path, encoded)
    kept, format = without_private(before)
    assert format == "HEIC"
    assert not has_private(kept)
    assert_measured_the_same(before, read(tmp_path, kept))
    file = pillow_heif.open_heif(kept)
    assert len(file) == 1
    assert (file.mode, file.size) == (mode, (208, 320))
    assert not file.info.get("thumbnails")
    assert not file.info.get("xmp")
    assert not file.info.get("icc_profile")
    assert [note["type"] for note in file.info["metadata"]] == []


def test_notes_within_the_compressed_picture_of_a_heic_are_dropped(tmp_path: Path) -> None:
    # ITU-T H.265: units of type 39 and 40 carry supplemental information, which no decoder needs. The encoder
    # writes a checksum of the picture in one; here it becomes free text (payload type 5, 16 bytes of an
    # identifier, then anything).
    encoded = bytearray(private_heic(enc_params={"x265:hash": "1"}))
    unit = encoded.index(bytes([40 << 1, 1]) + b"\x84")
    length = int.from_bytes(encoded[unit - 4 : unit], "big")
    text = (PRIVATE.encode() * 9)[: length - 5]
    encoded[unit + 2 : unit + length] = bytes([5, len(text)]) + text + b"\x80"
    before = read(tmp_path, encoded)
    kept, format = without_private(before)
    assert format == "HEIC"
    assert text in encoded
    assert text not in kept
    assert_measured_the_same(before, read(tmp_path, kept))


def test_notes_among_the_parameters_of_a_heic_are_dropped() -> None:
    # ISO/IEC 14496-15, HEVCDecoderConfigurationRecord: 22 bytes, then arrays of units of one type.
    def array(kind: int, unit: bytes) -> bytes:
        return bytes([0x80 | kind]) + struct.pack(">HH", 1, len(unit)) + unit

    head, needed = bytes(range(22)), [array(kind, b"parameters") for kind in (32, 33, 34)]
    notes = [array(kind, PRIVATE.encode()) for kind in (39, 40, 63)]
    record = head + b"\6" + b"".join(notes[:1] + needed + notes[1:])
    assert heic._configuration(record) == head + b"\3" + b"".join(needed)


def test_notes_within_the_compressed_picture_of_an_avif_are_dropped() -> None:
    """AV1 specification, 6.2.2: type 5 is metadata, 15 padding; 1, 2 and 6 belong to the picture."""

    def unit(kind: int, content: bytes) -> bytes:
        return bytes([kind << 3 | 2, 0x80 | len(content) & 127, len(content) >> 7]) + content

    needed = [unit(2, b""), unit(1, b"header"), unit(6, bytes(300))]
    notes = [unit(kind, PRIVATE.encode()) for kind in (5, 15)]
    assert heic._av1_units(b"".join(notes[:1] + needed + notes[1:])) == b"".join(needed)
    kept = heic._allowed(heic.Property(b"av1C", b"\x81\0\0\0" + needed[1] + notes[0]))
    assert kept == heic.Property(b"av1C", b"\x81\0\0\0" + needed[1])


def test_pictures_beside_the_picture_of_a_heic_are_dropped(tmp_path: Path) -> None:
    # A second layer that is not transparency: depth, or how bright the picture was (auxid:2 is depth).
    image = picture()
    image.putalpha(Image.linear_gradient("L").resize(image.size))
    encoded, kind = private_heic(image), b"urn:mpeg:hevc:2015:auxid:1"
    assert encoded.count(kind) == 1
    before = read(tmp_path, encoded.replace(kind, kind[:-1] + b"2"))
    kept, format = without_private(before)
    assert format == "HEIC"
    assert kept.count(b"hvc1") == 1
    assert len(kept) < len(without_private(read(tmp_path, encoded))[0])
    assert_measured_the_same(before, read(tmp_path, kept))


def test_the_picture_of_a_heic_is_not_squeezed_through_a_decoder(tmp_path: Path) -> None:
    encoded = private_heic()
    kept, _ = without_private(read(tmp_path, encoded))
    # The last box is the data: the picture first, then the note.
    data = kept[kept.rindex(b"mdat") + 4 :]
    assert data[:1000] in encoded


def test_orientation_that_only_xmp_knows_is_kept(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    xmp = b'<x xmlns:tiff="t"><d tiff:Orientation="8"/></x>'
    picture().save(buffer, "JPEG", xmp=xmp)
    before = read(tmp_path, buffer.getvalue())
    assert before.luma.shape == (320, 208)
    kept, _ = without_private(before)
    assert b"tiff" not in kept
    assert_measured_the_same(before, read(tmp_path, kept))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("format", ["JPEG", "WebP", "PNG"])
def test_every_orientation(tmp_path: Path, format: str, orientation: int) -> None:
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    buffer = io.BytesIO()
    picture().save(buffer, format, exif=exif)
    before = read(tmp_path, buffer.getvalue())
    kept, _ = without_private(before)
    assert_measured_the_same(before, read(tmp_path, kept))
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(kept))).convert("L")
    assert np.abs(np.asarray(upright).astype(int) - before.luma).max() <= 2


@pytest.mark.parametrize(
    "tags",
    [
        {"_9003": f"{PRIVATE}: 1 High Street", "_9011": PRIVATE, "_9291": PRIVATE},
        {"_9291": f"12 {PRIVATE}", "_9011": f"+01:00 {PRIVATE}"},
        {"_a405": PRIVATE, "_a404": PRIVATE, "_a002": PRIVATE, "_a003": (1, 2, 3), "_920a": PRIVATE.encode()},
    ],
    ids=["time", "parts of time", "numbers"],
)
def test_no_text_hides_in_a_tag_that_is_kept(tmp_path: Path, tags: dict[str, object]) -> None:
    encoded = private_jpeg(camera_exif(**tags))
    before = read(tmp_path, encoded)
    kept, _ = without_private(before)
    assert not has_private(kept)
    assert_measured_the_same(before, read(tmp_path, kept))


@pytest.mark.parametrize(
    "tags",
    [
        {"_a405": 0, "_a404": IFDRational(0, 1)},
        {"_a404": IFDRational(10, 3), "_a405": IFDRational(521, 20)},
        {"_a405": "26", "_a002": 5_000_000_000.0, "_a003": 208},
        {"_a404": IFDRational(0, 0), "_a002": 0},
        {"_a405": 65535, "_a002": 4032, "_a003": 3024},
        {"_9003": "1970:01:01 00:00:00"},
        {"_9011": "+05:45"},
    ],
    ids=str,
)
def test_unusual_values_are_read_as_before(tmp_path: Path, tags: dict[str, object]) -> None:
    before = read(tmp_path, private_jpeg(camera_exif(**tags)))
    assert_measured_the_same(before, read(tmp_path, without_private(before)[0]))


@pytest.mark.parametrize("format", FORMATS)
def test_a_photo_without_camera_data_gets_none(tmp_path: Path, format: str) -> None:
    buffer = io.BytesIO()
    if format == "HEIC":
        pillow_heif.from_pillow(picture()).save(buffer)
    else:
        picture().save(buffer, format)
    before = read(tmp_path, buffer.getvalue())
    kept, _ = without_private(before)
    assert b"exif" not in kept.lower()
    assert_measured_the_same(before, read(tmp_path, kept))


def test_pictures_in_unusual_modes(tmp_path: Path) -> None:
    colours = picture()
    gray = colours.convert("L")
    transparent = colours.copy()
    transparent.putalpha(gray)
    sixteen = Image.fromarray(np.asarray(gray).astype(np.uint16) * 257 + 100)
    cases = [
        (gray, "JPEG", {}),
        (colours.convert("CMYK"), "JPEG", {}),
        (colours, "JPEG", {"keep_rgb": True}),
        (gray, "PNG", {}),
        (sixteen, "PNG", {}),
        (colours.quantize(32), "PNG", {}),
        (transparent, "PNG", {}),
        (gray.convert("1"), "TIFF", {"compression": "group4"}),
        (colours.convert("CMYK"), "TIFF", {}),
        (sixteen, "TIFF", {}),
        (transparent, "WebP", {}),
        (transparent, "WebP", {"lossless": True}),
    ]
    for image, format, options in cases:
        buffer = io.BytesIO()
        image.save(buffer, format, **options)
        before = read(tmp_path, buffer.getvalue())
        kept, kept_format = without_private(before)
        assert kept_format == KEPT_FORMAT.get(format, format)
        assert_measured_the_same(before, read(tmp_path, kept))
        if image.mode in ("L", "1", "I;16"):
            assert Image.open(io.BytesIO(kept)).mode == "L"


# --- what is not understood ---------------------------------------------------------------------------


def test_an_animation_becomes_its_first_picture(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    frames = [Image.new("RGB", (320, 208), "red")]
    picture().save(
        buffer, "WebP", save_all=True, append_images=frames, lossless=True, exif=camera_exif(), xmp=XMP
    )
    before = read(tmp_path, buffer.getvalue())
    kept, format = without_private(before)
    assert format == "PNG"
    assert not has_private(kept)
    assert_measured_the_same(before, read(tmp_path, kept))


def misunderstood(encoded: bytes, tags: dict[int, object]) -> bytes:
    raise ValueError


def cut(encoded: bytes, tags: dict[int, object]) -> bytes:
    return encoded[: len(encoded) // 2]


def another_picture(encoded: bytes, tags: dict[int, object]) -> bytes:
    buffer = io.BytesIO()
    picture(320, 224).save(buffer, "JPEG")
    return buffer.getvalue()


@pytest.mark.parametrize("wrong", [misunderstood, cut, another_picture])
@pytest.mark.parametrize("format", ["JPEG", "WebP", "HEIC", "AVIF"])
def test_a_rewritten_file_that_shows_something_else_is_never_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, format: str, wrong: object
) -> None:
    before = read(tmp_path, PRIVATE_PHOTOS[format]())
    monkeypatch.setitem(privacy._REWRITERS, format, wrong)
    kept, kept_format = without_private(before)
    assert kept_format == "PNG"
    assert not has_private(kept)
    after = read(tmp_path, kept)
    np.testing.assert_array_equal(after.colour(), before.colour())
    if format == "JPEG":
        # A JPEG stores brightness with its own rounding, and colours that do not exist are clipped.
        assert np.abs(after.luma.astype(int) - before.luma).mean() < 1
    else:
        assert_measured_the_same(before, after)
    assert (after.taken, after.focal_length_35mm) == (before.taken, before.focal_length_35mm)


def test_a_photo_that_cannot_be_decoded_says_so(tmp_path: Path) -> None:
    photo = read(tmp_path, private_jpeg())
    for encoded in (b"", b"no photo", photo.encoded[:500]):
        with pytest.raises(PhotoError):
            without_private(replace(photo, encoded=encoded))


WHOLE = {format: make() for format, make in PRIVATE_PHOTOS.items()}


def damaged(format: str, seed: int) -> bytes:
    """A photo with some bytes changed, cut or put in, most of them near its beginning."""
    dice = random.Random(seed)
    content = bytearray(WHOLE[format])
    reach = dice.choice([100, 1500, len(content)])
    for _ in range(dice.choice([0, 1, 2, 8])):
        content[dice.randrange(min(reach, len(content)))] = dice.choice([0, 1, 255, dice.randrange(256)])
    if dice.random() < 0.3:
        del content[dice.randrange(len(content)) :]
    if dice.random() < 0.3:
        position = dice.randrange(len(content) + 1)
        content[position : position + dice.randrange(50)] = dice.randbytes(dice.randrange(50))
    return bytes(content)


# The same examples each time: what decoders of C do with damaged files is not the question here.
@settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.sampled_from(FORMATS), st.integers(0, 2**32))
def test_damaged_files_give_the_same_picture_or_a_refusal(tmp_path: Path, format: str, seed: int) -> None:
    try:
        before = read(tmp_path, damaged(format, seed))
        kept, kept_format = without_private(before)
    except PhotoError:
        return
    after = read(tmp_path, kept)
    assert after.format == kept_format
    if (before.format, kept_format) != ("JPEG", "PNG"):
        assert_measured_the_same(before, after)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.sampled_from(["JPEG", "WebP", "HEIC", "AVIF"]), st.binary(max_size=300))
def test_rewriting_any_bytes_ends_with_bytes_or_a_known_error(format: str, content: bytes) -> None:
    start = {
        "JPEG": b"\xff\xd8\xff",
        "WebP": b"RIFF\xff\0\0\0WEBPVP8X",
        "HEIC": b"\0\0\0\x0cftypheic",
        "AVIF": b"\0\0\0\x0cftypavif",
    }[format]
    for encoded in (start + content, WHOLE[format][: 40 + len(content)] + content):
        with suppress(ValueError, LookupError, struct.error):
            assert isinstance(privacy._REWRITERS[format](encoded, {}), bytes)


# --- the whole way ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["R02_dry.jpg", "R03_soaked.heic"])
def test_a_kept_photo_measures_the_same(tmp_path: Path, name: str) -> None:
    kept, format = without_private(read_photo(DEMO / name))
    assert format == ("JPEG" if name.endswith("jpg") else "HEIC")
    path = tmp_path / name
    path.write_bytes(kept)
    before, after = measure(DEMO / name).record(), measure(path).record()
    assert before["outcome"] == "measured"
    for record in (before, after):
        del record["photo"], record["sha256"]
    assert after == before
