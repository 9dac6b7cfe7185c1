"""Entries that were withdrawn: they stay on record and do not count; what counted before counts again.

Nothing in the book is erased. Who presses *Undo* adds one more row, which says of another that it does not
count any more.
"""

from typing import NamedTuple

# What a person can have entered by mistake. Of photos, and of a gauge that measured, nothing was typed.
WITHDRAWABLE = (
    "lot_details",
    "reed_details",
    "filings",
    "readings",
    "checks",
    "squeezes",
    "decisions",
)


class Entered(NamedTuple):
    """A row that was entered: its table, and its id there."""

    table: str
    row: int


def standing(table: str, id: str = "id") -> str:
    """SQL: that a row of a table was not withdrawn; `id` is how a query calls the row's id."""
    return f"{id} NOT IN (SELECT of_row FROM withdrawals WHERE of_table = '{table}')"


# The reeds of which the latest decision is that they left is what {gone} stands for. Each of these finds
# something only if what was withdrawn was needed by something that stands.
_LACKING = (
    "SELECT 1 FROM filings WHERE photo_id NOT IN (SELECT photo_id FROM current_filings)",
    f"SELECT 1 FROM readings WHERE photo_id NOT IN"
    f" (SELECT photo_id FROM readings WHERE {standing('readings')})",
    *(
        f"SELECT 1 FROM {table} WHERE {standing(table)} AND reed_id NOT IN (SELECT id FROM current_reeds)"
        for table in ("checks", "squeezes", "decisions")
    ),
    "SELECT 1 FROM current_filings WHERE reed_id NOT IN (SELECT id FROM current_reeds)",
    "SELECT 1 FROM current_reeds WHERE lot_id NOT IN (SELECT id FROM current_lots)",
    "SELECT 1 FROM current_reeds WHERE id NOT IN {gone} GROUP BY number HAVING count(*) > 1",
)


def something_lacks(gone: str) -> str:
    """SQL that is true if something that stands lacks what it rests on, or two reeds here have one number.

    Parameters
    ----------
    gone : SQL for the ids of the reeds that have left, in parentheses.
    """
    return "SELECT " + " OR ".join(f"EXISTS ({one.format(gone=gone)})" for one in _LACKING)
