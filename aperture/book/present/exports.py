"""The book for other programs: a workbook, a CSV file for each table, and one JSON file with everything."""

import codecs
import csv
import io
import json
import math
import os
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, get_args

from aperture import __version__
from aperture.book.present.words import recorded, seen_words
from aperture.book.store import book_file, schema
from aperture.book.store.corrections import Said, said_of
from aperture.book.store.ledger import Book
from aperture.book.store.records import History
from aperture.card.geometry import FACES, Face
from aperture.correction import FLAG, correction_words, offset_of
from aperture.errors import BookError
from aperture.present.report import escape_formula

Format = Literal["csv", "xlsx", "json"]
FORMATS: tuple[Format, ...] = get_args(Format)

_STEM = "reed-book"
# Columns that hold JSON, and those of them that are too long for the cells of a spreadsheet.
_JSON_COLUMNS = {"tip_window", "content", "record", "outline_mm"}
_ONLY_IN_JSON = {"record", "outline_mm"}

# What a workbook can hold. Sources: Microsoft, "Excel specifications and limits"; XML 1.0, production 2.
_ROWS_PER_SHEET = 1_048_576
_CHARACTERS_PER_CELL = 32_767
_NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")

# What must be known to read the tables.
_NOTES = (
    ("reeds now", "In the workbook: the reeds still here, with the latest measured photo dry and soaked."),
    ("±", "The true value should lie within this of the number about 19 times in 20."),
    ("have a look", "A person should look at the picture before the number is used."),
    ("id", "What other tables name the row by: reed_id, lot_id, photo_id, settings_id."),
    ("lot_keys", "What all spellings of a lot's code have in common; its id is the lot's."),
    ("lot_details, reed_details, filings", "What is known of a lot, a reed, a photo: its last row counts."),
    (
        "said_by_people",
        "What of a photo is a person's, as it stands now: confirmed, class changed, outline redrawn, retake"
        " asked, reed or state named (nobody knew it) or corrected; empty: all is the program's.",
    ),
    ("readings", "Measurements of photos, in mm and mm²; the last row of a photo counts."),
    ("u_height_mm and so on", "The ± of height_mm and so on: coverage_factor standard uncertainties."),
    (
        "height_below_mm",
        "Instead of height_mm where that cannot be told from 0: it lies below this about 19 times in 20.",
    ),
    (
        "ruler_mm, tip_offset_mm, card",
        "The length of the printed 50 mm bar and the tip's place that a reading counts with, and the card's"
        " name; empty: not measured.",
    ),
    ("correction_mm", "What was added to height_mm, and below `correction` in words; empty: nothing."),
    ("settings_used", "The settings with which readings were made, as JSON."),
    ("checks", "What hands and ears found: 1 yes, 0 no, empty not looked at."),
    ("cards", "What was measured of the printed card in use, from then on; the last row counts."),
    (
        "gauge_checks",
        "What a gauge of paper measured, what it must be, each with U = 2u, and E_n of both, in mm.",
    ),
    ("withdrawals", "Rows that somebody undid: of_table and of_row name them. They do not count any more."),
    ("taken, done_at, decided_at", "When it happened, by the clock on the wall."),
    ("recorded_at", "When it was entered, with the time zone."),
    ("record, outline_mm", "The whole result of a reading and the outline of the opening: only in JSON."),
    ("'", "Stands before text that a spreadsheet would take for a formula; not in JSON."),
    ("pictures", "Lie beside the book; `aperture backup` packs them together with it."),
    ("good reeds", "A good opening is not yet a good reed: the player's teacher decides."),
)

_REEDS_NOW = (
    *("reed", "lot", "slot", "player"),
    *(f"{face} {what}" for face in FACES for what in ("class", "height in mm", "ratio", "photo taken")),
    *("last decision", "decided at"),
    *(f"{face} said by people" for face in FACES),
)
# Photos are looked at so many at a time, so that few outlines are in memory.
_AT_A_TIME = 500

_SaidOfPhotos = Mapping[int, Sequence[Said]]


