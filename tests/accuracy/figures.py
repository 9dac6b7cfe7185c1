"""From results and truth to figures: bias, spread, percentiles, coverage, confusion, silent wrong.

Pure statistics: nothing here reads a file or measures a photo. Errors are measured minus true.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aperture.settings import Limits

Floats = NDArray[np.float64]

QUANTITIES = ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")
CLASSES = ("shut", "elliptical", "round")
# An error of more than this many expanded uncertainties (k = 2) is wrong whatever the class.
WRONG_FROM_U = 3.0
# The stricter line: three standard uncertainties.
FAR_FROM_U = 1.5


@dataclass(frozen=True)
class Case:
    """One photo of known truth, and what the program made of it.

    `block` is the part of the design it belongs to: "careful" or the name of a nuisance. `careful`: a careful
    user could have taken it; `obstructed`: something hides a part of the opening. `true` and `got` hold a
    value for each of `QUANTITIES`, `u` its expanded uncertainty; `got`, `u` and `got_class` are None for a
    refused photo. `flags` are codes of `aperture.flags`.
    """

    name: str
    block: str
    careful: bool
    obstructed: bool
    review: bool
    flags: tuple[str, ...]
    true_class: str
    got_class: str | None
    true: Mapping[str, float]
    got: Mapping[str, float] | None
    u: Mapping[str, float] | None

    @property
    def measured(self) -> bool:
        """Whether there is a number."""
        return self.got is not None

    @property
    def at_face_value(self) -> bool:
        """Whether there is a number and nothing tells the user to look first."""
        return self.measured and not self.review

    @property
    def good(self) -> bool:
        """Whether it ought to be measured: taken with care, and nothing in the way."""
        return self.careful and not self.obstructed

    def error(self, quantity: str) -> float:
        """Measured minus true, in the quantity's own unit."""
        assert self.got is not None
        return self.got[quantity] - self.true[quantity]

    def worst_in_u(self) -> float:
        """The largest error of the four quantities, in its own expanded uncertainty."""
        assert self.u is not None
        return max(abs(self.error(name)) / self.u[name] for name in QUANTITIES)

    @property
    def wrong(self) -> bool:
        """A wrong class, or an error of more than `WRONG_FROM_U` expanded uncertainties."""
        return self.measured and (self.got_class != self.true_class or self.worst_in_u() > WRONG_FROM_U)

    @property
    def silent_wrong(self) -> bool:
        """Wrong, and nothing tells the user to look."""
        return self.wrong and not self.review

    @property
    def silent_far(self) -> bool:
        """A wrong class or an error of more than `FAR_FROM_U` expanded uncertainties, at face value."""
        return self.at_face_value and (self.got_class != self.true_class or self.worst_in_u() > FAR_FROM_U)


def class_of(height_mm: float, ellipse_ratio: float, limits: Limits) -> str:
    """The class of an opening whose size is known without error.

    Raises
    ------
    ValueError : it lies on a limit to within 1e-9, so that its class is a matter of rounding; the truth set
        must not hold such an opening.
    """
    on_a_limit = abs(height_mm - limits.shut_below_height_mm) < 1e-9
    if on_a_limit or abs(ellipse_ratio - limits.round_from_ratio) < 1e-9:
        raise ValueError("the true opening lies on a limit between two classes")
    if height_mm < limits.shut_below_height_mm:
        return "shut"
    return "round" if ellipse_ratio > limits.round_from_ratio else "elliptical"


# --- proportions --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Share:
    """`hits` of `count`, with the ends of a 95 % interval; `low` and `high` are 0 and 1 where count is 0."""

    hits: int
    count: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share itself; not a number where nothing was counted."""
        return self.hits / self.count if self.count else math.nan


def wilson(share: float, count: float, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a proportion.

    Parameters
    ----------
    share : observed, 0 to 1.
    count : of independent observations; need not be whole.

    Source: E. B. Wilson 1927; method 3 of R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872.
    """
    from scipy.stats import norm

    if count <= 0:
        return 0.0, 1.0
    z = float(norm.ppf(0.5 + confidence / 2))
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * math.sqrt(share * (1 - share) / count + z * z / (4 * count * count))
    return max(0.0, middle - half), min(1.0, middle + half)


