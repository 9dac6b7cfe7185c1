"""The items of a HEIC or AVIF file: what each is, which properties it has, and where its data lie.

Sources: ISO/IEC 14496-12 (the boxes of `meta`), 23008-12 (properties of pictures).
"""

from dataclasses import dataclass

from aperture.photo.boxes import Fields, boxes, find


@dataclass(frozen=True)
class Property:
    """One property of an item: its type, and its content as it stands in the file."""

    kind: bytes
    content: bytes


# Properties of an item, each with whether a reader must understand it.
Properties = tuple[tuple[bool, Property], ...]


# All of these raise ValueError or LookupError where the structure is not understood; `meta` is the content of
# that box after its version and flags.


def item_kinds(meta: bytes) -> dict[int, bytes]:
    """Box iinf: the type of each item."""
    fields = Fields(find(meta, b"iinf"))
    version, _ = fields.version()
    fields.number(2 if version == 0 else 4)  # how many there are
    kinds = {}
    for _, entry in boxes(fields.rest):
        entry_fields = Fields(entry)
        version, _ = entry_fields.version()
        if version < 2:
            raise ValueError("items without a type")
        number = entry_fields.number(2 if version == 2 else 4)
        if entry_fields.number(2) == 0:  # not encrypted
            kinds[number] = entry_fields.take(4)
    return kinds


def item_properties(meta: bytes) -> dict[int, Properties]:
    """Box iprp: a list of properties, and which of them each item has."""
    found = find(meta, b"iprp")
    properties = [Property(kind, content) for kind, content in boxes(find(found, b"ipco"))]
    of_items = {}
    for kind, content in boxes(found):
        if kind != b"ipma":
            continue
        fields = Fields(content)
        version, flags = fields.version()
        wide = flags % 2 == 1
        for _ in range(fields.number(4)):
            number, count = fields.number(2 if version == 0 else 4), fields.number(1)
            entries = [fields.number(2 if wide else 1) for _ in range(count)]
            # The highest bit says that a reader must understand it; they are counted from 1, 0 is none.
            top = 0x8000 if wide else 0x80
            of_items[number] = tuple(
                (entry >= top, properties[entry % top - 1]) for entry in entries if entry % top > 0
            )
    return of_items


def item_places(encoded: bytes, meta: bytes) -> dict[int, list[bytes]]:
    """Box iloc: the pieces of each item's data, which lie anywhere in the file or in the box idat."""
    fields = Fields(find(meta, b"iloc"))
    version, _ = fields.version()
    sizes = fields.number(2)
    offset_size, length_size, base_size, index_size = (sizes >> shift & 15 for shift in (12, 8, 4, 0))
    places = {}
    for _ in range(fields.number(2 if version < 2 else 4)):
        number = fields.number(2 if version < 2 else 4)
        method = fields.number(2) % 16 if version > 0 else 0
        elsewhere, base = fields.number(2), fields.number(base_size)
        pieces = []
        for _ in range(fields.number(2)):
            fields.number(index_size if version > 0 else 0)
            start, length = base + fields.number(offset_size), fields.number(length_size)
            pieces.append((start, length))
        if method in (0, 1) and elsewhere == 0 and all(length > 0 for _, length in pieces):
            source = encoded if method == 0 else find(meta, b"idat")
            places[number] = [source[start : start + length] for start, length in pieces]
    return places
