"""View -> Slit: the two straight edges of a gauge in the notch, to a fraction of a pixel.

A gauge is a slit of known height: sheets of paper between two strips of stiff card, along both long edges, so
that it is dark inside and closed at both sides. It is found as the rows of the notch on which both sides, the
cut edges of the paper, are brighter than the middle. Along each edge many points are located, and a line is
fitted to them; that tells whether the edges are straight, and parallel. How far they are apart is fitted to
the mean profile across both, because one edge is no plain step where the lens does not stand level with the
slit: behind it the wall of the slit is seen, which light reaches through the slit alone.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from aperture.card.gauge_page import SLIT_MM
from aperture.card.geometry import CARD
from aperture.errors import GaugeError
from aperture.photo import Photo
from aperture.studies.slit_profile import CORRELATED_PX, Profiles, Sight, fit_edges
from aperture.view.edges import Patch, fit_steps
from aperture.view.region import region_around
from aperture.view.view import View

Floats = NDArray[np.float64]

# How far scissors may be off; where the slit, and the paper beside it, are looked at from its middle.
SLIT_OFF_MM, SLIT_INSIDE_MM, PAPER_MM = 1.0, 3.0, (3.8, 4.7)
LOWEST_MM, TALLEST_MM = 0.25, 3.4  # what is lower is hardly told from a shut reed; the tallest opening
MOST_ROLL_DEG, ROLL_STEP_DEG, ROW_MM, ASIDE_MM, ASIDE_STEP_MM = 12.0, 1.0, 0.03, 0.75, 0.25
LEAST_CONTRAST = 0.25  # of the paper beside the slit to the slit, as a part of both
STATIONS = 15  # along each edge, where it is located: each the mean of the profiles around it
OUTSIDE_MM = 0.3  # how much of a strip's cut end is looked at: a postcard's is 0.4 mm thick
# Edges that bow so far from a straight line, or a slit so much higher at one end, are no gauge's.
BOWED_MM, WEDGED_MM = 0.05, 0.06
# A lens so far above or below the slit is not level with it: UNEVEN_MM then moves an edge by 0.02 mm. And how
# bright a slit may be in its depth: beside the cut ends, and at least.
OBLIQUE_DEG, LIT_SHARE, LIT_LEAST = 12.0, 0.15, 0.03
UNEVEN_MM = 0.1  # by which one strip's front lies behind the other's, at most, all values alike probable
NEAR_MM = 0.12  # so near an edge it must be steep


@dataclass(frozen=True)
class Frame:
    """Axes along the slit and across it: `origin_mm` (2,) on the card, `angle` in radians."""

    origin_mm: Floats
    angle: float

    def to_card(self, x: Floats, y: Floats) -> Floats:
        """Card millimetres (..., 2) of places along (x) and across (y) the slit."""
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        return np.stack([x * cos - y * sin, x * sin + y * cos], axis=-1) + self.origin_mm


@dataclass(frozen=True)
class Slit:
    """The slit of a gauge, in `frame`.

    `middle_mm`, `lower_mm`, `upper_mm` : where along the frame its middle lies, where across its edges do.
    `edges_covariance` (2, 2), mm2 : of the two edges, from the photo and from how evenly the gauge was laid.
    `wedge_mm` : how much higher the slit is at its right end than at its left. `misfit` : see `Edges`.
    """

    frame: Frame
    middle_mm: float
    lower_mm: float
    upper_mm: float
    edges_covariance: Floats
    wedge_mm: float
    misfit: float

    @property
    def gap_mm(self) -> float:
        """From edge to edge."""
        return self.upper_mm - self.lower_mm

    def outline_mm(self, points: int = 41) -> Floats:
        """The slit as a polygon (2 points, 2) on the card, counter-clockwise from the lower left corner."""
        x = self.middle_mm + np.linspace(-0.5, 0.5, points) * SLIT_MM
        return np.concatenate(
            [
                self.frame.to_card(x, np.full(points, self.lower_mm)),
                self.frame.to_card(x[::-1], np.full(points, self.upper_mm)),
            ]
        )


def measure_slit(photo: Photo, view: View, lean_u_deg: float) -> Slit:
    """Find the gauge in the notch and place its edges.

    Parameters
    ----------
    lean_u_deg : standard uncertainty of the angle between the slit and the card's normal.

    Raises
    ------
    GaugeError : there is no slit, or it is none of a gauge: its edges are curved, or not parallel.
    """
    patch = region_around(photo.luma, view, _region_mm(view)).patch
    rough = _find(patch, view)
    middle_mm = sum(_ends(patch, view, rough)) / 2
    rough = replace(rough, middle_mm=middle_mm)
    for _ in range(2):  # the second time with rows that run along the edges
        lower, upper = _edge_line(patch, view, rough, 1.0), _edge_line(patch, view, rough, -1.0)
        slope = (lower.slope + upper.slope) / 2
        # the lines' places are those at the middle; the turned frame has them elsewhere by the lever
        rough = _Rough(
            Frame(rough.frame.origin_mm, rough.frame.angle + np.arctan(slope)),
            middle_mm,
            lower.place_mm - middle_mm * slope,
            upper.place_mm - middle_mm * slope,
        )
        if not LOWEST_MM < rough.upper_mm - rough.lower_mm < TALLEST_MM:
            raise GaugeError("gauge-no-slit")
    if max(abs(lower.bow_mm), abs(upper.bow_mm)) > BOWED_MM:
        raise GaugeError("gauge-curved")
    wedge_mm = (upper.slope - lower.slope) * SLIT_MM
    if abs(wedge_mm) > WEDGED_MM:
        higher = "right" if wedge_mm > 0 else "left"
        raise GaugeError("gauge-not-parallel", f"it is {abs(wedge_mm):.2f} mm higher at its {higher} end")
    sight = _sight(view, rough, lean_u_deg)
    edges = fit_edges(_profiles(patch, view, rough), (rough.lower_mm, rough.upper_mm), sight)
    if edges.dark > LIT_SHARE * edges.front + LIT_LEAST:
        raise GaugeError("gauge-lit")
    lower_mm, upper_mm = edges.places_mm.tolist()
    # seen from above or below, an edge that lies further back lies elsewhere: a photo does not tell how far
    uneven = np.diag([0.0, (UNEVEN_MM / np.sqrt(3.0) * np.tan(sight.angle)) ** 2])
    return Slit(
        rough.frame, middle_mm, lower_mm, upper_mm, edges.covariance + uneven, float(wedge_mm), edges.misfit
    )


@dataclass(frozen=True)
class _Rough:
    """About where the slit is, in `frame`; see `Slit`."""

    frame: Frame
    middle_mm: float
    lower_mm: float
    upper_mm: float


@dataclass(frozen=True)
class _Line:
    """An edge: its place at the slit's middle, its slope, and how far it bows from straight at +-3 mm."""

    place_mm: float
    slope: float
    bow_mm: float


