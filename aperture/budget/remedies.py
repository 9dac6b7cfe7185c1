"""What would make a source of uncertainty smaller, in plain words, where it is true of a photo."""

import math
from collections.abc import Mapping

from aperture.budget.terms import TERMS, When
from aperture.card.geometry import CARD
from aperture.settings import Settings
from aperture.view.view import View

# Near enough: the distance that the advice names, and how much farther is worth a word; how far the lens may
# stand off the reed's own line; and a blur that a steady, focused phone stays below. Working values.
CLOSE_MM, WORTH, LEVEL_DEG, SHARP_PX = 120.0, 1.25, 3.0, 1.3
# What a bar of 50 mm can be read to with callipers.
CALLIPERS_MM = 0.05


def circumstances(view: View, settings: Settings) -> Mapping[When, bool]:
    """Which of the conditions of `aperture.budget.terms.Remedy` hold for a photo."""
    assumed = settings.uncertainty
    rise, aside, ahead = _lens_from_tip_mm(view)
    steep = math.tan(math.radians(LEVEL_DEG)) * ahead
    return {
        "far": view.distance_mm > WORTH * CLOSE_MM,
        "not sharp": max(view.blur_px) > SHARP_PX,
        "lens not level": abs(rise) > steep and abs(rise) >= abs(aside),
        "lens aside": abs(aside) > steep and abs(aside) > abs(rise),
        "markers missing": len(view.marker_ids) < len(CARD.markers.centres_mm),
        "bar read with a ruler": assumed.ruler_doubt_mm > CALLIPERS_MM,
        "tip not measured": settings.tip_offset_uncertainty_mm() > assumed.tip_offset_measured_mm,
        "always": True,
    }


def remedy(source: str, view: View, settings: Settings) -> str | None:
    """What would make the contribution of a source smaller, in words; None if nothing is known."""
    holds = circumstances(view, settings)
    rise, aside, _ = _lens_from_tip_mm(view)
    known = next((term.remedies for term in TERMS if term.name == source), ())
    sentence = next((each.sentence for each in known if holds[each.when]), None)
    if sentence is None:
        return None
    return sentence.format(
        distance_cm=view.distance_mm / 10.0,
        rise_mm=abs(rise),
        above="higher" if rise > 0 else "lower",
        aside_mm=abs(aside),
        ruler_doubt_mm=settings.uncertainty.ruler_doubt_mm,
        tip_measured_mm=settings.uncertainty.tip_offset_measured_mm,
        lean_deg=settings.uncertainty.reed_lean_deg,
    )


def _lens_from_tip_mm(view: View) -> tuple[float, float, float]:
    """How far the lens stands above, beside (to the right) and in front of the tip's usual place."""
    tip_x, tip_y = CARD.tip_mm
    x, y, z = view.camera.camera_centre_mm()
    return float(y - tip_y * view.scale), float(x - tip_x * view.scale), float(z - view.tip_offset_mm)
