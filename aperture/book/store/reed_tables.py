"""The reeds of a book: which number is whose and since when, where each reed is, and whether it has left."""

from datetime import datetime

from aperture.book.store import rows
from aperture.book.store.lot_tables import lot as lot_with_code
from aperture.book.store.open_book import OpenBook
from aperture.book.store.records import GONE, Reed, short_code
from aperture.book.store.withdrawals import standing
from aperture.card.geometry import CARD
from aperture.errors import BookError

# SQL: the ids of the reeds of which the latest decision is that they left.
GONE_REEDS = f"""(SELECT reed_id FROM decisions
    WHERE id IN (SELECT max(id) FROM decisions WHERE {standing("decisions")} GROUP BY reed_id)
    AND action IN {GONE})"""


def reeds(book: OpenBook, here: bool = False, lot: str | None = None) -> list[Reed]:
    """The reeds by number, the older of the same number first; with `here` only those that have not left,
    with `lot` only those of the lot with this code."""
    gone = f"WHERE id NOT IN {GONE_REEDS}" if here else ""
    found = book.select(f"SELECT * FROM current_reeds {gone} ORDER BY number, id")
    code = lot_with_code(book, lot).code if lot is not None else None
    return [reed for reed in map(rows.reed, found) if code is None or reed.lot == code]


def reed(book: OpenBook, number: int) -> Reed:
    """The reed that has this number now, or had it last."""
    found = reeds_with_number(book, number)
    if not found:
        raise BookError("book-unknown", f"reed {number}")
    return found[-1]


def reeds_with_number(book: OpenBook, number: int) -> list[Reed]:
    """All reeds that have or had this number, the oldest first."""
    if not 1 <= number <= CARD.reed_tags.count:  # SQLite has no room for a number of twenty digits
        return []
    query = "SELECT * FROM current_reeds WHERE number = ? ORDER BY id"
    return [rows.reed(row) for row in book.select(query, number)]


def reed_with_id(book: OpenBook, reed_id: int) -> Reed:
    """The reed with this id."""
    found = book.select("SELECT * FROM current_reeds WHERE id = ?", reed_id)
    if not found:
        raise BookError("book-damaged", f"a photo belongs to reed {reed_id}, which is not there")
    return rows.reed(found[0])


def reed_at(book: OpenBook, number: int, when: datetime) -> Reed | None:
    """The reed that had this number then; None if it was free: never given, or the reed had left."""
    for each in reeds_with_number(book, number):
        left = left_at(book, each)
        if left is None or when <= left:
            return each
    return None


def left_at(book: OpenBook, reed: Reed) -> datetime | None:
    """When the reed left the box; None if it is here."""
    query = f"""SELECT * FROM decisions WHERE reed_id = ? AND {standing("decisions")}
        ORDER BY id DESC LIMIT 1"""
    found = book.select(query, reed.id)
    decision = rows.decision(found[0]) if found else None
    return decision.decided_at if decision is not None and decision.action in GONE else None


def is_gone(book: OpenBook, reed: Reed) -> bool:
    """Whether the reed has left the box."""
    return left_at(book, reed) is not None


def add_reed(
    book: OpenBook, number: int, lot: str | None = None, slot: str | None = None, player: str | None = None
) -> Reed:
    """Enter a new reed. Its number must be free: never given, or of a reed that is gone."""
    if not 1 <= number <= CARD.reed_tags.count:
        raise BookError("book-entry-wrong", f"reed numbers run from 1 to {CARD.reed_tags.count}")
    with book.together():
        earlier = reeds_with_number(book, number)
        if earlier and not is_gone(book, earlier[-1]):
            raise BookError(
                "book-entry-wrong",
                f"number {number} belongs to a reed that is still here; decide that it was sent back or"
                " thrown away first",
            )
        reed_id = book.insert("reeds", number=number)
        _add_details(book, reed_id, lot, slot, player)
    return reed(book, number)


def known_or_new(book: OpenBook, number: int, when: datetime) -> Reed:
    """The reed that had this number then; a new one if it was free."""
    return reed_at(book, number, when) or add_reed(book, number)


def change_reed(book: OpenBook, reed: Reed, lot: str | None, slot: str | None, player: str | None) -> Reed:
    """Enter a reed's lot, place and player again; None is not known."""
    with book.together():
        _add_details(book, reed.id, lot, slot, player)
    return reeds_with_number(book, reed.number)[-1]


def _add_details(book: OpenBook, reed_id: int, lot: str | None, slot: str | None, player: str | None) -> None:
    book.insert(
        "reed_details",
        reed_id=reed_id,
        lot_id=lot_with_code(book, lot).id if lot is not None else None,
        slot=slot and short_code(slot, "A slot"),
        player=player and short_code(player, "A player"),
    )
