"""What would make a source of uncertainty smaller, in plain words, where it is true of a photo."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from aperture.card.geometry import CARD
from aperture.settings import Settings
from aperture.view.view import View

# Near enough: the distance that the advice names, and how much farther is worth a word; how far the lens may
# stand off the reed's own line; and a blur that a steady, focused phone stays below. Working values.
CLOSE_MM, WORTH, LEVEL_DEG, SHARP_PX = 120.0, 1.25, 3.0, 1.3
# What a bar of 50 mm can be read to with callipers.
CALLIPERS_MM = 0.05


@dataclass(frozen=True)
class Remedy:
    """What makes the contribution of a source smaller, `when` it does (a key of `circumstances`)."""

    source: str
    when: str
    sentence: str


_CLOSER = "Move the phone to 12 cm (it was at {distance_cm:.0f} cm)."
_LENS = "Bring the lens to the height of the reed (it stood {rise_mm:.0f} mm {above} than the tip)."
_ASIDE = "Hold the phone straight in front of the reed (it stood {aside_mm:.0f} mm to one side)."
_STEADY = "Rest the phone on something and tap the tip to focus: the photo is not quite sharp."
_MARKERS = "Show all six markers of the card, nothing lying over them."

# Of each source the first remedy that applies counts; "always" comes last.
REMEDIES = (
    Remedy(
        "printed scale",
        "bar read with a ruler",
        "Measure the card's 50 mm bar with callipers, give the result with --ruler, and set"
        " uncertainty.ruler_doubt_mm in the settings to how well you could read it (now {ruler_doubt_mm:g}).",
    ),
    Remedy("printed scale", "always", "Nothing simple: the bar is measured as well as paper allows."),
    Remedy("camera and card", "markers missing", _MARKERS),
    Remedy("camera and card", "far", _CLOSER),
    Remedy(
        "camera and card", "always", "Keep the whole card sharp and evenly lit, and send the original photo."
    ),
    Remedy("flatness of the card", "always", "Flatten the card: glue stiff cardboard behind it."),
    Remedy(
        "plane of the tip",
        "tip not measured",
        "Push the tip level with the card's face, check it with a ruler, and say --tip-offset 0.",
    ),
    Remedy(
        "plane of the tip",
        "always",
        "Measure the tip's place better than to {tip_measured_mm:g} mm, and set"
        " uncertainty.tip_offset_measured_mm in the settings.",
    ),
    Remedy("lean of the reed", "lens not level", _LENS),
    Remedy("lean of the reed", "lens aside", _ASIDE),
    Remedy(
        "lean of the reed",
        "always",
        "Lay the reed square to the card; if something holds it straight, set uncertainty.reed_lean_deg in"
        " the settings to less than {lean_deg:g}.",
    ),
    Remedy("model of the edge", "far", _CLOSER),
    Remedy("model of the edge", "not sharp", _STEADY),
    Remedy(
        "model of the edge",
        "always",
        "Nothing simple: the photo is near and sharp, and this is how far the program can be trusted.",
    ),
    Remedy(
        "correction of the height",
        "always",
        "Compare more reeds with the other way of measuring, and learn the correction again.",
    ),
    Remedy("edge", "far", _CLOSER),
    Remedy("edge", "not sharp", _STEADY),
    Remedy("edge", "lens not level", _LENS),
    Remedy("edge", "always", "Even light, a plain background, no lamp that shines into the opening."),
)


def circumstances(view: View, settings: Settings) -> Mapping[str, bool]:
    """Which of the conditions of `REMEDIES` hold for a photo."""
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
    sentence = next((each.sentence for each in REMEDIES if each.source == source and holds[each.when]), None)
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
