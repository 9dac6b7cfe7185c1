"""How the light runs across a slit between two strips of card, and the edges that explain it best.

From outside inwards: the cut end of a strip, evenly lit; a step; the wall of the slit, seen only at the edge
from which the lens stands away; the dark. Light reaches the wall through the slit alone. By Lambert's cosine
law a wall gets, at a depth d in a long slit of height h, the part (1 - d / sqrt(d^2 + h^2)) / 2 of what an
even light gives a surface that faces it. So it begins at about half the brightness of the cut end and darkens
over a depth like the slit's height; seen at an angle a, the depth d lies d tan(a) from the edge. Lamps change
how bright the wall is, so its share is fitted. A lamp above the slit shines on its lower wall, too, down to
where the other strip shades it: at an elevation e to the depth h / tan(e). A wall as it was cut then looks
much like the strip's front; how bright it is, and how deep it is lit, are fitted.

The cut ends of the paper at both sides of the slit lie between the same two edges, with no wall behind: where
they differ in brightness from the strips, as beside black card, they tell the edges best. A strip whose front
stands before the paper's shades the paper at that edge; so the paper may be dark there, by a part that is
fitted. Where paper and strips are about equally bright the paper is left out.
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
# Most paper is in no shadow and most walls in no lamp's light; some are, and plainly. So what is known of
# both is Cauchy's distribution, as wide as what the least noise hides of a strip of 0.4: 0.01 of it.
RARE = 0.01
# A strip that stands before the paper shades its edge: how far in.
SHADE_MM, SHADE_FACTOR = 0.1, 2.0
# Paper that is about as bright as the strips shows no edge, and a ledge of it that the lamp lights would pass
# for one: so much brighter or darker than the strips it must be, as a part of both.
PAPER_CONTRAST = 0.1
# How deep a lamp shines into the slit, in its heights: 1 / tan(63 degrees), by a factor of 2 (45 to 76
# degrees). The lamp is wide, so its light ends softly, over so much of that depth to either side.
LAMP_DEPTH, LAMP_DEPTH_FACTOR, LAMP_SOFT = 0.5, 2.0, 0.3
LAMP_START = 0.7  # how bright the lit wall is where the fit begins with one, beside the strip
NO_WEIGHT = 10.0  # a noise so great that a profile counts for nothing
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
    lower_shade: int = 11  # the part of its light that the paper lacks at its edge
    upper_shade: int = 12
    log_reach: int = 13  # logarithm of how far from the edge a shadow reaches, mm
    lamp: int = 14  # how bright a lamp makes the wall, a part of the strip's brightness
    log_lamp_depth: int = 15  # logarithm of how deep its light falls, in heights of the slit


_N = _Names()
_SCALE = np.array([0.01, 0.01, 0.1, 0.1, 0.01, 0.3, 0.03, 0.1, 0.1, 0.01, 0.01, 0.3, 0.3, 0.3, 0.3, 0.3])


def _known(sight: Sight) -> dict[int, tuple[float, float]]:
    """What is known before the fit: of each place in the vector the value and its standard uncertainty."""
    return {
        _N.log_wall: (np.log(WALL_SHARE), np.log(WALL_SHARE_FACTOR)),
        _N.angle: (sight.angle, sight.angle_u),
        _N.log_blur: (np.log(sight.blur_mm), np.log(BLUR_FACTOR)),
        _N.lower_off: (0.0, PAPER_OFF_MM),
        _N.upper_off: (0.0, PAPER_OFF_MM),
        _N.lower_shade: (0.0, RARE),
        _N.upper_shade: (0.0, RARE),
        _N.log_reach: (np.log(SHADE_MM), np.log(SHADE_FACTOR)),
        _N.lamp: (0.0, RARE),
        _N.log_lamp_depth: (np.log(LAMP_DEPTH), np.log(LAMP_DEPTH_FACTOR)),
    }


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

    known = _known(sight)
    place, before, doubt = np.array(list(known)), *np.array(list(known.values())).T
    rare = np.isin(place, [_N.lower_shade, _N.upper_shade, _N.lamp])
    spacing_px = float(profiles.across_mm[1] - profiles.across_mm[0]) * profiles.px_per_mm
    seen = np.stack([profiles.slit, profiles.paper])
    independent = float(np.sqrt(min(1.0, spacing_px * CORRELATED_PX)))

    def misfit(values: Floats, noise: Floats) -> Floats:
        off = (_light(profiles.across_mm, values) - seen) / noise[:, None] * independent
        unlike = (values[place] - before) / doubt
        cauchy = np.sign(unlike) * np.sqrt(2.0 * np.log1p(unlike**2))  # half its square is -ln of the density
        return np.concatenate([off.ravel(), np.where(rare, cauchy, unlike)])

    tells = _paper_tells(profiles, start_mm)
    noise = np.full(2, max(profiles.noise, LEAST_NOISE))
    if not tells:
        noise[1] = NO_WEIGHT
    begun = [start_mm, *_paper_edges(profiles, start_mm, sight.blur_mm)] if tells else [start_mm]
    starts = [
        _start(profiles, edges, known, way, lamp)
        for edges in begun
        for way in (1.0, -1.0)
        for lamp in (0.0, LAMP_START)
    ]
    for _ in range(2):
        # which wall is seen can be told both ways where the lens stands about level with the slit; and beside
        # dark card the paper tells more of the edges, beside white card the slit; and a wall in a lamp's
        # light looks much like the strip before it
        tried = [least_squares(misfit, values, x_scale=_SCALE, args=(noise,), ftol=1e-6) for values in starts]
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


def _paper_tells(profiles: Profiles, edges_mm: tuple[float, float]) -> bool:
    """Whether the paper differs from the strips beside it, so that its edges can be seen."""
    lower, upper = edges_mm
    inside = (profiles.across_mm > lower) & (profiles.across_mm < upper)
    outside = (profiles.across_mm < lower) | (profiles.across_mm > upper)
    paper, strips = (float(np.median(profiles.paper[where])) for where in (inside, outside))
    return abs(paper - strips) > PAPER_CONTRAST * (paper + strips)


def _paper_edges(
    profiles: Profiles, edges_mm: tuple[float, float], blur_mm: float
) -> list[tuple[float, float]]:
    """The two edges as the paper at the slit's sides shows them; none where that is nowhere near."""
    middle = sum(edges_mm) / 2
    found = []
    for outside in (profiles.across_mm < middle, profiles.across_mm >= middle):
        steps = fit_steps(profiles.across_mm[outside], profiles.paper[outside][None], blur_mm)
        found.append(float(steps.position[0]))
    off = max(abs(shown - edge) for shown, edge in zip(found, edges_mm, strict=True))
    return [(found[0], found[1])] if off < (edges_mm[1] - edges_mm[0]) / 4 else []


