"""Exports say what the tables say, and no cell of them is ever run.

Outside the project: openpyxl and Python's csv and json read the files back; SQLite gives the tables.
"""

import codecs
import csv
import errno
import io
import json
import os
import re
import sqlite3
from contextlib import closing
from dataclasses import asdict
from datetime import date, datetime
from zipfile import ZipFile

import openpyxl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from aperture.book.present import exports
from aperture.book.present.exports import FORMATS, export
from aperture.book.store import schema
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.errors import BookError
from aperture.settings import Settings

NOON = datetime(2026, 10, 5, 12, 0)
# Too long for a cell, or not made for one; what the program says of itself must be true.
ONLY_IN_JSON = {"record", "outline_mm"}
# What spreadsheet programs take for the beginning of a formula. Source: OWASP, "CSV Injection".
DANGEROUS = ("=", "+", "-", "@", "\t", "\r")


@pytest.fixture
def filled(book, enter):
    """A book with at least one row in every table, and texts that a spreadsheet would run."""
    book.add_lot("26a", "post", date(2026, 9, 1), date(2026, 10, 20), 21.5, "=cmd|' /C calc'!A0")
    book.add_lot("26b", "shop", strength="médium 芦")
    first = book.add_reed(7, "26a", slot="A1", player="T4")
    second = book.add_reed(3, "26b")
    gone = book.add_reed(1)
    enter(book, first, "dry")
    enter(book, first, "soaked", height_mm=1.3)
    enter(book, second, "dry", flags=("blurred",))
    for name in (
        "+1",
        "-1",
        "@x",
        "=1+1",
        "\tx",
        "\rx",
        "http://example.org",
        "007",
        "a\nb",
        'say "hi", he said',
    ):
        book.add_photo((f"{len(book.photos()):x}" * 64)[:64], name, None, NOON)
    book.add_check(first, NOON, {"leak": False, "wire": True}, "good", -12.5, "-5 + 3\nand = more", "MB")
    book.add_squeeze(first, NOON, by="MB")
    book.add_decision(first, NOON, "keep", "+ fine", "MB")
    book.add_decision(gone, NOON, "thrown away", "worn", "MB")
    return book


def tables(path):
    """Every row of every table, as SQLite gives it."""
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return {
            table: [dict(row) for row in connection.execute(f"SELECT * FROM {table} ORDER BY id")]
            for table in schema.TABLES
        }


def for_people(row):
    # A column of its own is made of the record's key; none of the fixture's reeds is so shut.
    more = {}
    if "record" in row:
        more = {"height_below_mm": json.loads(row["record"])["height_below_mm"]}
        more |= {"correction_mm": None, "correction": None}  # none of the fixture's heights is corrected
        # What the default settings say of the printed card: nobody measured anything.
        more |= {"ruler_mm": 50.0, "tip_offset_mm": None, "card": None}
    if "kept_sha256" in row:
        more = {"said_by_people": None}  # nobody said anything of the fixture's photos
    return {name: value for name, value in row.items() if name not in ONLY_IN_JSON} | more


def defused(value):
    """What the cell of a spreadsheet should hold: an apostrophe before each sign that would be run.

    Letter by letter, where the program has one pattern. Source of the signs, and that quotes and separators
    count too: OWASP, "CSV Injection" (from memory).
    """
    if not isinstance(value, str):
        return value
    return "".join("'" * would_run(value[:place], value[place:]) + one for place, one in enumerate(value))


NUMBER = re.compile(r"[+-]?\d+(\.\d+)?(e[+-]?\d+)?\s*")


def would_run(before, rest):
    """Whether a sign, the first of `rest`, begins a formula in a cell, whichever separator is chosen."""
    if not before:
        return rest.startswith(DANGEROUS)
    if rest[0] not in "=+-@":
        return False
    begun = before.rstrip(" \"'")
    if not begun:  # a spreadsheet takes quotes and blanks away
        return True
    if begun[-1] in ";|\t\r\n":  # a number may stand there
        return NUMBER.fullmatch(re.split(r"[;|\t\r\n\]]", rest)[0]) is None
    return before.rstrip("\"'")[-1] in ": " and rest[0] in "=@" and rest[1:2].strip() != ""


