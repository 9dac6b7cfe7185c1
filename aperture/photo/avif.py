"""A look into an AVIF file before it is decoded: its texts, its size, and whether its headers agree.

Its decoder makes the picture as large as the file's own header says, whatever size the compressed pictures
have. Sources: Alliance for Open Media, AV1 Image File Format; AV1 Bitstream & Decoding Process Specification.
"""

from collections.abc import Callable, Iterator

from aperture.photo.boxes import check_item_texts, find
from aperture.photo.items import item_kinds, item_places, item_properties

_SEQUENCE_HEADER = 1


def check_avif(encoded: bytes, check_size: Callable[[int, int], None]) -> None:
    """Refuse a file whose headers contradict each other.

    Parameters
    ----------
    encoded : an AVIF file.
    check_size : is given width and height of each picture in it, and may raise.

    Raises
    ------
    ValueError, LookupError : the structure is not understood, or a compressed picture has not the size that
        the header gives it.
    """
    check_item_texts(encoded)
    meta = find(encoded, b"meta")[4:]
    kinds, places = item_kinds(meta), item_places(encoded, meta)
    for number, properties in item_properties(meta).items():
        for _, found in properties:
            if found.kind != b"ispe":
                continue
            # After version and flags.
            width_px, height_px = (int.from_bytes(found.content[at : at + 4], "big") for at in (4, 8))
            if kinds.get(number) == b"grid":
                check_size(width_px, height_px)
            if kinds.get(number) != b"av01":
                continue
            check_size(width_px, height_px)
            if _coded_size(b"".join(places[number])) != (width_px, height_px):
                raise ValueError("the header gives another size than the picture has")


def units(data: bytes) -> Iterator[tuple[int, bytes, bytes]]:
    """The units of compressed data: type, content, and all of it. Source: AV1, 5.3.2, 4.10.5 (leb128).

    Raises
    ------
    ValueError, LookupError : a unit ends too late.
    """
    position = 0
    while position < len(data):
        header = data[position]
        start = position + (2 if header & 4 else 1)  # with a byte of extension, or without
        length, shift = 0, 0
        if not header & 2:
            length = len(data) - start  # the last one, without a length of its own
        else:
            while True:  # seven bits a byte, the lowest first
                length |= (data[start] & 127) << shift
                shift, start = shift + 7, start + 1
                if data[start - 1] < 128:
                    break
        if start + length > len(data):
            raise ValueError("a unit of compressed data ends too late")
        yield header >> 3 & 15, data[start : start + length], data[position : start + length]
        position = start + length


class _Bits:
    """Reads whole numbers bit by bit, the highest first."""

    def __init__(self, content: bytes) -> None:
        self._number = int.from_bytes(content, "big")
        self._left = 8 * len(content)

    def take(self, count: int) -> int:
        self._left -= count
        if self._left < 0:
            raise ValueError("a header ends too early")
        return self._number >> self._left & ((1 << count) - 1)


def _coded_size(data: bytes) -> tuple[int, int]:
    """Width and height of a compressed picture, from its sequence header. Source: AV1, 5.5.1."""
    header = next((content for kind, content, _ in units(data) if kind == _SEQUENCE_HEADER), None)
    if header is None:
        raise ValueError("a compressed picture without a header")
    bits = _Bits(header[:64])
    bits.take(4)  # profile, and whether it is a still picture
    if bits.take(1):  # the short header of still pictures
        bits.take(5)
    else:
        _pass_over_timing(bits)
    width_bits, height_bits = bits.take(4) + 1, bits.take(4) + 1
    return bits.take(width_bits) + 1, bits.take(height_bits) + 1


def _pass_over_timing(bits: _Bits) -> None:
    """What stands in a long sequence header before the size."""
    delay_bits = 0
    if bits.take(1):  # times are given
        bits.take(64)
        if bits.take(1):
            zeros = 0
            while not bits.take(1):
                zeros += 1
            bits.take(zeros)
        if bits.take(1):  # and a model of the decoder
            delay_bits = bits.take(5) + 1
            bits.take(42)
    delayed = bits.take(1)
    for _ in range(bits.take(5) + 1):  # points of operation
        bits.take(12)
        if bits.take(5) > 7:
            bits.take(1)
        if delay_bits and bits.take(1):
            bits.take(2 * delay_bits + 1)
        if delayed and bits.take(1):
            bits.take(4)
