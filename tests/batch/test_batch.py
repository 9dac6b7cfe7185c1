"""Many photos: which ones, in which order, what happens when one of them fails, and which belong together."""

import os
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from aperture.batch import measuring
from aperture.batch.measuring import measure_all
from aperture.batch.pairs import pairs
from aperture.batch.photo_files import photos_in
from aperture.settings import Settings


def make_files(folder, *names):
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")


def names_in(folder):
    return [str(path.relative_to(folder)) for path in photos_in([folder])]


def test_a_folder_is_sorted_as_people_count(tmp_path):
    make_files(tmp_path, "R10_dry.jpg", "R2_dry.jpg", "r1_dry.jpg", "R02_soaked.jpg")
    assert names_in(tmp_path) == ["r1_dry.jpg", "R2_dry.jpg", "R02_soaked.jpg", "R10_dry.jpg"]


def test_folders_in_a_folder_are_searched(tmp_path):
    make_files(tmp_path, "soaked/1.jpg", "dry/10.jpg", "dry/9.jpg", "a.jpg")
    assert names_in(tmp_path) == ["a.jpg", "dry/9.jpg", "dry/10.jpg", "soaked/1.jpg"]


def test_of_a_folder_only_what_is_called_like_a_picture_is_taken(tmp_path):
    pictures = ["a.JPG", "b.jpeg", "c.png", "d.HEIC", "e.heif", "f.tif", "g.TIFF", "h.webp", "Ötto é.jpg"]
    others = ["notes.txt", "a.jpg.txt", "jpg", ".hidden.jpg", "._a.jpg", ".trash/a.jpg", "a.json"]
    make_files(tmp_path, *pictures, *others)
    assert names_in(tmp_path) == pictures


def test_pictures_that_the_program_drew_are_not_photos(tmp_path):
    make_files(tmp_path, "R1.jpg", "R1_annotated.jpg", "R1_annotated_2.jpg", "reed-01_dry-soaked.jpg")
    assert names_in(tmp_path) == ["R1.jpg"]


def test_given_files_keep_their_order_and_are_taken_whatever_they_are_called(tmp_path):
    make_files(tmp_path, "b.txt", "a.jpg", "sub/2.jpg", "sub/1.jpg")
    given = [tmp_path / "b.txt", tmp_path / "sub", tmp_path / "a.jpg"]
    expected = [tmp_path / "b.txt", tmp_path / "sub/1.jpg", tmp_path / "sub/2.jpg", tmp_path / "a.jpg"]
    assert photos_in(given) == expected


def test_what_is_missing_stays_in_the_list(tmp_path):
    assert photos_in([tmp_path / "nothing.jpg", "\0"]) == [tmp_path / "nothing.jpg", Path("\0")]


def test_an_empty_folder_has_no_photos(tmp_path):
    assert photos_in([tmp_path]) == []


@pytest.mark.skipif(os.name == "nt", reason="links to folders need rights there")
def test_a_circle_of_links_ends(tmp_path):
    make_files(tmp_path, "in/a.jpg")
    (tmp_path / "in" / "again").symlink_to(tmp_path)
    assert names_in(tmp_path) == ["in/a.jpg"]


def test_a_folder_that_cannot_be_opened_is_not_passed_over_in_silence(tmp_path, monkeypatch):
    def closed(top, onerror):
        onerror(PermissionError(13, "Permission denied", str(tmp_path / "closed")))
        yield str(tmp_path), [], ["a.jpg"]

    monkeypatch.setattr(os, "walk", closed)
    assert photos_in([tmp_path]) == [tmp_path / "a.jpg", tmp_path / "closed"]


def test_one_bad_photo_does_not_stop_the_others(monkeypatch, measured):
    def measure(path, settings, *, reed, state, name=None, photo=None):
        if "bad" in path.name:
            raise ZeroDivisionError("by\nzero")
        return measured(path, reed=reed, state=state)

    monkeypatch.setattr(measuring, "measure", measure)
    photos = [Path("a.jpg"), Path("R07_dry bad.jpg"), Path("c.jpg")]
    first, bad, last = measure_all(photos, Settings(), workers=1, reed=4, state="soaked")
    assert (first.photo, first.reed, first.state) == ("a.jpg", 4, "soaked")
    assert (bad.photo, bad.outcome, bad.flags) == ("R07_dry bad.jpg", "refused", ("internal-error",))
    assert (bad.reed, bad.state) == (7, "dry")
    assert "ZeroDivisionError: by zero" in bad.reason
    assert bad.advice
    assert last.outcome == "measured"


