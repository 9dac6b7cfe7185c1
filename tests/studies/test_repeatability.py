"""How far repeats scatter: worked examples of standards, another package, and simulated studies."""

import warnings
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from aperture.studies import repeatability
from aperture.studies.repeatability import (
    K1,
    PHOTO,
    K,
    Readings,
    analyse,
    average_and_range,
    compare_sessions,
    odd_cells,
    repeatability_interval,
    spreads,
)

# AIAG, Measurement Systems Analysis, 4th ed., chapter III, section B: 3 people, 10 parts, 3 trials. The data
# were read in two public test files, not in the handbook.
AIAG = """
 0.29 -0.56 1.34 0.47 -0.80  0.02 0.59 -0.31 2.26 -1.36
 0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
 0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
 0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
 0.25 -1.22 0.94 1.03 -1.20  0.22 0.55  0.08 2.12 -1.62
 0.07 -0.68 1.34 0.20 -1.28  0.06 0.83 -0.34 2.19 -1.50
 0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""


def readings_of(rows):
    """Readings from rows of (value, reed, person, session)."""
    values, reed, person, session = zip(*rows, strict=True)
    return Readings(np.array(values, dtype=float), reed, person, session)


@pytest.fixture
def handbook():
    table = np.array(AIAG.split(), dtype=float).reshape(3, 3, 10)
    return readings_of((v, part, "ABC"[person], None) for (person, _, part), v in np.ndenumerate(table))


@pytest.fixture
def volts():
    """GUM (JCGM 100:2008), table H.9: 10 days of 5 observations of a Zener voltage, in microvolts from 10 V.

    The GUM gives means and standard deviations; any five values that have them do.
    """
    means = (172, 116, 13, 144, 106, 31, 60, 125, 163, 41)
    deviations = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / np.sqrt(2.5)
    days = zip(means, deviations, strict=True)
    return readings_of((m + s * z, 1, None, day) for day, (m, s) in enumerate(days) for z in pattern)


# --- worked examples ------------------------------------------------------------------------------


def test_handbook_by_analysis_of_variance(handbook):
    """Sums of squares computed independently from the data; the spreads agree with remembered published ones.

    The interaction has F = 0.434 and is pooled.
    """
    lines = {line.name: line for line in analyse(handbook)}
    assert [round(line.sum_of_squares, 4) for line in lines.values()] == [88.3619, 3.1673, 0.3590, 2.7589]
    assert [line.degrees_of_freedom for line in lines.values()] == [9, 2, 18, 60]
    assert lines["reed with person"].mean_square / lines[PHOTO].mean_square == pytest.approx(0.434, abs=5e-4)
    found = spreads(handbook)
    assert found.pooled == ("reed with person",)
    assert found.repeats == 78
    assert found.components[PHOTO].estimate == pytest.approx(0.199933, abs=5e-7)
    assert found.components["person"].estimate == pytest.approx(0.226838, abs=5e-7)
    assert found.components["reed"].estimate == pytest.approx(1.042327, abs=6e-7)
    assert found.measuring.estimate == pytest.approx(0.302372, abs=5e-7)
    assert found.total == pytest.approx(1.085300, abs=5e-7)
    assert 100 * found.measuring.estimate / found.total == pytest.approx(27.9, abs=0.05)
    assert int(found.categories.estimate) == 4


def test_handbook_by_average_and_range(handbook):
    """The handbook's numbers, from memory; it rounds the constants and means on the way."""
    found = average_and_range(handbook)
    assert found.repeatability == pytest.approx(0.20188, abs=5e-5)
    assert found.people == pytest.approx(0.22963, abs=5e-5)
    assert found.measuring == pytest.approx(0.30575, abs=5e-5)
    assert found.reeds == pytest.approx(1.10456, abs=5e-5)
    assert found.total == pytest.approx(1.14610, abs=5e-5)
    assert int(found.categories) == 5


