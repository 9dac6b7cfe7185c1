"""What people corrected, as the export writes it: whole, readable by the training, nothing private in it."""

import io
import json
from datetime import datetime
from hashlib import sha256

import numpy as np
import pytest
from PIL import Image

from aperture.book.present.exports import FORMATS
from aperture.book.present.training import README, export_training
from aperture.book.store.corrections import came_about
from aperture.book.store.records import Filing, Soaking
from aperture.desk.pages.outlines import handles, measured_by_hand, overridden, smooth
from aperture.desk.pages.review import RETAKE
from aperture.errors import BookError
from aperture.present.canvas import Window
from aperture.settings import Settings
from fixtures.training.corrected import contour_of, read_corrected

WINDOW = Window(36.4, -0.9, 49.2, 9.9, 50.0)
TAKEN = datetime(2026, 10, 5, 14, 3)
# What must not come out: the name of the photo's file, the reed's place, a player, who said what, a reason.
PRIVATE = ("IMG-secret", "A17", "T4-violet", "kim", "lee", "too sticky", "2026-10-05", "26a-lot")


@pytest.fixture
def photo(book, measured):
    """A photo of reed 7 with its picture, as intake would have filed it."""
    book.add_lot("26a-lot", "post")
    reed = book.add_reed(7, "26a-lot", slot="A17", player="T4-violet")
    sha = sha256(b"one").hexdigest()
    columns, rows = WINDOW.size_px
    buffer = io.BytesIO()
    picture = np.full((rows, columns, 3), 200, np.uint8)
    Image.fromarray(picture).save(buffer, "JPEG", quality=90)
    tip = f"{sha[:2]}/{sha}-01234567-tip.jpg"
    (book.pictures / sha[:2]).mkdir(parents=True)
    (book.pictures / tip).write_bytes(buffer.getvalue())
    one = book.add_photo(sha, "IMG-secret.jpg", TAKEN, TAKEN)
    book.add_filing(one, Filing(reed.id, "dry", Soaking(), None, None))
    result = measured(height_mm=0.8)
    record = {**result.record(), "px_per_mm": 20.0, "blur_px": 0.9}
    outline = result.outline.points_mm.tolist()
    window = (WINDOW.x_min_mm, WINDOW.y_min_mm, WINDOW.x_max_mm, WINDOW.y_max_mm, WINDOW.px_per_mm)
    book.add_reading(one, record, Settings(), 0.001, outline, tip=tip, tip_window=window)
    return one


def say(book, photo, what, by):
    """What the review writes when a person says so."""
    program = book.entry(photo).readings[0]
    was = book.entry(photo).reading
    outline = was.outline_mm
    if what == "confirm":
        record = {**was.record, "review": False, "reason": None}
    elif what == "class":
        record = overridden(was.record, "round", "too sticky")
    elif what == "retake":
        record = {**program.record, "outcome": "refused", "reason": RETAKE, "shape": None, "u": None}
        outline = None
    else:
        points = np.add(handles(program.outline_mm), [0.0, what])
        record = measured_by_hand(points, program, Settings())
        outline = smooth(points).round(5).tolist()
    book.add_reading(photo, record, Settings(), 0.001, outline, "person", by, program.tip, program.tip_window)


def test_how_a_reading_came_about(book, photo):
    for what in ("confirm", "class", 0.02, "class", "retake"):
        say(book, photo, what, "kim")
    readings = book.entry(photo).readings
    assert [came_about(readings, place) for place in range(6)] == [
        "measured",
        "confirmed",
        "class changed",
        "outline redrawn",
        "class changed",
        "retake asked",
    ]


def test_the_folder_holds_picture_and_outlines_and_the_training_reads_it(book, photo, tmp_path):
    say(book, photo, "confirm", "kim")
    say(book, photo, 0.02, "lee")
    done = export_training(book, tmp_path / "out")
    assert (done.photos, done.redrawn, done.without_picture) == (1, 1, 0)
    (one,) = read_corrected(tmp_path / "out")
    assert [(o.by, o.came_about, o.shape) for o in one.outlines] == [
        ("program", "measured", "elliptical"),
        ("person 1", "confirmed", "elliptical"),
        ("person 2", "outline redrawn", "elliptical"),
    ]
    stored = book.entry(photo).readings
    for outline, reading in zip(one.outlines, stored, strict=True):
        assert outline.points_mm.tolist() == [*map(list, reading.outline_mm)]
    assert one.blur_mm == pytest.approx(0.9 / 20.0)
    # The upper left corner of the picture: the centre of its first pixel lies half a pixel inside.
    corner = one.to_px() @ [WINDOW.x_min_mm, WINDOW.y_max_mm, 1.0]
    assert corner == pytest.approx([-0.5, -0.5, 1.0])
    assert set(one.by_people()) == {"person 1", "person 2"}
    assert (tmp_path / "out" / "0001.jpg").read_bytes() == (book.pictures / stored[0].tip).read_bytes()


