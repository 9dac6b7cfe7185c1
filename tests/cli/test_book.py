"""The reed book's commands, as they are typed; no photo is measured here."""

import os
import shutil
import signal
import stat
import subprocess
import sys
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from rich.console import Console
from rich.text import Text
from typer.testing import CliRunner

from aperture.book.photos import intake
from aperture.book.store import event_tables
from aperture.book.store.ledger import Book
from aperture.cli.app import app
from aperture.present.screen import bare_table, show_rows
from tests.book.photos.test_intake import box, picture, pretend

DRY = Path(__file__).parents[2] / "fixtures" / "photos" / "reed-tag.jpg"  # reed 12, dry
ROUND = {"height_mm": 2.1, "width_mm": 6.4}


@pytest.fixture
def run(tmp_path, monkeypatch):
    """run("reeds") types `aperture reeds` with a book of its own and returns what came."""
    monkeypatch.setenv("APERTURE_BOOK", str(tmp_path / "reeds.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(intake, "measure_or_fail", pretend)

    def run_one(*words, status=0):
        result = CliRunner().invoke(app, [*map(str, words)])
        assert result.exit_code == status, result.output
        return " ".join(result.output.split())

    return run_one


@pytest.fixture
def book_file(tmp_path):
    return tmp_path / "reeds.sqlite3"


def test_a_lot_from_the_post_to_the_return_sheet(run, tmp_path, book_file, enter):
    run("enter", "lot", "26a", "--source", "north", "--price", "20", "--ordered", "2026-09-14")
    box(tmp_path / "box", 3)
    words = run("intake", tmp_path / "box", "--lot", "26a", "--workers", "1")
    assert "6 photos: 6 taken in." in words
    assert "6 photos: 6 already there." in run("intake", tmp_path / "box", "--workers", "1")
    assert "Reeds 1, 2, 3: Go on to the checks by hand" in run("due")
    for reed in (1, 2):
        run("enter", "check", reed, "--no-leak", "--no-wire", "--no-film-wrap", "--no-chip", "--no-crack")
        assert "keep, as advised" in run("enter", "decision", reed, "keep", "--by", "MB")
    run("enter", "check", 3, "--leak", "--by", "MB")
    assert "leak" in run("reed", 3)
    # Against the advice it takes a reason.
    assert "--reason" in run("enter", "decision", 3, "keep", "--by", "MB", status=2)
    run("enter", "decision", 3, "send back", "--by", "MB")
    lots = run("lots")
    # 2 of 3: Wilson's interval is 21 to 94 % (statsmodels 0.15, proportion_confint).
    assert "2 of 3 67 % (21 to 94) 30.00" in lots
    assert "1 × leak" in lots
    assert "Order" in run("order", "--need", "12", "--sure", "90", "--source", "north")
    assert "Wrote return-sheet-26a.pdf" in run("return-sheet", "26a")
    assert (tmp_path / "return-sheet-26a.pdf").read_bytes().startswith(b"%PDF")
    run("enter", "decision", 3, "sent back", "--by", "MB")
    assert "3 26a" not in run("reeds")
    assert "3 26a" in run("reeds", "--all")


def test_a_squeeze_is_asked_for_and_judged(run, book_file, enter):
    with Book(book_file, create=True) as book:
        reed = book.add_reed(7)
        enter(book, reed, "dry", datetime(2026, 10, 5, 14, 0), **ROUND)
        enter(book, reed, "soaked", datetime(2026, 10, 5, 14, 30), **ROUND)
    assert "Squeeze" in run("due")
    said = run("enter", "squeeze", 7, "--at", "2026-10-05T14:31")
    assert "dry reed cracks" in said
    assert "Photograph" in run("due")
    with Book(book_file) as book:
        enter(book, reed, "soaked", datetime(2026, 10, 5, 14, 33), height_mm=0.8)
    assert "flatter" in run("reed", 7)
    assert "Check by hand" in run("due")


def test_a_photo_that_was_not_assigned_is_filed_by_hand(run, tmp_path):
    picture(tmp_path / "box" / "IMG_1.jpg", 1)
    words = run("intake", tmp_path / "box", "--workers", "1", status=3)
    assert "aperture enter filing IMG_1.jpg" in words
    assert "IMG_1.jpg" in run("due")
    run("enter", "filing", "IMG_1.jpg", "--reed", "4", "--state", "soaked", "--seconds", "45", "--by", "MB")
    assert "45 s" in run("reed", 4)
    assert "IMG_1.jpg" not in run("due")


def test_backup_and_restore_and_verify(run, tmp_path, book_file):
    box(tmp_path / "box", 1)
    run("intake", tmp_path / "box", "--workers", "1")
    run("backup", "--out", "kept.zip")
    run("enter", "reed", 99)
    assert "Restored" in run("restore", "kept.zip")
    assert "99" not in run("reeds")
    assert "Nothing is lost" in run("verify")
    next((tmp_path / "reeds.sqlite3-pictures").glob("*/*[0-9a-f].jpg")).unlink()
    assert "missing" in run("verify", status=3)


def test_export_writes_every_kind(run, tmp_path):
    box(tmp_path / "box", 1)
    run("intake", tmp_path / "box", "--workers", "1")
    run("export", "--out", "out")
    endings = {path.suffix for path in (tmp_path / "out").iterdir()}
    assert {".csv", ".xlsx", ".json"} <= endings
    run("export", "--out", "json", "--kind", "json")
    assert {path.suffix for path in (tmp_path / "json").iterdir()} >= {".json"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("reeds",), "There is no reed book there"),
        (("due",), "There is no reed book there"),
        (("lots", "--book", "none.sqlite3"), "none.sqlite3"),
        (("restore", "none.zip"), "none.zip"),
        (("intake", "nowhere-at-all", "--lot", "26a"), "lot 26a"),
        (("enter", "lot", "my lot", "--source", "north"), "short code"),
        (("enter", "reed", "0"), "Invalid value for 'REED'"),
        (("enter", "reed", "7", "--player", "Anna Example"), "not a name"),
    ],
)
def test_what_cannot_be_is_said_in_words(run, words, said):
    assert said in run(*words, status=2)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("reed", "99"), "reed 99"),
        (("return-sheet", "26z"), "lot 26z"),
        (("return-sheet", "26a"), "was to go back"),
        (("order", "--need", "0"), "--need"),
        (("order", "--need", "12", "--sure", "100"), "--sure"),
        (("order", "--need", "12", "--source", "moon"), "source moon"),
        (("enter", "check", "1"), "say what was found"),
        (("enter", "decision", "1", "burn", "--by", "MB"), "burn"),
        (("enter", "squeeze", "1", "--before", "none.jpg"), "none.jpg"),
        (("enter", "filing", "none.jpg", "--reed", "1"), "none.jpg"),
    ],
)
def test_what_the_book_does_not_have_is_said_in_words(run, words, said):
    run("enter", "lot", "26a", "--source", "north")
    run("enter", "reed", "1", "--lot", "26a")
    assert said in run(*words, status=2)


