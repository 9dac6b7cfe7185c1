"""How far repeated readings scatter, and why: photos, sessions, people, and the reeds themselves. No files.

A reading is the sum of what its reed, the person, the session, and the single photo add (a random effects
model). The sizes of these parts are found by the analysis of variance: what each factor explains beyond those
before it is set equal to what it would explain on average (Henderson's method III; Searle, Casella &
McCulloch, Variance Components, 1992, chapter 5). With as many photos in each cell this is the ordinary
analysis of a gauge study; with unequal numbers nothing has to be left out or filled in.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Labels = Sequence[Hashable]

# What each term is made of. A session belongs to a person: the second session of A is not that of B.
ANOVA_TERMS: dict[str, tuple[str, ...]] = {
    "reed": ("reed",),
    "person": ("person",),
    "session": ("person", "session"),
    "reed with person": ("reed", "person"),
    "reed with session": ("reed", "person", "session"),
}
INTERACTIONS = ("reed with session", "reed with person")
PHOTO = "photo"

# An interaction less sure than this is taken for scatter of the photos. Source: AIAG MSA 4th ed., III-B.
POOL_FROM_P = 0.25
# Two readings differ by less than this many standard deviations 19 times in 20: 1.96 √2, ISO 5725-6.
LIMIT_FACTOR = 2.8
# Openings that can be told apart: 1.41 times the spread of the reeds over that of measuring (AIAG MSA).
CATEGORIES_FACTOR = 2.0**0.5
CONFIDENCE = 0.95
# The average-and-range method turns ranges into standard deviations. K1 by the number of photos of a reed and
# person; K by the number of people (K2) or of reeds (K3), of which there is only one range. Source: AIAG MSA
# 4th ed. for K1 of 2 and 3, K of 2, 3 and 10; the others are from memory, and the tests compute them all.
K1 = {2: 0.8862, 3: 0.5908, 4: 0.4857, 5: 0.4299}
K = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}
# Enough that another seed moves the ends of an interval by about 1 %.
MONTE_CARLO_TRIALS = 20_000


@dataclass(frozen=True)
class Readings:
    """`values` (n,) float64 of one quantity in one unit; who and what each belongs to, n labels each."""

    values: Floats
    reed: Labels
    person: Labels
    session: Labels

    def cells(self, factors: Sequence[str]) -> NDArray[np.intp]:
        """For each reading, the number (n,) of the combination of labels that it belongs to."""
        columns = [getattr(self, factor) for factor in factors]
        keys = list(zip(*columns, strict=True)) if columns else [()] * len(self.values)
        places = {key: place for place, key in enumerate(dict.fromkeys(keys))}
        return np.array([places[key] for key in keys], dtype=np.intp)


@dataclass(frozen=True)
class Interval:
    """An estimate and the ends of its 95 % confidence interval."""

    estimate: float
    low: float
    high: float

    def times(self, factor: float) -> "Interval":
        """The same in another unit."""
        return Interval(self.estimate * factor, self.low * factor, self.high * factor)


@dataclass(frozen=True)
class Term:
    """A line of the analysis of variance.

    `coefficients` says how often each variance, by the name of its term, is in the sum of squares on average.
    """

    name: str
    sum_of_squares: float
    degrees_of_freedom: int
    coefficients: Mapping[str, float]

    @property
    def mean_square(self) -> float:
        """Sum of squares for each degree of freedom."""
        return self.sum_of_squares / self.degrees_of_freedom


@dataclass(frozen=True)
class Spreads:
    """The parts of the spread as standard deviations in the unit of the readings.

    `components` by the name of the term: "photo" is repeatability (EV in gauge studies), "person" is
    reproducibility (AV), "reed" the reeds' own spread (PV). A term that the readings cannot tell is missing.
    `measuring` is everything but the reeds (GRR), `total` with them (TV). `categories` is how many kinds of
    reed can be told apart (ndc, not rounded down), None with one reed. `pooled`: interactions that were not
    seen, and counted with the photos.
    """

    terms: tuple[Term, ...]
    pooled: tuple[str, ...]
    components: Mapping[str, Interval]
    measuring: Interval
    total: float
    categories: Interval | None

    @property
    def repeats(self) -> int:
        """Degrees of freedom of the scatter of photos: how many repeats speak."""
        return self.terms[-1].degrees_of_freedom


@dataclass(frozen=True)
class Sessions:
    """Sessions compared, each reed and person by themselves.

    `s_between` and `s_within` are the two standard deviations of the analysis of variance, `f` their squared
    ratio, `p` how often as large a ratio comes without any difference between sessions. `component` is what a
    session adds, `u_mean` the standard uncertainty of the mean of a reed's readings. Source: GUM, H.5.
    """

    s_between: float
    s_within: float
    f: float
    p: float
    component: float
    u_mean: float


def analyse(readings: Readings, terms: Sequence[str] = tuple(ANOVA_TERMS)) -> tuple[Term, ...]:
    """Analysis of variance, each term after those before it; the last line, "photo", is what remains.

    Parameters
    ----------
    terms : names from `ANOVA_TERMS`, in their order. Those that explain nothing new are left out of the
        result.

    Raises
    ------
    ValueError : no reading is a repeat of another one.
    """
    n = len(readings.values)
    indicators = {name: np.eye(n)[:, :0] for name in terms}
    for name in terms:
        cells = readings.cells(ANOVA_TERMS[name])
        indicators[name] = np.eye(int(cells.max()) + 1)[cells]
    basis = np.full((n, 1), n**-0.5)
    centred = readings.values - readings.values.mean()
    # Equal readings leave rounding errors of the arithmetic; they are no scatter.
    rounding = n * (1e-13 * float(np.abs(readings.values).max())) ** 2
    lines: list[Term] = []

    def add(name: str, sum_of_squares: float, coefficients: dict[str, float]) -> None:
        seen = sum_of_squares if sum_of_squares > rounding else 0.0
        lines.append(Term(name, seen, round(coefficients[PHOTO]), coefficients))

    for name in terms:
        beyond = indicators[name] - basis @ (basis.T @ indicators[name])
        left, sizes, _ = np.linalg.svd(beyond, full_matrices=False)
        new = left[:, sizes > 1e-8 * np.sqrt(n)]
        if new.shape[1] == 0:
            continue
        coefficients = {other: float(np.sum((new.T @ indicators[other]) ** 2)) for other in terms}
        coefficients[PHOTO] = float(new.shape[1])
        add(name, float(np.sum((new.T @ centred) ** 2)), coefficients)
        basis = np.column_stack([basis, new])
    remaining = n - basis.shape[1]
    if remaining < 1:
        raise ValueError("no reading is a repeat of another one")
    rest = centred - basis @ (basis.T @ centred)
    add(PHOTO, float(rest @ rest), {PHOTO: float(remaining)})
    return tuple(lines)


def spreads(readings: Readings) -> Spreads:
    """Take the spread of the readings apart, with 95 % confidence intervals.

    Interactions with p above 0.25 are counted with the photos (as AIAG MSA 4th ed. does). They are tested
    from the last to the first, each against the line below it. Variances below 0 become 0.

    The interval of "photo" is that of chi-square. The others are generalised confidence intervals: sums of
    squares drawn from what they are known to (Hamada & Weerahandi, J. Quality Technology 32, 2000).

    Raises
    ------
    ValueError : no reading is a repeat of another one.
    """
    from scipy.stats import f

    lines = analyse(readings)
    # Without a second session, "reed with session" would stand for "reed with person" once that is left out.
    kept = [line.name for line in lines[:-1]]
    pooled = []
    for name in INTERACTIONS:
        if name not in kept:
            continue
        place = kept.index(name)
        ratio = _ratio(lines[place].mean_square, lines[place + 1].mean_square)
        p = f.sf(ratio, lines[place].degrees_of_freedom, lines[place + 1].degrees_of_freedom)
        if not p <= POOL_FROM_P:
            kept.remove(name)
            pooled.append(name)
            lines = analyse(readings, kept)
    return _spreads(lines, tuple(pooled))


def compare_sessions(readings: Readings) -> Sessions | None:
    """Compare the sessions of each reed and person with one another; None if none has two.

    Raises
    ------
    ValueError : no reading is a repeat of another one.

    Source: GUM (JCGM 100:2008), H.5.2; with unequal numbers, the mean number n0 of Searle et al. (1992), 3.6.
    """
    from scipy.stats import f

    lines = {line.name: line for line in analyse(readings, ("reed with person", "reed with session"))}
    if "reed with session" not in lines:
        return None
    between, within = lines["reed with session"], lines[PHOTO]
    ratio = _ratio(between.mean_square, within.mean_square)
    n0 = between.coefficients["reed with session"] / between.degrees_of_freedom
    photos_per_reed = len(readings.values) / len(set(readings.cells(ANOVA_TERMS["reed with person"])))
    return Sessions(
        s_between=between.mean_square**0.5,
        s_within=within.mean_square**0.5,
        f=ratio,
        p=float(f.sf(ratio, between.degrees_of_freedom, within.degrees_of_freedom)),
        component=max(0.0, (between.mean_square - within.mean_square) / n0) ** 0.5,
        u_mean=(between.mean_square / photos_per_reed) ** 0.5,
    )


@dataclass(frozen=True)
class Ranges:
    """The average-and-range method: standard deviations in the unit of the readings, as in `Spreads`."""

    repeatability: float
    people: float
    measuring: float
    reeds: float
    total: float
    categories: float


def average_and_range(readings: Readings) -> Ranges | None:
    """The same from ranges alone, as on paper forms; None unless all numbers are equal and in the tables.

    For comparison with studies of other gauges only: it uses less of what the readings say than `spreads`,
    knows no interaction, and looks away from sessions. Source: AIAG MSA 4th ed., chapter III, section B.
    """
    table = _as_table(readings)
    if table is None:
        return None
    reeds, people, photos = table.shape
    if photos not in K1 or reeds not in K or (people > 1 and people not in K):
        return None
    repeatability = float(np.ptp(table, axis=2).mean()) * K1[photos]
    by_person = 0.0
    if people > 1:
        difference = float(np.ptp(table.mean(axis=(0, 2)))) * K[people]
        by_person = max(0.0, difference**2 - repeatability**2 / (reeds * photos)) ** 0.5
    measuring = float(np.hypot(repeatability, by_person))
    between_reeds = float(np.ptp(table.mean(axis=(1, 2)))) * K[reeds]
    return Ranges(
        repeatability=repeatability,
        people=by_person,
        measuring=measuring,
        reeds=between_reeds,
        total=float(np.hypot(measuring, between_reeds)),
        categories=CATEGORIES_FACTOR * _ratio(between_reeds, measuring),
    )


def odd_cells(readings: Readings, significance: float) -> list[list[int]]:
    """Photos of one reed, person and session that scatter more than all the others, as places in the list.

    Each cell's variance is compared with that of the rest, at a significance shared between all cells. With
    as many photos in each cell this is Cochran's test, ISO 5725-2, 7.3.3.
    """
    from scipy.stats import f

    cells = readings.cells(("reed", "person", "session"))
    groups = [np.flatnonzero(cells == cell) for cell in range(int(cells.max()) + 1)]
    groups = [group for group in groups if len(group) > 1]
    squares = [float(np.sum((readings.values[g] - readings.values[g].mean()) ** 2)) for g in groups]
    repeats = [len(group) - 1 for group in groups]
    odd = []
    for group, square, own in zip(groups, squares, repeats, strict=True):
        others = sum(repeats) - own
        if others:
            ratio = _ratio(square / own, (sum(squares) - square) / others)
            if f.sf(ratio, own, others) < significance / len(groups):
                odd.append(group.tolist())
    return odd


def repeatability_interval(standard_deviation: float, repeats: int) -> Interval:
    """Confidence interval of a standard deviation with `repeats` degrees of freedom, from chi-square."""
    from scipy.stats import chi2

    tail = (1.0 - CONFIDENCE) / 2.0
    low, high = (standard_deviation * (repeats / chi2.isf(p, repeats)) ** 0.5 for p in (tail, 1.0 - tail))
    return Interval(standard_deviation, float(low), float(high))


def _ratio(a: float, b: float) -> float:
    """a / b, also of readings without any scatter."""
    if b > 0.0:
        return a / b
    return float("inf") if a > 0.0 else 0.0


def _as_table(readings: Readings) -> Floats | None:
    """The readings as (reeds, people, photos), if each person took as many photos of each reed."""
    reed, person = readings.cells(("reed",)), readings.cells(("person",))
    counts = np.zeros((int(reed.max()) + 1, int(person.max()) + 1), dtype=int)
    np.add.at(counts, (reed, person), 1)
    if np.ptp(counts) > 0:
        return None
    return readings.values[np.lexsort((person, reed))].reshape(*counts.shape, -1)


def _spreads(lines: tuple[Term, ...], pooled: tuple[str, ...]) -> Spreads:
    """Variances from sums of squares: the estimate in row 0, below it what else it could be."""
    names = [line.name for line in lines]
    squares = np.array([line.sum_of_squares for line in lines])
    repeats = np.array([line.degrees_of_freedom for line in lines])
    mixture = np.array([[line.coefficients.get(name, 0.0) for name in names] for line in lines])
    chance = np.random.default_rng(1).chisquare(repeats, (MONTE_CARLO_TRIALS, len(lines)))
    drawn = np.vstack([squares, squares * repeats / chance])
    solved = dict(zip(names, np.linalg.solve(mixture, drawn.T), strict=True))
    variances = {name: np.maximum(variance, 0.0) for name, variance in solved.items()}

    components = {name: _interval(np.sqrt(variance)) for name, variance in variances.items()}
    components[PHOTO] = repeatability_interval(float(np.sqrt(variances[PHOTO][0])), int(repeats[-1]))
    reeds = variances.pop("reed", None)
    measuring = components[PHOTO]
    # What cancels in the sum must not be cut off before it is added, or the interval lies too high (seen in
    # simulations). The estimate itself is the sum of the parts in the table, as in the handbook.
    sums = np.maximum(sum(solved[name] for name in variances), 0.0)
    sums[0] = sum(variance[0] for variance in variances.values())
    if len(variances) > 1:
        measuring = _interval(np.sqrt(sums))
    if reeds is None:
        return Spreads(lines, pooled, components, measuring, measuring.estimate, None)
    with np.errstate(divide="ignore", invalid="ignore"):
        categories = _interval(CATEGORIES_FACTOR * np.sqrt(reeds / sums))
    total = float(np.sqrt(reeds[0] + sums[0]))
    return Spreads(lines, pooled, components, measuring, total, categories)


def _interval(values: Floats) -> Interval:
    """The value in row 0 with the middle 95 % of the others, stretched to hold it."""
    tail = (1.0 - CONFIDENCE) / 2.0
    low, high = np.quantile(values[1:], [tail, 1.0 - tail])
    estimate = float(values[0])
    return Interval(estimate, min(float(low), estimate), max(float(high), estimate))
