"""Photos behind addresses (s3://bucket/photo.jpg) that fsspec reads, here out of this process's memory."""

import builtins
import hashlib
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from aperture.batch.measuring import measure_all
from aperture.batch.photo_files import photos_at, photos_in
from aperture.cli.app import app
from aperture.errors import PhotoError
from aperture.identity import identify
from aperture.photo import content as photo_module
from aperture.photo import read_photo
from aperture.settings import Settings

fsspec = pytest.importorskip("fsspec", reason="the extra `cluster` is not installed")


def png():
    pixels = np.random.default_rng(1).integers(0, 255, (220, 300), np.uint8)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "PNG")
    return file.getvalue(), pixels


@pytest.fixture
def bucket():
    """Photos behind addresses of fsspec's own kind, which lie in this process's memory."""
    memory = fsspec.filesystem("memory")
    for name in ("R10.jpg", "R2.JPG", "notes.txt", ".hidden.jpg", "dry/R1.heic"):
        memory.pipe(f"/bucket/{name}", b"x")
    yield
    memory.rm("/bucket", recursive=True)


def test_addresses_are_taken_as_they_are(bucket, tmp_path):
    (tmp_path / "a.jpg").touch()
    given = ["s3://bucket/R1_dry.jpg?versionId=3", str(tmp_path), "memory://bucket/none"]
    assert photos_at(given) == [given[0], tmp_path / "a.jpg", given[2]]


def test_an_address_with_a_star_or_of_a_folder_stands_for_its_photos_as_people_count(bucket):
    assert photos_at(["memory://bucket/*"]) == ["memory:///bucket/R2.JPG", "memory:///bucket/R10.jpg"]
    assert photos_at(["memory://bucket/"]) == [
        "memory:///bucket/dry/R1.heic",
        "memory:///bucket/R2.JPG",
        "memory:///bucket/R10.jpg",
    ]
    assert photos_at(["memory://bucket/*.png"]) == []


def test_photos_behind_an_address_are_those_of_the_folder(tmp_path):
    (tmp_path / "sub é").mkdir()
    for name in ("R10.jpg", "R2.jpg", "sub é/R1.jpg", "notes.txt"):
        (tmp_path / name).touch()
    found = photos_at([f"file://{tmp_path}/"])
    assert [Path(str(address).removeprefix("file://")) for address in found] == photos_in([tmp_path])


def test_what_cannot_be_listed_is_said():
    with pytest.raises(PhotoError, match="nosuch") as caught:
        photos_at(["nosuch://bucket/*"])
    assert caught.value.code == "file-unreadable"


# --- one photo ------------------------------------------------------------------------------------


def test_a_photo_is_read_from_its_address(bucket):
    encoded, pixels = png()
    fsspec.filesystem("memory").pipe("/bucket/R3 é.png", encoded)
    read = read_photo("memory://bucket/R3 é.png")
    assert np.array_equal(read.luma, pixels)
    assert read.sha256 == hashlib.sha256(encoded).hexdigest()


@pytest.mark.parametrize(
    ("address", "code", "words"),
    [
        ("memory://bucket/none.jpg", "file-missing", ""),
        ("memory://bucket/empty.jpg", "file-empty", ""),
        ("memory://bucket/notes.txt", "not-a-photo", ""),
        ("memory://bucket/large.jpg", "photo-too-large", ""),
        ("nosuch://bucket/a.jpg", "file-unreadable", "nosuch"),
    ],
)
def test_what_cannot_be_read_is_refused(bucket, monkeypatch, address, code, words):
    monkeypatch.setattr(photo_module, "MAX_FILE_BYTES", 10)
    fsspec.filesystem("memory").pipe({"/bucket/empty.jpg": b"", "/bucket/large.jpg": bytes(11)})
    with pytest.raises(PhotoError) as caught:
        read_photo(address)
    assert caught.value.code == code
    assert words in caught.value.detail


def test_without_the_packages_it_is_said_how_to_get_them(monkeypatch):
    known = builtins.__import__

    def not_there(name, *more):
        if name == "fsspec":
            raise ModuleNotFoundError("No module named 'fsspec'", name="fsspec")
        return known(name, *more)

    monkeypatch.setattr(builtins, "__import__", not_there)
    for ask in (lambda: read_photo("s3://bucket/a.jpg"), lambda: photos_at(["s3://bucket/*"])):
        with pytest.raises(PhotoError, match=r"fsspec is missing: .*'\.\[cluster\]'"):
            ask()


def test_the_names_in_an_address_say_which_reed_it_is(tmp_path, monkeypatch):
    folder = tmp_path / "R09" / "soaked"
    folder.mkdir(parents=True)
    monkeypatch.chdir(folder)  # says nothing: what is behind an address does not lie in it

    def who(address):
        found = identify(address, (), None)
        return found.reed, found.state

    assert who("s3://bucket/dry/R07.jpg") == (7, "dry")
    assert who("s3://bucket/R07/more/a.jpg?versionId=3") == (7, None)
    assert who("memory://a.jpg") == (None, None)


def test_results_keep_the_address(bucket):
    (result,) = measure_all(["memory://bucket/dry/R1.heic"], Settings())
    assert (result.photo, result.flags) == ("memory://bucket/dry/R1.heic", ("not-a-photo",))
    assert (result.reed, result.state) == (1, "dry")


def test_the_command_takes_addresses(bucket):
    result = CliRunner().invoke(app, ["measure", "memory://bucket/*", "--json"])
    assert result.exit_code == 3
    assert '"photo": "memory:///bucket/R2.JPG"' in result.stdout.splitlines()[0]
    assert len(result.stdout.splitlines()) == 2
    nothing = CliRunner().invoke(app, ["measure", "memory://bucket/*.png"])
    assert nothing.exit_code == 2
    assert "there is no photo in memory://bucket/*.png" in " ".join(nothing.stderr.split())
