"""How far two ways of measuring the same reeds agree: numbers (Bland and Altman, Deming) and classes (Cohen).

No files, no reeds: plain numbers in, intervals of 95 % out.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aperture.studies.repeatability import CONFIDENCE, Interval

Floats = NDArray[np.float64]

# Half of a normal distribution's middle 95 %; the paper's tables use it, its text the rounded 2.
MIDDLE_95 = 1.96
FEWEST = 2  # of what a standard deviation can be had
FEWEST_FOR_LINE = 4  # so that one can be left out and a line through the others still has a scatter


@dataclass(frozen=True)
class Agreement:
    """Differences between two ways, in their unit: mean, standard deviation, 95 % limits of agreement."""

    count: int
    mean: Interval
    standard_deviation: float
    lower: Interval
    upper: Interval

    @property
    def within(self) -> float:
        """19 of 20 differences are smaller than this: the limit that lies farther from 0.

        The range from minus this to plus this holds both limits, so a little more than 19 of 20.
        """
        return max(abs(self.lower.estimate), abs(self.upper.estimate))

    @property
    def differs(self) -> bool:
        """Whether the mean difference can be told from 0."""
        return self.mean.low > 0.0 or self.mean.high < 0.0


def limits_of_agreement(differences: Floats) -> Agreement:
    """Mean difference and 95 % limits of agreement, each with its confidence interval.

    Parameters
    ----------
    differences : (n,) one way minus the other, one for each subject, in their unit.

    Raises
    ------
    ValueError : there are fewer than two.

    Source: J. M. Bland, D. G. Altman, Statistical methods for assessing agreement between two methods of
    clinical measurement, Lancet 1986, i, 307-310: a limit's standard error is about sqrt(3 s² / n).
    """
    from scipy.stats import t

    count = len(differences)
    if count < FEWEST:
        raise ValueError(f"{count} differences have no scatter")
    mean, deviation = float(np.mean(differences)), float(np.std(differences, ddof=1))
    reach = float(t.isf((1.0 - CONFIDENCE) / 2.0, count - 1)) * deviation / count**0.5

    def interval(estimate: float, half: float) -> Interval:
        return Interval(estimate, estimate - half, estimate + half)

    return Agreement(
        count=count,
        mean=interval(mean, reach),
        standard_deviation=deviation,
        lower=interval(mean - MIDDLE_95 * deviation, 3.0**0.5 * reach),
        upper=interval(mean + MIDDLE_95 * deviation, 3.0**0.5 * reach),
    )


@dataclass(frozen=True)
class Line:
    """The line y = intercept + slope x, where both x and y were measured and neither is exact."""

    slope: Interval
    intercept: Interval

    @property
    def is_parallel(self) -> bool:
        """Whether a slope of 1 is possible: then the two ways differ by the same amount, small or large."""
        return self.slope.low <= 1.0 <= self.slope.high


def deming_line(x: Floats, y: Floats, variance_ratio: float = 1.0) -> Line | None:
    """Deming's line; None where there are too few readings, or x and y do not go together at all.

    Parameters
    ----------
    x, y : (n,) readings of the same subjects, in the same unit.
    variance_ratio : the variance of y's errors over that of x's.

    Sources: W. E. Deming, Statistical Adjustment of Data, 1943; the intervals are the jackknife's, K. Linnet,
    Clinical Chemistry 36 (1990), 1101-1106.
    """
    from scipy.stats import t

    count = len(x)
    whole = _deming(x, y, variance_ratio) if count >= FEWEST_FOR_LINE else None
    if whole is None:
        return None
    without = [_deming(np.delete(x, place), np.delete(y, place), variance_ratio) for place in range(count)]
    if any(one is None for one in without):
        return None
    # What each reading pulls the line by, as if it were one of n estimates.
    pseudo = count * np.array(whole) - (count - 1) * np.array(without, dtype=np.float64)
    half = t.isf((1.0 - CONFIDENCE) / 2.0, count - 2) * pseudo.std(axis=0, ddof=1) / count**0.5
    slope, intercept = (
        Interval(float(value), float(value - reach), float(value + reach))
        for value, reach in zip(whole, half, strict=True)
    )
    return Line(slope, intercept)


def _deming(x: Floats, y: Floats, variance_ratio: float) -> tuple[float, float] | None:
    """Slope and intercept; None where the readings have no direction."""
    xx, yy = float(np.var(x)), float(np.var(y))
    xy = float(np.mean((x - x.mean()) * (y - y.mean())))
    if abs(xy) <= 1e-12 * max(xx, yy):
        return None
    more = yy - variance_ratio * xx
    slope = (more + (more**2 + 4.0 * variance_ratio * xy**2) ** 0.5) / (2.0 * xy)
    return slope, float(y.mean() - slope * x.mean())


@dataclass(frozen=True)
class Kappa:
    """How far two people give the same classes, beyond chance.

    `agreed` of `count` got the same class from both; `kappa` is 1 where all did, 0 where no more than chance
    would have it. It is None where both gave one and the same class to all: then chance explains everything.
    `table[i][j]`: how many the first person called class i and the second j, in the order of `classes`.
    """

    classes: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    count: int
    agreed: int
    kappa: Interval | None


def cohens_kappa(first: Sequence[Hashable], second: Sequence[Hashable], classes: Sequence[str]) -> Kappa:
    """Cohen's kappa with its confidence interval.

    Parameters
    ----------
    first, second : the class that each person gave, subject by subject.
    classes : all there are.

    Raises
    ------
    ValueError : there is no subject.

    Sources: J. Cohen, Educational and Psychological Measurement 20 (1960), 37-46; the standard error is that
    for large samples of J. L. Fleiss, J. Cohen, B. S. Everitt, Psychological Bulletin 72 (1969), 323-327.
    """
    if not first:
        raise ValueError("nobody gave a class")
    place = {name: index for index, name in enumerate(classes)}
    table = np.zeros((len(classes), len(classes)), dtype=int)
    for one, other in zip(first, second, strict=True):
        table[place[str(one)], place[str(other)]] += 1
    return Kappa(
        classes=tuple(classes),
        table=tuple(tuple(int(cell) for cell in row) for row in table),
        count=len(first),
        agreed=int(np.trace(table)),
        kappa=_kappa(table / len(first), len(first)),
    )


def _kappa(shares: Floats, count: int) -> Interval | None:
    from scipy.stats import norm

    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    agreed, chance = float(np.trace(shares)), float(rows @ columns)
    if 1.0 - chance < 1e-12:
        return None
    kappa = (agreed - chance) / (1.0 - chance)
    # The delta method, equation 13 of Fleiss, Cohen and Everitt.
    sums = rows[None, :] + columns[:, None]
    same = float(np.diag(shares) @ (1.0 - (rows + columns) * (1.0 - kappa)) ** 2)
    others = shares * sums**2
    different = (1.0 - kappa) ** 2 * float(others.sum() - np.trace(others))
    variance = (same + different - (kappa - chance * (1.0 - kappa)) ** 2) / (count * (1.0 - chance) ** 2)
    half = float(norm.isf((1.0 - CONFIDENCE) / 2.0)) * max(variance, 0.0) ** 0.5
    return Interval(kappa, max(kappa - half, -1.0), min(kappa + half, 1.0))