def test_handbook_shows_one_cell_out_of_line(handbook):
    """On the handbook's range chart only person B's part 4 lies over the limit (1.02 > 0.880)."""
    (cell,) = odd_cells(handbook, 0.05)
    assert {(handbook.person[place], handbook.reed[place] + 1) for place in cell} == {("B", 4)}


def test_days_of_the_gum(volts):
    """GUM H.5.2, rounded as there: s_a 128, s_b 85, F 2.25, u(mean) 18, between days 43 µV; from memory.

    The GUM works with rounded values: unrounded F is 2.2615.
    """
    found = compare_sessions(volts)
    assert found.s_between == pytest.approx(128, abs=0.5)
    assert found.s_within == pytest.approx(85, abs=0.5)
    assert found.f == pytest.approx(2.2615, abs=5e-5)
    # GUM H.5.2.3: significant at 5 % (F 0.95 with 9 and 40 is 2.12), not at 2.5 % (2.45)
    assert 0.025 < found.p < 0.05
    assert found.u_mean == pytest.approx(18, abs=0.5)
    assert found.component == pytest.approx(43, abs=0.5)
    assert spreads(volts).components["session"].estimate == pytest.approx(found.component)


def test_interval_of_a_standard_deviation_is_that_of_tables():
    """Percentage points of chi-square with 10 degrees of freedom in common tables: 20.483 and 3.247."""
    found = repeatability_interval(2.0, 10)
    assert found.low == pytest.approx(2 * (10 / 20.483) ** 0.5, rel=1e-4)
    assert found.high == pytest.approx(2 * (10 / 3.247) ** 0.5, rel=1e-4)


@pytest.mark.parametrize("largest_share", [0.595, 0.610])
def test_odd_cells_are_those_of_cochran(largest_share):
    """Cochran's test, ISO 5725-2, table 4: 10 cells of 2, 5 %: 0.602 (from memory)."""
    shares = [largest_share, *[(1 - largest_share) / 9] * 9]
    rows = [
        (10 * cell + side * share**0.5, cell, None, None)
        for cell, share in enumerate(shares)
        for side in (0, 1)
    ]
    expected = [[0, 1]] if largest_share > 0.602 else []
    assert odd_cells(readings_of(rows), 0.05) == expected


# --- the constants of the average-and-range method ------------------------------------------------


def moments_of_range(n):
    """Mean and mean square of the range of n standard normal values, by their integrals (Tippett 1925)."""
    x = np.linspace(-8.0, 8.0, 1601)
    step, below = x[1] - x[0], norm.cdf(x)
    mean = step * np.sum(1 - below**n - (1 - below) ** n)
    # E R² = 2 ∬ P(smallest < x, largest > y) over x < y
    low, high = below[:, None], below[None, :]
    inside = 1 - high**n - (1 - low) ** n + np.clip(high - low, 0, None) ** n
    weights = np.triu(np.ones((len(x), len(x))), 1) + 0.5 * np.eye(len(x))
    return mean, 2 * step**2 * np.sum(weights * inside)


@pytest.mark.parametrize(("n", "constant"), K1.items())
def test_k1_is_one_over_the_mean_range(n, constant):
    """K1 = 1/d2, many ranges; d2 of 2 values is 2/√π."""
    mean, _ = moments_of_range(n)
    assert constant == pytest.approx(1 / mean, abs=6e-5)
    assert K1[2] == pytest.approx(np.pi**0.5 / 2, abs=6e-5)


@pytest.mark.parametrize(("n", "constant"), K.items())
def test_k_is_one_over_the_root_mean_square_range(n, constant):
    """K2, K3 = 1/d2* with a single range (Duncan): d2*² = E R²; of 2 values it is 2."""
    _, mean_square = moments_of_range(n)
    assert constant == pytest.approx(mean_square**-0.5, abs=6e-5)
    assert K[2] == pytest.approx(0.5**0.5, abs=6e-5)


# --- another package ------------------------------------------------------------------------------