def read_csv(path):
    content = path.read_bytes()
    content.decode("ascii" if not content.startswith(codecs.BOM_UTF8) else "utf-8")
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def as_read(value):
    """A value as it comes back from a cell: a number to 15 figures, a line feed for a carriage return."""
    if isinstance(value, str):
        return value.replace("\r", "\n")
    return value if value is None else float(f"{value:.15g}")


def sheet_rows(sheet):
    headings, *rows = sheet.iter_rows(values_only=True)
    return [dict(zip(headings, row, strict=True)) for row in rows]


def test_the_files_and_nothing_else(filled, tmp_path):
    folder = tmp_path / "new" / "folder"
    paths = export(filled, folder)
    assert sorted(paths) == sorted(folder.iterdir())
    csv_files = {f"reed-book-{table}.csv" for table in schema.TABLES}
    assert {path.name for path in paths} == {
        "reed-book.xlsx",
        "reed-book.json",
        "reed-book-README.txt",
        *csv_files,
    }
    assert paths[-1].name == "reed-book-README.txt"
    notes = paths[-1].read_text(encoding="utf-8")
    assert all(name in notes for name in ONLY_IN_JSON)


@pytest.mark.parametrize("format", FORMATS)
def test_one_format_alone(filled, tmp_path, format):
    paths = export(filled, tmp_path / "out", {format})
    assert {path.suffix for path in paths} == {f".{format}", ".txt"}
    assert sorted(paths) == sorted((tmp_path / "out").iterdir())


def test_the_csv_files_say_what_the_tables_say(filled, tmp_path):
    export(filled, tmp_path / "out", {"csv"})
    for table, rows in tables(filled.path).items():
        found = read_csv(tmp_path / "out" / f"reed-book-{table}.csv")
        expected = [for_people(row) for row in rows]
        assert found == [
            {name: "" if value is None else str(defused(value)) for name, value in row.items()}
            for row in expected
        ]


def test_the_workbook_says_what_the_tables_say(filled, tmp_path):
    export(filled, tmp_path / "out", {"xlsx"})
    with closing(openpyxl.load_workbook(tmp_path / "out" / "reed-book.xlsx", read_only=True)) as workbook:
        assert workbook.sheetnames == ["reeds now", *schema.TABLES, "about"]
        for table, rows in tables(filled.path).items():
            found = sheet_rows(workbook[table])
            assert [{name: as_read(value) for name, value in row.items()} for row in found] == [
                {name: as_read(defused(value)) for name, value in for_people(row).items()} for row in rows
            ]


def test_no_cell_is_a_formula_or_a_link(filled, tmp_path):
    export(filled, tmp_path / "out")
    workbook = openpyxl.load_workbook(tmp_path / "out" / "reed-book.xlsx")
    cells = [cell for sheet in workbook for row in sheet.iter_rows() for cell in row]
    texts = {cell.value for cell in cells if cell.data_type in ("s", "inlineStr")}
    assert {"'=cmd|' /C calc'!A0", "'+1", "'-1", "'@x", "'=1+1", "007", "http://example.org"} <= texts
    assert not any(str(text).startswith(DANGEROUS) for text in texts)
    assert {cell.data_type for cell in cells} <= {"s", "inlineStr", "n"}
    assert not any(cell.hyperlink for cell in cells)
    # And so in the file itself, whatever openpyxl makes of it.
    with ZipFile(tmp_path / "out" / "reed-book.xlsx") as packed:
        sheets = [packed.read(name).decode() for name in packed.namelist() if "worksheets/sheet" in name]
    assert len(sheets) == len(schema.TABLES) + 2
    assert not any(re.search(r"<f[ >]|hyperlink", sheet) for sheet in sheets)
    for table in schema.TABLES:
        for row in read_csv(tmp_path / "out" / f"reed-book-{table}.csv"):
            for name, value in row.items():
                if value.startswith(DANGEROUS):
                    assert name == "pitch_cents"
                    assert float(value) == -12.5  # a number stays one


