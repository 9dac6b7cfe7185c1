"""The boxes that HEIC and AVIF files are made of, and a look at their texts before a decoder sees them.

A file is a row of boxes, each with its length and a type of four letters before its content; some hold boxes
again. Source: ISO/IEC 14496-12, 4.2 (boxes), 8.11.1 (`meta`) and 8.11.6 (`iinf`, `infe`).
"""

from collections.abc import Iterator

# Where a list of items may stand: beside everything, or in a film and its tracks.
_HOLDERS = (b"moov", b"trak")
# A film in a film has no end.
_DEEPEST = 4


class Fields:
    """Reads fields one after the other; ValueError where they end too early."""

    def __init__(self, content: bytes) -> None:
        self.rest = content

    def take(self, length: int) -> bytes:
        if length > len(self.rest):
            raise ValueError("a box ends too early")
        taken, self.rest = self.rest[:length], self.rest[length:]
        return taken

    def number(self, length: int) -> int:
        return int.from_bytes(self.take(length), "big")

    def version(self) -> tuple[int, int]:
        """Version and flags, with which many boxes begin."""
        return self.number(1), self.number(3)


def boxes(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Type and content of each box; ValueError where one does not fit into what holds it."""
    position = 0
    while position < len(content):
        fields = Fields(content[position : position + 16])
        length, kind, header = fields.number(4), fields.take(4), 8
        if length == 1:
            length, header = fields.number(8), 16
        elif length == 0:
            length = len(content) - position
        if not header <= length <= len(content) - position:
            raise ValueError("a box is longer than what holds it")
        yield kind, content[position + header : position + length]
        position += length


def find(content: bytes, wanted: bytes) -> bytes:
    """The content of the first box of a type; ValueError if there is none."""
    for kind, inside in boxes(content):
        if kind == wanted:
            return inside
    raise ValueError(f"there is no box {wanted!r}")


def check_item_texts(encoded: bytes) -> None:
    """Raise ValueError if the description of an item is not text, or a list of items is not in order.

    pi_heif 1.4.0 ends the whole process on an item whose type or name is no text.
    """
    for content in _metas(encoded):
        for kind, listed in boxes(content[4:]):  # after version and flags
            if kind == b"iinf":
                _check_list(listed)


def _metas(content: bytes, depth: int = 0) -> Iterator[bytes]:
    """The content of each box `meta`. What follows the boxes of a file is not looked at: some phones put
    there what is no box, and a decoder stops there, too."""
    walk = boxes(content)
    while True:
        try:
            kind, inside = next(walk)
        except (StopIteration, ValueError):
            return
        if kind == b"meta":
            yield inside
        elif kind in _HOLDERS and depth < _DEEPEST:
            yield from _metas(inside, depth + 1)


def _check_list(listed: bytes) -> None:
    """Look at the entries of a box `iinf`."""
    fields = Fields(listed)
    version, _ = fields.version()
    fields.number(2 if version == 0 else 4)  # how many there are
    for kind, entry in boxes(fields.rest):
        if kind != b"infe":
            continue
        entry_fields = Fields(entry)
        version, _ = entry_fields.version()
        entry_fields.take(4 if version == 3 else 2)  # the item's number
        entry_fields.take(2)  # its protection
        try:
            entry_fields.rest.decode()  # its type and texts, each with a zero after it
        except UnicodeDecodeError as error:
            raise ValueError("the description of an item is no text") from error