def _region_mm(view: View) -> Floats:
    """The corners (4, 2) of the notch and a margin, card mm."""
    notch = CARD.notch
    x, y = (notch.x_min_mm - 1.0, notch.x_max_mm + 1.0), (-0.5, notch.y_max_mm + 1.0)
    return np.array([[a, b] for a in x for b in y]) * view.scale


def _light(patch: Patch, view: View, frame: Frame, x: Floats, y: Floats) -> Floats:
    """Light (rows, columns), paper = 1, at places y (rows,) across and x (columns,) along the frame."""
    return patch.sample(view.to_pixel(frame.to_card(*np.broadcast_arrays(x[None, :], y[:, None]))))


def _find(patch: Patch, view: View) -> _Rough:
    """The rows of the notch whose both sides are brighter than their middle, where that is clearest.

    Raises
    ------
    GaugeError : there are none, or they make no slit of a gauge's height.
    """
    origin, top = np.array([CARD.tip_mm[0], 0.0]) * view.scale, CARD.notch.y_max_mm * view.scale
    x = np.linspace(-5.4, 5.4, 109)
    found: list[tuple[float, _Rough]] = []
    for angle in np.radians(np.arange(-MOST_ROLL_DEG, MOST_ROLL_DEG + 0.1, ROLL_STEP_DEG)):
        frame = Frame(origin, float(angle))
        rise = abs(float(x[-1] * np.sin(angle)))  # the rows stay inside the notch
        y = np.arange(0.3, top - 0.3 - rise, ROW_MM)
        light = np.maximum(_light(patch, view, frame, x, y), 0.0)
        for middle in np.arange(-ASIDE_MM, ASIDE_MM + 0.01, ASIDE_STEP_MM):
            contrast = _contrast(light, x - middle)
            band = _band(contrast)
            if band is not None:
                lower, upper = (float(y[row]) for row in band)
                rough = _Rough(frame, float(middle), lower - ROW_MM / 2, upper + ROW_MM / 2)
                found.append((_clearness(contrast, band), rough))
    if not found:
        raise GaugeError("gauge-no-slit")
    return max(found, key=lambda each: each[0])[1]


