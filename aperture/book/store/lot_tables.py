"""The lots of a book: found by their codes in any spelling, and what was entered of them."""

import json
from collections.abc import Sequence
from datetime import date

from aperture.book.store import rows
from aperture.book.store.lot_entry import LotEntry, mistakes
from aperture.book.store.open_book import OpenBook, as_text, now
from aperture.book.store.records import Lot, Reed, short_code
from aperture.codes import code_key, composed
from aperture.errors import BookError

# So many lots, the last ones, are named to who asks for one that is not there.
_LOTS_NAMED = 8


def lots(book: OpenBook) -> list[Lot]:
    """All lots, by the time they were entered."""
    return [rows.lot(row) for row in book.select("SELECT * FROM current_lots ORDER BY id")]


def lot(book: OpenBook, code: str) -> Lot:
    """The lot with this code, in any spelling: see `aperture.codes`."""
    found = book.select("SELECT * FROM current_lots WHERE id = ?", _lot_id(book, code))
    if not found:
        # Most likely it was mistyped.
        there = ", ".join(each.code for each in lots(book)[-_LOTS_NAMED:])
        raise BookError("book-unknown", f"lot {code}" + (f"; there are {there}" if there else ""))
    return rows.lot(found[0])


def has_lot(book: OpenBook, code: str) -> bool:
    """Whether there is a lot with this code, in any spelling."""
    return bool(book.select("SELECT 1 FROM current_lots WHERE id = ?", _lot_id(book, code)))


def lots_of(book: OpenBook, reeds: Sequence[Reed]) -> dict[str, Lot]:
    """The lots to which reeds belong, by their codes."""
    codes = {reed.lot for reed in reeds if reed.lot is not None}
    query = "SELECT * FROM current_lots WHERE code IN (SELECT value FROM json_each(?))"
    found = book.select(query, json.dumps(sorted(codes)))
    by_code = {row["code"]: rows.lot(row) for row in found}
    if missing := codes - by_code.keys():
        raise BookError("book-damaged", f"{book.path}: nothing is known of lot {min(missing)} any more")
    return by_code


def add_lot(
    book: OpenBook,
    code: str,
    source: str,
    ordered_on: date | None = None,
    return_by: date | None = None,
    price_per_reed: float | None = None,
    strength: str | None = None,
) -> Lot:
    """Enter a lot, or a lot's details again: they replace the earlier ones, which stay on record.

    Whoever lets somebody type asks before it is one that is there: see `lot_entry`.
    """
    entry = LotEntry(code, source, ordered_on, return_by, price_per_reed, strength)
    if wrong := mistakes(entry):
        raise BookError("book-entry-wrong", " ".join(wrong.values()))
    code, source = short_code(code, "A lot"), short_code(source, "A source")
    with book.together():
        lot_id = _lot_id(book, code)
        if lot_id is None:
            moment = now()  # one time for both, as an upgrade has it
            lot_id = book.insert("lots", code=code, recorded_at=moment)
            book.insert("lot_keys", id=lot_id, key=code_key(code), recorded_at=moment)
        book.insert(
            "lot_details",
            lot_id=lot_id,
            source=source,
            ordered_on=as_text(ordered_on),
            return_by=as_text(return_by),
            price_per_reed=price_per_reed,
            strength=strength,
        )
    return lot(book, code)


def _lot_id(book: OpenBook, code: str) -> int | None:
    """The lot with this code, also one that was withdrawn; None if there never was one.

    In an older book lots can have one key that were told apart. Each is found by its own spelling, as it
    always was.
    """
    for spelling in dict.fromkeys((code, composed(code))):
        if same := book.select("SELECT id FROM lots WHERE code = ? COLLATE NOCASE", spelling):
            return int(same[0]["id"])
    query = "SELECT lots.id, code FROM lots JOIN lot_keys USING (id) WHERE key = ? ORDER BY lots.id"
    found = book.select(query, code_key(code))
    if len(found) > 1:
        codes = " and ".join(row["code"] for row in found)
        raise BookError("book-entry-wrong", f"{code} can be one of the lots {codes}: write it as one of them")
    return int(found[0]["id"]) if found else None