def _start(
    profiles: Profiles,
    edges_mm: tuple[float, float],
    known: dict[int, tuple[float, float]],
    way: float,
    lamp: float,
) -> Floats:
    """Where the fit begins: the lens above the slit (`way` 1) or below it (-1), its wall lit by a `lamp`."""
    lower, upper = edges_mm
    inside = (profiles.across_mm > lower) & (profiles.across_mm < upper)
    start = np.zeros(len(_SCALE))
    for place, (value, _) in known.items():
        start[place] = value
    start[_N.lower], start[_N.upper] = edges_mm
    start[_N.below] = np.median(profiles.slit[profiles.across_mm < lower])
    start[_N.above] = np.median(profiles.slit[profiles.across_mm > upper])
    start[_N.dark] = np.min(profiles.slit[inside])
    start[_N.angle] = way * max(way * known[_N.angle][0], LEAST_ANGLE)
    start[_N.paper] = np.median(profiles.paper[inside])
    start[_N.lamp] = lamp
    return start


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
    even = np.exp(values[_N.log_wall]) * (1.0 - depth / np.sqrt(1.0 + depth**2))
    ends = (1.0 - depth / np.exp(values[_N.log_lamp_depth])) / (2 * LAMP_SOFT) + 0.5
    wall = front * (even + max(values[_N.lamp], 0.0) * np.clip(ends, 0.0, 1.0))
    slit = _between(across_mm, lower, upper, values[_N.below], values[_N.above], values[_N.dark] + wall)
    paper = _paper(across_mm, values)
    both = np.stack([slit, paper])
    return np.asarray(gaussian_filter1d(both, blur, mode="nearest", truncate=5.0))


def _paper(across_mm: Floats, values: Floats) -> Floats:
    """Light over the paper before it is blurred: shaded at its edges by a strip that stands before it."""
    low, high = values[_N.lower] + values[_N.lower_off], values[_N.upper] + values[_N.upper_off]
    reach = np.exp(values[_N.log_reach])
    lit = np.full_like(across_mm, values[_N.paper])
    for away, shade in (
        (across_mm - low, values[_N.lower_shade]),
        (high - across_mm, values[_N.upper_shade]),
    ):
        lit *= 1.0 - shade * np.clip(1.0 - away / reach, 0.0, 1.0)
    return _between(across_mm, low, high, values[_N.below], values[_N.above], lit)


def _between(
    across_mm: Floats, lower: float, upper: float, below: float, above: float, inside: Floats | float
) -> Floats:
    """A level below the lower edge, one above the upper, and what is between; each sample its cell's mean."""
    spacing = float(across_mm[1] - across_mm[0])
    outside = np.clip((lower - across_mm) / spacing + 0.5, 0.0, 1.0)
    beyond = np.clip((across_mm - upper) / spacing + 0.5, 0.0, 1.0)
    return np.asarray(outside * below + beyond * above + (1.0 - outside - beyond) * inside)