def _clearness(contrast: Floats, band: tuple[int, int]) -> float:
    """How clearly a band is a slit along whose edges the rows run.

    Then both edges are steep, and it is dark all over. A shadow has a soft edge at one side at least, and
    where it meets the gauge it is the gauge's own edge that is steep.
    """
    rises = np.diff(np.maximum(contrast, 0.0))
    near = round(NEAR_MM / ROW_MM)
    steep = (
        sign * rises[max(row - near, 0) : row + near] for sign, row in zip((1.0, -1.0), band, strict=True)
    )
    return min(float(each.max()) for each in steep) * float(contrast[band[0] : band[1] + 1].mean())


def _band(contrast: Floats) -> tuple[int, int] | None:
    """The first and the last row of the slit around the greatest contrast; None if there is no gauge's."""
    inside = contrast > contrast.max() / 2
    low = high = int(contrast.argmax())
    while low > 0 and inside[low - 1]:
        low -= 1
    while high < len(inside) - 1 and inside[high + 1]:
        high += 1
    whole = low > 0 and high < len(inside) - 1
    right_height = LOWEST_MM < (high - low + 1) * ROW_MM < TALLEST_MM
    return (low, high) if whole and right_height and contrast.max() > LEAST_CONTRAST else None


def _contrast(light: Floats, x: Floats) -> Floats:
    """For each row of light how much brighter its darker side is than its middle, as a part of both."""
    inside = light[:, np.abs(x) < SLIT_INSIDE_MM].mean(axis=1)
    left, right = (light[:, (s * x > PAPER_MM[0]) & (s * x < PAPER_MM[1])].mean(axis=1) for s in (-1.0, 1.0))
    side = np.minimum(left, right)
    contrast = (side - inside) / (side + inside + 0.02)  # where both are black, nothing is brighter
    return np.convolve(contrast, np.full(3, 1 / 3), mode="same")


def _ends(patch: Patch, view: View, rough: _Rough) -> tuple[float, float]:
    """Where the slit ends at the left and at the right, along the frame.

    Raises
    ------
    GaugeError : it does not end about where the paper at its sides should begin.
    """
    height = rough.upper_mm - rough.lower_mm
    y = rough.lower_mm + np.linspace(0.3, 0.7, 9) * height
    away = np.linspace(-1.2, 1.2, 61)
    middle = rough.middle_mm
    for _ in range(2):  # the second time from nearer by: what lies behind an end pulls it
        x = middle + np.array([-1.0, 1.0])[:, None] * (SLIT_MM / 2 + away)
        light = _light(patch, view, rough.frame, x.ravel(), y).mean(axis=0).reshape(x.shape)
        left, right = middle + np.array([-1.0, 1.0]) * (
            SLIT_MM / 2 + fit_steps(away, light, view.blur_mm).position
        )
        if abs(right - left - SLIT_MM) > SLIT_OFF_MM:
            raise GaugeError("gauge-no-slit", f"what is dark there is {right - left:.1f} mm wide")
        middle = (left + right) / 2
    return float(left), float(right)


