"""What became of a photo, in plain words: what was refused or waits for a look is not just taken in."""

import pytest

from aperture.book.photos import intake
from aperture.book.photos.intake import OUTCOMES, outcome_of, take_in
from aperture.settings import Settings, change_settings
from tests.book.photos.test_intake import picture, pretend

ALONE = change_settings(Settings(), {"workers": 1})


@pytest.mark.parametrize(
    ("numbers", "flags", "assigned", "outcome"),
    [
        ({}, (), True, "taken in"),
        ({}, ("steep",), True, "to review"),
        ({}, (), False, "to review"),
        ({"height_mm": 2.1, "width_mm": 6.4}, (), True, "to review"),  # round
        ({"height_mm": 0.08}, (), True, "to review"),  # shut
    ],
)
def test_what_was_measured_is_taken_in_or_waits_for_a_look(measured, numbers, flags, assigned, outcome):
    record = measured(flags=flags, **numbers).record()
    assert outcome_of("filed" if assigned else "not assigned", record, assigned) == outcome


@pytest.mark.parametrize("what", ["filed", "not assigned"])
def test_a_photo_without_a_number_is_to_be_taken_again_whatever_else(refused, what):
    assert outcome_of(what, refused().record(), what == "filed") == "take again"


@pytest.mark.parametrize("what", ["not taken in", "failed", "anything else"])
def test_what_the_book_does_not_have_is_refused(measured, what):
    assert outcome_of(what, measured().record(), True) == "refused"
    assert outcome_of(what, None, False) == "refused"


def test_photos_that_were_refused_are_not_counted_as_taken_in(book, tmp_path, monkeypatch, refused):
    """Two of four are: the import once said that all of them were filed."""

    def some_refused(path, *args, **more):
        if path.name == "none.jpg":
            return refused(path, "file-missing")
        made = pretend(path, *args, **more)
        return (
            refused(path, "too-far", made.reed, made.state, sha256=made.sha256)
            if "R02" in path.name
            else made
        )

    monkeypatch.setattr(intake, "measure_or_fail", some_refused)
    photos = [
        picture(tmp_path / f"R0{n}_{state}.jpg", n + 10 * len(state))
        for n in (1, 2)
        for state in ("dry", "soaked")
    ]
    photos.append(tmp_path / "none.jpg")
    outcomes = [arrival.outcome for arrival in take_in(book, photos, ALONE)]
    assert outcomes == ["taken in", "taken in", "take again", "take again", "refused"]
    assert {one.outcome for one in take_in(book, photos[:4], ALONE)} == {"already there"}
    assert set(outcomes) < set(OUTCOMES)
