"""Pictures of measured photos never take the place of a file of the user's."""

import io
import os
from dataclasses import replace

import pytest
from PIL import Image

from aperture.batch.pairs import pairs
from aperture.present.annotate import write_annotations
from aperture.present.own_pictures import is_as_drawn, left_as_they_are, marked

PAIR = "reed-07_dry-soaked.jpg"


def encoded(colour, **options):
    buffer = io.BytesIO()
    Image.new("RGB", (40, 30), colour).save(buffer, "JPEG", **options)
    return buffer.getvalue()


@pytest.fixture
def both(measured, tmp_path):
    """Reed 7 dry and soaked; the photos are gone, which pictures say."""
    return [measured(tmp_path / f"{state}.jpg", state=state) for state in ("dry", "soaked")]


def test_a_photo_that_is_called_like_the_picture_of_a_pair_stays(both, tmp_path):
    mine = tmp_path / PAIR
    mine.write_bytes(encoded("red"))
    photos = [replace(both[0], photo=str(mine)), both[1]]
    written = list(write_annotations(photos, tmp_path, pairs(photos)))
    assert mine.read_bytes() == encoded("red")
    assert written[-1].name == "reed-07_dry-soaked_2.jpg"


def test_so_it_does_when_it_is_no_photo_of_this_run(both, tmp_path):
    mine = [tmp_path / PAIR, tmp_path / "dry_annotated.jpg"]
    for path in mine:
        path.write_bytes(encoded("red"))
    written = list(write_annotations(both, tmp_path, pairs(both)))
    assert all(path.read_bytes() == encoded("red") for path in mine)
    assert [path.name for path in written] == [
        "dry_annotated_2.jpg",
        "soaked_annotated.jpg",
        "reed-07_dry-soaked_2.jpg",
    ]
    assert left_as_they_are(written) == sorted(mine)


def test_a_second_run_replaces_what_the_first_drew(both, tmp_path):
    first, second = (list(write_annotations(both, tmp_path, pairs(both))) for _ in range(2))
    assert first == second
    assert left_as_they_are(second) == []
    assert sorted(tmp_path.iterdir()) == sorted(first)


def test_a_picture_that_somebody_drew_on_is_theirs(both, tmp_path):
    *_, drawn = write_annotations(both, tmp_path, pairs(both))
    # An editor that keeps the comment.
    with Image.open(drawn) as picture:
        comment = picture.info["comment"]
        picture.transpose(Image.Transpose.FLIP_TOP_BOTTOM).save(drawn, "JPEG", comment=comment)
    theirs = drawn.read_bytes()
    *_, again = write_annotations(both, tmp_path, pairs(both))
    assert drawn.read_bytes() == theirs
    assert again.name == "reed-07_dry-soaked_2.jpg"


def test_when_asked_a_file_is_replaced_but_no_photo(both, tmp_path):
    photo, other = tmp_path / PAIR, tmp_path / "soaked_annotated.jpg"
    for path in (photo, other):
        path.write_bytes(encoded("red"))
    photos = [replace(both[0], photo=str(photo)), both[1]]
    written = list(write_annotations(photos, tmp_path, pairs(photos), replace=True))
    assert photo.read_bytes() == encoded("red")
    assert other in written
    assert is_as_drawn(other)


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_folder_or_a_dead_link_in_the_way(both, tmp_path):
    (tmp_path / PAIR).mkdir()
    (tmp_path / "dry_annotated.jpg").symlink_to(tmp_path / "nowhere.jpg")
    written = list(write_annotations(both, tmp_path, pairs(both), replace=True))
    assert [path.name for path in written][::2] == ["dry_annotated_2.jpg", "reed-07_dry-soaked_2.jpg"]
    assert not (tmp_path / "nowhere.jpg").exists()


EXIF = Image.Exif()
EXIF[271] = "A phone"


@pytest.mark.parametrize("options", [{}, {"comment": "Mine."}, {"exif": EXIF}])
def test_a_mark_changes_no_pixel_and_is_a_comment_that_others_read(options, tmp_path):
    plain = encoded("orange", **options)
    path = tmp_path / "a.jpg"
    path.write_bytes(plain)
    assert not is_as_drawn(path)
    path.write_bytes(marked(plain))
    assert is_as_drawn(path)
    # Pillow reads the comment as ITU-T T.81 has it.
    with Image.open(path) as picture, Image.open(io.BytesIO(plain)) as before:
        picture.load()
        assert picture.tobytes() == before.tobytes()
    assert path.read_bytes().count(b"Drawn by aperture") == 1


def test_what_cannot_be_read_is_nobodys_picture(tmp_path):
    assert not is_as_drawn(tmp_path / "gone.jpg")
    assert not is_as_drawn(tmp_path)
    for content in (b"", b"\xff\xd8", b"\xff\xd8\xff\xe0"):
        (tmp_path / "short.jpg").write_bytes(content)
        assert not is_as_drawn(tmp_path / "short.jpg")
