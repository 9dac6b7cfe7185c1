"""Least squares for few values and many residuals, robust and within bounds where that is asked for."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROBUST_BEYOND = 2.0  # standard uncertainties: what is off by more counts as if something else were wrong, too
# The fit ends with a step of a thousandth of its own standard uncertainty (squared, as it is reckoned).
MOST_STEPS, LAST_STEP = 50, 1e-6


@dataclass(frozen=True)
class Solution:
    """The values (n,), and there the residuals (m,) and how they change by the values (m, n); both
    before the last, tiny step."""

    values: Floats
    residuals: Floats
    by_values: Floats
    robust_beyond: float

    @cached_property
    def covariance(self) -> Floats:
        """That of the values, (n, n), from the curvature of the cost."""
        curved = self.by_values * _soft_root(self.residuals, self.robust_beyond)[:, None] ** -1.5
        return np.asarray(np.linalg.inv(curved.T @ curved), np.float64)


def soft_l1(
    problem: Callable[[Floats], tuple[Floats, Floats]],
    start: Floats,
    robust_beyond: float = ROBUST_BEYOND,
    bounds: tuple[Floats | float, Floats | float] = (-np.inf, np.inf),
    last_step: float = LAST_STEP,
) -> Solution:
    """Robust least squares (soft L1): residuals beyond `robust_beyond` count by their size, not its square.

    Parameters
    ----------
    problem : of values (n,), the residuals (m,) in standard uncertainties, and how they change by the values
        (m, n).
    start : (n,) where to begin.
    robust_beyond : infinite for plain least squares.
    bounds : the least and the greatest values, (n,) each or one for all.
    last_step : how long the last step may be, in standard uncertainties, squared.

    Each step is one of weighted least squares (Holland & Welsch, Robust regression using iteratively
    reweighted least-squares, Communications in Statistics A 6, 1977, pp. 813-827), cut in half until the cost
    falls. A value stays at its bound while the cost falls beyond it (Bertsekas, Projected Newton methods for
    optimization problems with simple constraints, SIAM Journal on Control and Optimization 20 (2), 1982,
    pp. 221-246). SciPy's `least_squares` gives the same, but takes at least twice as long for so few values.
    """
    low, high = bounds
    values = np.clip(start, low, high)
    residuals, by_values = problem(values)
    for _ in range(MOST_STEPS):
        weighted = (by_values / _soft_root(residuals, robust_beyond)[:, None]).T
        downhill, curvature = weighted @ residuals, weighted @ by_values
        # a value at its bound may not move on, and one that nothing depends on need not
        free = np.where(downhill > 0, values > low, values < high) & (np.diag(curvature) > 0)
        step = np.zeros(len(values))
        size = np.sqrt(np.diag(curvature)[free])
        # the shortest step, where the problem does not tell some values apart
        alike = np.linalg.lstsq(
            curvature[np.ix_(free, free)] / np.outer(size, size), downhill[free] / size, rcond=1e-13
        )
        step[free] = alike[0] / size
        # in standard uncertainties, squared: a step is this long
        length, cost = float(step @ downhill), _cost(residuals, robust_beyond)
        while length > last_step:
            trial = np.clip(values - step, low, high)
            tried = problem(trial)
            if _cost(tried[0], robust_beyond) <= cost:
                break
            step, length = step / 2, length / 4
        else:
            return Solution(np.clip(values - step, low, high), residuals, by_values, robust_beyond)
        values, (residuals, by_values) = trial, tried
    return Solution(values, residuals, by_values, robust_beyond)


def _soft_root(residuals: Floats, robust_beyond: float) -> Floats:
    """The part of the cost that grows with each residual, 1 where there is none."""
    return np.hypot(1.0, residuals / robust_beyond)


def _cost(residuals: Floats, robust_beyond: float) -> float:
    """The sum of squares, or what stands for them."""
    return float(np.sum(residuals**2 / (1.0 + _soft_root(residuals, robust_beyond))))