def test_nothing_private_comes_out(book, photo, tmp_path):
    say(book, photo, "class", "kim")
    say(book, photo, 0.01, "lee")
    export_training(book, tmp_path / "out")
    for path in (tmp_path / "out").iterdir():
        content = path.read_bytes().decode("latin-1")
        for private in (*PRIVATE, photo.sha256[:16]):
            assert private not in content + path.name, path
    record = json.loads((tmp_path / "out" / "0001.json").read_text())
    assert set(record) == {"form", "state", "window_mm", "px_per_mm", "photo", "outlines"}
    assert {key for one in record["outlines"] for key in one} == {"by", "came_about", "class", "outline_mm"}
    assert "not the truth" in (tmp_path / "out" / README).read_text()


def test_a_picture_with_notes_in_it_stays_here(book, photo, tmp_path):
    """Somebody may have edited it; what an editor writes into a picture is unknown."""
    say(book, photo, "confirm", "kim")
    path = book.pictures / book.entry(photo).readings[0].tip
    notes = Image.Exif()
    notes[0x010E] = "kim's kitchen"
    Image.open(path).save(path, exif=notes)
    with pytest.raises(BookError, match="of which a person"):
        export_training(book, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_photos_of_which_nobody_said_anything_are_none(book, photo, tmp_path):
    with pytest.raises(BookError) as caught:
        export_training(book, tmp_path / "out")
    assert caught.value.code == "book-unknown"
    say(book, photo, "retake", "kim")
    with pytest.raises(BookError):
        export_training(book, tmp_path / "out")


def test_a_used_folder_is_refused(book, photo, tmp_path):
    say(book, photo, "confirm", "kim")
    (tmp_path / "out").mkdir()
    export_training(book, tmp_path / "out")  # an empty one may be used
    before = sorted((tmp_path / "out").iterdir())
    with pytest.raises(BookError) as caught:
        export_training(book, tmp_path / "out")
    assert caught.value.code == "file-exists"
    assert sorted((tmp_path / "out").iterdir()) == before


def test_it_is_no_part_of_all_kinds():
    assert "training" not in FORMATS


def test_an_outline_seen_in_another_picture_is_left_out(book, photo, tmp_path):
    """After the program found the card elsewhere, millimetres of before do not fit the new picture."""
    say(book, photo, 0.02, "kim")
    program = book.entry(photo).readings[0]
    moved = [value + 0.3 for value in program.tip_window[:4]] + [WINDOW.px_per_mm]
    book.add_reading(
        photo, program.record, Settings(), 0.001, program.outline_mm, tip=program.tip, tip_window=moved
    )
    export_training(book, tmp_path / "out")
    (one,) = read_corrected(tmp_path / "out")
    assert [o.came_about for o in one.outlines] == ["measured", "outline redrawn"]
    assert one.window.x_min_mm == WINDOW.x_min_mm


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"form": 2}, "its form is 2"),
        ({"px_per_mm": 40.0}, "another size"),
        ({"window_mm": [1, 2]}, "cannot be read"),
        ({"outlines": [{"by": "a", "came_about": "b", "class": "c", "outline_mm": []}]}, "corners"),
    ],
)
def test_a_folder_of_another_form_is_refused_in_words(book, photo, tmp_path, change, words):
    say(book, photo, "confirm", "kim")
    export_training(book, tmp_path / "out")
    path = tmp_path / "out" / "0001.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), **change}))
    with pytest.raises(ValueError, match=words):
        read_corrected(tmp_path / "out")


def test_an_empty_folder_is_no_such_folder(tmp_path):
    with pytest.raises(ValueError, match="has no photos"):
        read_corrected(tmp_path)


@pytest.mark.parametrize("turned", [False, True], ids=["counter-clockwise", "clockwise"])
def test_the_contour_of_a_lesson_begins_at_the_right_corner_and_goes_over_the_upper_blade(turned):
    """An ellipse of 7 x 1 mm: its corners, highest and lowest point are known."""
    around = np.linspace(1.0, 1.0 + 2 * np.pi, 720, endpoint=False)
    points = np.column_stack([3.5 * np.cos(around), 0.5 * np.sin(around)])
    contour = contour_of(points[::-1] if turned else points, 400)
    assert contour.shape == (400, 2)
    assert contour[0] == pytest.approx([3.5, 0.0], abs=0.02)
    assert contour[200] == pytest.approx([-3.5, 0.0], abs=0.02)
    assert contour[100] == pytest.approx([0.0, 0.5], abs=0.02)
    assert contour[300] == pytest.approx([0.0, -0.5], abs=0.02)
