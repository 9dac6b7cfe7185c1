"""A HEIC or AVIF file written again with nothing in it but the picture and one block of Exif data.

Such a file is a box of boxes. One of them, `meta`, lists items (the picture, the tiles it is made of,
previews, depth, notes of all kinds), their properties, their relations and where in the file each lies. What
the main picture is made of is followed from there, copied, and listed in a new `meta`.

Sources: ISO/IEC 14496-12 (the boxes of `meta`), 23008-12 (items, properties, relations of pictures) and
14496-15 (compressed pictures and their decoder's configuration). For AVIF: Alliance for Open Media, AV1 Image
File Format, and AV1 Codec ISO Media File Format Binding (its decoder's configuration).
"""

import struct
from dataclasses import dataclass

from aperture.photo.avif import units
from aperture.photo.boxes import Fields, boxes, find
from aperture.photo.items import Properties, Property, item_kinds, item_places, item_properties

# What a picture is made of: compressed pictures, and how they are put together.
_COMPOSED = (b"grid", b"iovl", b"iden")
_RELATIONS = (b"dimg", b"auxl", b"prem")
_PROPERTIES = (b"hvcC", b"av1C", b"ispe", b"pixi", b"irot", b"imir", b"clap", b"colr", b"auxC", b"pasp")
_ALPHA = (b"urn:mpeg:hevc:2015:auxid:1", b"urn:mpeg:mpegB:cicp:systems:auxiliary:alpha")
_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"avif")
# Types of the units of compressed data (ITU-T H.265, table 7-1): pictures, and the parameters that the
# decoder's configuration holds. The others say what was used to make the picture, and the like.
_PICTURE_UNITS, _PARAMETER_UNITS = range(32), range(32, 35)
# Types of AV1's units (AV1 Bitstream & Decoding Process Specification, 6.2.2): sequence header, temporal
# delimiter, frame header, tile group, frame, redundant frame header. The others are notes and padding.
_AV1_UNITS = (1, 2, 3, 4, 6, 7)
_NO_HEADER = 0
# The number that the main picture gets.
_MAIN = 1


@dataclass(frozen=True)
class _Item:
    """One item: its type, properties and data."""

    kind: bytes
    properties: Properties
    data: bytes


@dataclass(frozen=True)
class _Relation:
    kind: bytes
    source: int
    targets: tuple[int, ...]


def only_the_picture(encoded: bytes, exif: bytes) -> bytes:
    """The file with its main picture alone.

    Parameters
    ----------
    encoded : a HEIC or AVIF file.
    exif : block of Exif data, beginning with the header of a TIFF; may be empty.

    Raises
    ------
    ValueError : the structure is not understood.
    """
    meta = find(encoded, b"meta")[4:]
    items, relations = _picture_items(encoded, meta)
    if exif:
        # The number before the block says how many bytes stand before its TIFF header.
        note = max(items) + 1
        items[note] = _Item(b"Exif", (), struct.pack(">I", _NO_HEADER) + exif)
        relations.append(_Relation(b"cdsc", note, (_MAIN,)))
    brands = find(encoded, b"ftyp")
    brand = next((known for known in _BRANDS if known in brands), b"mif1")
    file_type = _box(b"ftyp", brand, bytes(4), b"mif1", brand)
    # Where the data lie depends on how long the list of that is, but not on what it says.
    data_start = len(file_type) + len(_meta(items, relations, 0)) + 8
    data = _box(b"mdat", *(item.data for item in items.values()))
    return file_type + _meta(items, relations, data_start) + data


# --- reading ------------------------------------------------------------------------------------------


def _picture_items(encoded: bytes, meta: bytes) -> tuple[dict[int, _Item], list[_Relation]]:
    """The items that the main picture is made of, by new numbers; it is number 1. And their relations."""
    kinds, relations = item_kinds(meta), _relations(meta)
    properties, places = item_properties(meta), item_places(encoded, meta)
    new_number = {old: new for new, old in enumerate(_needed(meta, relations, properties), start=1)}
    items = {}
    for old, new in new_number.items():
        allowed = ((essential, _allowed(found)) for essential, found in properties[old])
        kept = tuple((essential, found) for essential, found in allowed if found is not None)
        data = b"".join(places[old])
        if kinds[old] == b"hvc1":
            configurations = [found.content for _, found in kept if found.kind == b"hvcC"]
            # The lowest bits of byte 21 say how long the length of a unit is.
            data = _units(data, configurations[0][21] % 4 + 1)
        elif kinds[old] == b"av01":
            data = _av1_units(data)
        elif kinds[old] not in _COMPOSED:
            raise ValueError(f"a picture is made of {kinds[old]!r}")
        items[new] = _Item(kinds[old], kept, data)
    among = []
    for relation in relations:
        targets = tuple(new_number[target] for target in relation.targets if target in new_number)
        if relation.kind in _RELATIONS and relation.source in new_number and targets:
            among.append(_Relation(relation.kind, new_number[relation.source], targets))
    return items, among


def _needed(meta: bytes, relations: list[_Relation], properties: dict[int, Properties]) -> list[int]:
    """The number of the main picture, then of all that it is made of, and of their transparency."""
    fields = Fields(find(meta, b"pitm"))
    version, _ = fields.version()
    needed = {fields.number(2 if version == 0 else 4): None}  # a set that keeps its order
    waiting = list(needed)
    while waiting:
        number = waiting.pop()
        for relation in relations:
            parts: tuple[int, ...] = ()
            if relation.kind == b"dimg" and relation.source == number:
                parts = relation.targets
            # Transparency names its picture, not the other way round.
            elif relation.kind == b"auxl" and number in relation.targets and relation.source in properties:
                parts = (relation.source,) if _is_alpha(properties[relation.source]) else ()
            new = dict.fromkeys(part for part in parts if part not in needed)
            needed |= new
            waiting += new
    return list(needed)