def made_up(seed, reeds, people, chance_of_photo=0.7, at_least_one=False):
    """An unbalanced study: reeds (SD 1), people (0.4), photos (0.2); up to four photos in each cell."""
    chance = np.random.default_rng(seed)
    of_reed, of_person = chance.normal(0, 1.0, reeds), chance.normal(0, 0.4, people)
    rows = []
    for reed in range(reeds):
        for person in range(people):
            for photo in range(4):
                if chance.random() < chance_of_photo or (photo == 0 and at_least_one):
                    value = of_reed[reed] + of_person[person] + chance.normal(0, 0.2)
                    rows.append((value, reed, person, None))
    return readings_of(rows)


def frame(readings):
    from pandas import DataFrame

    return DataFrame({"y": readings.values, "reed": readings.reed, "person": readings.person})


@pytest.mark.parametrize("seed", range(3))
def test_unequal_numbers_as_statsmodels_has_them(seed):
    """statsmodels: sequential (type I) sums of squares of a linear model."""
    readings = made_up(seed, reeds=6, people=3, at_least_one=True)
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    table = anova_lm(ols("y ~ C(reed) + C(person) + C(reed):C(person)", frame(readings)).fit(), typ=1)
    ours = analyse(readings)
    assert [line.name for line in ours] == ["reed", "person", "reed with person", PHOTO]
    assert [line.sum_of_squares for line in ours] == pytest.approx(table["sum_sq"].to_list(), rel=1e-9)
    assert [line.degrees_of_freedom for line in ours] == table["df"].to_list()