def clopper_pearson(hits: int, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval of a proportion, from the beta distribution (Clopper and Pearson 1934)."""
    from scipy.stats import beta

    tail = (1 - confidence) / 2
    low = float(beta.ppf(tail, hits, count - hits + 1)) if hits else 0.0
    high = float(beta.ppf(1 - tail, hits + 1, count - hits)) if hits < count else 1.0
    return low, high


def rate(hits: int, count: int) -> Share:
    """How often something happens in independent photos, with the exact interval."""
    return Share(hits, count, *clopper_pearson(hits, count))


# --- errors and coverage ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Errors:
    """Errors of one quantity over `count` photos, in its unit.

    `bias` is the mean error and `bias_u` two standard errors of that mean; `spread` is the standard
    deviation; `median`, `percentile_95` and `largest` are of the error without its sign. Not a number where
    there are too few photos (two for a spread).
    """

    count: int
    bias: float
    bias_u: float
    spread: float
    median: float
    percentile_95: float
    largest: float


def errors_of(errors: Sequence[float]) -> Errors:
    """Figures of a list of errors.

    Percentiles are interpolated between the sorted values (numpy's "linear", definition 7 of Hyndman and
    Fan, The American Statistician 50 (1996) 361-365), as spreadsheets do.
    """
    values = np.asarray(errors, dtype=np.float64)
    count = len(values)
    if not count:
        return Errors(0, *[math.nan] * 6)
    spread = float(values.std(ddof=1)) if count > 1 else math.nan
    size = np.abs(values)
    median, percentile_95 = np.quantile(size, [0.5, 0.95], method="linear")
    return Errors(
        count=count,
        bias=float(values.mean()),
        bias_u=2 * spread / math.sqrt(count),
        spread=spread,
        median=float(median),
        percentile_95=float(percentile_95),
        largest=float(size.max()),
    )


def _median(values: Sequence[float]) -> float:
    return float(np.median(values)) if values else math.nan


def coverage(cases: Sequence[Case], quantities: Sequence[str] = QUANTITIES) -> Share:
    """How many true values lie within the stated expanded uncertainty of the measured ones.

    The interval is Wilson's. The values of one photo depend on each other, so it counts photos, not values:
    wider than need be where they depend little.
    """
    inside = sum(abs(case.error(name)) <= case.u[name] for case in cases if case.u for name in quantities)
    count = len(cases) * len(quantities)
    low, high = wilson(inside / count, len(cases)) if count else (0.0, 1.0)
    return Share(int(inside), count, low, high)


@dataclass(frozen=True)
class Accuracy:
    """Errors and coverage over some photos with numbers.

    `errors` has an entry for each of `QUANTITIES`. `area_share` are errors of the area relative to the true
    area, without openings that are truly shut: of next to nothing, a share says nothing. `usual_u` is the
    median of the stated expanded uncertainties. `covered` has an entry for each quantity, and
    `covered_together` counts all values.
    """

    count: int
    errors: Mapping[str, Errors]
    area_share: Errors
    usual_u: Mapping[str, float]
    covered: Mapping[str, Share]
    covered_together: Share


def accuracy(cases: Iterable[Case]) -> Accuracy:
    """Errors and coverage of those among the cases that were measured."""
    measured = [case for case in cases if case.measured]
    open_ones = [case for case in measured if case.true_class != "shut"]
    return Accuracy(
        count=len(measured),
        errors={name: errors_of([case.error(name) for case in measured]) for name in QUANTITIES},
        area_share=errors_of([case.error("area_mm2") / case.true["area_mm2"] for case in open_ones]),
        usual_u={name: _median([case.u[name] for case in measured if case.u]) for name in QUANTITIES},
        covered={name: coverage(measured, (name,)) for name in QUANTITIES},
        covered_together=coverage(measured),
    )


# --- a group of photos --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Figures:
    """All figures of a group of photos.

    `at_face_value` leaves out the photos that were sent to review, `all_measured` does not. `confusion`
    counts photos by true class and by what the program said, "refused" included; `review` counts only those
    that have a number. `good_refused` counts the refused among the photos that ought to be measured.
    """

    count: int
    measured: int
    review: int
    refused: int
    good_refused: Share
    at_face_value: Accuracy
    all_measured: Accuracy
    confusion: Mapping[tuple[str, str], int]
    silent_wrong: Share
    silent_far: int


def figures(cases: Sequence[Case]) -> Figures:
    """The figures of a group."""
    measured = [case for case in cases if case.measured]
    good = [case for case in cases if case.good]
    said = [(case.true_class, case.got_class or "refused") for case in cases]
    return Figures(
        count=len(cases),
        measured=len(measured),
        review=sum(case.review for case in measured),
        refused=len(cases) - len(measured),
        good_refused=rate(sum(not case.measured for case in good), len(good)),
        at_face_value=accuracy(case for case in cases if case.at_face_value),
        all_measured=accuracy(measured),
        confusion={(true, got): said.count((true, got)) for true in CLASSES for got in (*CLASSES, "refused")},
        silent_wrong=rate(sum(case.silent_wrong for case in cases), len(cases)),
        silent_far=sum(case.silent_far for case in cases),
    )


def groups(cases: Sequence[Case]) -> dict[str, list[Case]]:
    """The four groups that overlap, by name: the whole, the careful, those in plain view, and the rest."""
    return {
        "all": list(cases),
        "careful": [case for case in cases if case.careful],
        "careful, nothing in the way": [case for case in cases if case.good],
        "the rest": [case for case in cases if not case.careful],
    }


def blocks(cases: Sequence[Case]) -> dict[str, list[Case]]:
    """The photos by block, in the order in which the blocks first appear."""
    found: dict[str, list[Case]] = {}
    for case in cases:
        found.setdefault(case.block, []).append(case)
    return found


# --- targets ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Target:
    """One aim: its figure shall lie from `low` to `high`.

    `figure` is that of every photo with a number, `at_face_value` that of those not sent to review. Shares
    have the unit "%" and are kept as they are, 0 to 1; `digits` are the decimals to print.
    """

    words: str
    low: float
    high: float
    figure: float
    at_face_value: float
    unit: str
    digits: int

    @property
    def met(self) -> bool:
        """Whether the figure lies within; a figure that is not a number does not."""
        return self.low <= self.figure <= self.high

    @property
    def missed_by(self) -> float:
        """How far the figure lies outside; 0 where it is met."""
        return max(0.0, self.low - self.figure, self.figure - self.high)


def targets(cases: Sequence[Case]) -> list[Target]:
    """The aims the project set itself, each with its figure.

    They are judged on every photo that has a number, whether it was sent to review or not.
    """
    parts = groups(cases)
    careful, rest = figures(parts["careful"]), figures(parts["the rest"])
    every, face = careful.all_measured, careful.at_face_value

    def at_most(
        words: str, high: float, figure: Callable[[Accuracy], float], unit: str, digits: int
    ) -> Target:
        return Target(f"careful: {words}", 0.0, high, figure(every), figure(face), unit, digits)

    def silent(name: str, group: Figures) -> Target:
        hits = float(group.silent_wrong.hits)
        return Target(f"{name}: silent wrong", 0.0, 0.0, hits, hits, "photos", 0)

    together = (every.covered_together.value, face.covered_together.value)
    refused = figures(cases).good_refused.value
    return [
        at_most(
            "height error, 95th percentile", 0.02, lambda a: a.errors["height_mm"].percentile_95, "mm", 4
        ),
        at_most("height error, median", 0.006, lambda a: a.errors["height_mm"].median, "mm", 4),
        at_most(
            "ratio error, 95th percentile", 0.004, lambda a: a.errors["ellipse_ratio"].percentile_95, "", 4
        ),
        at_most("area error, 95th percentile", 0.025, lambda a: a.area_share.percentile_95, "%", 2),
        Target("careful: true values within ±", 0.93, 0.98, *together, "%", 1),
        silent("careful", careful),
        silent("the rest", rest),
        Target("good photos refused", 0.0, 0.01, refused, refused, "%", 1),
    ]
