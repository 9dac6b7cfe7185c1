"""Photo files made to lie: headers that claim any size, camera data with loops, and bombs.

Layouts from memory of the standards: ITU-T T.81 (JPEG), ISO/IEC 15948 (PNG), TIFF 6.0, RFC 9649 (WebP),
ISO/IEC 14496-12 (HEIC), Exif 2.3.
"""

import io
import struct
import zlib
from random import Random

import numpy as np
from PIL import Image

PNG_START = b"\x89PNG\r\n\x1a\n"


def exif_block(width_px: int, height_px: int, orientation: int = 1, focal_35mm: int = 52) -> bytes:
    """What a phone writes, with the mark before it."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif.get_ifd(0x8769).update(
        {0x9003: "2026:03:04 05:06:07", 0xA405: focal_35mm, 0xA002: width_px, 0xA003: height_px}
    )
    return b"Exif\0\0" + exif.tobytes().removeprefix(b"Exif\0\0")


# --- containers -----------------------------------------------------------------------------------------


def png_chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def png(width_px: int, height_px: int, depth: int, colour: int, data: bytes, *more: bytes) -> bytes:
    """A PNG file; `data` is compressed, `more` are chunks before it."""
    head = png_chunk(b"IHDR", struct.pack(">IIBBBBB", width_px, height_px, depth, colour, 0, 0, 0))
    return PNG_START + head + b"".join(more) + png_chunk(b"IDAT", data) + png_chunk(b"IEND", b"")


def sealed(content: bytes, format: str) -> bytes:
    """A PNG with its checksums made right again, as far as its chunks can be followed; others as they are."""
    if format != "PNG":
        return content
    parts, position = [content[:8]], 8
    while position + 12 <= len(content):
        length = int.from_bytes(content[position : position + 4], "big")
        end = position + 8 + length
        if end + 4 > len(content):
            break
        parts.append(png_chunk(content[position + 4 : position + 8], content[position + 8 : end]))
        position = end + 4
    return b"".join(parts) + content[position:]


def jpeg_segments(content: bytes, segments: bytes) -> bytes:
    """A JPEG with further segments at its beginning."""
    return content[:2] + segments + content[2:]


def with_exif(content: bytes, format: str, exif: bytes) -> bytes:
    """The photo with this block of camera data first, so that it is the one that is read; TIFF: as a tag."""
    if format == "JPEG":
        noted = b"Exif\0\0" + exif[:65_000]
        return jpeg_segments(content, b"\xff\xe1" + struct.pack(">H", len(noted) + 2) + noted)
    if format == "PNG":
        return content[:33] + png_chunk(b"eXIf", exif) + content[33:]
    if format == "WebP":
        at = content.find(b"EXIF")
        body = content[12:at] + b"EXIF" + struct.pack("<I", len(exif)) + exif + b"\0" * (len(exif) % 2)
        return b"RIFF" + struct.pack("<I", len(body) + 4) + b"WEBP" + body
    # A TIFF is such a block itself: its directory is made to point to itself.
    return content[:4] + struct.pack("<I", 8) + content[8:]


def bad_exif(dice: Random) -> bytes:
    """A block of camera data that is well-formed as far as it must be to be looked into, and lies."""
    order = dice.choice(["<", ">"])
    start = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8)
    how = dice.randrange(6)
    if how == 0:  # any orientation, any lens
        return exif_block(1, 1, dice.randrange(0, 12), dice.randrange(0, 400)).removeprefix(b"Exif\0\0")
    if how == 1:  # the Exif directory is this directory
        entries = [(0x8769, 4, 1, 8), (0x0112, 3, 1, 3 << (0 if order == "<" else 16))]
    elif how == 2:  # huge counts
        entries = [(tag, dice.randrange(1, 13), dice.randrange(2**31, 2**32), 8) for tag in range(256, 280)]
    elif how == 3:  # many tags, each as long as the block
        entries = [(tag, 7, 40_000, 0) for tag in range(1, 3000)]
    elif how == 4:  # a directory that claims more entries than there are
        return start + struct.pack(order + "H", 65_535) + dice.randbytes(100)
    else:
        tags = (0x0112, 0x8769, 0x9003, 0xA405, 0xA404, 0xA002, 0xA003, 0x9011)
        entries = [(tag, dice.randrange(0, 15), dice.randrange(0, 5), dice.getrandbits(32)) for tag in tags]
    packed = b"".join(struct.pack(order + "HHII", *entry) for entry in entries)
    return start + struct.pack(order + "H", len(entries)) + packed + struct.pack(order + "I", 8) + bytes(64)


def claim_size(content: bytes, format: str, width_px: int, height_px: int) -> bytes:
    """The same file, its header claiming this size."""
    changed = bytearray(content)
    low = (width_px & 0xFFFF, height_px & 0xFFFF)
    if format == "JPEG":
        frame = next(at for at in (content.find(b"\xff\xc0"), content.find(b"\xff\xc2")) if at > 0)
        struct.pack_into(">HH", changed, frame + 5, low[1], low[0])
    elif format == "PNG":
        struct.pack_into(">II", changed, 16, width_px & 0x7FFFFFFF, height_px & 0x7FFFFFFF)
        struct.pack_into(">I", changed, 29, zlib.crc32(changed[12:29]))
    elif format == "HEIC":
        struct.pack_into(">II", changed, content.index(b"ispe") + 8, width_px, height_px)
    elif format == "WebP":
        struct.pack_into("<HH", changed, content.index(b"\x9d\x01\x2a") + 3, low[0] & 0x3FFF, low[1] & 0x3FFF)
        if (extended := content.find(b"VP8X")) > 0:
            sizes = [struct.pack("<I", side - 1 & 0xFFFFFF)[:3] for side in (width_px, height_px)]
            changed[extended + 12 : extended + 18] = b"".join(sizes)
    else:
        directory = struct.unpack_from("<I", content, 4)[0]
        for entry in range(struct.unpack_from("<H", content, directory)[0]):
            at = directory + 2 + 12 * entry
            if (tag := struct.unpack_from("<H", content, at)[0]) in (256, 257):
                struct.pack_into(
                    "<HHII", changed, at, tag, 4, 1, (width_px, height_px)[tag - 256] & 0xFFFFFFFF
                )
    return bytes(changed)


# --- bombs ----------------------------------------------------------------------------------------------


def _zeros(count: int) -> bytes:
    """So many zero bytes, compressed a thousandfold. Source: RFC 1950 and 1951.

    A block that ends with a full flush can be repeated; the Adler-32 of n zeros is 1 and n mod 65521.
    """
    size = 2**24
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    block = packer.compress(bytes(size)) + packer.flush(zlib.Z_FULL_FLUSH)
    rest = packer.compress(bytes(count % size)) + packer.flush()
    return b"\x78\xda" + block * (count // size) + rest + struct.pack(">HH", count % 65_521, 1)


def png_of_all_pixels(dice: Random) -> bytes:
    """As many pixels as are allowed, of 8 or 16 bits, gray to transparent, all alike."""
    depth, colour = dice.choice([(8, 0), (8, 2), (8, 6), (16, 0), (16, 2), (16, 6), (1, 0)])
    channels = {0: 1, 2: 3, 6: 4}[colour]
    side = 14_142
    row = 1 + (side * channels * depth + 7) // 8
    return png(side, side, depth, colour, _zeros(row * side))


def png_with_a_bomb_beside(dice: Random) -> bytes:
    """A text, or a colour profile, of a gigabyte; or data far longer than the picture."""
    small = zlib.compress(bytes(301 * 300))
    bomb = _zeros(dice.choice([2**28, 2**30]))
    how = dice.randrange(4)
    if how == 0:
        return png(300, 300, 8, 0, small, png_chunk(b"zTXt", b"Comment\0\0" + bomb))
    if how == 1:
        return png(300, 300, 8, 0, small, png_chunk(b"iTXt", b"Comment\0\1\0\0\0" + bomb))
    if how == 2:
        return png(300, 300, 8, 0, small, png_chunk(b"iCCP", b"name\0\0" + bomb))
    return png(300, 300, 8, 0, bomb)


def png_of_gigapixels(dice: Random) -> bytes:
    side = dice.choice([2**16, 2**20, 2**31 - 1])
    return png(side, side, 16, 6, _zeros(10_000))


def many_chunks(dice: Random) -> bytes:
    """A PNG of a hundred thousand tiny chunks."""
    chunk = png_chunk(dice.choice([b"tEXt", b"IDAT", b"abCd", b"eXIf"]), b"a\0b"[: dice.randrange(4)])
    return png(300, 300, 8, 0, zlib.compress(bytes(301 * 300)), chunk * 100_000)


def tiff(entries: list[tuple[int, int, int, int]], data: bytes, after: int = 0) -> bytes:
    """A TIFF whose directory stands at the end, its data from byte 8 on."""
    packed = b"".join(struct.pack("<HHII", *entry) for entry in sorted(entries))
    where = 8 + len(data)
    return (
        b"II*\0"
        + struct.pack("<I", where)
        + data
        + struct.pack("<H", len(entries))
        + packed
        + struct.pack("<I", after)
    )


def tiff_of_all_pixels(dice: Random) -> bytes:
    """A deflated strip of as many pixels as are allowed, or of far more than it claims."""
    side, claimed = dice.choice([(14_142, 14_142), (14_142, 300), (300, 14_142), (60_000, 60_000)])
    data = _zeros(min(side * side * 3, 2**30))
    entries = [
        (256, 4, 1, claimed), (257, 4, 1, claimed), (258, 3, 1, 8), (259, 3, 1, dice.choice([8, 32946])),
        (262, 3, 1, 2), (273, 4, 1, 8), (277, 3, 1, 3), (278, 4, 1, claimed), (279, 4, 1, len(data)),
    ]  # fmt: skip
    return tiff(entries, data)


def tiff_of_tags(dice: Random) -> bytes:
    """A directory of thousands of tags, each as long as the file, or one that leads to itself for ever."""
    data = bytes(dice.choice([1000, 2_000_000]))
    entries = [(tag, 7, len(data), 8) for tag in range(1000, 1000 + dice.choice([10, 60_000]))]
    picture = [
        (256, 4, 1, 300), (257, 4, 1, 300), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1),
        (273, 4, 1, 8), (277, 3, 1, 1), (278, 4, 1, 300), (279, 4, 1, 90_000),
    ]  # fmt: skip
    return tiff(picture + entries, data, after=8 + len(data))


def tiff_of_strips(dice: Random) -> bytes:
    """Millions of strips that are all the same bytes."""
    count = dice.choice([100_000, 1_000_000])
    data = bytes(1000) + struct.pack("<I", 8) * count
    entries = [
        (256, 4, 1, 300), (257, 4, 1, count), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1),
        (273, 4, count, 1008), (277, 3, 1, 1), (278, 4, 1, 1), (279, 4, count, 1008),
    ]  # fmt: skip
    return tiff(entries, data)


def _jpeg(side_px: int = 400, **options: object) -> bytes:
    buffer = io.BytesIO()
    noise = np.random.default_rng(5).integers(0, 256, (side_px, side_px, 3), dtype=np.uint8)
    Image.fromarray(noise).save(buffer, "JPEG", **options)  # type: ignore[arg-type]
    return buffer.getvalue()


def jpeg_of_scans(dice: Random) -> bytes:
    """A progressive JPEG with its last scan repeated, of a small or of the largest size."""
    content = _jpeg(progressive=True)
    last = content[content.rindex(b"\xff\xda") : -2]
    repeated = content[:-2] + last * dice.choice([50, 85, 3000]) + content[-2:]
    return repeated if dice.random() < 0.5 else claim_size(repeated, "JPEG", 14_142, 14_142)


def jpeg_of_all_pixels(dice: Random) -> bytes:
    """The largest allowed size, with next to no data behind it."""
    content = _jpeg(progressive=dice.random() < 0.5)
    sides = dice.choice([(14_142, 14_142), (65_500, 3000), (3000, 65_500), (65_500, 65_500)])
    return claim_size(content, "JPEG", *sides)


def jpeg_of_segments(dice: Random) -> bytes:
    """A million segments, or markers, or filling bytes, before the picture."""
    one = dice.choice(
        [b"\xff\x01", b"\xff\xe5\0\2", b"\xff\xe1\0\x08Exif\0\0", b"\xff\xfe\0\2", b"\xff", b"\xff\xe0\0\0"]
    )
    return jpeg_segments(_jpeg(), one * dice.choice([10_000, 1_000_000, 5_000_000]))


def webp_of_all_pixels(dice: Random) -> bytes:
    """A WebP, lossy or not, whose header claims the largest size."""
    buffer = io.BytesIO()
    lossless = dice.random() < 0.5
    Image.new("RGB", (400, 300), "white").save(buffer, "WEBP", lossless=lossless)
    content = bytearray(buffer.getvalue())
    side = dice.choice([14_142, 16_383])
    if lossless:  # a byte of signature, then 14 bits each of width and height, less one
        struct.pack_into("<I", content, 21, (side - 1) | (side - 1) << 14)
    else:
        struct.pack_into("<HH", content, content.index(b"\x9d\x01\x2a") + 3, side, side)
    return bytes(content)


def heic_of_all_pixels(dice: Random) -> bytes:
    """A HEIC that claims the largest size, or is a grid of one tile ten thousand times."""
    import pillow_heif

    buffer = io.BytesIO()
    pillow_heif.from_pillow(Image.new("RGB", (400, 300), "white")).save(buffer)
    side = dice.choice([14_142, 2**16, 2**31])
    return claim_size(buffer.getvalue(), "HEIC", side, side)


def boxes_in_boxes(dice: Random) -> bytes:
    """A HEIC of boxes nested thousands deep, or of a million empty ones."""
    start = struct.pack(">I", 24) + b"ftypheic\0\0\0\0mif1heic"
    if dice.random() < 0.5:
        return (
            start
            + struct.pack(">I4sI", 12 + 8_000_000, b"meta", 0)
            + struct.pack(">I4s", 8, b"free") * 1_000_000
        )
    depth = 20_000
    kinds = [dice.choice([b"iprp", b"ipco", b"meta", b"moov"]) for _ in range(depth)]
    nested = b"".join(struct.pack(">I4s", 8 * (depth - at), kind) for at, kind in enumerate(kinds))
    return start + struct.pack(">I4sI", 12 + len(nested), b"meta", 0) + nested


BOMBS = (
    png_of_all_pixels,
    png_with_a_bomb_beside,
    png_of_gigapixels,
    many_chunks,
    tiff_of_all_pixels,
    tiff_of_tags,
    tiff_of_strips,
    jpeg_of_scans,
    jpeg_of_all_pixels,
    jpeg_of_segments,
    webp_of_all_pixels,
    heic_of_all_pixels,
    boxes_in_boxes,
)

# Those that the suite tries; the others allocate what the largest honest photo takes.
SMALL_BOMBS = (
    png_with_a_bomb_beside,
    png_of_gigapixels,
    many_chunks,
    tiff_of_tags,
    jpeg_of_segments,
    heic_of_all_pixels,
    boxes_in_boxes,
)