def _relations(meta: bytes) -> list[_Relation]:
    """Box iref: which item is made of, or says something about, which others."""
    if b"iref" not in dict(boxes(meta)):
        return []
    fields = Fields(find(meta, b"iref"))
    version, _ = fields.version()
    size = 2 if version == 0 else 4
    relations = []
    for kind, content in boxes(fields.rest):
        entry = Fields(content)
        source, count = entry.number(size), entry.number(2)
        relations.append(_Relation(kind, source, tuple(entry.number(size) for _ in range(count))))
    return relations


# --- what is allowed ----------------------------------------------------------------------------------


def _is_alpha(properties: Properties) -> bool:
    kinds = [found.content[4:].split(b"\0")[0] for _, found in properties if found.kind == b"auxC"]
    return any(kind in _ALPHA for kind in kinds)


def _allowed(found: Property) -> Property | None:
    """The property as far as a decoder needs it; None for one that it does not need."""
    if found.kind not in _PROPERTIES or (found.kind == b"colr" and found.content[:4] != b"nclx"):
        return None  # a colour profile, among others
    if found.kind == b"av1C":  # four bytes, then units
        return Property(found.kind, found.content[:4] + _av1_units(found.content[4:]))
    return Property(b"hvcC", _configuration(found.content)) if found.kind == b"hvcC" else found


def _configuration(content: bytes) -> bytes:
    """Box hvcC with the decoder's parameters only: 22 bytes, then arrays of units of one type each."""
    fields = Fields(content)
    head, arrays = fields.take(22), []
    for _ in range(fields.number(1)):
        kind, count = fields.take(1), fields.number(2)
        units = [fields.take(fields.number(2)) for _ in range(count)]
        if kind[0] % 64 in _PARAMETER_UNITS:
            parts = (struct.pack(">H", len(unit)) + unit for unit in units)
            arrays.append(kind + struct.pack(">H", count) + b"".join(parts))
    return head + bytes([len(arrays)]) + b"".join(arrays)


def _units(data: bytes, length_size: int) -> bytes:
    """Compressed data with its pictures only: units, each after its length."""
    kept, position = [], 0
    while position < len(data):
        start = position + length_size
        end = start + int.from_bytes(data[position:start], "big")
        if end > len(data) or end == start:
            raise ValueError("a unit of compressed data ends too late")
        # The type is in bits 1 to 6 of the first byte.
        if data[start] >> 1 & 63 in (*_PICTURE_UNITS, *_PARAMETER_UNITS):
            kept.append(data[position:end])
        position = end
    return b"".join(kept)


def _av1_units(data: bytes) -> bytes:
    """AV1's compressed data with its pictures only."""
    return b"".join(whole for kind, _, whole in units(data) if kind in _AV1_UNITS)


# --- writing ------------------------------------------------------------------------------------------


def _box(kind: bytes, *parts: bytes) -> bytes:
    content = b"".join(parts)
    return struct.pack(">I4s", len(content) + 8, kind) + content


def _full_box(kind: bytes, version: int, flags: int, *parts: bytes) -> bytes:
    return _box(kind, struct.pack(">I", version << 24 | flags), *parts)


def _meta(items: dict[int, _Item], relations: list[_Relation], data_start: int) -> bytes:
    """Box meta for items whose data lie one after the other from `data_start` on."""
    numbers = list(items)
    handler = _full_box(b"hdlr", 0, 0, bytes(4), b"pict", bytes(13))
    places, start = [], data_start
    for number, item in items.items():
        places.append(struct.pack(">HHHII", number, 0, 1, start, len(item.data)))
        start += len(item.data)
    # Offsets and lengths of 4 bytes, no base.
    locations = _full_box(b"iloc", 0, 0, b"\x44\0", struct.pack(">H", len(numbers)), *places)
    entries = (
        # Flag 1 hides an item that is only a part of the picture.
        _full_box(
            b"infe",
            2,
            0 if number == _MAIN or item.kind == b"Exif" else 1,
            struct.pack(">HH", number, 0) + item.kind + b"\0",
        )
        for number, item in items.items()
    )
    information = _full_box(b"iinf", 0, 0, struct.pack(">H", len(numbers)), *entries)
    references = (
        _box(
            relation.kind,
            struct.pack(">HH", relation.source, len(relation.targets)),
            struct.pack(f">{len(relation.targets)}H", *relation.targets),
        )
        for relation in relations
    )
    related = [_full_box(b"iref", 0, 0, *references)] if relations else []
    return _full_box(
        b"meta",
        0,
        0,
        handler,
        _full_box(b"pitm", 0, 0, struct.pack(">H", _MAIN)),
        locations,
        information,
        *related,
        _properties_box(items),
    )


def _properties_box(items: dict[int, _Item]) -> bytes:
    listed = list(dict.fromkeys(found for item in items.values() for _, found in item.properties))
    place = {found: number for number, found in enumerate(listed, start=1)}
    associations = (
        struct.pack(">HB", number, len(item.properties))
        + b"".join(
            struct.pack(">H", place[found] | (0x8000 if essential else 0))
            for essential, found in item.properties
        )
        for number, item in items.items()
        if item.properties
    )
    count = sum(bool(item.properties) for item in items.values())
    return _box(
        b"iprp",
        _box(b"ipco", *(_box(found.kind, found.content) for found in listed)),
        _full_box(b"ipma", 0, 1, struct.pack(">I", count), *associations),
    )