def _edge_line(patch: Patch, view: View, rough: _Rough, inwards: float) -> _Line:
    """The line through many points of the lower edge (`inwards` 1) or of the upper one (-1)."""
    step_mm = 0.25 / view.px_per_mm
    edge = rough.lower_mm if inwards > 0 else rough.upper_mm
    away = np.arange(-OUTSIDE_MM, min(0.5 * (rough.upper_mm - rough.lower_mm), 0.4), step_mm)
    neighbours = 5
    x = rough.middle_mm + np.linspace(-SLIT_INSIDE_MM, SLIT_INSIDE_MM, STATIONS * neighbours)
    light = _light(patch, view, rough.frame, x, edge + inwards * away)
    profiles = light.reshape(len(away), STATIONS, neighbours).mean(axis=2).T
    steps = fit_steps(away, profiles, view.blur_across_mm)
    place = edge + inwards * steps.position
    at = x.reshape(STATIONS, neighbours).mean(axis=1) - rough.middle_mm
    # speckles of fluff spoil single points, not the line
    keep = np.ones(STATIONS, dtype=bool)
    for _ in range(3):
        bow, slope, middle = np.polyfit(at[keep], place[keep], 2)
        off = np.abs(place - np.polyval([bow, slope, middle], at))
        keep = off <= max(0.01, 3.0 * 1.4826 * float(np.median(off)))
    slope, middle = np.polyfit(at[keep], place[keep], 1)
    return _Line(float(middle), float(slope), float(bow * SLIT_INSIDE_MM**2))


def _sight(view: View, rough: _Rough, lean_u_deg: float) -> Sight:
    """From where the lens looks into the slit, and the blur.

    Raises
    ------
    GaugeError : it looks so much from above or below that what is uneven in the gauge moves its edges.
    """
    middle = rough.frame.to_card(np.array(rough.middle_mm), np.array((rough.lower_mm + rough.upper_mm) / 2))
    to_eye = view.camera.camera_centre_mm() - np.array([*middle, view.tip_offset_mm])
    across = np.array([-np.sin(rough.frame.angle), np.cos(rough.frame.angle)])
    angle = float(np.arctan2(to_eye[:2] @ across, to_eye[2]))
    if abs(angle) > np.radians(OBLIQUE_DEG):
        raise GaugeError(
            "gauge-oblique", f"it stood {abs(np.degrees(angle)):.0f}° {'above' if angle > 0 else 'below'} it"
        )
    return Sight(view.blur_across_mm, angle, float(np.radians(lean_u_deg)))


def _profiles(patch: Patch, view: View, rough: _Rough) -> Profiles:
    """The mean profiles over the slit and over the paper at its sides."""
    across = np.arange(rough.lower_mm - OUTSIDE_MM, rough.upper_mm + OUTSIDE_MM, 0.1 / view.px_per_mm)
    x = np.linspace(-PAPER_MM[1], PAPER_MM[1], 189)
    light = _light(patch, view, rough.frame, rough.middle_mm + x, across)
    inside, beside = np.abs(x) < SLIT_INSIDE_MM, np.abs(x) > PAPER_MM[0]
    columns_px = 2 * SLIT_INSIDE_MM * view.px_per_mm
    noise = float(np.median(light[:, inside].std(axis=1))) / np.sqrt(columns_px * CORRELATED_PX)
    slit, paper = light[:, inside].mean(axis=1), light[:, beside].mean(axis=1)
    return Profiles(across, slit, paper, noise, view.px_per_mm)