def test_an_empty_book_says_so(run):
    run("enter", "lot", "26a", "--source", "north")
    assert "no reeds in the book yet" in run("reeds")
    assert "Nothing is due" in run("due")
    assert "No reed of this source has been judged yet" in run("order", "--need", "12", "--source", "north")


def test_a_folder_without_photos_is_no_success(run, tmp_path):
    (tmp_path / "empty").mkdir()
    assert "there is no photo" in run("intake", tmp_path / "empty", status=2)


def test_ctrl_c_keeps_what_was_taken_in_and_the_next_run_takes_the_rest(run, tmp_path, monkeypatch):
    def interrupted_at_the_third(path, *arguments, **options):
        if path.name.startswith("R02_dry"):
            raise KeyboardInterrupt
        return pretend(path, *arguments, **options)

    box(tmp_path / "box", 2)
    monkeypatch.setattr(intake, "measure_or_fail", interrupted_at_the_third)
    words = run("intake", tmp_path / "box", "--workers", "1", status=130)
    assert "2 photos: 2 taken in." in words
    assert "Stopped: 2 of 4 photos. Run it again for the rest." in words
    monkeypatch.setattr(intake, "measure_or_fail", pretend)
    assert "4 photos: 2 taken in, 2 already there." in run("intake", tmp_path / "box", "--workers", "1")


