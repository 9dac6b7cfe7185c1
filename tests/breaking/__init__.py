"""What the reed book must survive, as trials that count: tried, survived, lost.

`tests/book/test_breaking.py` makes a few of each with a fixed seed, `tests/bench/bench_breaking.py` makes
many and prints them as a table. A trial *survives* if the program goes on with nothing lost and nothing
doubled, or says in words why not.
"""

import os
import sqlite3
import traceback
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from aperture.book.store import schema
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.settings import Settings
from tests.book.backup.test_keeping import add_photo
from tests.conftest import _measured

NOON = datetime(2026, 10, 5, 12, 0)


@dataclass
class Count:
    """How often something was tried and survived; `troubles` are the times that it was not."""

    survived: int = 0
    troubles: list[str] = field(default_factory=list)
    note: str = ""

    @property
    def tried(self) -> int:
        return self.survived + self.lost

    @property
    def lost(self) -> int:
        return len(self.troubles)

    @contextmanager
    def trial(self, what: str) -> Iterator[None]:
        """What is done and checked inside survives unless it raises."""
        try:
            yield
        except Exception as error:
            line = traceback.extract_tb(error.__traceback__)[-1]
            self.troubles.append(f"{what}: {type(error).__name__}: {error} ({line.name}: {line.line})")
        else:
            self.survived += 1


def a_book(path: Path, reeds: int = 12) -> Path:
    """A book with a row in every table, and two made-up pictures for each reed."""
    with Book(path, create=True) as book, book.writing():
        book.add_lot("26a", "north", price_per_reed=21, strength="médium ♯")
        for number in range(reeds):
            reed = book.add_reed(number + 1, "26a", slot="A1", player="T4")
            photo = add_photo(book, number, reed)
            result = _measured(reed=reed.number)
            outline = result.outline.points_mm.round(5).tolist()
            book.add_reading(photo, result.record(), Settings(), 0.001, outline)
            book.add_check(reed, NOON, {"leak": False}, "good", -12.0, f"note {number}", "MB")
            book.add_squeeze(reed, NOON, by="MB")
            book.add_decision(reed, NOON, "keep" if number else "send back", "fine", "MB")
            book.add_filing(photo, Filing(reed.id, "dry", Soaking(), "looked at", "MB"))
    return path


def rows_of(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of all tables, read without the program; none of a table that came in a later version."""
    with closing(sqlite3.connect(path)) as connection:
        there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
        return {
            table: connection.execute(f"SELECT * FROM {table} ORDER BY id").fetchall()
            if table in there
            else []
            for table in schema.TABLES
        }


def files_in(folder: Path) -> dict[str, str]:
    """The fingerprint of each file in a folder, by its name there."""
    return {
        path.relative_to(folder).as_posix(): sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def everything(path: Path) -> tuple[dict[str, list[tuple[Any, ...]]], dict[str, str]]:
    """All rows and all pictures of a book."""
    return rows_of(path), files_in(pictures_folder(path))


def check_whole(path: Path) -> None:
    """Raise AssertionError unless a book is without a fault."""
    with Book(path) as book:
        assert book.integrity_errors() == []


def type_in(*words: object) -> tuple[int, str]:
    """Type an `aperture` command; its exit status and what it said. Never a fault of the program's."""
    from aperture.cli.app import app

    # With the settings that come with the program, whoever types.
    result = CliRunner(env={"XDG_CONFIG_HOME": os.devnull}).invoke(app, [*map(str, words)])
    said = " ".join(result.output.split())
    assert "the fault is the program's" not in said, said
    assert result.exit_code in (0, 2, 3), f"{result.exit_code}: {said}"
    assert result.exit_code == 0 or said, "not a word"
    return result.exit_code, said
