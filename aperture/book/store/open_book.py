"""An open reed book: its rows selected, and added with their seals, in transactions."""

import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from datetime import date, datetime
from pathlib import Path
from typing import Any, Self

from aperture.book.store import book_file, picture_folder, schema, seals
from aperture.book.store.withdrawals import WITHDRAWABLE, Entered
from aperture.errors import BookError


class OpenBook:
    """What `ledger.Book` stands on: the rows of a book's file. Use it in a `with` block, or call `close`."""

    def __init__(self, path: Path, create: bool = False, wait_seconds: float | None = None) -> None:
        """Open the book at `path`; with `create` begin a new one where there is none.

        It waits at most so many seconds for others who write; see `book_file.connect`.
        """
        self.path = path
        with book_file.report_errors(path):
            picture_folder.check_nothing_left(path)
        self._connection = book_file.connect(path, create, wait_seconds)
        self.pictures = picture_folder.settled(path, self._connection, wait_seconds)
        self._looked_at = False  # before the first writing, whether the file is in order
        self._entered: list[Entered] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    @contextmanager
    def writing(self) -> Iterator[None]:
        """One transaction: all that is added inside is kept, or nothing of it."""
        with book_file.report_errors(self.path):
            if not self._looked_at:
                book_file.check_whole(self._connection)
                self._looked_at = True
            with book_file.writing(self._connection):
                yield

    def together(self) -> AbstractContextManager[None]:
        """A transaction of its own, unless one is open."""
        return nullcontext() if self._connection.in_transaction else self.writing()

    def select(self, query: str, *values: Any) -> list[sqlite3.Row]:
        """The rows that a query finds; each "?" in it stands for one of the values."""
        with book_file.report_errors(self.path):
            return self._connection.execute(query, values).fetchall()

    def insert(self, table: str, **values: Any) -> int:
        """Add a row and its seal; the row's id. When it is recorded is now, unless `recorded_at` says it."""
        values.setdefault("recorded_at", now())
        names, marks = ", ".join(values), ", ".join("?" * len(values))
        with book_file.report_errors(self.path):
            done = self._connection.execute(
                f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values())
            )
            assert done.lastrowid is not None
            seals.seal(self._connection, table, done.lastrowid)
        if table in WITHDRAWABLE:
            self._entered.append(Entered(table, done.lastrowid))
        return done.lastrowid

    @property
    def entered(self) -> tuple[Entered, ...]:
        """What was entered through this object and can be withdrawn, in the order in which it was."""
        return tuple(self._entered)

    def table(self, table: str) -> Iterator[dict[str, Any]]:
        """Every row of a table of `schema.TABLES`, the oldest first."""
        if table not in schema.TABLES:
            raise BookError("book-unknown", f"table {table}")
        with book_file.report_errors(self.path):
            for row in self._connection.execute(f"SELECT * FROM {table} ORDER BY id"):
                yield dict(row)

    def integrity_errors(self) -> list[str]:
        """What is wrong with the file: nothing, if all is well."""
        with book_file.report_errors(self.path):
            return schema.integrity_errors(self._connection)

    def copy_to(self, target: Path) -> None:
        """Write a consistent copy of the database file, even while others write to the book."""
        with book_file.report_errors(target):
            book_file.copy_to(self._connection, target)


def now() -> str:
    """This moment, with its zone, as a row has it."""
    return datetime.now().astimezone().isoformat()


def as_text(moment: date | datetime | None) -> str | None:
    """A day or a time as a row has it."""
    return moment.isoformat() if moment is not None else None
