"""What somebody read of reeds in another way, typed into a CSV file: heights in mm, or classes."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from aperture.card.geometry import FACES, Face
from aperture.studies.table import Row, Table, TableError, read_table
from aperture.verdict import ShapeClass

CLASSES: tuple[ShapeClass, ...] = get_args(ShapeClass)
# What the columns may be called. The first name is the one that the messages and the guide use.
READING = ("reading_mm", "reading", "other_mm", "other", "height_mm", "height", "mm")
PLUS_MINUS = (
    "u_mm",
    "u",
    "±",
    "±_mm",
    "plus_minus",
    "plus_minus_mm",
    "u_reading_mm",
    "u_other_mm",
    "u_height_mm",
)
FIRST = ("class", "class_1", "class_a")
SECOND = ("class_2", "class_b")
COLUMNS = "reed, state and reading_mm (u_mm, its ±, may follow), or reed, state and class"
# No reed's tip opens as far: a value above it was typed in another unit.
MOST_MM = 5.0
LONGEST_QUOTED = 80  # characters of a first line that is something else


@dataclass(frozen=True)
class OtherReading:
    """One row. `height_mm` with its expanded ± `u_mm` if that was given; or the classes that people gave."""

    line: int
    reed: int
    state: Face
    height_mm: float | None = None
    u_mm: float | None = None
    classes: tuple[ShapeClass, ...] = ()


@dataclass(frozen=True)
class OtherReadings:
    """A whole file: `people` who gave classes, or 0 if it has heights; `empty` rows without a value."""

    readings: tuple[OtherReading, ...]
    people: int
    empty: int


@dataclass(frozen=True)
class _Columns:
    """What the columns that matter are called in a file."""

    reading: str | None
    plus_minus: str | None
    classes: tuple[str, ...]


def read_other_readings(path: Path) -> OtherReadings:
    """Read a CSV file with the columns reed, state, and reading_mm or class; see `other_readings_in`."""
    return other_readings_in(read_table(path))


def other_readings_in(table: Table) -> OtherReadings:
    """The readings in a table with the columns reed, state, and reading_mm or class.

    Raises
    ------
    TableError : it is no such table, a value is impossible, or one reed and state come twice.
    """
    columns = _columns(table)
    readings: list[OtherReading] = []
    known: dict[tuple[int, Face], int] = {}
    empty = 0
    for row in table.rows:
        where = f"{table.name}, line {row.line}"
        if row.overflows:
            raise TableError(
                f"{where}: there are more cells than headings; where the comma is the decimal sign, save the"
                " table with semicolons between the columns"
            )
        one = _reading(row, columns, where)
        if one is None:
            empty += 1
            continue
        key = (one.reed, one.state)
        if key in known:
            raise TableError(
                f"{where}: reed {one.reed} {one.state} is there already, in line {known[key]}; give each once"
            )
        known[key] = row.line
        readings.append(one)
    if not readings:
        raise TableError(f"{table.name} has no reading below its first line")
    return OtherReadings(tuple(readings), len(columns.classes), empty)


def _columns(table: Table) -> _Columns:
    """Which columns there are; a TableError if they are not enough."""
    names = {re.sub(r"[\s()]+", "_", heading).strip("_"): heading for heading in table.headings}

    def called(known: Sequence[str]) -> str | None:
        return next((names[name] for name in known if name in names), None)

    classes = tuple(name for name in (called(FIRST), called(SECOND)) if name is not None)
    reading = called(READING)
    if not {"reed", "state"} <= names.keys() or (reading is None and not classes):
        found = ", ".join(filter(None, table.headings)) or "nothing"
        found = found if len(found) <= LONGEST_QUOTED else f"{found[:LONGEST_QUOTED]}…"
        raise TableError(f"{table.name} needs the columns {COLUMNS}; its first line has {found}")
    if reading is not None and classes:
        raise TableError(f"{table.name} has both readings in mm and classes; make a table of each")
    return _Columns(reading, called(PLUS_MINUS), classes)


def _reading(row: Row, columns: _Columns, where: str) -> OtherReading | None:
    """The reading of a row; None if its value was left empty."""
    given = [row.cells.get(name, "") for name in columns.classes or (columns.reading or "",)]
    if not all(given):
        return None
    reed, state = _reed(row.cells.get("reed", ""), where), _state(row.cells.get("state", ""), where)
    if columns.classes:
        return OtherReading(row.line, reed, state, classes=tuple(_class(text, where) for text in given))
    height_mm = _millimetres(given[0], where, "reading_mm")
    text = row.cells.get(columns.plus_minus, "") if columns.plus_minus else ""
    u_mm = _millimetres(text.lstrip("±").strip(), where, "the ±") if text else None
    return OtherReading(row.line, reed, state, height_mm, u_mm)


def _reed(text: str, where: str) -> int:
    digits = re.fullmatch(r"(?:reed|r)?\s*0*(\d{1,6})(?:[.,]0)?", text.casefold())
    if digits is None or int(digits[1]) == 0:
        raise TableError(f"{where}: “{text}” is no reed's number")
    return int(digits[1])


def _state(text: str, where: str) -> Face:
    state = next((face for face in FACES if face == text.casefold()), None)
    if state is None:
        raise TableError(f"{where}: the state is dry or soaked, not “{text}”")
    return state


def _class(text: str, where: str) -> ShapeClass:
    found = next((name for name in CLASSES if name == text.casefold()), None)
    if found is None:
        raise TableError(f"{where}: “{text}” is no class; use {', '.join(CLASSES[:-1])} or {CLASSES[-1]}")
    return found


def _millimetres(text: str, where: str, what: str) -> float:
    """A length with a point or a comma for the decimals, "mm" after it or not."""
    number = text.casefold().removesuffix("mm").strip()
    if number.count(",") == 1 and "." not in number:
        number = number.replace(",", ".")
    try:
        value = float(number)
    except ValueError:
        raise TableError(f"{where}: “{text}” is no number; write {what} in mm, for example 0.83") from None
    if not math.isfinite(value) or not 0.0 <= value <= MOST_MM:
        raise TableError(f"{where}: {what} is in mm, between 0 and {MOST_MM:g}, not {text}")
    return value
