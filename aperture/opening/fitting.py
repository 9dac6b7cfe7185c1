"""The blades that explain the photo best, and how well.

The patterns of `appearance` are fitted to the brightness around the whole opening at once, together with the
two blades. The model is linear in the brightnesses, which vary slowly along the blades; for each position of
the blades the best brightnesses are solved for, and Gauss-Newton with damping moves the blades (variable
projection: Golub & Pereyra, Inverse Problems 19, R1, 2003). Light is never negative, so a wall that would
need a bore darker than black is no explanation. The rim's thickness, and how it tapers towards the corners,
are fitted too, but kept near what is usual, for at a few pixels a photo tells them badly; the reach of a lit
wall is given. What a doubt in them does to the blades belongs into the uncertainty.

All places of a column share their brightnesses, so every sum over samples is first taken over each column.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from aperture.opening.appearance import (
    DARK,
    INDEPENDENT,
    LEAST_NOISE,
    NEARLY_OUTSIDE_MM,
    OUTSIDE_BLURS,
    OUTSIDE_MM,
    Assumed,
    Knots,
    Patterns,
    Samples,
    collect,
    from_corners,
    knots_of,
    level_prior,
    level_prior_normal,
    patterns_of,
)
from aperture.opening.blades import (
    LEAST_Q,
    LOWER,
    MOST_Q,
    PARAMETERS,
    UPPER,
    Blades,
    shape_prior,
    shape_prior_by_vector,
)
from aperture.view.edges import Patch
from aperture.view.view import View

Floats = NDArray[np.float64]

STILL_MM = 5e-4  # an outline that moves by less has arrived: a tenth of the best uncertainty, and less
PIECES = 14  # of each edge, that are asked whether they lie elsewhere: half a millimetre each
AT_EDGE_MM = 0.08  # outwards: what is no farther away tells where the edge is


@dataclass(frozen=True)
class Explained:
    """The blades that explain the photo best.

    `covariance` (16, 16) is that of the blades' parameters, from the noise alone. `rim`, `bore` (2, n):
    brightness along the lower and the upper edge, paper = 1. `misfit` is the rms of what is not explained
    near the edges, relative to the rim; `tip` the rim as fitted.
    """

    blades: Blades
    covariance: Floats
    rim: Floats
    bore: Floats
    misfit: float
    tip: Assumed


@dataclass(frozen=True)
class Unexplained:
    """What an outline leaves unexplained at its edges.

    `misfit`: its rms at the edges and inside, relative to the rim; `stray_mm`: how far the piece of an edge
    that strays most seems to lie off the outline.
    """

    misfit: float
    stray_mm: float


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
    result = _fit(collect(patch, view, start, outside_mm), start, assumed, rounds[0])
    for steps in rounds[1:]:
        again = result.blades.reframed()
        result = _fit(collect(patch, view, again, outside_mm), again, assumed, steps)
    return result


@dataclass(frozen=True)
class _Solved:
    """For one position of the blades: the patterns, the best brightnesses, and what they leave unexplained.

    `levels` (k,): brightnesses at the knots; `held` (k,): which of them are held at 0; `on_columns` (2n, m).
    """

    patterns: Patterns
    columns: Floats
    levels: Floats
    held: NDArray[np.bool_]
    on_columns: Floats
    misfit: Floats

    @property
    def of_blades(self) -> Floats:
        """The brightnesses of the lower and of the upper blade on the columns, (2, n, m): rim to bore."""
        return self.on_columns.reshape(2, -1, self.on_columns.shape[1])


def _products(rows: Floats, weights: Floats, other: Floats) -> Floats:
    """Weighted sums over the places of each column, for every pair: (i, m, s) and (j, m, s) to (i, m, j)."""
    each = (rows * weights).transpose(1, 0, 2) @ other.transpose(1, 2, 0)
    return np.ascontiguousarray(each.transpose(1, 0, 2))


def _solve(samples: Samples, knots: Knots, blades: Blades, tip: Assumed, weights: Floats) -> _Solved:
    prior_normal, prior_gradient = level_prior_normal(knots.detail)
    patterns = patterns_of(samples, blades, tip)
    columns = patterns.columns()
    products = _products(columns, weights, np.concatenate([columns, samples.light[None]]))
    levels, held = _brightnesses(
        knots.normal(products[:, :, :-1]) + prior_normal,
        knots.gathered(products[:, :, -1:])[:, 0] + prior_gradient,
        knots.detail.never_negative,
    )
    on_columns = knots.on_columns(levels)
    misfit = samples.light - np.einsum("ims,im->ms", columns, on_columns)
    return _Solved(patterns, columns, levels, held, on_columns, misfit)


def _brightnesses(
    normal: Floats, right: Floats, never_negative: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]]:
    """The unknown brightnesses that solve normal @ levels = right, none negative; and which of them touch 0.

    What comes out negative is held at 0, and the rest solved for again, until nothing new does.
    """
    held = np.zeros(len(right), dtype=bool)
    levels = np.linalg.solve(normal, right)
    for _ in range(4):
        negative = never_negative & (levels < -DARK) & ~held
        if not negative.any():
            break
        held |= negative
        levels = np.linalg.solve(normal + np.diag(held / DARK**2), right)
    return np.asarray(levels), held


def _fit(samples: Samples, start: Blades, assumed: Assumed, steps: int) -> Explained:
    detail = assumed.detail
    rows, right = level_prior(detail)
    prior_normal, prior_gradient = level_prior_normal(detail)
    knots = knots_of(samples, start, detail)
    count = rows.shape[1]

    def solve(theta: Floats, weights: Floats) -> _Solved:
        return _solve(samples, knots, *_of_theta(theta, start, assumed), weights)

    def cost(solved: _Solved, weights: Floats, theta: Floats) -> float:
        prior = np.sum((rows @ solved.levels - right) ** 2) + np.sum(_theta_prior(theta, assumed) ** 2)
        return float(np.sum(weights * solved.misfit**2) + prior)

    theta = np.concatenate([start.vector, [np.log(assumed.rim_mm), assumed.taper]])
    here = solve(theta, np.where(samples.there, samples.weight / 0.05**2, 0.0))
    damping = 1e-3
    normal = np.eye(count + len(theta))
    for _ in range(steps):
        off = np.abs(here.misfit)
        noise = max(LEAST_NOISE, 1.4826 * float(np.median(off[samples.there])))
        weights = np.where(samples.there, samples.weight / noise**2, 0.0) / np.maximum(1.0, off / (2 * noise))
        before = cost(here, weights, theta)
        normal, gradient = _normal(samples, knots, start, assumed, theta, here, weights)
        normal[:count, :count] += prior_normal + np.diag(here.held / DARK**2)
        gradient[:count] += prior_gradient - prior_normal @ here.levels - here.held / DARK**2 * here.levels
        for _ in range(5):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)[count:]
            moved = _bounded(theta + np.clip(step, -0.1, 0.1))
            trial = solve(moved, weights)
            if cost(trial, weights, moved) < before:
                break
            damping *= 8
        else:
            break
        still = _moved_mm(samples.x, start, theta, moved) < STILL_MM
        theta, here = moved, trial
        damping = max(1e-6, damping / 4)
        if still:
            break
    covariance = np.asarray(np.linalg.inv(normal))[count:, count:]
    blades = replace(start, vector=theta[:PARAMETERS])
    low, high = (edge[:, None] for edge in blades.edges(samples.x))
    apart = np.maximum(low - samples.y, samples.y - high)
    near = samples.there & (apart < NEARLY_OUTSIDE_MM + OUTSIDE_BLURS * samples.blur_mm)
    return Explained(
        blades=blades,
        covariance=covariance[:PARAMETERS, :PARAMETERS],
        rim=here.of_blades[:, 0],
        bore=here.of_blades[:, -1],
        misfit=_relative_misfit(here, near),
        tip=_of_theta(theta, start, assumed)[1],
    )


def _relative_misfit(solved: _Solved, where: NDArray[np.bool_]) -> float:
    """The rms of what is not explained at these places (m, s), relative to the rim."""
    # A start at the edge of a damaged photo may wander out of it, where it explains nothing.
    left = float(np.sqrt(np.mean(solved.misfit[where] ** 2))) if where.any() else np.inf
    return left / max(float(np.median(solved.of_blades[:, 0])), DARK)


def _normal(
    samples: Samples,
    knots: Knots,
    start: Blades,
    assumed: Assumed,
    theta: Floats,
    here: _Solved,
    weights: Floats,
) -> tuple[Floats, Floats]:
    """Normal matrix and gradient of the photo alone, for all brightnesses and the 18 fitted numbers."""
    blades, tip = _of_theta(theta, start, assumed)
    both = np.concatenate([here.columns, here.patterns.by_edges_and_rim(here.on_columns)])
    products = _products(both, weights, np.concatenate([both, here.misfit[None]]))
    patterns = len(here.columns)
    # How the edges and the rim on each column move with the fitted numbers, (m, 3, 18). The rim's thickness
    # is rim * (1 - u²)^taper, so that a step of taper is one of ln(rim) times ln(1 - u²).
    chain = np.zeros((len(samples.x), 3, len(theta)))
    chain[:, 0, :PARAMETERS], chain[:, 1, :PARAMETERS] = blades.edges_by_vector(samples.x)
    chain[:, 2, PARAMETERS] = tip.rim_mm
    chain[:, 2, PARAMETERS + 1] = tip.rim_mm * np.log(from_corners(samples, blades))
    # (i, m, 3) times (m, 3, 18), column by column
    moved = (products[:, :, patterns:-1].transpose(1, 0, 2) @ chain).transpose(1, 0, 2)
    mixed = knots.gathered(moved[:patterns])
    chained = chain.transpose(1, 0, 2).reshape(-1, len(theta))
    among = chained.T @ moved[patterns:].reshape(-1, len(theta))
    normal = np.block([[knots.normal(products[:patterns, :, :patterns]), mixed], [mixed.T, among]])
    gradient = np.concatenate(
        [
            knots.gathered(products[:patterns, :, -1:])[:, 0],
            chained.T @ products[patterns:, :, -1].ravel(),
        ]
    )
    prior = _theta_prior_by_theta(theta, assumed)
    count = len(normal) - len(theta)
    normal[count:, count:] += prior.T @ prior
    gradient[count:] -= prior.T @ _theta_prior(theta, assumed)
    return normal, gradient


def _of_theta(theta: Floats, start: Blades, assumed: Assumed) -> tuple[Blades, Assumed]:
    """The blades and the tip that the fitted numbers stand for: blades (16,), ln(rim), taper."""
    tip = replace(assumed, rim_mm=float(np.exp(theta[PARAMETERS])), taper=float(theta[PARAMETERS + 1]))
    return replace(start, vector=theta[:PARAMETERS]), tip


def _theta_prior(theta: Floats, assumed: Assumed) -> Floats:
    """The prior of blades and rim, in standard deviations."""
    rim = (theta[PARAMETERS] - np.log(assumed.rim_mm)) / assumed.rim_spread
    taper = (theta[PARAMETERS + 1] - assumed.taper) / assumed.taper_spread
    return np.concatenate([shape_prior(theta[:PARAMETERS]), [rim, taper]])


def _theta_prior_by_theta(theta: Floats, assumed: Assumed) -> Floats:
    """How that prior changes with the fitted numbers."""
    blades = shape_prior_by_vector(theta[:PARAMETERS])
    change = np.zeros((len(blades) + 2, len(theta)))
    change[:-2, :PARAMETERS] = blades
    change[-2, PARAMETERS], change[-1, PARAMETERS + 1] = 1 / assumed.rim_spread, 1 / assumed.taper_spread
    return change


def _moved_mm(x: Floats, start: Blades, theta: Floats, moved: Floats) -> float:
    """How far the outline moves: the most that an edge does at x (m,), or a quarter of what a corner does."""
    one, other = (replace(start, vector=each[:PARAMETERS]) for each in (theta, moved))
    edges = max(np.abs(b - a).max() for a, b in zip(one.edges(x), other.edges(x), strict=True))
    return float(max(edges, 0.25 * np.abs(moved[[0, 2]] - theta[[0, 2]]).max()))


def _bounded(theta: Floats) -> Floats:
    bounded = theta.copy()
    for index in (UPPER.start, LOWER.start):
        bounded[index] = np.clip(bounded[index], LEAST_Q, MOST_Q)
    return bounded


def unexplained(patch: Patch, view: View, found: Explained) -> Unexplained:
    """What the outline found leaves unexplained at its edges.

    Each piece of an edge is asked alone how far it would have to move to explain most (one step of
    Gauss-Newton). A misfit of which no move rids us, such as grain, is no error of the outline.
    """
    samples = collect(patch, view, found.blades, AT_EDGE_MM)
    weights = np.where(samples.there, samples.weight / 0.05**2, 0.0)
    knots = knots_of(samples, found.blades, found.tip.detail)
    solved = _solve(samples, knots, found.blades, found.tip, weights)
    moved = solved.patterns.by_edges_and_rim(solved.on_columns)[:2] * samples.there
    pieces = np.array_split(np.arange(len(samples.x)), PIECES)
    pull = np.array([np.sum((moved * solved.misfit)[:, piece], axis=(1, 2)) for piece in pieces])
    hold = np.array([np.sum((moved * moved)[:, piece], axis=(1, 2)) for piece in pieces])
    stray_mm = float(np.abs(pull / np.maximum(hold, DARK)).max())
    return Unexplained(_relative_misfit(solved, samples.there), stray_mm)


def misfit_on(points_mm: Floats, light: Floats, found: Explained, view: View, assumed: Assumed) -> float:
    """How badly blades explain the brightness (n,) at points (n, 2) that were chosen without them.

    The brightnesses are solved for again; the answer is the mean absolute misfit, which a few bright specks
    do not decide.
    """
    local = found.blades.to_local(points_mm)
    there = np.ones((len(local), 1), dtype=bool)
    samples = Samples(local[:, 0], local[:, 1:], light[:, None], there, view.blur_across_mm, 1.0)
    weights = there * (INDEPENDENT / 0.02**2)
    knots = knots_of(samples, found.blades, assumed.detail)
    solved = _solve(samples, knots, found.blades, assumed, weights)
    return float(np.mean(np.abs(solved.misfit)))