def test_refused_photos_are_in_the_exit_status(run, tmp_path, monkeypatch, refused):
    photo = picture(tmp_path / "R01_dry.jpg", 1)
    monkeypatch.setattr(
        intake, "measure_or_fail", partial(_refuse, refused=refused, sha=pretend(photo, None).sha256)
    )
    assert "take these again" in run("intake", photo, status=3)
    assert "Photograph" in run("due")


def _refuse(path, settings, reed=None, state=None, name=None, photo=None, *, refused, sha):
    return refused(path, "too-blurred", 1, "dry", sha256=sha)


@pytest.mark.parametrize("words", [["reeds"], ["due"], ["reed", "7"], ["enter", "reed", "7"]])
def test_what_only_reads_the_book_waits_for_nothing_that_measures(run, book_file, enter, words, tmp_path):
    run("enter", "lot", "26a", "--source", "north")
    with Book(book_file) as book:
        reed = book.add_reed(7, "26a")
        enter(book, reed, "dry")
        enter(book, reed, "soaked", **ROUND)
    heavy = {"cv2", "numpy", "scipy", "skimage", "PIL", "pydantic", "sqlite_utils", "reportlab", "joblib"}
    ending = f"import sys; print('imported', *sorted({heavy} & set(sys.modules)))"
    # Some versions of typer check every option with pydantic: what it imports by itself is not ours.
    bare = (
        "import typer; from pathlib import Path; app = typer.Typer()\n"
        "@app.command()\ndef one(book: Path | None = None): pass\n"
        f"app([], standalone_mode=False); {ending}"
    )
    ours = f"from aperture.cli.app import app; app({words}, standalone_mode=False); {ending}"
    environment = {**os.environ, "XDG_CONFIG_HOME": str(tmp_path / "no settings")}
    imported = []
    for code in (bare, ours):
        done = subprocess.run(
            [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
        )
        imported.append(set(done.stdout.splitlines()[-1].split()))
    assert imported[1] <= imported[0]


@pytest.mark.parametrize("width", [60, 28, 27])
def test_a_long_table_looks_as_rich_would_have_it(width):
    """Reference: rich's own table; but for spaces at the ends of lines, which nobody sees."""
    rows = [("reed", "slot", "decided"), ("7", "A3 [x]", "send back"), ("12", "\u4e0a\u6bb5\u4e00", "\u2013")]
    table = bare_table()
    for heading in rows[0]:
        table.add_column(heading, overflow="fold")
    for row in rows[1:]:
        table.add_row(*map(Text, row))
    seen = []
    for show in (lambda console: show_rows(console, rows), lambda console: console.print(table)):
        console = Console(width=width, highlight=False, force_terminal=True, color_system=None)
        with console.capture() as captured:
            show(console)
        seen.append([line.rstrip() for line in captured.get().splitlines()])
    assert seen[0] == seen[1]
    assert len(seen[0]) == 3 if width >= 28 else len(seen[0]) >= 3


def test_a_long_table_in_a_narrow_window_breaks_no_word():
    """Where rich would break the slot in two, the columns stand closer together."""
    rows = [("reed", "slot", "decided"), ("7", "A3 [x]", "send back"), ("12", "上段一", "–")]
    console = Console(width=20, highlight=False, force_terminal=True, color_system=None)
    with console.capture() as captured:
        show_rows(console, rows)
    assert [line.split() for line in captured.get().splitlines()] == [
        ["reed", "slot", "decided"],
        ["7", "A3", "[x]", "send"],
        ["back"],
        ["12", "上段一", "–"],
    ]


def test_more_reeds_than_any_school_needs_are_refused(tmp_path):
    """For a hundred million all outcomes would be added up: minutes, and gigabytes."""
    Book(tmp_path / "reeds.sqlite3", create=True).close()
    words = ["order", "--need", "100000000", "--book", str(tmp_path / "reeds.sqlite3")]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 2
    assert "1<=x<=1000" in result.output


@pytest.mark.parametrize("path", ["", ".", "..", "/"])
@pytest.mark.parametrize("words", [("reeds",), ("verify",), ("enter", "reed", "1"), ("restore", "a.zip")])
def test_a_folder_as_the_book_is_said_in_words(run, words, path):
    said = run(*words, "--book", path, status=2)
    assert "is a folder" in said
    assert "fault" not in said


def test_a_copy_of_the_books_own_pictures_is_no_new_photo(run, tmp_path):
    box(tmp_path, 1)
    assert "2 photos: 2 taken in." in run("intake", tmp_path, "--workers", "1")
    again = run("intake", tmp_path, "--workers", "1")
    assert again.count("Left out 2 pictures that a reed book keeps.") == 1
    assert "2 photos: 2 already there." in again


def test_a_photo_from_the_year_9999_holds_nobody_up(run, tmp_path, book_file):
    picture(tmp_path / "photos" / "R01_dry.jpg", 1, "9999:12:31 23:59:59")
    run("intake", tmp_path / "photos", "--workers", "1")
    with Book(book_file) as book:
        assert [photo.taken for photo in book.photos()] == [None]
    run("enter", "check", 1, "--no-leak")


def test_a_book_that_has_the_year_9999_already_takes_entries(run, enter, book_file, monkeypatch):
    with monkeypatch.context() as earlier, Book(book_file, create=True) as book:
        earlier.setattr(event_tables, "is_sensible", lambda moment: True)  # earlier versions took any
        book.add_squeeze(book.add_reed(1), datetime.max)
    run("enter", "check", 1, "--no-leak")
    with Book(book_file) as book:
        # After the squeeze, which counts as of when it was entered: at most a second ago.
        assert book.history(book.reed(1)).checks[-1].done_at <= datetime.now() + timedelta(seconds=1)


@pytest.mark.parametrize("at", ["9999-12-31", "1994-12-31", "2126-01-01T10:00"])
@pytest.mark.parametrize(
    "words", [("check", 1, "--leak"), ("squeeze", 1), ("decision", 1, "keep", "--by", "T")]
)
def test_a_time_that_cannot_be_is_refused(run, book_file, words, at):
    with Book(book_file, create=True) as book:
        book.add_reed(1)
    assert "is not between 1995 and tomorrow" in run("enter", *words, "--at", at, status=2)


@pytest.mark.skipif(os.name != "posix", reason="permissions of Windows are others")
def test_book_pictures_and_backups_are_their_owners_alone(run, tmp_path, book_file):
    """Source: POSIX.1-2017, chmod: S_IRWXG and S_IRWXO are what group and others may."""
    before = os.umask(0o022)
    try:
        box(tmp_path / "box", 1)
        run("intake", tmp_path / "box", "--workers", "1")
        run("backup", "--out", tmp_path / "kept.zip")
        run("restore", tmp_path / "kept.zip")
    finally:
        os.umask(before)
    mine = [path for path in tmp_path.iterdir() if path.name.startswith(("reeds", "kept"))]
    assert {path.suffix for path in mine} >= {".sqlite3-pictures", ".zip", ".sqlite3"}
    for path in mine:
        if not path.name.endswith(".lock"):  # empty
            assert path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO) == 0, path.name


