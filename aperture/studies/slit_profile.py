"""How the light runs across a slit between two strips of card, and the edges that explain it best.

From outside inwards: the cut end of a strip, evenly lit; a step; the wall of the slit, seen only at the edge
from which the lens stands away; the dark. Light reaches the wall through the slit alone. By Lambert's cosine
law a wall gets, at a depth d in a long slit of height h, the part (1 - d / sqrt(d^2 + h^2)) / 2 of what an
even light gives a surface that faces it. So it begins at about half the brightness of the cut end and darkens
over a depth like the slit's height; seen at an angle a, the depth d lies d tan(a) from the edge. Lamps change
how bright the wall is, so its share is fitted.

The cut ends of the paper at both sides of the slit lie between the same two edges, with no wall behind: where
they differ in brightness from the strips, as beside black card, they tell the edges best.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aperture.errors import GaugeError
from aperture.view.edges import fit_steps

Floats = NDArray[np.float64]

# What is known before, with standard uncertainties; working values, from the geometry of slit and phone.
# Blackened walls beside white card begin at 0.02 or 0.03 of its brightness, walls as they were cut at 0.5.
WALL_SHARE, WALL_SHARE_FACTOR = 0.2, 3.0
BLUR_FACTOR = 1.15  # of the blur that the markers tell
PAPER_OFF_MM = 0.01  # by which the paper's edge lies off the strip's
LEAST_NOISE = 0.004  # of the paper's brightness: what a mean profile is not better than
LEAST_ANGLE = 0.02  # radians, where the fit begins: level, no wall is seen, and nothing tells which way to go
CORRELATED_PX = 0.7  # samples nearer to one another tell nothing new: demosaicing, sharpening, JPEG


@dataclass(frozen=True)
class Profiles:
    """Mean light across a slit, paper of the card = 1, at evenly spaced places `across_mm` (m,).

    `slit` (m,) : over its middle; `paper` (m,) : over the paper at its sides. `noise` : standard uncertainty
    of a value. `px_per_mm` : of the photo there.
    """

    across_mm: Floats
    slit: Floats
    paper: Floats
    noise: float
    px_per_mm: float


@dataclass(frozen=True)
class Edges:
    """The lower and the upper edge (2,), mm, and their covariance (2, 2), mm2.

    `front`, `dark` : how bright the strips' cut ends are, and the depth of the slit. `misfit` : rms of what
    of the slit's profile is left unexplained, beside its contrast.
    """

    places_mm: Floats
    covariance: Floats
    front: float
    dark: float
    misfit: float


@dataclass(frozen=True)
class Sight:
    """How the slit is looked at.

    `blur_mm` : standard deviation of the blur across it, as the markers tell. `angle`, `angle_u` : radians by
    which the lens stands above the slit's own direction, and its standard uncertainty.
    """

    blur_mm: float
    angle: float
    angle_u: float


@dataclass(frozen=True)
class _Names:
    """The values that are fitted, one place in the vector each."""

    lower: int = 0
    upper: int = 1
    below: int = 2  # brightness of the strip below the slit
    above: int = 3
    dark: int = 4
    log_wall: int = 5  # logarithm of the wall's share
    angle: int = 6  # radians by which the lens stands above the slit
    log_blur: int = 7
    paper: int = 8
    lower_off: int = 9  # of the paper's edges from the slit's
    upper_off: int = 10


_N = _Names()
_SCALE = np.array([0.01, 0.01, 0.1, 0.1, 0.01, 0.3, 0.03, 0.1, 0.1, 0.01, 0.01])


def fit_edges(profiles: Profiles, start_mm: tuple[float, float], sight: Sight) -> Edges:
    """The edges that explain the light best, by least squares with what is known before.

    Parameters
    ----------
    start_mm : about where the edges are, on the axis of the profiles.

    Raises
    ------
    GaugeError : the light does not tell where they are.
    """
    from scipy.optimize import least_squares

    known = np.array([np.log(WALL_SHARE), sight.angle, np.log(sight.blur_mm), 0.0, 0.0])
    doubt = np.array(
        [np.log(WALL_SHARE_FACTOR), sight.angle_u, np.log(BLUR_FACTOR), PAPER_OFF_MM, PAPER_OFF_MM]
    )
    place = [_N.log_wall, _N.angle, _N.log_blur, _N.lower_off, _N.upper_off]
    spacing_px = float(profiles.across_mm[1] - profiles.across_mm[0]) * profiles.px_per_mm
    seen = np.stack([profiles.slit, profiles.paper])
    independent = float(np.sqrt(min(1.0, spacing_px * CORRELATED_PX)))

    def misfit(values: Floats, noise: Floats) -> Floats:
        off = (_light(profiles.across_mm, values) - seen) / noise[:, None] * independent
        return np.concatenate([off.ravel(), (values[place] - known) / doubt])

    noise = np.full(2, max(profiles.noise, LEAST_NOISE))
    begun = (start_mm, _paper_edges(profiles, start_mm, sight.blur_mm))
    starts = [_start(profiles, edges, known, way) for edges in begun for way in (1.0, -1.0)]
    for _ in range(2):
        # which wall is seen can be told both ways where the lens stands about level with the slit; and beside
        # dark card the paper tells more of the edges, beside white card the slit
        tried = [least_squares(misfit, values, x_scale=_SCALE, args=(noise,)) for values in starts]
        best = min(tried, key=lambda each: float(each.cost))
        # what this model cannot explain must not decide: noise is what it leaves, of each profile
        left = np.sqrt(np.mean((_light(profiles.across_mm, best.x) - seen) ** 2, axis=1))
        noise, starts = np.maximum(noise, left), [each.x for each in tried]
    front, dark = float(best.x[[_N.below, _N.above]].mean()), float(best.x[_N.dark])
    try:
        covariance = np.linalg.inv(best.jac.T @ best.jac)[:2, :2]
    except np.linalg.LinAlgError as error:
        raise GaugeError("gauge-no-slit") from error
    return Edges(best.x[:2], covariance, front, dark, float(left[0]) / max(front - dark, 1e-3))


def _paper_edges(profiles: Profiles, edges_mm: tuple[float, float], blur_mm: float) -> tuple[float, float]:
    """The two edges as the paper at the slit's sides shows them."""
    middle = sum(edges_mm) / 2
    found = []
    for outside in (profiles.across_mm < middle, profiles.across_mm >= middle):
        steps = fit_steps(profiles.across_mm[outside], profiles.paper[outside][None], blur_mm)
        found.append(float(steps.position[0]))
    return found[0], found[1]


