"""The printed ellipses as a check: what is drawn larger must measure larger (tests/made_photos.py)."""

import pytest

from aperture.card.geometry import CARD
from aperture.card.ink import PrintedEllipse, picture
from aperture.control import measure_controls
from aperture.settings import Settings
from aperture.view.view import locate_card
from tests.made_photos import PX_PER_MM_DRAWN, camera_before, luma_of, photo_of, printed


def drawn_with(changed):
    """The dry face with other ellipses in place of its own."""
    light = printed().copy()
    left, right = (int(PX_PER_MM_DRAWN * (CARD.width_mm / 2 + side)) for side in (-6, 6))
    top, bottom = (int(PX_PER_MM_DRAWN * (CARD.height_mm - y)) for y in (29.0, 13.0))
    ink = picture(CARD.width_mm, CARD.height_mm, PX_PER_MM_DRAWN, [], changed)
    light[top:bottom, left:right] = 1 - ink[top:bottom, left:right]
    return light


def deviations(light, settings=None, **camera):
    truth, size = camera_before(px_per_mm=16.0, **camera)
    photo = photo_of(luma_of(truth, size, light))
    return measure_controls(photo, locate_card(photo, settings or Settings()))


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0])
def test_ellipses_as_printed_have_no_deviation(tilt_deg):
    # 0.02 mm is a third of a pixel here; the check's limit of 0.05 mm needs as much
    found = deviations(printed(), tilt_deg=tilt_deg)
    assert found == pytest.approx((0.0, 0.0, 0.0), abs=0.02)


@pytest.mark.parametrize("more_mm", [-0.1, 0.15])
def test_what_is_drawn_larger_measures_larger(more_mm):
    # The fit starts from the ellipse as it should be, so it must be shown to leave it.
    changed = [
        PrintedEllipse(e.x_mm, e.y_mm, e.width_mm, e.height_mm + more_mm) for e in CARD.control_ellipses
    ]
    assert deviations(drawn_with(changed)) == pytest.approx((more_mm,) * 3, abs=0.025)


def test_a_tip_before_the_card_does_not_move_the_card():
    # The ellipses lie on the card wherever the tip stands; 5 mm at 150 mm would be 3 %, 0.06 mm of 2 mm.
    found = deviations(printed(), Settings(tip_offset_mm=5.0))
    assert found == pytest.approx((0.0, 0.0, 0.0), abs=0.02)


def alarmed(deviation_mm):
    """No number, or one that sends the photo to review."""
    return deviation_mm is None or abs(deviation_mm) > Settings().photo.self_check_limit_mm


def test_a_covered_ellipse_does_not_pass():
    found = deviations(drawn_with(CARD.control_ellipses[:2]))
    assert alarmed(found[2])
    assert found[:2] == pytest.approx((0.0, 0.0), abs=0.02)


def test_a_smudged_ellipse_does_not_pass():
    # Dirt as black as print over the upper half of the lowest ellipse and beyond.
    light = drawn_with(CARD.control_ellipses)
    rows, columns = (
        slice(*(int(PX_PER_MM_DRAWN * edge) for edge in edges))
        for edges in ((CARD.height_mm - 16.8, CARD.height_mm - 16.0), (38.0, 48.0))
    )
    light[rows, columns] = 0.0
    found = deviations(light)
    assert alarmed(found[0])
    assert found[1:] == pytest.approx((0.0, 0.0), abs=0.02)
