"""Agreement of two ways of measuring, against published examples and other libraries."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize
from statsmodels.stats import inter_rater

from aperture.studies.agreement import cohens_kappa, deming_line, limits_of_agreement

# Peak expiratory flow, l/min, first reading of each of 17 people with a Wright meter and a mini Wright meter:
# J. M. Bland, D. G. Altman, Lancet 1986, i, 307-310, table 1. Typed from memory; the mean difference -2.1 and
# standard deviation 38.8 that the paper prints come out, so no number is likely to be wrong.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

# K. Pearson, Philosophical Magazine 2 (1901), 559-572; the data as D. York used them (1966). From memory.
PEARSON_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])

# Two dermatologists, 88 patients, terrible to clear: SAS/STAT User's Guide, The FREQ Procedure, "Agreement
# Study" (the table read there; its printed results from memory).
SKIN = [[10, 4, 1, 0], [5, 10, 12, 2], [2, 4, 12, 5], [0, 2, 6, 13]]


def subjects(table):
    """The classes that the first and the second person gave, subject by subject."""
    pairs = [(str(i), str(j)) for i, row in enumerate(table) for j, n in enumerate(row) for _ in range(n)]
    return [one for one, _ in pairs], [other for _, other in pairs]


def test_limits_of_agreement_of_the_peak_flow_meters():
    """Printed in the paper: mean -2.1, standard deviation 38.8, mean's interval -22.0 to 17.8, each limit's ±
    34.6 (its limits, -79.7 and 75.5, take 2 standard deviations where its later papers take 1.96)."""
    found = limits_of_agreement(np.subtract(LARGE, MINI).astype(float))
    assert found.count == 17
    assert found.mean.estimate == pytest.approx(-2.1, abs=0.05)
    assert found.standard_deviation == pytest.approx(38.8, abs=0.05)
    assert found.mean.low == pytest.approx(-22.0, abs=0.06)
    assert found.mean.high == pytest.approx(17.8, abs=0.06)
    assert found.mean.estimate - 2 * found.standard_deviation == pytest.approx(-79.7, abs=0.1)
    for limit, sign in ((found.lower, -1), (found.upper, 1)):
        assert limit.estimate == pytest.approx(found.mean.estimate + sign * 1.96 * found.standard_deviation)
        assert limit.high - limit.estimate == pytest.approx(34.6, abs=0.1)
        assert limit.estimate - limit.low == pytest.approx(34.6, abs=0.1)
    assert not found.differs
    assert found.within == pytest.approx(78.1, abs=0.05)


def test_intervals_hold_as_often_as_they_say():
    """In 4000 made studies of 12 readings each, 95 % of the intervals should hold the truth (the paper's
    standard error of a limit is an approximation)."""
    rng = np.random.default_rng(5)
    held = np.zeros(3)
    for _ in range(4000):
        found = limits_of_agreement(rng.normal(0.04, 0.05, 12))
        truths = (0.04, 0.04 - 1.96 * 0.05, 0.04 + 1.96 * 0.05)
        for place, (interval, truth) in enumerate(
            zip((found.mean, found.lower, found.upper), truths, strict=True)
        ):
            held[place] += interval.low <= truth <= interval.high
    assert held[0] / 4000 == pytest.approx(0.95, abs=0.011)  # three standard errors
    assert (held[1:] / 4000 > 0.92).all()


def test_one_difference_has_no_scatter():
    with pytest.raises(ValueError, match="no scatter"):
        limits_of_agreement(np.array([0.1]))


def test_the_line_of_pearson():
    """Pearson's own solution: slope -0.5456, intercept 5.784 (errors of x and y alike)."""
    line = deming_line(PEARSON_X, PEARSON_Y)
    assert line.slope.estimate == pytest.approx(-0.5456, abs=5e-5)
    assert line.intercept.estimate == pytest.approx(5.784, abs=5e-4)
    assert line.slope.low < line.slope.estimate < line.slope.high


@pytest.mark.parametrize("ratio", [0.1, 1.0, 7.0])
def test_the_line_is_the_least_sum_of_squares(ratio):
    """Deming's definition, minimised by SciPy over slope and intercept; the foot of each point is known."""

    def squares(values):
        slope, intercept = values
        return float(np.sum((PEARSON_Y - intercept - slope * PEARSON_X) ** 2 / (ratio + slope**2)))

    best = minimize(squares, [-0.5, 5.5], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12})
    line = deming_line(PEARSON_X, PEARSON_Y, ratio)
    assert [line.slope.estimate, line.intercept.estimate] == pytest.approx(best.x, abs=1e-6)


def test_the_line_is_not_pulled_flat_by_errors_of_x():
    """A least-squares fit of y on x would be (the attenuation that Deming's line is for); 95 % intervals hold
    the true slope of 1 in about 95 % of made studies."""
    rng = np.random.default_rng(8)
    held, slopes = 0, []
    for _ in range(1000):
        true = rng.uniform(0.3, 1.5, 15)
        line = deming_line(true + rng.normal(0, 0.08, 15), true + 0.05 + rng.normal(0, 0.08, 15))
        slopes.append(line.slope.estimate)
        held += line.is_parallel
    assert np.median(slopes) == pytest.approx(1.0, abs=0.01)
    assert 0.92 < held / 1000 < 0.98


@pytest.mark.parametrize("x", [[1.0, 1.0, 1.0, 1.0], [1.0, 2.0, 3.0]], ids=["all alike", "three"])
def test_no_line_through_too_little(x):
    assert deming_line(np.array(x), np.array(x)) is None


def test_kappa_of_the_dermatologists():
    """Printed there: kappa 0.3449, standard error 0.0724, interval 0.2030 to 0.4868."""
    found = cohens_kappa(*subjects(SKIN), classes="0123")
    assert found.count == 88
    assert found.agreed == 45
    assert [list(row) for row in found.table] == SKIN
    kappa = found.kappa
    assert [kappa.estimate, kappa.low, kappa.high] == pytest.approx([0.3449, 0.2030, 0.4868], abs=5e-5)


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abc")), min_size=1, max_size=60))
def test_kappa_is_that_of_statsmodels(pairs):
    found = cohens_kappa([one for one, _ in pairs], [other for _, other in pairs], "abc")
    if found.kappa is None:
        assert len({kind for pair in pairs for kind in pair}) == 1
        return
    with np.errstate(divide="ignore", invalid="ignore"):  # its test of kappa = 0, which is not looked at
        reference = inter_rater.cohens_kappa(np.array(found.table))
    assert found.kappa.estimate == pytest.approx(reference.kappa, abs=1e-9)
    if np.isnan(reference.std_kappa):  # a variance of 0 that came out a little below
        assert found.kappa.high - found.kappa.low < 1e-6
        return
    assert found.kappa.low == pytest.approx(max(reference.kappa_low, -1.0), abs=1e-6)
    assert found.kappa.high == pytest.approx(min(reference.kappa_upp, 1.0), abs=1e-6)


def test_nobody_gave_a_class():
    with pytest.raises(ValueError, match="nobody"):
        cohens_kappa([], [], "abc")