def export(
    book: Book, folder: Path, formats: Collection[Format] = FORMATS, replace: bool = True
) -> list[Path]:
    """Write the book into a folder as it is at this moment, even while others write to it.

    The files are called "reed-book…"; with `replace` those that are there are replaced once all new ones are
    whole.

    Parameters
    ----------
    folder : made if it does not exist.
    formats : "csv": one file for each table. "xlsx": one workbook, a sheet for each table and a first one for
        people. "json": everything.

    Returns
    -------
    The files; the last one explains the others.

    Raises
    ------
    BookError : they cannot be written, or the book cannot be read; "file-exists", without `replace`.
    """
    made = datetime.now().astimezone().isoformat(timespec="seconds")
    with book_file.report_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
        with book_file.workspace(folder / f"{_STEM}-export") as room:
            book.copy_to(room / "copy.sqlite3")
            columns = _columns(room / "copy.sqlite3")
            with Book(room / "copy.sqlite3") as copy:
                said = _said(copy)
                parts = []
                if "xlsx" in formats:
                    parts.append(_write_workbook(copy, columns, said, room, made))
                if "csv" in formats:
                    parts += [_write_csv(copy, table, columns[table], said, room) for table in schema.TABLES]
                if "json" in formats:
                    parts.append(_write_json(copy, said, room, made))
            if parts:
                parts.append(_write_notes(room, made))
            for part in parts:
                with part.open("rb+") as file:
                    os.fsync(file.fileno())
            there = [folder / part.name for part in parts if (folder / part.name).exists()]
            if there and not replace:
                raise BookError("file-exists", f"{there[0]} is left as it is; --replace replaces it")
            return [part.replace(folder / part.name) for part in parts]


def _columns(path: Path) -> dict[str, list[str]]:
    """The names of the columns of each table, for the rows of `_rows`."""
    from sqlite_utils import Database

    with closing(Database(path, execute_plugins=False)) as database:
        columns = {table: [column.name for column in database[table].columns] for table in schema.TABLES}
    readings = columns["readings"]
    place = readings.index("u_height_mm") + 1
    readings[place:place] = [
        *("height_below_mm", "correction_mm", "correction"),
        *("ruler_mm", "tip_offset_mm", "card"),
    ]
    columns["photos"].append("said_by_people")
    return columns


def _said(book: Book) -> dict[int, tuple[Said, ...]]:
    """By the photo's id, what people said of it; without those of which all is the program's."""
    hashes = [photo.sha256 for photo in book.photos()]
    batches = (hashes[start : start + _AT_A_TIME] for start in range(0, len(hashes), _AT_A_TIME))
    entries = (entry for batch in batches for entry in book.entries(batch))
    return {entry.photo.id: said for entry in entries if (said := said_of(entry))}


def _rows(book: Book, table: str, said: _SaidOfPhotos) -> Iterator[dict[str, Any]]:
    """The rows of a table; a photo also with what people said of it; a reading with what its record says of
    the height (below what that of a shut opening lies, and what was added to it), and its settings of the
    printed card.

    In JSON it is found there, as everything of record and settings.
    """
    scales = book.scales() if table == "readings" else {}
    for row in book.table(table):
        if table == "photos":
            row["said_by_people"] = _joined(said.get(row["id"]))
        if table == "readings":
            # Few have one of these, so that few records must be read.
            few = row["height_mm"] is None or FLAG in row["record"]
            record = json.loads(row["record"]) if few else {}
            row["height_below_mm"] = record.get("height_below_mm")
            row["correction_mm"] = offset_of(record) if record.get("correction") else None
            row["correction"] = correction_words(record["correction"]) if record.get("correction") else None
            row |= scales[row["settings_id"]].record()
        yield row


def _joined(said: Sequence[Said] | None) -> str | None:
    return "; ".join(said) if said else None


def _write_csv(book: Book, table: str, columns: Sequence[str], said: _SaidOfPhotos, room: Path) -> Path:
    columns = [column for column in columns if column not in _ONLY_IN_JSON]
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([escape_formula(row[column]) for column in columns] for row in _rows(book, table, said))
    content = text.getvalue().encode()
    path = room / f"{_STEM}-{table}.csv"
    # Spreadsheet programs recognise UTF-8 by a mark at the beginning.
    path.write_bytes(content if content.isascii() else codecs.BOM_UTF8 + content)
    return path


def _write_json(book: Book, said: _SaidOfPhotos, room: Path, made: str) -> Path:
    """Row by row, because all of it at once would be large."""
    path = room / f"{_STEM}.json"
    head = {"program": __version__, "schema_version": schema.VERSION, "exported_at": made}
    with path.open("w", encoding="ascii", newline="\n") as file:
        file.write(f'{json.dumps(head)[:-1]}, "tables": {{')
        for number, table in enumerate(schema.TABLES):
            file.write(f'{"," if number else ""}\n"{table}": [')
            for line, row in enumerate(book.table(table)):
                values = {name: _parsed(name, value) for name, value in row.items()}
                file.write(f"{',' if line else ''}\n{json.dumps(values, allow_nan=False)}")
            file.write("]")
        file.write("},\n")
        of_photos = {str(photo_id): codes for photo_id, codes in sorted(said.items())}
        file.write(f'"said_by_people": {json.dumps(of_photos)}}}\n')
    return path


