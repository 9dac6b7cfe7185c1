"""Least squares, against SciPy's."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from aperture.view.fitting import ROBUST_BEYOND, soft_l1


def decay(values):
    """Residuals, and how they change, of a decay seen at 40 times with a noise of 0.1; a few are far off."""
    rng = np.random.default_rng(4)
    times = np.linspace(0.0, 4.0, 40)
    seen = 3.0 * np.exp(-0.8 * times) + 0.5 + rng.normal(0.0, 0.1, len(times))
    seen[::9] += 2.0
    height, rate, floor = values
    falling = np.exp(-rate * times)
    by_values = np.column_stack([falling, -height * times * falling, np.ones(len(times))])
    return (height * falling + floor - seen) / 0.1, by_values / 0.1


@pytest.mark.parametrize("start", [(3.0, 0.8, 0.5), (1.0, 0.3, 0.0), (8.0, 3.0, 2.0), (1.0, 4.0, -3.0)])
def test_the_robust_fit_is_scipys(start):
    # From far away, too, where a full step would lead uphill.
    found = soft_l1(decay, np.array(start))
    known = least_squares(
        lambda v: decay(v)[0], start, lambda v: decay(v)[1], loss="soft_l1", f_scale=ROBUST_BEYOND, ftol=1e-12
    )
    # to less than the last step, a thousandth of their standard uncertainties
    assert np.all(np.abs(found.values - known.x) < 1e-3 * np.sqrt(np.diag(found.covariance)))
    assert found.covariance == pytest.approx(np.linalg.inv(known.jac.T @ known.jac), rel=1e-3)


@pytest.mark.parametrize("robust_beyond", [ROBUST_BEYOND, np.inf])
@pytest.mark.parametrize(
    ("low", "high"),
    [
        ((0.0, 0.0, 0.0), (9.0, 9.0, 9.0)),
        ((0.0, 0.0, 0.7), (9.0, 0.6, 9.0)),
        ((3.5, 0.0, 0.0), (9.0, 9.0, 0.1)),
    ],
)
def test_the_fit_within_bounds_is_scipys(low, high, robust_beyond):
    start = np.array([5.0, 0.5, 1.0])
    found = soft_l1(decay, start, robust_beyond, (np.array(low), np.array(high)))
    known = least_squares(
        lambda v: decay(v)[0],
        np.clip(start, np.array(low) + 1e-3, np.array(high) - 1e-3),
        lambda v: decay(v)[1],
        bounds=(low, high),
        loss="linear" if np.isinf(robust_beyond) else "soft_l1",
        f_scale=ROBUST_BEYOND,
        ftol=1e-14,
        xtol=1e-14,
    )
    assert found.values == pytest.approx(known.x, abs=1e-4)


def test_a_value_that_nothing_depends_on_stays():
    def problem(values):
        residuals, by_values = decay(values[:3])
        return residuals, np.column_stack([by_values, np.zeros(len(residuals))])

    found = soft_l1(problem, np.array([3.0, 0.8, 0.5, 7.0]))
    assert found.values[3] == 7.0
    assert found.values[:3] == pytest.approx(soft_l1(decay, np.array([3.0, 0.8, 0.5])).values)


def test_values_that_cannot_be_told_apart_take_the_shortest_way():
    # Only the sum of the first two counts: NumPy's `lstsq` gives the solution that is nearest to 0.
    matrix = np.column_stack([np.ones(6), np.ones(6), np.arange(6.0)])
    seen = np.array([1.0, 1.9, 3.1, 4.0, 5.2, 5.8])
    found = soft_l1(lambda v: (matrix @ v - seen, matrix), np.zeros(3), np.inf)
    assert found.values == pytest.approx(np.linalg.lstsq(matrix, seen, rcond=None)[0], abs=1e-9)
