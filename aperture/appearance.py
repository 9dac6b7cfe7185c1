"""What an opening looks like across its edges, and the blades that explain the photo best.

Across each edge, from the inside outwards, a reed's tip shows four things: the dark of the bore, perhaps
a lit inner wall that fades inwards, the rim of the blade (as thick as the blade's tip, equally bright all
around, for it faces the camera), and what lies outside (the blade's back, or the background). Blurred as
the card's own markers are blurred, these are fitted to the brightness around the whole opening at once,
together with the two blades. Where the opening is thinner than the blur, the same model is that of a
slit: what is missing in light tells its thickness.

The model is linear in the brightnesses, which vary slowly along the blades; for each position of the
blades the best brightnesses are solved for, and Gauss-Newton with damping moves the blades (variable
projection: Golub & Pereyra, Inverse Problems 19, R1, 2003). Light is never negative, so a wall that would
need a bore darker than black is no explanation. The rim's thickness, and how it tapers towards the corners,
are fitted too, but kept near what is usual, for at a few pixels a photo tells them badly; the reach of a lit
wall is given. What a doubt in them does to the blades belongs into the uncertainty.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from aperture.blades import LEAST_Q, LOWER, MOST_Q, PARAMETERS, UPPER, Blades, shape_prior
from aperture.edges import Patch
from aperture.view import View

Floats = NDArray[np.float64]

# Brightness of the card's paper = 1; slope per 0.1 mm. For each: what is usual, how far it may differ, how
# much it changes from knot to knot, and the knots along the opening, between which it changes linearly.
# What lies outside changes abruptly where the back of a blade ends.
LEVELS = ("rim", "outside", "slope", "wall", "bore")
LEVEL_MEAN = np.array([0.5, 0.5, 0.0, 0.0, 0.03])
LEVEL_SPREAD = np.array([0.4, 0.5, 0.03, 0.4, 0.06])
LEVEL_STEP = np.array([0.05, 0.3, 0.2, 0.3, 0.03])
KNOTS = (2, 17, 9, 9, 5)
# The unknown brightnesses: the rim of both blades; then the other four of the lower, and of the upper edge.
COLUMN_LEVEL = (0, 1, 2, 3, 4, 1, 2, 3, 4)
COLUMNS = tuple(KNOTS[level] for level in COLUMN_LEVEL)
BORE_ALIKE = 0.05  # both edges look into the same bore
NEVER_NEGATIVE = np.concatenate([np.full(KNOTS[level], LEVELS[level] != "slope") for level in COLUMN_LEVEL])
DARK = 1e-3  # how well "not negative" is kept, paper = 1

MOST_COLUMNS = 110
# How far from an edge the photo is looked at: millimetres, and multiples of the blur. Less far outwards while
# the blades are only roughly known, lest what lies beyond the rim be taken for a part of the reed.
INSIDE_MM, INSIDE_BLURS = 0.12, 2.5
OUTSIDE_MM, NEARLY_OUTSIDE_MM, OUTSIDE_BLURS = 0.3, 0.13, 1.5
# Samples closer than a pixel are not independent, nor are neighbouring pixels of a JPEG with cane's grain.
INDEPENDENT = 0.1
LEAST_NOISE = 0.004


@dataclass(frozen=True)
class Assumed:
    """What is usual of a tip: thickness of the rim, and how far inwards a lit wall fades to 1/e.

    Along the opening the rim is (1 - u^2)^taper times as thick as in its middle (u runs from -1 to 1), for
    blades are scraped thinnest at the corners. `rim_spread` (relative) and `taper_spread` are standard
    uncertainties; the photo may move both that far.
    """

    rim_mm: float
    reach_mm: float
    rim_spread: float = 0.2
    taper: float = 0.15
    taper_spread: float = 0.1


@dataclass(frozen=True)
class Explained:
    """The blades that explain the photo best.

    `covariance` (16, 16) is that of the blades' parameters, from the noise alone. `rim`, `bore` (2, n):
    brightness along the lower and the upper edge, paper = 1. `misfit` is the rms of what is not explained
    near the edges, relative to the rim.
    """

    blades: Blades
    covariance: Floats
    rim: Floats
    bore: Floats
    misfit: float


@dataclass(frozen=True)
class _Samples:
    """Samples (n,) near the edges: column, y in the blades' frame, brightness. Columns' x are `x` (m,)."""

    x: Floats
    column: NDArray[np.intp]
    y: Floats
    light: Floats
    blur_mm: float
    weight: float


def _collect(patch: Patch, view: View, blades: Blades, outside_mm: float) -> _Samples:
    """Sample the photo on columns across the opening, near its edges."""
    pixel_mm, blur_mm = 1.0 / view.px_per_mm, view.blur_across_mm
    inside = INSIDE_MM + INSIDE_BLURS * blur_mm
    outside = outside_mm + OUTSIDE_BLURS * blur_mm
    beyond = 0.5 * blur_mm
    length = blades.right - blades.left + 2 * beyond
    columns = int(np.clip(round(length / pixel_mm), 40, MOST_COLUMNS))
    x = np.linspace(blades.left - beyond, blades.right + beyond, columns)
    low, high = blades.edges(x)
    dy = max(0.5 * pixel_mm, blur_mm / 3)
    steps = np.arange(np.floor((low.min() - outside) / dy), np.ceil((high.max() + outside) / dy) + 1) * dy
    below, above = steps - low[:, None], steps - high[:, None]
    near = (below > -outside) & (above < outside) & ((below < inside) | (above > -inside))
    column, row = np.nonzero(near)
    points = np.column_stack([x[column], steps[row]])
    light = patch.sample(view.to_pixel(blades.to_card(points)))
    weight = INDEPENDENT * min(1.0, (x[1] - x[0]) * dy / pixel_mm**2)
    return _Samples(x, column, steps[row], light, blur_mm, weight)


def _across(z: Floats, blur: float, rim_mm: Floats, reach_mm: float) -> tuple[Floats, Floats, Floats]:
    """The brightness patterns across one edge, blurred, and their change with z and with the rim's thickness.

    `z`, `rim_mm` (n,) mm: outwards from the edge, and the rim's thickness there. Returns three arrays (n, 5)
    in the order of `LEVELS`; the bore's is 1 inside the edge and 0 outside.
    """
    from scipy.special import erfcx, ndtr

    t, past = z / blur, (z - rim_mm) / blur
    peak = np.exp(-0.5 * t * t) / (np.sqrt(2 * np.pi) * blur)
    peak_past = np.exp(-0.5 * past * past) / (np.sqrt(2 * np.pi) * blur)
    outer, outside = ndtr(t), ndtr(past)
    ramp = ((z - rim_mm) * outside + blur**2 * peak_past) / 0.1
    # exp(z / reach) inside the edge, blurred: an exponentially modified Gaussian, in its stable form
    tail = (t + blur / reach_mm) / np.sqrt(2)
    wall = np.where(
        tail > -5.0,
        0.5 * np.exp(-0.5 * t * t) * erfcx(np.maximum(tail, -5.0)),
        np.exp(np.minimum(z / reach_mm + 0.5 * (blur / reach_mm) ** 2, 0.0)),
    )
    patterns = np.stack([outer - outside, outside, ramp, wall, 1.0 - outer], axis=1)
    change = np.stack([peak - peak_past, peak_past, outside / 0.1, wall / reach_mm - peak, -peak], axis=1)
    by_rim = np.zeros_like(patterns)
    by_rim[:, 0], by_rim[:, 1], by_rim[:, 2] = peak_past, -peak_past, -outside / 0.1
    return patterns, change, by_rim


@dataclass(frozen=True)
class _Patterns:
    """Patterns (n, 5) of the lower and upper edge, and their change per mm that either edge moves up."""

    lower: Floats
    upper: Floats
    lower_by_low: Floats
    lower_by_high: Floats
    upper_by_low: Floats
    upper_by_high: Floats
    lower_by_rim: Floats
    upper_by_rim: Floats


def _from_corners(samples: _Samples, blades: Blades) -> Floats:
    """1 - u² at the samples (n,): 1 in the middle of the opening, hardly anything at its corners."""
    u = (2 * samples.x - blades.left - blades.right) / (blades.right - blades.left)
    return np.asarray(np.clip(1.0 - u * u, 0.02, 1.0)[samples.column])


def _patterns(samples: _Samples, blades: Blades, assumed: Assumed) -> _Patterns:
    share_of_rim = _from_corners(samples, blades) ** assumed.taper
    rim_mm = assumed.rim_mm * share_of_rim
    low, high = (edge[samples.column] for edge in blades.edges(samples.x))
    slope_low, slope_high = (slope[samples.column] for slope in blades.slopes(samples.x))
    cos_low, cos_high = 1 / np.hypot(1, slope_low), 1 / np.hypot(1, slope_high)
    below, above = (low - samples.y) * cos_low, (samples.y - high) * cos_high
    lower, d_lower, lower_by_rim = _across(below, samples.blur_mm, rim_mm, assumed.reach_mm)
    upper, d_upper, upper_by_rim = _across(above, samples.blur_mm, rim_mm, assumed.reach_mm)
    d_lower *= cos_low[:, None]
    d_upper *= -cos_high[:, None]
    lower_by_rim *= share_of_rim[:, None]
    upper_by_rim *= share_of_rim[:, None]
    lower_by_high, upper_by_low = np.zeros_like(lower), np.zeros_like(upper)
    # What is inside is inside of both edges: a wall ends at the other blade, and the bore passes from the
    # level at one edge to that at the other.
    within_low, within_high = lower[:, 4].copy(), upper[:, 4].copy()
    d_within_low, d_within_high = d_lower[:, 4].copy(), d_upper[:, 4].copy()
    lower_by_high[:, 3], upper_by_low[:, 3] = lower[:, 3] * d_within_high, upper[:, 3] * d_within_low
    for own, change, other in ((lower, d_lower, within_high), (upper, d_upper, within_low)):
        own[:, 3] *= other
        change[:, 3] *= other
    share = np.clip((samples.y - low) / np.maximum(high - low, 1e-6), 0.0, 1.0)
    bore = within_low + within_high - 1.0
    for own, by_low, by_high, part in (
        (lower, d_lower, lower_by_high, 1 - share),
        (upper, upper_by_low, d_upper, share),
    ):
        own[:, 4], by_low[:, 4], by_high[:, 4] = bore * part, d_within_low * part, d_within_high * part
    return _Patterns(lower, upper, d_lower, lower_by_high, upper_by_low, d_upper, lower_by_rim, upper_by_rim)


@dataclass(frozen=True)
class _Knots:
    """Weights of the knots at the samples, a matrix (n, knots) for each of `LEVELS`."""

    weights: tuple[Floats, ...]

    def design(self, patterns: _Patterns) -> Floats:
        """The patterns as columns of a design matrix, one column an unknown brightness."""
        parts = [(patterns.lower[:, 0] + patterns.upper[:, 0])[:, None] * self.weights[0]]
        for own in (patterns.lower, patterns.upper):
            parts += [own[:, level, None] * self.weights[level] for level in range(1, len(LEVELS))]
        return np.concatenate(parts, axis=1)

    def at_samples(self, levels: Floats) -> Floats:
        """The brightnesses at the samples (2, 5, n) from those at all knots."""
        pieces = np.split(levels, np.cumsum(COLUMNS)[:-1])
        each = [self.weights[level] @ piece for level, piece in zip(COLUMN_LEVEL, pieces, strict=True)]
        return np.array([each[:5], [each[0], *each[5:]]])


def _knots(samples: _Samples, blades: Blades) -> _Knots:
    share = np.clip((samples.x - blades.left) / (blades.right - blades.left), 0.0, 1.0)[samples.column]
    hats = (np.clip(1.0 - np.abs(share[:, None] * (k - 1) - np.arange(k)), 0.0, None) for k in KNOTS)
    return _Knots(tuple(hats))


@cache
def _level_prior() -> tuple[Floats, Floats]:
    """What is usual of the brightnesses: rows of a matrix and a right-hand side, in standard deviations."""
    count = sum(COLUMNS)
    index = np.split(np.arange(count), np.cumsum(COLUMNS)[:-1])
    spread = np.repeat(LEVEL_SPREAD[list(COLUMN_LEVEL)], COLUMNS)
    mean = np.repeat(LEVEL_MEAN[list(COLUMN_LEVEL)], COLUMNS)
    rows, right = [np.eye(count) / spread[:, None]], [mean / spread]

    def difference(first: NDArray[np.intp], second: NDArray[np.intp], size: float) -> None:
        each = np.arange(len(first))
        step = np.zeros((len(first), count))
        step[each, first], step[each, second] = -1 / size, 1 / size
        rows.append(step)
        right.append(np.zeros(len(first)))

    for level, knots in zip(COLUMN_LEVEL, index, strict=True):
        difference(knots[:-1], knots[1:], float(LEVEL_STEP[level]))
    difference(index[4], index[8], BORE_ALIKE)
    return np.concatenate(rows), np.concatenate(right)


def _brightnesses(normal: Floats, right: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """The unknown brightnesses that solve normal @ levels = right, none negative; and which of them touch 0.

    What comes out negative is held at 0, and the rest solved for again, until nothing new does.
    """
    held = np.zeros(len(right), dtype=bool)
    levels = np.linalg.solve(normal, right)
    for _ in range(4):
        negative = NEVER_NEGATIVE & (levels < -DARK) & ~held
        if not negative.any():
            break
        held |= negative
        levels = np.linalg.solve(normal + np.diag(held / DARK**2), right)
    return np.asarray(levels), held


def explain(
    patch: Patch,
    view: View,
    start: Blades,
    assumed: Assumed,
    rounds: tuple[int, ...] = (12, 12),
    outside_mm: float = OUTSIDE_MM,
) -> Explained:
    """Fit blades and brightness to the photo.

    Parameters
    ----------
    patch : the surroundings of the tip in linear light, paper = 1, sharpening undone.
    start : blades within a few blurs of the truth.
    view : where the millimetres are, and the blur across the opening as measured on the card's markers.
    assumed : what is usual of a rim, and the reach of a lit wall.
    rounds : steps at the most; before each round, the photo is sampled anew about the blades found.
    outside_mm : how far outwards from the edges the photo is looked at, beside some blurs.
    """
    result = _fit(_collect(patch, view, start, outside_mm), start, assumed, rounds[0])
    for steps in rounds[1:]:
        again = result.blades.reframed()
        result = _fit(_collect(patch, view, again, outside_mm), again, assumed, steps)
    return result


def _fit(samples: _Samples, start: Blades, assumed: Assumed, steps: int) -> Explained:
    rows, right = _level_prior()
    prior_normal, prior_gradient = rows.T @ rows, rows.T @ right
    knots = _knots(samples, start)
    count = rows.shape[1]

    def solve(theta: Floats, weights: Floats) -> tuple[_Patterns, Floats, Floats, NDArray[np.bool_], Floats]:
        """Patterns, design, best brightnesses, which of them are held at 0, and misfit."""
        blades, tip = _of_theta(theta, start, assumed)
        patterns = _patterns(samples, blades, tip)
        design = knots.design(patterns)
        weighted = design * weights[:, None]
        levels, held = _brightnesses(
            weighted.T @ design + prior_normal, weighted.T @ samples.light + prior_gradient
        )
        return patterns, design, levels, held, samples.light - design @ levels

    def cost(misfit: Floats, weights: Floats, levels: Floats, theta: Floats) -> float:
        prior = np.sum((rows @ levels - right) ** 2) + np.sum(_theta_prior(theta, assumed) ** 2)
        return float(np.sum(weights * misfit**2) + prior)

    theta = np.concatenate([start.vector, [np.log(assumed.rim_mm), assumed.taper]])
    weights = np.full(len(samples.y), samples.weight / 0.05**2)
    patterns, design, levels, held, misfit = solve(theta, weights)
    noise, damping = 0.05, 1e-3
    normal = np.eye(count + len(theta))
    for _ in range(steps):
        noise = max(LEAST_NOISE, 1.4826 * float(np.median(np.abs(misfit))))
        weights = samples.weight / noise**2 / np.maximum(1.0, np.abs(misfit) / (2.0 * noise))
        before = cost(misfit, weights, levels, theta)
        jacobian = np.concatenate(
            [design, _by_theta(samples, start, assumed, theta, knots, levels, patterns)], axis=1
        )
        weighted = jacobian * weights[:, None]
        normal = weighted.T @ jacobian
        gradient = weighted.T @ misfit
        normal[:count, :count] += prior_normal + np.diag(held / DARK**2)
        gradient[:count] += prior_gradient - prior_normal @ levels - held / DARK**2 * levels
        theta_rows, theta_right = _theta_prior_rows(theta, assumed)
        normal[count:, count:] += theta_rows.T @ theta_rows
        gradient[count:] += theta_rows.T @ theta_right
        for _ in range(5):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)[count:]
            moved = _bounded(theta + np.clip(step, -0.1, 0.1))
            trial = solve(moved, weights)
            after = cost(trial[4], weights, trial[2], moved)
            if after < before:
                break
            damping *= 8
        else:
            break
        small = float(np.max(np.abs(moved - theta))) < 5e-4
        theta, (patterns, design, levels, held, misfit) = moved, trial
        damping = max(1e-6, damping / 4)
        if small:
            break
    covariance = np.asarray(np.linalg.inv(normal))[count:, count:]
    first = np.unique(samples.column, return_index=True)[1]
    at = knots.at_samples(levels)[:, :, first]
    blades = replace(start, vector=theta[:PARAMETERS])
    low, high = (edge[samples.column] for edge in blades.edges(samples.x))
    near = np.maximum(low - samples.y, samples.y - high) < NEARLY_OUTSIDE_MM + OUTSIDE_BLURS * samples.blur_mm
    return Explained(
        blades=blades,
        covariance=covariance[:PARAMETERS, :PARAMETERS],
        rim=at[:, 0],
        bore=at[:, 4],
        misfit=float(np.sqrt(np.mean(misfit[near] ** 2)) / max(float(np.median(at[:, 0])), DARK)),
    )


def _of_theta(theta: Floats, start: Blades, assumed: Assumed) -> tuple[Blades, Assumed]:
    """The blades and the tip that the fitted numbers stand for: blades (16,), ln(rim), taper."""
    tip = replace(assumed, rim_mm=float(np.exp(theta[PARAMETERS])), taper=float(theta[PARAMETERS + 1]))
    return replace(start, vector=theta[:PARAMETERS]), tip


def _by_theta(
    samples: _Samples,
    start: Blades,
    assumed: Assumed,
    theta: Floats,
    knots: _Knots,
    levels: Floats,
    patterns: _Patterns,
) -> Floats:
    """Change of the model's brightness with the fitted numbers; (n, 18)."""
    at = knots.at_samples(levels)

    def light(lower: Floats, upper: Floats) -> Floats:
        return np.asarray(np.einsum("ng,gn->n", lower, at[0]) + np.einsum("ng,gn->n", upper, at[1]))

    by_low = light(patterns.lower_by_low, patterns.upper_by_low)
    by_high = light(patterns.lower_by_high, patterns.upper_by_high)
    blades, tip = _of_theta(theta, start, assumed)
    low, high = blades.edges(samples.x)
    columns, step = [], 1e-6
    for index in range(PARAMETERS):
        moved = blades.vector.copy()
        moved[index] += step
        low_moved, high_moved = replace(start, vector=moved).edges(samples.x)
        d_low, d_high = (low_moved - low) / step, (high_moved - high) / step
        columns.append(by_low * d_low[samples.column] + by_high * d_high[samples.column])
    by_rim = light(patterns.lower_by_rim, patterns.upper_by_rim) * tip.rim_mm
    # the rim's thickness is rim * (1 - u²)^taper, so that a step of taper is one of ln(rim) times ln(1 - u²)
    columns += [by_rim, by_rim * np.log(_from_corners(samples, blades))]
    return np.stack(columns, axis=1)