def test_results_that_are_kept_hold_nothing_that_is_large(monkeypatch, measured):
    """An archive has many: what the budget was made of stays behind, and nothing else."""
    monkeypatch.setattr(measuring, "measure", lambda path, *_, **__: measured(path))
    (result,) = measure_all([Path("a.jpg")], Settings())
    whole = measured("a.jpg")
    assert result.outline.displacements_mm.size == 0 < whole.outline.displacements_mm.size
    assert result.record() == whole.record()
    assert np.array_equal(result.outline.points_mm, whole.outline.points_mm)


def test_ctrl_c_is_not_a_bad_photo(monkeypatch):
    def interrupted(*args, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr(measuring, "measure", interrupted)
    with pytest.raises(KeyboardInterrupt):
        list(measure_all([Path("a.jpg")], Settings()))


def test_pairs_are_of_one_reed_and_both_states(measured, refused):
    photos = [
        measured("a", reed=10, state="soaked"),
        measured("b", reed=2, state="dry"),
        measured("c", reed=10, state="dry"),
        measured("d", reed=2, state="soaked"),
        measured("e", reed=3, state="dry"),
        refused("f", reed=3, state="soaked"),
        measured("g", reed=None, state="dry"),
        measured("h", reed=None, state="soaked"),
        measured("i", reed=4, state="dry"),
        measured("j", reed=4, state=None),
    ]
    found = [(pair.reed, pair.dry.photo, pair.soaked.photo) for pair in pairs(photos)]
    assert found == [(2, "b", "d"), (10, "c", "a")]


NOON = datetime(2026, 10, 5, 12, 0)


@pytest.mark.parametrize(
    ("times", "latest"),
    [
        ([NOON, NOON - timedelta(hours=1)], "0"),
        ([NOON, NOON + timedelta(hours=1)], "1"),
        ([NOON, NOON], "1"),
        ([NOON, None], "1"),
        ([None, NOON], "1"),
        # One camera writes its time zone, the other does not: both show the time on the wall.
        ([NOON.replace(tzinfo=timezone(timedelta(hours=9))), NOON - timedelta(minutes=1)], "0"),
        ([NOON.replace(tzinfo=UTC), NOON + timedelta(minutes=1)], "1"),
    ],
)
def test_the_latest_photo_of_a_state_counts(measured, times, latest):
    dry = [measured(str(place), state="dry", taken=time) for place, time in enumerate(times)]
    (pair,) = pairs([*dry, measured("s", state="soaked")])
    assert pair.dry.photo == latest


def test_what_both_photos_have_in_common_does_not_make_a_change_uncertain(measured):
    """GUM 5.2.2: a scale error common to two lengths leaves only its share of their difference.

    u = 3 % of 1.0 mm and of 1.2 mm, all of it from the printed scale: of the difference, 0.2 mm, 3 % are
    uncertain. Without the correlation it would be 3 % of hypot(1.0, 1.2).
    """
    nearly_nothing = (1e-9,) * 4
    dry = measured("d", state="dry", height_mm=1.0, u=nearly_nothing, scale_u=0.03)
    soaked = measured("s", state="soaked", height_mm=1.2, u=nearly_nothing, scale_u=0.03)
    (pair,) = pairs([dry, soaked], coverage_factor=2.0)
    assert pair.change.height_mm.difference == pytest.approx(0.2, abs=1e-3)
    assert pair.change.height_mm.expanded_uncertainty == pytest.approx(2 * 0.03 * 0.2, rel=1e-3)
    assert pair.change.height_mm.word == "opened"


def test_independent_uncertainties_add_in_quadrature(measured):
    """GUM 5.1.2: u² = 0.03² + 0.04² mm² = (0.05 mm)²."""
    dry = measured("d", state="dry", u=(0.03, 0.01, 0.01, 0.01), scale_u=0.0)
    soaked = measured("s", state="soaked", u=(0.04, 0.01, 0.01, 0.01), scale_u=0.0)
    (pair,) = pairs([dry, soaked], coverage_factor=3.0)
    assert pair.change.height_mm.expanded_uncertainty == pytest.approx(3 * 0.05)
    assert pair.change.height_mm.word == "no change seen"