def _start(profiles: Profiles, edges_mm: tuple[float, float], known: Floats, way: float) -> Floats:
    """Where the fit begins: the lens above the slit (`way` 1) or below it (-1)."""
    lower, upper = edges_mm
    inside = (profiles.across_mm > lower) & (profiles.across_mm < upper)
    levels = [
        float(np.median(profiles.slit[profiles.across_mm < lower])),
        float(np.median(profiles.slit[profiles.across_mm > upper])),
        float(np.min(profiles.slit[inside])),
    ]
    angle = way * max(way * float(known[1]), LEAST_ANGLE)
    paper = float(np.median(profiles.paper[inside]))
    return np.array([lower, upper, *levels, known[0], angle, known[2], paper, 0.0, 0.0])


def _light(across_mm: Floats, values: Floats) -> Floats:
    """Light over the slit and over the paper beside it, (2, m), for values in the order of `_Names`."""
    from scipy.ndimage import gaussian_filter1d

    spacing = float(across_mm[1] - across_mm[0])
    blur = np.exp(values[_N.log_blur]) / spacing
    lower, upper, angle = values[_N.lower], values[_N.upper], values[_N.angle]
    # with the lens above the slit the wall of its lower edge is seen
    front, away = (
        (values[_N.below], across_mm - lower) if angle > 0 else (values[_N.above], upper - across_mm)
    )
    reach = (upper - lower) * np.tan(abs(angle)) + 1e-4
    depth = np.maximum(away, 0.0) / reach
    wall = np.exp(values[_N.log_wall]) * front * (1.0 - depth / np.sqrt(1.0 + depth**2))
    slit = _between(across_mm, lower, upper, values[_N.below], values[_N.above], values[_N.dark] + wall)
    low, high = lower + values[_N.lower_off], upper + values[_N.upper_off]
    paper = _between(across_mm, low, high, values[_N.below], values[_N.above], values[_N.paper])
    both = np.stack([slit, paper])
    return np.asarray(gaussian_filter1d(both, blur, mode="nearest", truncate=5.0))


def _between(
    across_mm: Floats, lower: float, upper: float, below: float, above: float, inside: Floats | float
) -> Floats:
    """A level below the lower edge, one above the upper, and what is between; each sample its cell's mean."""
    spacing = float(across_mm[1] - across_mm[0])
    outside = np.clip((lower - across_mm) / spacing + 0.5, 0.0, 1.0)
    beyond = np.clip((across_mm - upper) / spacing + 0.5, 0.0, 1.0)
    return np.asarray(outside * below + beyond * above + (1.0 - outside - beyond) * inside)