def test_json_has_everything_and_no_text_in_text(filled, tmp_path):
    export(filled, tmp_path / "out", {"json"})
    content = json.loads((tmp_path / "out" / "reed-book.json").read_text(encoding="ascii"))
    assert content["schema_version"] == schema.VERSION
    assert datetime.fromisoformat(content["exported_at"]).tzinfo is not None
    parsed = {"record", "outline_mm", "content", "tip_window"}
    for table, rows in tables(filled.path).items():
        assert content["tables"][table] == [
            {name: json.loads(value) if name in parsed and value else value for name, value in row.items()}
            for row in rows
        ]
    reading = content["tables"]["readings"][-1]
    assert "blurred" in reading["record"]["flags"]
    assert len(reading["outline_mm"][0]) == 2
    assert content["tables"]["settings_used"][0]["content"] == asdict(Settings())


def test_the_first_sheet_shows_the_reeds_that_are_here(filled, tmp_path):
    export(filled, tmp_path / "out", {"xlsx"})
    with closing(openpyxl.load_workbook(tmp_path / "out" / "reed-book.xlsx", read_only=True)) as workbook:
        second, first = sheet_rows(workbook.worksheets[0])
    # The fixture's ellipses are 7 mm wide and 0.8 mm (1.3 mm) high, so their axes have a ratio of 0.1143
    # (0.1857); the uncertainties are twice the standard ones that the fixture gives, 0.010 mm and 0.0015.
    assert (first["reed"], first["lot"], first["slot"], first["player"]) == (7, "26a", "A1", "T4")
    assert (first["dry class"], first["dry height in mm"]) == ("elliptical", "0.800 ± 0.020")
    assert first["dry ratio"] == "0.1143 ± 0.0030"
    assert (first["soaked class"], first["soaked height in mm"]) == (
        "elliptical, rather wide",
        "1.300 ± 0.020",
    )
    assert first["soaked ratio"] == "0.1857 ± 0.0030"
    assert re.fullmatch(r"2026-10-05 14:\d\d", first["dry photo taken"])
    assert (first["last decision"], first["decided at"]) == ("keep", "2026-10-05 12:00")
    assert (second["reed"], second["dry class"]) == (3, "elliptical, have a look")
    assert second["soaked class"] is None
    assert second["last decision"] is None


def test_a_refused_photo_does_not_hide_the_numbers_before_it(book, enter, refused, tmp_path):
    reed = book.add_reed(1)
    enter(book, reed, "dry", datetime(2026, 10, 1, 9, 0))
    later = book.add_photo("f" * 64, "later.jpg", NOON, NOON)
    book.add_filing(later, Filing(reed.id, "dry", Soaking(), None, None))
    book.add_reading(later, refused().record(), Settings(), 0.0, None)
    export(book, tmp_path / "out", {"xlsx"})
    with closing(openpyxl.load_workbook(tmp_path / "out" / "reed-book.xlsx", read_only=True)) as workbook:
        (row,) = sheet_rows(workbook.worksheets[0])
    assert row["dry photo taken"] == "2026-10-01 09:00"


def test_an_empty_book_has_headings(book, tmp_path):
    export(book, tmp_path / "out")
    with (tmp_path / "out" / "reed-book-lots.csv").open(newline="") as file:
        assert list(csv.reader(file)) == [["id", "code", "recorded_at"]]
    with closing(openpyxl.load_workbook(tmp_path / "out" / "reed-book.xlsx", read_only=True)) as workbook:
        assert [cell.value for cell in next(workbook["squeezes"].iter_rows())][:3] == [
            "id",
            "reed_id",
            "done_at",
        ]
    content = json.loads((tmp_path / "out" / "reed-book.json").read_text())
    assert content["tables"] == {table: [] for table in schema.TABLES}


