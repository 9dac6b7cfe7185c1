"""What the book knows of the printed card, and what is typed: the options win, and which counts is said."""

import pytest
from typer.testing import CliRunner

from aperture.book.photos import intake
from aperture.book.store.ledger import Book
from aperture.cli.app import app
from aperture.scale import Scale
from tests.accuracy.gauge import COMMITTED, gauge_photos
from tests.book.photos.test_intake import picture, pretend

GAUGE = gauge_photos([COMMITTED])[0]


@pytest.fixture
def book_file(tmp_path, monkeypatch):
    """A book in which somebody measured the bar of card A."""
    path = tmp_path / "reeds.sqlite3"
    monkeypatch.setenv("APERTURE_BOOK", str(path))
    monkeypatch.setattr(intake, "measure_or_fail", pretend)
    with Book(path, create=True) as book:
        book.add_card("A", 48.5)
    return path


def take(path, *options):
    """What `aperture intake` says, and what then counts for the photo."""
    photo = picture(path.parent / "R1_dry.jpg", 1)
    result = CliRunner().invoke(app, ["intake", str(photo), "--workers", "1", *options])
    assert result.exit_code == 0, result.output
    with Book(path) as book:
        (known,) = book.photos()
        return " ".join(result.stderr.split()), book.entry(known).reading.scale


@pytest.mark.parametrize(
    ("options", "scale", "said"),
    [
        ((), Scale(48.5, None, "A"), "measures 48.5 mm (card A), the tip’s place was not measured."),
        (
            ("--ruler", "49"),
            Scale(49.0),
            "taken as 49 mm, the tip’s place was not measured. The options count",
        ),
        (
            ("--tip-offset", "0"),
            Scale(48.5, 0.0, "A"),
            "(card A), the tip level with the card’s face. The opt",
        ),
    ],
)
def test_intake_says_what_counts(book_file, options, scale, said):
    words, counts = take(book_file, *options)
    assert counts == scale
    assert "Printed scale: the 50 mm bar" in words
    assert said in words
    assert ("not what the book says of card A since 20" in words) == bool(options)


def test_without_an_answer_nothing_is_said_and_the_settings_count(tmp_path, monkeypatch):
    path = tmp_path / "other.sqlite3"
    monkeypatch.setenv("APERTURE_BOOK", str(path))
    monkeypatch.setattr(intake, "measure_or_fail", pretend)
    assert take(path) == ("", Scale(50.0))


def test_a_reed_s_photos_name_their_scale(book_file):
    take(book_file)
    result = CliRunner().invoke(app, ["reed", "1"])
    assert "Printed scale: the 50 mm bar measures 48.5 mm (card A)" in " ".join(result.output.split())


def test_a_gauge_counts_with_the_book_s_card(book_file):
    ask = ["gauge", str(GAUGE.path), "--sheets", str(GAUGE.sheets), "--ream", str(GAUGE.ream_mm)]
    result = CliRunner().invoke(app, ask)
    assert "measures 48.5 mm (card A)" in " ".join(result.stderr.split())
    CliRunner().invoke(app, [*ask, "--ruler", "50"])
    with Book(book_file) as book:
        assert [check.told[0] for check in book.gauge_checks()] == [48.5, 50.0]
