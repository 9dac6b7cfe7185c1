"""Photos that are called like the pictures that the program draws: passed over, but not in silence."""

import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from aperture.batch.photo_files import called_like_drawings, photos_in
from aperture.cli.app import app
from aperture.present.own_pictures import marked

BLURRED = Path(__file__).parents[2] / "fixtures" / "photos" / "shaken.jpg"


@pytest.fixture
def box(tmp_path):
    """A folder with a photo, one that is called like a drawing in a folder in it, and a drawing."""
    folder = tmp_path / "box"
    (folder / "soaked").mkdir(parents=True)
    shutil.copy(BLURRED, folder / "R07_soaked.jpg")
    shutil.copy(BLURRED, folder / "soaked" / "R07_dry-soaked.jpg")
    (folder / "R08_annotated.jpg").write_bytes(marked(BLURRED.read_bytes()))
    (folder / ".R09_annotated.jpg").write_bytes(b"hidden")
    (folder / "notes_annotated.txt").write_text("no picture")
    return folder


def test_they_are_listed_by_their_names(box):
    assert [path.name for path in called_like_drawings([box, box / "R07_soaked.jpg"])] == [
        "R08_annotated.jpg",
        "R07_dry-soaked.jpg",
    ]
    assert [path.name for path in photos_in([box])] == ["R07_soaked.jpg"]


@pytest.mark.parametrize("command", ["measure", "intake"])
def test_a_photo_that_is_called_so_is_said_and_a_drawing_is_not(box, command, tmp_path):
    book = ["--book", str(tmp_path / "reeds.sqlite3")] if command == "intake" else []
    result = CliRunner().invoke(app, [command, str(box), *book])
    said = " ".join(result.stderr.split())
    assert "Passed over" in said
    assert "R07_dry-soaked.jpg: names that end in _annotated or _dry-soaked are those of the pictures" in said
    assert "give it another name" in said
    assert "R08_annotated" not in said


def test_whoever_names_it_means_it(box):
    named = box / "soaked" / "R07_dry-soaked.jpg"
    result = CliRunner().invoke(app, ["measure", str(named)])
    assert "Passed over" not in result.stderr
    assert "R07_dry-soaked.jpg" in result.stdout