def test_what_excel_cannot_hold(book, tmp_path, monkeypatch):
    """32,767 units of UTF-16 in a cell, no control codes; a table longer than a sheet goes on in another."""
    monkeypatch.setattr(exports, "_ROWS_PER_SHEET", 4)
    long = "芦" * 32_766
    names = [
        "x" * 32_767,
        "x" * 40_000,
        long + "𝄞",
        "a\x00b\x0bc\ufffed",
        "=" + "x" * 32_767,
        "_x0041_",
        " x ",
    ]
    for number, name in enumerate(names):
        book.add_photo(f"{number}" * 64, name, None, NOON)
    export(book, tmp_path / "out")
    with closing(openpyxl.load_workbook(tmp_path / "out" / "reed-book.xlsx", read_only=True)) as workbook:
        sheets = ["photos", "photos 2", "photos 3"]
        assert set(sheets) <= set(workbook.sheetnames)
        found = [row["name"] for sheet in sheets for row in sheet_rows(workbook[sheet])]
        assert [len(sheet_rows(workbook[sheet])) for sheet in sheets] == [3, 3, 1]
    # A name that looks like a code for a character is written with a code for its first one: ECMA-376-1,
    # 22.9.2.19 (ST_Xstring); openpyxl does not undo it.
    assert found == [
        "x" * 32_767,
        "x" * 32_766 + "…",
        long + "…",
        "a�b�c�d",
        "'=" + "x" * 32_764 + "…",
        "_x005F_x0041_",
        " x ",
    ]
    # Nothing of that holds for the others.
    content = json.loads((tmp_path / "out" / "reed-book.json").read_text())
    assert [row["name"] for row in content["tables"]["photos"]] == names
    assert [row["name"] for row in read_csv(tmp_path / "out" / "reed-book-photos.csv")] == [
        f"'{name}" if name.startswith("=") else name for name in names
    ]


@settings(max_examples=15, deadline=None)
@given(texts=st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=12), min_size=1, max_size=8))
@example(texts=['"=', " '@x", "a;=1+1", "a;-1", "at: =x", "a = b", "=x", "a-b"])
def test_any_text_comes_back(tmp_path_factory, texts):
    folder = tmp_path_factory.mktemp("any")
    with Book(folder / "book.db", create=True) as book:
        with book.writing():
            for number, text in enumerate(texts):
                book.add_photo(f"{number:064}", text, None, NOON)
        export(book, folder / "out")
    content = json.loads((folder / "out" / "reed-book.json").read_text())
    assert [row["name"] for row in content["tables"]["photos"]] == texts
    assert [row["name"] for row in read_csv(folder / "out" / "reed-book-photos.csv")] == [
        defused(text) for text in texts
    ]
    with closing(openpyxl.load_workbook(folder / "out" / "reed-book.xlsx", read_only=True)) as workbook:
        found = [row["name"] or "" for row in sheet_rows(workbook["photos"])]
    if not any(re.search("[\x00-\x1f\ufffe\uffff]|_x", text) for text in texts):
        assert found == [defused(text) for text in texts]
    assert not any(text.startswith(DANGEROUS) for text in found)


def test_an_export_shows_one_moment(filled, tmp_path, monkeypatch):
    """Rows that are added while the files are written are in none of them."""
    table = Book.table

    def adding(book, name):
        filled.add_lot(f"late{len(filled.lots())}", "post")
        return table(book, name)

    before = len(filled.lots())
    monkeypatch.setattr(Book, "table", adding)
    export(filled, tmp_path / "out")
    monkeypatch.undo()
    assert len(filled.lots()) > before
    content = json.loads((tmp_path / "out" / "reed-book.json").read_text())["tables"]
    assert len(content["lots"]) == len(content["lot_details"]) == before
    assert len(read_csv(tmp_path / "out" / "reed-book-lots.csv")) == before


def test_a_new_export_replaces_an_older_one_and_nothing_else(filled, tmp_path):
    mine = tmp_path / "README.txt"
    mine.write_text("mine")
    export(filled, tmp_path)
    filled.add_lot("27a", "post")
    export(filled, tmp_path)
    assert [row["code"] for row in read_csv(tmp_path / "reed-book-lots.csv")] == ["26a", "26b", "27a"]
    assert mine.read_text() == "mine"


def test_a_full_disk_leaves_the_older_export_whole(filled, tmp_path, monkeypatch):
    export(filled, tmp_path / "out")
    before = {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()}

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    filled.add_lot("27a", "post")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BookError, match="book-unwritable"):
        export(filled, tmp_path / "out")
    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == before


def test_a_workbook_that_cannot_be_written_is_said_in_words(filled, tmp_path, monkeypatch):
    from xlsxwriter import workbook

    def full(*_, **__):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(workbook, "ZipFile", full)
    with pytest.raises(BookError, match="book-unwritable"):
        export(filled, tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_folder_that_cannot_be_made_is_said_in_words(filled, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(BookError, match="book-unwritable"):
        export(filled, tmp_path / "file" / "out")
