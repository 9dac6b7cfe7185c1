"""What was entered into the book since somebody looked last: about which reeds, so that only those are read
again."""

from aperture.book.store.open_book import OpenBook

# Rows of these say nothing of a reed until others do, which name it.
_OF_NO_REED = ("lots", "reeds", "photos", "settings_used", "withdrawals")
_OF_A_REED = ("reed_details", "checks", "squeezes", "decisions")
_OF_A_PHOTO = ("filings", "readings")

# The rows that were added after a seal, and those that were withdrawn after it.
_ENTERED = """WITH added AS (SELECT of_table, of_row FROM seals WHERE id > ?),
    entered AS (SELECT of_table, of_row FROM added
        UNION SELECT withdrawals.of_table, withdrawals.of_row FROM withdrawals
        JOIN added ON added.of_table = 'withdrawals' AND added.of_row = withdrawals.id)"""

# Tables of which rows were added that may say something of any reed: a lot's details, a gauge.
_OF_ANY = f"""{_ENTERED} SELECT DISTINCT of_table FROM entered
    WHERE of_table NOT IN {(*_OF_NO_REED, *_OF_A_REED, *_OF_A_PHOTO)}"""

# The ids of the reeds of which the others say something: a photo's, of all reeds to which it ever belonged.
_OF_THESE = (
    f"{_ENTERED}, photos_of AS ("
    + " UNION ".join(
        f"SELECT photo_id FROM {table} JOIN entered ON of_table = '{table}' AND of_row = {table}.id"
        for table in _OF_A_PHOTO
    )
    + ") SELECT reed_id FROM filings"
    " WHERE reed_id IS NOT NULL AND photo_id IN (SELECT photo_id FROM photos_of)"
    + "".join(
        f" UNION SELECT reed_id FROM {table} JOIN entered ON of_table = '{table}' AND of_row = {table}.id"
        for table in _OF_A_REED
    )
)


def last_seal(book: OpenBook) -> tuple[int, str] | None:
    """What was added last, by whomever: as long as it is the same, all else is. None of an empty book.

    Every row that is added is sealed, and none is ever changed.
    """
    found = book.select("SELECT id, seal FROM seals ORDER BY id DESC LIMIT 1")
    return (found[0]["id"], found[0]["seal"]) if found else None


def reeds_since(book: OpenBook, seal: tuple[int, str]) -> frozenset[int] | None:
    """The ids of the reeds about which something was added since `last_seal` was this; None if it may be
    about any reed, or if this is another book."""
    same = book.select("SELECT 1 FROM seals WHERE id = ? AND seal = ?", *seal)
    if not same or book.select(_OF_ANY, seal[0]):
        return None
    return frozenset(row["reed_id"] for row in book.select(_OF_THESE, seal[0]))