def test_the_summary_of_an_intake_counts_by_outcome(run, tmp_path, monkeypatch, refused):
    """And says of each that is not simply taken in why, and what to do."""

    def one_refused(path, *args, **more):
        made = pretend(path, *args, **more)
        return refused(path, "too-far", 1, "dry", sha256=made.sha256) if "R01" in path.name else made

    monkeypatch.setattr(intake, "measure_or_fail", one_refused)
    for seed, name in enumerate(("R01_dry.jpg", "R02_dry.jpg", "IMG_1.jpg")):
        picture(tmp_path / "box" / name, seed)
    (tmp_path / "box" / "spoilt.jpg").write_bytes(b"no photo")
    monkeypatch.setattr(
        intake,
        "measure_or_fail",
        lambda path, *a, **m: (
            one_refused(path, *a, **m) if path.name != "spoilt.jpg" else refused(path, "not-a-photo")
        ),
    )
    words = run("intake", tmp_path / "box", "--workers", "1", status=3)
    assert "4 photos: 1 taken in, 1 to review, 1 to take again, 1 refused." in words
    assert "take these again R01_dry.jpg: The card is too small in the picture. Move the phone" in words
    assert "spoilt.jpg: This is not a photo" in words
    assert "IMG_1.jpg" in words.split("To review")[1].split("Refused")[0]


