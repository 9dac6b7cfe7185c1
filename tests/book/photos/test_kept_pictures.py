"""Pictures that a book keeps are no new photos, wherever a folder with them is taken in or measured.

They are known by their content: hashes are computed here again with hashlib.
"""

import hashlib
import shutil

import pytest
from typer.testing import CliRunner

from aperture.batch import measuring
from aperture.book.photos import intake
from aperture.book.photos.pictures import is_kept_copy, kept_among
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from aperture.cli.app import app
from aperture.measure import measure
from tests.book.photos.test_intake import picture, pretend
from tests.breaking.disks import PHOTO
from tests.conftest import _measured

COMMENT = b"whose phone it is"
TOLD = "Left out {} that a reed book keeps."


def from_a_phone(path, seed):
    """A photo with something private beside the picture: a comment (ITU-T T.81, B.2.4.5)."""
    content = picture(path, seed).read_bytes()
    path.write_bytes(
        content[:2] + b"\xff\xfe" + (len(COMMENT) + 2).to_bytes(2, "big") + COMMENT + content[2:]
    )
    return path


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A folder with two photos, a book beside them that has them, and a tip that it keeps."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setattr(intake, "measure_or_fail", pretend)
    home = tmp_path / "home"
    for seed, name in enumerate(("R01_dry.jpg", "R02_dry.jpg")):
        from_a_phone(home / name, seed)
    run("intake", home, "--book", home / "reeds.db", "--workers", 1)
    content = picture(tmp_path / "tip.jpg", 99).read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    sha = hashlib.sha256((home / "R01_dry.jpg").read_bytes()).hexdigest()
    (pictures_folder(home / "reeds.db") / sha[:2] / f"{sha}-{digest[:8]}-tip.jpg").write_bytes(content)

    def measured(path, settings, reed=None, state=None, **more):
        return _measured(path, sha256=hashlib.sha256(path.read_bytes()).hexdigest())

    monkeypatch.setattr(measuring, "measure_or_fail", measured)
    monkeypatch.setattr(measuring, "refused_at_a_glance", lambda photo: False)
    return home


def run(*words, status=0):
    result = CliRunner().invoke(app, [*map(str, words)])
    assert result.exit_code == status, result.output
    return " ".join(result.output.split())


def kept_in(folder):
    return {path for path in folder.rglob("*.jpg") if path.parent.parent.name.endswith("pictures")}


def test_a_photo_is_kept_under_another_hash_than_its_own(home):
    """So a kept photo is not known by having the hash that it is called by."""
    for path in kept_in(home):
        if not path.stem.endswith("-tip"):
            assert hashlib.sha256(path.read_bytes()).hexdigest() != path.stem
    assert len(kept_in(home)) == 3


def test_measuring_a_folder_leaves_them_out_and_says_so_once(home):
    said = run("measure", home, "--workers", 1)
    assert said.count(TOLD.format("3 pictures")) == 1
    assert "R02_dry.jpg" in said
    assert run("measure", home, "--workers", 1, "--json").count('"photo":') == 2
    # Who names one means it.
    one = sorted(kept_in(home))[0]
    assert "Left out" not in run("measure", one, "--workers", 1)


def test_so_does_an_intake_into_another_book(home, tmp_path):
    said = run("intake", home, "--book", tmp_path / "other.db", "--workers", 1)
    assert said.count(TOLD.format("3 pictures")) == 1
    assert "2 photos: 2 taken in." in said


def test_a_photo_with_nothing_private_is_kept_as_it_is_and_never_doubled(home):
    """Its copy is the photo itself, so the book knows it; in the folder of a book it is left out, too."""
    picture(home / "R03_dry.jpg", 3)
    words = ("intake", home, "--book", home / "reeds.db", "--workers", 1)
    assert "3 photos: 1 taken in, 2 already there." in run(*words)
    said = run(*words)
    assert TOLD.format("4 pictures") in said
    assert "3 photos: 3 already there." in said
    copies = home.parent / "copies"
    shutil.copytree(pictures_folder(home / "reeds.db"), copies)
    assert "1 photo: 1 already there." in run("intake", copies, *words[2:])


def test_a_copy_of_the_folder_is_known_without_its_book(home, tmp_path):
    copy = tmp_path / "stick" / "pictures"
    shutil.copytree(pictures_folder(home / "reeds.db"), copy)
    assert kept_among(copy.rglob("*.jpg")) == {*copy.rglob("*.jpg")}
    said = run("intake", copy.parent, "--book", tmp_path / "other.db", "--workers", 1, status=2)
    assert TOLD.format("3 pictures") in said
    assert "there is no photo" in said


def test_an_archive_that_names_photos_by_their_content_is_taken(home, tmp_path):
    """Its files lie and are called as kept ones; they are photos as they came from the phone."""
    for seed, make in ((11, picture), (12, from_a_phone)):
        photo = make(tmp_path / "new.jpg", seed)
        sha = hashlib.sha256(photo.read_bytes()).hexdigest()
        place = tmp_path / "my-pictures" / sha[:2] / f"{sha}.jpg"
        place.parent.mkdir(parents=True)
        photo.rename(place)
    said = run("intake", tmp_path / "my-pictures", "--book", tmp_path / "other.db", "--workers", 1, status=3)
    assert "Left out" not in said
    assert "2 photos: 2 to review." in said
    assert "Left out" not in run("measure", tmp_path / "my-pictures", "--workers", 1)


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (("repeat", "{home}"), 0),
        (("compare", "{home}/readings.csv", "{home}"), 2),  # too few
        (("limits", "{home}/round"), 3),  # too few, too
    ],
)
def test_the_studies_leave_them_out(home, words, status):
    (home / "readings.csv").write_text("reed,state,reading_mm\n1,dry,0.8\n")
    shutil.copytree(pictures_folder(home / "reeds.db"), home / "round" / "pictures")
    picture(home / "round" / "one.jpg", 9)
    said = run(*(word.format(home=home) for word in words), "--workers", 1, status=status)
    assert said.count("that a reed book keeps.") == 1


def test_what_cannot_be_read_is_not_left_out_in_silence(home):
    gone = home / "x-pictures" / "ab" / ("ab" * 32 + ".jpg")
    assert kept_among([gone]) == set()
    gone.parent.mkdir(parents=True)
    gone.touch()
    assert kept_among([gone]) == set()


def test_a_real_photo_and_what_is_kept_of_it(tmp_path, monkeypatch):
    """Measured and kept in earnest: both, the photo and its tip, are known again."""
    with Book(tmp_path / "reeds.db", create=True) as book:
        (arrival,) = intake.take_in(book, [PHOTO], measure_settings())
        files = [*book.pictures.rglob("*.jpg")]
    assert arrival.measurement.outcome == measure(PHOTO).outcome == "measured"
    assert len(files) == 2
    for file in files:
        assert is_kept_copy(file, hashlib.sha256(file.read_bytes()).hexdigest())
        assert not is_kept_copy(file, arrival.sha256)


def measure_settings():
    from tests.book.photos.test_intake import ALONE

    return ALONE
