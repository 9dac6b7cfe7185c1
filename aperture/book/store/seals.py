"""Seals: a fingerprint of every row of the book, so that a row which was spoilt on the disk is noticed.

SQLite notices a page that makes no sense, but not a digit that became another one; and a wrong number given
silently is the worst thing that the book can do. So whoever writes a row writes its seal, too, in the same
transaction. Seals are no protection against somebody who means it.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

# Of a SHA-256. A spoilt row keeps its seal once in 10¹⁹ times.
_HEX_DIGITS = 16


def seal(connection: sqlite3.Connection, table: str, row_id: int) -> None:
    """Enter the seal of a row that was just written, as it is read back."""
    (row,) = _rows(connection, f"{table} WHERE id = ?", row_id)
    connection.execute(
        "INSERT INTO seals (of_table, of_row, seal) VALUES (?, ?, ?)",
        (table, row_id, _fingerprint(table, row)),
    )


def seal_all(connection: sqlite3.Connection, tables: Iterable[str]) -> None:
    """Enter the seals of all rows of a book that had none yet."""
    for table in tables:
        for row_id in [row["id"] for row in _rows(connection, table)]:
            seal(connection, table, row_id)


def broken(connection: sqlite3.Connection, tables: Iterable[str]) -> Iterator[str]:
    """What rows are not as they were written, or are gone, in words."""
    sealed = {(row["of_table"], row["of_row"]): row["seal"] for row in _rows(connection, "seals")}
    for table in tables:
        for row in _rows(connection, table):
            expected = sealed.pop((table, row["id"]), None)
            if expected != _fingerprint(table, row):
                yield f"{table}, row {row['id']}: not as it was written"
    for table, row_id in sealed:
        yield f"{table}, row {row_id}: it is gone"


def _fingerprint(table: str, row: Mapping[str, Any]) -> str:
    from hashlib import sha256

    # What is not known is left out, so that a column which is added later changes no seal.
    known = {name: row[name] for name in row if row[name] is not None}
    return sha256(json.dumps([table, known], sort_keys=True).encode()).hexdigest()[:_HEX_DIGITS]


def _rows(connection: sqlite3.Connection, source: str, *values: Any) -> Iterator[dict[str, Any]]:
    found = connection.execute(f"SELECT * FROM {source}", values)
    names = [column[0] for column in found.description]
    for row in found:
        yield dict(zip(names, row, strict=True))