class Watching:
    """`aperture intake FOLDER --watch` as a program of its own; what it says, line by line."""

    def __init__(self, folder, book_file, *words):
        # A test run in the background inherits that Ctrl-C is not heard; at a terminal it is.
        hears = (
            "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
            " from aperture.__main__ import main; main()"
        )
        command = [sys.executable, "-u", "-c", hears, "intake", folder, "--watch", "--book", book_file]
        self.process = subprocess.Popen(
            [*map(str, command), *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )

    def wait_for(self, words):
        said = []
        for line in self.process.stdout:
            said.append(line)
            if words in line:
                return line
        raise AssertionError("".join(said))

    def end(self):
        """The rest of what it says, and its exit status."""
        said, _ = self.process.communicate(timeout=60)
        return " ".join(said.split()), self.process.returncode


@pytest.mark.skipif(os.name != "posix", reason="on Windows Ctrl-C cannot be sent to one program alone")
def test_a_watched_folder_is_taken_in_as_photos_come_until_ctrl_c(tmp_path, book_file):
    """One photo was there, one is renamed into place, one is nobody's reed but a picture without a card."""
    folder = tmp_path / "phone"
    folder.mkdir()
    shutil.copy(DRY, folder / "IMG_1.jpg")
    watching = Watching(folder, book_file)
    watching.wait_for("Watching")
    assert watching.wait_for("IMG_1.jpg") == "IMG_1.jpg: taken in, reed 12, dry\n"
    picture(tmp_path / "x.jpg", 1).rename(folder / "family.jpg")
    assert "family.jpg: refused. The scale card was not found." in watching.wait_for("family.jpg")
    watching.process.send_signal(signal.SIGINT)
    said, status = watching.end()
    assert "2 photos: 1 taken in, 1 refused." in said
    assert "Traceback" not in said
    assert status == 3
    with Book(book_file) as book:
        assert [photo.name for photo in book.photos()] == ["IMG_1.jpg"]


def test_a_watched_folder_that_vanishes_ends_it_in_words(tmp_path, book_file):
    folder = tmp_path / "phone"
    folder.mkdir()
    watching = Watching(folder, book_file)
    watching.wait_for("Watching")
    shutil.rmtree(folder)
    said, status = watching.end()
    assert said.startswith("No photo came. aperture: The folder that is to be watched is not there.")
    assert str(folder) in said
    assert status == 3


def test_only_one_folder_is_watched_and_a_lot_must_be_there(run, tmp_path):
    box(tmp_path / "box", 1)
    assert "name one folder" in run("intake", tmp_path / "box", tmp_path, "--watch", status=2)
    assert "name one folder" in run("intake", tmp_path / "box" / "R01_dry.jpg", "--watch", status=2)
    assert "name one folder" in run("intake", tmp_path / "none", "--watch", status=2)
    assert "lot 26z" in run("intake", tmp_path / "box", "--watch", "--lot", "26z", status=2)
