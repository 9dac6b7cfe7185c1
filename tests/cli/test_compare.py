"""`aperture compare`, as it is typed, with books and settings of its own; no photo is measured here."""

import json
import tomllib
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from typer.testing import CliRunner

from aperture.book.store.ledger import Book
from aperture.cli.app import app
from tests.conftest import read_otherwise

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def run(tmp_path, monkeypatch):
    """run("readings.csv", …) types `aperture compare …` and returns what came, on one line."""
    monkeypatch.setenv("APERTURE_BOOK", str(tmp_path / "reeds.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)

    def run_one(*words, status=0):
        result = CliRunner().invoke(app, ["compare", *map(str, words)])
        assert result.exit_code == status, result.output
        return " ".join(result.output.split())

    return run_one


@pytest.fixture
def filled(tmp_path, enter):
    """A book of twelve soaked reeds; readings.csv has what somebody read, by so much higher."""

    def fill(higher_mm=0.05):
        with Book(tmp_path / "reeds.sqlite3", create=True) as book:
            (tmp_path / "readings.csv").write_text(read_otherwise(book, enter, higher_mm))
        return tmp_path / "readings.csv"

    return fill


def test_the_plain_sentence(run, filled):
    """Differences are 0.06 and 0.04 by turns: mean 0.050, standard deviation 0.01 * sqrt(12 / 11) = 0.0104,
    so that the upper limit is 0.050 + 1.96 * 0.0104 = 0.0705, which is less than 0.08."""
    words = run(filled())
    assert "Yours reads 0.050 mm higher than this program; for 19 of 20 reeds the two differ" in words
    assert "by less than 0.08 mm." in words
    assert "Nothing is corrected" in words


def test_lower_and_the_same(run, filled):
    assert "Yours reads 0.050 mm lower than this program" in run(filled(-0.05))


def test_no_difference_is_said_with_its_doubt(run, filled):
    words = run(filled(0.0))
    assert "On average yours and this program read the same, as far as 12 readings can tell" in words
    assert "cannot be told from 0" in words


def test_json_holds_the_same(run, filled):
    found = json.loads(run(filled(), "--json"))
    assert found["mean_difference_mm"]["estimate"] == pytest.approx(0.05, abs=1e-4)
    assert found["upper_limit_mm"]["estimate"] == pytest.approx(0.0705, abs=1e-4)
    assert len(found["readings"]) == 12
    assert found["correction_written"] is False
    assert found["line"]["slope"]["low"] < 1.0 < found["line"]["slope"]["high"]


def test_nothing_is_written_unless_asked(run, filled, tmp_path):
    run(filled())
    assert not (tmp_path / "config").exists()


def test_a_correction_is_written_when_asked_and_named(run, filled, tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("# mine\nworkers = 1\n")
    words = run(filled(), "--write", "--settings", path)
    assert "+0.050 mm on every height" in words
    assert "delete [correction]" in words
    text = path.read_text()
    assert text.startswith("# mine\n")
    values = tomllib.loads(text)
    assert values["workers"] == 1
    assert values["correction"]["offset_mm"] == pytest.approx(0.05, abs=1e-4)
    assert values["correction"]["u_offset_mm"] == pytest.approx(0.0104 / 12**0.5, abs=1e-4)
    assert "12 readings in readings.csv" in values["correction"]["source"]
    # What is compared the next time is what was measured, not what was corrected.
    assert "Yours reads 0.050 mm higher" in run("readings.csv", "--settings", path)


def test_readings_in_the_book_count_as_they_were_measured(run, filled, tmp_path):
    """Heights to which 0.03 mm were added before are compared without that: the same sentence comes."""
    before = run(filled())
    with Book(tmp_path / "reeds.sqlite3") as book:
        for history in book.histories():
            was = history.entries[0].reading
            correction = {"offset_mm": 0.03, "u_offset_mm": 0.01, "source": ""}
            record = {**was.record, "height_mm": was.record["height_mm"] + 0.03, "correction": correction}
            settings = book.settings_of(was)
            book.add_reading(history.entries[0].photo, record, settings, 0.001, was.outline_mm)
    assert run("readings.csv")[:90] == before[:90]


def test_what_may_not_be_corrected_is_said(run, filled, tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("")
    assert "cannot be told from 0" in run(filled(0.0), "--write", "--settings", path, status=3)
    assert path.read_text() == ""


def test_the_picture_is_svg_with_a_mark_for_each_reed_in_both_panels(run, filled, tmp_path):
    """Read back by Python's own XML parser; the places are those of the scales that the axes print."""
    run(filled(), "--plot", tmp_path / "plot.svg")
    root = ET.fromstring((tmp_path / "plot.svg").read_bytes())
    marks = root.findall(f".//{SVG}circle")
    titles = [mark.find(f"{SVG}title").text for mark in marks]
    assert len(marks) == 24
    assert sum(title.startswith("reed 3 soaked: yours") for title in titles) == 2
    width, height = float(root.get("width")), float(root.get("height"))
    assert all(0 < float(mark.get("cx")) < width and 0 < float(mark.get("cy")) < height for mark in marks)
    # Left: the differences go up and down by turns. Right: the higher the reed, the higher its mark.
    left, right = marks[:12], marks[12:]
    rises = np.diff([float(mark.get("cy")) for mark in left])
    assert (np.sign(rises[:-1]) == -np.sign(rises[1:])).all()
    assert (np.diff([float(mark.get("cy")) for mark in right]) < 0).all()
    assert (np.diff([float(mark.get("cx")) for mark in right]) > 0).all()


def test_reeds_that_a_person_corrected_and_unknown_ones_are_left_out(run, filled, tmp_path):
    path = filled()
    path.write_text(path.read_text() + "\n77,dry,0.8\n1,dry,0.5\n")
    with Book(tmp_path / "reeds.sqlite3") as book:
        for number, higher_mm, shape in ((2, 0.1, "elliptical"), (2, 0.1, "round"), (3, 0.0, "round")):
            entry = book.history(book.reed(number)).entries[0]
            was = entry.readings[0]
            record = {**was.record, "shape": shape, "review": False}
            drawn = [[x, y + higher_mm] for x, y in was.outline_mm]
            book.add_reading(entry.photo, record, book.settings_of(was), 0.001, drawn, "person", "MB")
    words = run(path)
    assert "reed 77 dry: the book has no reed 77" in words
    assert "reed 1 dry: the book has no photo of reed 1 dry" in words
    assert "reed 2 soaked: a person drew its outline again" in words
    assert "reed 3" not in words  # the outline was found right, and with it the height
    assert "this program, 11 readings" in words
    assert "this program, 12 readings" in run(path, "--include-reviewed")


def test_classes(run, filled, tmp_path):
    filled()
    seconds = ["elliptical"] * 9 + ["round"] * 3
    rows = [f"{number},soaked,elliptical,{second}" for number, second in enumerate(seconds, start=1)]
    path = tmp_path / "classes.csv"
    path.write_text("\n".join(["reed,state,class_1,class_2", *rows]))
    words = run(path)
    assert "Person 1 and person 2 gave the same class to 9 of 12 reeds; kappa 0.00" in words
    assert "Person 1 and this program gave the same class" in words
    assert "not of classes" in run(path, "--plot", "x.svg", status=2)
    found = json.loads(run(path, "--json"))
    assert found["kappa"]["agreed"] == 9
    assert found["mean_difference_mm"] is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n1,2\n", "needs the columns reed, state"),
        ("reed,state,reading_mm\n1,soaked,0.5\n", "1 reading pairs up, and it takes 2"),
        ("reed,state,reading_mm\n1,soaked,high\n", "is no number"),
        ("reed,state,reading_mm\n1,soaked,0,5\n", "semicolons"),
        ("reed,state,reading_mm\n88,soaked,0.5\n89,dry,0.5\n", "the book has no reed 88"),
    ],
)
def test_bad_input_gets_words(run, filled, tmp_path, text, words):
    filled()
    path = tmp_path / "bad.csv"
    path.write_text(text)
    # The terminal may break a line anywhere between words.
    assert words in run(path, status=2)


def test_no_book_no_file_no_place_for_the_picture(run, filled, tmp_path):
    path = tmp_path / "two.csv"
    path.write_text("reed,state,reading_mm\n1,soaked,0.5\n2,soaked,0.6\n")
    assert "There is no reed book there." in run(path, status=2)
    filled()
    assert "cannot be read" in run("none.csv", status=2)
    assert "no file can be written" in run(path, "--plot", "nowhere/x.svg", status=2)
    (tmp_path / "empty").mkdir()
    assert "there is no photo" in run(path, tmp_path / "empty", status=2)
    assert "not both" in run(path, tmp_path / "empty", "--book", tmp_path / "reeds.sqlite3", status=2)
