"""A table that somebody typed in a spreadsheet program and saved as CSV, in whichever way that does it."""

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path


class TableError(Exception):
    """A table that cannot be used; the message says where, and what to do."""


@dataclass(frozen=True)
class Row:
    """One row: the number of its line in the file, and its cells by heading, in small letters, stripped.

    `overflows`: there are cells beyond the headings, with something in them.
    """

    line: int
    cells: Mapping[str, str]
    overflows: bool


@dataclass(frozen=True)
class Table:
    """A table's headings, in small letters, and its rows that are not empty.

    `name` : what messages call the table.
    """

    name: str
    headings: tuple[str, ...]
    rows: tuple[Row, ...]


def read_table(path: Path) -> Table:
    """Read a CSV file in UTF-8 whose columns are parted by commas, semicolons or tabs.

    Raises
    ------
    TableError : there is no such file, or it is no table.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise TableError(f"{path} cannot be read: {error.strerror or error}") from error
    return table_in(content, str(path))


def table_in(content: bytes, name: str) -> Table:
    """The table in what such a file holds.

    Parameters
    ----------
    name : what the messages call it.

    Raises
    ------
    TableError : it is no table.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableError(f"{name} is not a text file in UTF-8; save it as “CSV UTF-8”") from error
    heading = text.partition("\n")[0]
    # Where the comma is the decimal sign, spreadsheet programs put semicolons between the columns.
    separator = max(",;\t", key=heading.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        headings = tuple(cell.strip().casefold() for cell in next(reader, []))
        rows = []
        for cells in reader:
            if any(cell.strip() for cell in cells):
                named = dict(zip(headings, map(str.strip, cells), strict=False))
                rows.append(Row(reader.line_num, named, any(map(str.strip, cells[len(headings) :]))))
    except csv.Error as error:  # a field without end
        raise TableError(f"{name} is no table: {error}") from error
    return Table(name, headings, tuple(rows))