def _theta_prior(theta: Floats, assumed: Assumed) -> Floats:
    """The prior of blades and rim, in standard deviations."""
    rim = (theta[PARAMETERS] - np.log(assumed.rim_mm)) / assumed.rim_spread
    taper = (theta[PARAMETERS + 1] - assumed.taper) / assumed.taper_spread
    return np.concatenate([shape_prior(theta[:PARAMETERS]), [rim, taper]])


def _theta_prior_rows(theta: Floats, assumed: Assumed) -> tuple[Floats, Floats]:
    """That prior, linearised: rows and right-hand side."""
    base = _theta_prior(theta, assumed)
    rows = np.zeros((len(base), len(theta)))
    for index in range(len(theta)):
        moved = theta.copy()
        moved[index] += 1e-6
        rows[:, index] = (_theta_prior(moved, assumed) - base) / 1e-6
    return rows, -base


def _bounded(theta: Floats) -> Floats:
    bounded = theta.copy()
    for index in (UPPER.start, LOWER.start):
        bounded[index] = np.clip(bounded[index], LEAST_Q, MOST_Q)
    return bounded


def misfit_on(points_mm: Floats, light: Floats, found: Explained, view: View, assumed: Assumed) -> float:
    """How badly blades explain the brightness (n,) at points (n, 2) that were chosen without them.

    The brightnesses are solved for again; the answer is the mean absolute misfit, which a few bright specks
    do not decide.
    """
    local = found.blades.to_local(points_mm)
    samples = _Samples(local[:, 0], np.arange(len(local)), local[:, 1], light, view.blur_across_mm, 1.0)
    design = _knots(samples, found.blades).design(_patterns(samples, found.blades, assumed))
    rows, right = _level_prior()
    weight = INDEPENDENT / 0.02**2
    levels, _ = _brightnesses(
        design.T @ design * weight + rows.T @ rows, design.T @ light * weight + rows.T @ right
    )
    return float(np.mean(np.abs(light - design @ levels)))