def _parsed(name: str, value: Any) -> Any:
    if name in _JSON_COLUMNS and value is not None:
        return json.loads(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _write_notes(room: Path, made: str) -> Path:
    path = room / f"{_STEM}-README.txt"
    lines = [f"Export of a reed book, {made}, aperture {__version__}", ""]
    lines += [f"{what}: {note}" for what, note in _NOTES]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _write_workbook(
    book: Book, columns: Mapping[str, Sequence[str]], said: _SaidOfPhotos, room: Path, made: str
) -> Path:
    from xlsxwriter import Workbook
    from xlsxwriter.exceptions import FileCreateError

    path = room / f"{_STEM}.xlsx"
    # Rows go to the disk one by one. Text stays text, whatever it looks like.
    options = {
        "constant_memory": True,
        "tmpdir": str(room),
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    workbook = Workbook(str(path), options)
    try:
        with workbook:
            _write_sheet(workbook, "reeds now", _REEDS_NOW, _reeds_now(book, said))
            for table in schema.TABLES:
                names = [name for name in columns[table] if name not in _ONLY_IN_JSON]
                rows = ([row[name] for name in names] for row in _rows(book, table, said))
                _write_sheet(workbook, table, names, rows)
            about = (("exported at", made), ("program", f"aperture {__version__}"), *_NOTES)
            _write_sheet(workbook, "about", ("what", "what to know"), about)
    except FileCreateError as error:
        raise error.args[0] from error
    finally:
        for sheet in workbook.worksheets():  # when it fails, it leaves the files of their rows open
            sheet.row_data_fh.close()
    return path


def _write_sheet(workbook: Any, name: str, headings: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    sheet = _new_sheet(workbook, name, headings)
    for index, row in enumerate(rows):
        number, line = divmod(index, _ROWS_PER_SHEET - 1)
        if line == 0 and number > 0:
            sheet = _new_sheet(workbook, f"{name} {number + 1}", headings)
        for column, value in enumerate(row):
            _write_cell(sheet, line + 1, column, value)


def _new_sheet(workbook: Any, name: str, headings: Sequence[str]) -> Any:
    sheet = workbook.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    bold = workbook.add_format({"bold": True})
    for column, heading in enumerate(headings):
        sheet.set_column(column, column, max(12, len(heading) + 2))
        sheet.write_string(0, column, heading, bold)
    return sheet


def _write_cell(sheet: Any, line: int, column: int, value: Any) -> None:
    if isinstance(value, str):
        sheet.write_string(line, column, _cell_text(value))
    elif value is not None and math.isfinite(value):
        sheet.write_number(line, column, value)


def _cell_text(text: str) -> str:
    """Text that a cell can hold; what is too long ends in "…"."""
    text = _NOT_IN_XML.sub("\ufffd", escape_formula(text).replace("\r\n", "\n").replace("\r", "\n"))
    # Spreadsheet programs count units of UTF-16.
    units = text.encode("utf-16-le")
    if len(units) <= 2 * _CHARACTERS_PER_CELL:
        return text
    return units[: 2 * (_CHARACTERS_PER_CELL - 1)].decode("utf-16-le", "ignore") + "…"


def _reeds_now(book: Book, said: _SaidOfPhotos) -> Iterator[list[Any]]:
    """The reeds that have not left the box, one by one, by number."""
    for history in book.histories(here=True):
        reed = history.reed
        decision = history.decision
        latest = [next(reversed(history.measured(face)), None) for face in FACES]
        yield [
            *(reed.number, reed.lot, reed.slot, reed.player),
            *(cell for face in FACES for cell in _latest(history, face)),
            *((decision.action, _time(decision.decided_at)) if decision else (None, None)),
            *(_joined(said.get(entry.photo.id)) if entry else None for entry in latest),
        ]


def _latest(history: History, face: Face) -> tuple[str | None, ...]:
    """Class, height, ratio and time of the latest measured photo in a state."""
    measured = history.measured(face)
    if not measured:
        return (None, None, None, None)
    reading = measured[-1].reading
    look = ", have a look" if reading.record["review"] else ""
    height, ratio = (recorded(reading.record, name) for name in ("height_mm", "ellipse_ratio"))
    return (f"{seen_words(reading)}{look}", height, ratio, _time(measured[-1].photo.when))


def _time(moment: datetime) -> str:
    return moment.isoformat(sep=" ", timespec="minutes")