@pytest.mark.parametrize("equal", [True, False])
def test_reeds_and_photos_as_reml_has_them(equal):
    """REML of statsmodels: the same variances with equal numbers (Searle et al. 1992, 4.8), else near."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    readings = made_up(4, reeds=20, people=1, chance_of_photo=1.0 if equal else 0.6, at_least_one=True)
    table = frame(readings)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it complains about its own search for the maximum
        fitted = MixedLM(table["y"], np.ones(len(table)), table["reed"]).fit(reml=True)
    found = spreads(readings).components
    tolerance = 1e-3 if equal else 0.05
    assert found["reed"].estimate == pytest.approx(float(fitted.cov_re.iloc[0, 0]) ** 0.5, rel=tolerance)
    assert found[PHOTO].estimate == pytest.approx(fitted.scale**0.5, rel=tolerance)


def test_mean_number_of_unequal_groups_is_the_textbook_one():
    """n0 = (N - Σ n²/N) / (k - 1), Searle, Casella & McCulloch 1992, 3.6."""
    sizes = (2, 5, 3, 1)
    rows = [(float(reed * photo), reed, None, None) for reed, n in enumerate(sizes) for photo in range(n)]
    reed, _ = analyse(readings_of(rows))
    n0 = (11 - (4 + 25 + 9 + 1) / 11) / 3
    assert reed.coefficients["reed"] / reed.degrees_of_freedom == pytest.approx(n0)


# --- studies with known truth ---------------------------------------------------------------------

SPREAD = {"reed": 1.0, "person": 0.2, "session": 0.1, PHOTO: 0.2}
DESIGNS = {
    "one person": [(reed, 0, 0) for reed in range(5) for _ in range(2 + reed % 3)],
    "three people": [(reed, person, 0) for reed in range(6) for person in range(3) for _ in range(3)],
    "photos missing": [
        (reed, person, 0)
        for reed in range(8)
        for person in range(3)
        for _ in range((3 * reed + 2 * person) % 4)
    ],
    "five days": [(reed, 0, day) for reed in range(4) for day in range(5) for _ in range(2)],
}


def simulate(design, chance):
    rows = []
    effects = {}
    for reed, person, session in design:
        value = chance.normal(0, SPREAD[PHOTO])
        for name, key in (("reed", reed), ("person", person), ("session", (person, session))):
            value += effects.setdefault((name, key), chance.normal(0, SPREAD[name]))
        rows.append((value, reed, person, session))
    return readings_of(rows)


@pytest.mark.parametrize("name", DESIGNS)
def test_intervals_hold_as_often_as_they_say(name, monkeypatch):
    """95 % intervals of made-up studies: 400 of each, of which a good one holds 380 ± 4.4 (binomial)."""
    monkeypatch.setattr(repeatability, "MONTE_CARLO_TRIALS", 1000)
    design = DESIGNS[name]
    parts = {PHOTO}
    if len({person for _, person, _ in design}) > 1:
        parts |= {"person", "session"}  # a session each: what it adds looks like the person's
    if len({session for _, _, session in design}) > 1:
        parts |= {"session"}
    true = sum(SPREAD[part] ** 2 for part in parts) ** 0.5
    truth = {"photo": SPREAD[PHOTO], "measuring": true, "categories": 2**0.5 * SPREAD["reed"] / true}
    chance = np.random.default_rng(11)
    held = Counter()
    for _ in range(400):
        found = spreads(simulate(design, chance))
        intervals = {
            "photo": found.components[PHOTO],
            "measuring": found.measuring,
            "categories": found.categories,
        }
        held.update(what for what, i in intervals.items() if i.low <= truth[what] <= i.high)
    assert min(held[what] for what in truth) >= 364, held
    assert held["photo"] <= 394, held


def test_with_few_photos_the_interval_is_wide_and_narrows():
    few = repeatability_interval(1.0, 2)
    many = repeatability_interval(1.0, 50)
    assert few.high / few.low > 10
    assert many.high / many.low < 1.6


# --- what must not matter, and what cannot be told ------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(st.floats(1e-3, 1e3), st.floats(-50, 50), st.integers(0, 5))
def test_unit_zero_and_order_do_not_matter(factor, zero, seed):
    readings = made_up(seed, 4, 2, at_least_one=True)
    order = np.random.default_rng(seed).permutation(len(readings.values))
    other = Readings(
        (factor * (readings.values + zero))[order],
        *(
            [list(labels)[place] for place in order]
            for labels in (readings.reed, readings.person, readings.session)
        ),
    )
    here, there = spreads(readings), spreads(other)
    assert here.pooled == there.pooled
    for name, component in here.components.items():
        assert there.components[name].estimate == pytest.approx(
            factor * component.estimate, abs=1e-6 * factor
        )


def test_sessions_with_the_same_name_belong_to_different_people():
    rows = [(float(p + 0.1 * n), r, p, 1) for r in range(3) for p in range(2) for n in range(2)]
    assert "session" not in spreads(readings_of(rows)).components
    assert compare_sessions(readings_of(rows)) is None


def test_people_with_their_own_reeds_are_not_compared():
    rows = [(float(reed + 0.1 * n), reed, reed // 2, None) for reed in range(4) for n in range(3)]
    found = spreads(readings_of(rows))
    assert set(found.components) == {"reed", PHOTO}
    assert found.measuring == found.components[PHOTO]


def test_one_reed_says_nothing_of_telling_apart():
    found = spreads(readings_of([(value, 1, None, None) for value in (1.0, 2.0, 3.0)]))
    assert (found.categories, found.total) == (None, pytest.approx(1.0))


def test_without_repeats_there_is_nothing_to_say():
    with pytest.raises(ValueError, match="no reading is a repeat"):
        spreads(readings_of([(1.0, 1, None, None), (2.0, 2, None, None)]))


def test_equal_readings_do_not_scatter():
    found = spreads(readings_of([(0.7, reed, None, None) for reed in (1, 2) for _ in range(3)]))
    assert found.components[PHOTO].estimate == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("change", ["a photo more", "six photos", "eleven reeds"])
def test_the_paper_method_is_for_equal_numbers_in_its_tables(handbook, change):
    rows = list(zip(handbook.values, handbook.reed, handbook.person, handbook.session, strict=True))
    more = {
        "a photo more": rows[:1],
        "six photos": rows,
        "eleven reeds": [(1.0, 11, person, None) for person in "ABC" for _ in range(3)],
    }
    assert average_and_range(readings_of(rows + more[change])) is None
    assert average_and_range(replace(handbook, person=["A"] * 90)) is None
