"""The program beside people: differences are what was put in; a flat picture reads as its photo does."""

import io
import json

import numpy as np
import pytest
from PIL import Image

from aperture.measure import measure
from aperture.photo import read_photo
from aperture.present.drawing import flat_picture, notch_window
from fixtures.training.corrected import read_corrected
from tests.accuracy.__main__ import main
from tests.accuracy.corrected import Judged, judged, outline_now, table
from tests.accuracy.figures import QUANTITIES
from tests.accuracy.truth_photos import COMMITTED

PHOTO = sorted(COMMITTED.glob("careful-*.jpg"))[0]


def numbers(height_mm):
    return dict(zip(QUANTITIES, (height_mm, 7.0, 4.0, 0.1), strict=True))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """One photo of the truth set, whose outline two people drew higher by 0.02 and by 0.05 mm."""
    result = measure(PHOTO)
    photo = read_photo(PHOTO)
    window = notch_window(result.view, 1000)
    buffer = io.BytesIO()
    Image.fromarray(flat_picture(photo, result.view, window)).save(buffer, "JPEG", quality=92)
    points = result.outline.points_mm
    middle = points[:, 1].mean()
    height = result.geometry.height_mm

    def outline(by, came, higher_mm):
        stretched = middle + (points[:, 1] - middle) * (1 + higher_mm / height)
        corners = np.column_stack([points[:, 0], stretched])
        return {"by": by, "came_about": came, "class": "elliptical", "outline_mm": corners.tolist()}

    record = {
        "form": 1,
        "state": "dry",
        "window_mm": [window.x_min_mm, window.y_min_mm, window.x_max_mm, window.y_max_mm],
        "px_per_mm": window.px_per_mm,
        "photo": {"px_per_mm": result.view.px_per_mm, "blur_px": max(result.view.blur_px)},
        "outlines": [
            outline("program", "measured", 0.0),
            outline("person 1", "outline redrawn", 0.02),
            outline("person 2", "outline redrawn", 0.05),
            outline("person 3", "confirmed", 0.0),
        ],
    }
    path = tmp_path_factory.mktemp("corrected")
    (path / "0001.json").write_text(json.dumps(record))
    (path / "0001.jpg").write_bytes(buffer.getvalue())
    return path, result


def test_a_flat_picture_is_measured_nearly_as_its_photo(folder):
    """It was resampled, stored again, and its sharpening is not known: within the photo's own ±."""
    path, result = folder
    (photo,) = read_corrected(path)
    found = outline_now(photo)
    now = found[:, 1].max() - found[:, 1].min()
    then = result.outline.points_mm[:, 1].max() - result.outline.points_mm[:, 1].min()
    assert abs(now - then) < result.u["height_mm"]
    assert np.abs(found.mean(axis=0) - result.outline.points_mm.mean(axis=0)).max() < 0.1


def test_differences_are_those_that_were_put_in(folder):
    path, result = folder
    (one,) = judged(path)
    assert one.then["height_mm"] == pytest.approx(result.geometry.height_mm, abs=1e-6)
    assert set(one.drawn) == {"person 1", "person 2"}
    # Stretched upright, while the height is taken square to the tip, which is rolled a little.
    assert one.drawn["person 1"]["height_mm"] - one.then["height_mm"] == pytest.approx(0.02, abs=2e-3)
    assert one.confirmed == 1


def test_the_table_has_the_people_beside_the_program():
    """Written out by hand: program minus person is -0.02 and +0.02 for one photo, -0.04 and 0 for the other;
    person minus person -0.04 twice, so their standard deviation is 0."""
    photos = [
        Judged("1", numbers(0.80), None, {"a": numbers(0.82), "b": numbers(0.78)}, 0),
        Judged("2", numbers(0.50), numbers(0.51), {"a": numbers(0.54), "b": numbers(0.50)}, 1),
    ]
    rows = {line.split("|")[1].strip(): line for line in table(photos).splitlines() if line.startswith("|")}
    differences = np.array([-0.02, 0.02, -0.04, 0.0])
    row = rows["height_mm: the program then minus a person"]
    assert f"| 4 | {differences.mean():+.4f} | {differences.std(ddof=1):.4f} |" in row
    assert "| 2 | +0.0400 | 0.0000 |" in rows["height_mm: one person minus another"]
    assert "| 2 | -0.0100 |" in rows["height_mm: this version minus a person"]
    words = table(photos)
    assert "agreement" in words.casefold()
    assert "no truth" in words
    assert "In 1 of the flat pictures this version finds no opening." in words


def test_the_command(folder, capsys, tmp_path):
    assert main([str(folder[0])]) == 0
    assert "Agreement with people, not error" in capsys.readouterr().out
    assert main([str(tmp_path)]) == 2
    assert "has no photos" in capsys.readouterr().out
