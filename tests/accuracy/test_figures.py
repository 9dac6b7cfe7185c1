"""The statistics behind the table of errors, against published numbers, other implementations, simulation."""

import math
import statistics

import numpy as np
import pytest
from scipy.stats import binom

from aperture.settings import Limits
from tests.accuracy import figures as of
from tests.accuracy.figures import QUANTITIES, Case

TRUE = {"height_mm": 0.8, "width_mm": 7.0, "area_mm2": 3.8, "ellipse_ratio": 0.12}
U = {"height_mm": 0.02, "width_mm": 0.1, "area_mm2": 0.1, "ellipse_ratio": 0.004}

# Of these tests, whatever the defaults are.
LIMITS = Limits(shut_below_height_mm=0.15, wide_from_ratio=0.18, round_from_ratio=0.25)


def case(*errors, review=False, got_class="elliptical", true=TRUE, u=U, block="careful", **more):
    """A measured photo with errors of height, width, area, ratio; a refused one without errors."""
    wrong_by = dict(zip(QUANTITIES, (*errors, 0.0, 0.0, 0.0, 0.0)[:4], strict=True))
    got = {name: true[name] + wrong_by[name] for name in QUANTITIES} if errors else None
    facts = {"name": "made", "careful": True, "obstructed": False, "flags": (), "true_class": "elliptical"}
    return Case(
        block=block,
        review=review or got is None,
        got_class=got_class if got else None,
        true=true,
        got=got,
        u=u if got else None,
        **{**facts, **more},
    )


# --- lists of errors ----------------------------------------------------------------------------------


def test_mean_and_its_uncertainty_of_the_gum():
    """GUM 4.4.3, table 1: mean 100.145, s 1.489, u(mean) 0.333; here `bias_u` is two of the latter."""
    values = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07]
    values += [100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]
    found = of.errors_of(values)
    assert found.count == 20
    assert found.bias == pytest.approx(100.145, abs=5e-4)
    assert found.spread == pytest.approx(1.489, abs=5e-4)
    assert found.bias_u / 2 == pytest.approx(0.333, abs=5e-4)


@pytest.mark.parametrize("count", [2, 7, 20, 61])
def test_percentiles_are_those_of_the_standard_library(count):
    """Python's statistics.quantiles(method="inclusive"), another implementation of the same definition."""
    errors = np.random.default_rng(count).normal(0.002, 0.01, count).tolist()
    found = of.errors_of(errors)
    hundredths = statistics.quantiles([abs(error) for error in errors], n=100, method="inclusive")
    assert found.percentile_95 == pytest.approx(hundredths[94])
    assert found.median == pytest.approx(statistics.median(abs(error) for error in errors))
    assert found.largest == max(abs(error) for error in errors)
    assert found.spread == pytest.approx(statistics.stdev(errors))


def test_percentile_between_two_values():
    # 95 % of the way from the first of 21 values to the last is the 20th: 19.
    assert of.errors_of(range(21)).percentile_95 == pytest.approx(19.0)
    assert of.errors_of([0.0, 1.0]).percentile_95 == pytest.approx(0.95)


def test_sign_counts_in_the_bias_alone():
    found = of.errors_of([-0.3, 0.3])
    assert (found.bias, found.median, found.percentile_95) == pytest.approx((0.0, 0.3, 0.3))


def test_few_errors_give_no_false_figure():
    assert math.isnan(of.errors_of([]).percentile_95)
    single = of.errors_of([0.01])
    assert math.isnan(single.spread)
    assert single.percentile_95 == 0.01


# --- proportions --------------------------------------------------------------------------------------

# R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I: hits, count, Wilson, Clopper-Pearson.
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("hits", "count", "wilson", "exact"), NEWCOMBE)
def test_intervals_of_newcombe(hits, count, wilson, exact):
    assert of.wilson(hits / count, count) == pytest.approx(wilson, abs=6e-5)
    assert of.clopper_pearson(hits, count) == pytest.approx(exact, abs=6e-5)


@pytest.mark.parametrize(("hits", "count"), [(0, 132), (3, 60), (57, 60), (60, 60)])
def test_exact_interval_leaves_a_fortieth_on_either_side(hits, count):
    """Its definition: at either end, what was seen or something further off has probability 2.5 %."""
    low, high = of.clopper_pearson(hits, count)
    assert hits == 0 or binom.sf(hits - 1, count, low) == pytest.approx(0.025)
    assert hits == count or binom.cdf(hits, count, high) == pytest.approx(0.025)
    assert low <= hits / count <= high


def test_nothing_counted_says_nothing():
    assert of.wilson(0.0, 0) == (0.0, 1.0)
    assert of.clopper_pearson(0, 0) == (0.0, 1.0)
    assert math.isnan(of.rate(0, 0).value)


# --- coverage -----------------------------------------------------------------------------------------


def simulated(count, stated, seed=1):
    """Cases whose errors are normal; the uncertainty stated is `stated` times the right one for k = 2."""
    rng = np.random.default_rng(seed)
    sigma = {name: U[name] / 2 for name in QUANTITIES}
    u = {name: stated * U[name] for name in QUANTITIES}
    return [case(*(rng.normal(0.0, sigma[name]) for name in QUANTITIES), u=u) for _ in range(count)]


@pytest.mark.parametrize(
    ("stated", "expected"),
    # Probability of a normal value within 2, 1 and 3 standard deviations (JCGM 100:2008, table G.1).
    [(1.0, 0.9545), (0.5, 0.6827), (1.5, 0.9973)],
)
def test_coverage_of_simulated_normal_errors(stated, expected):
    found = of.coverage(simulated(2000, stated))
    assert found.count == 8000
    # Three in a thousand sets of 8000 would lie further off.
    scatter = math.sqrt(expected * (1 - expected) / found.count)
    assert found.value == pytest.approx(expected, abs=3 * scatter)
    assert found.low < expected < found.high


def test_interval_of_coverage_counts_photos_not_values():
    """What goes wrong in one photo goes wrong in all its values: four of them are not four photos."""
    together, alone = of.coverage(simulated(60, 1.0)), of.coverage(simulated(60, 1.0), ("height_mm",))
    assert (together.count, alone.count) == (240, 60)
    low, high = of.wilson(together.value, 60)
    assert (together.low, together.high) == (low, high)


def test_coverage_counts_each_quantity_by_itself():
    cases = [case(0.019, 0.0, 0.0, 0.005), case(0.021), case(-0.021), case()]
    covered = of.accuracy(cases).covered
    assert [covered[name].hits for name in QUANTITIES] == [1, 3, 3, 2]
    assert of.accuracy(cases).covered_together.count == 12


# --- right and wrong ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("height_mm", "ratio", "expected"),
    [
        (0.1499, 0.02, "shut"),
        (0.1501, 0.02, "elliptical"),
        (1.5, 0.2499, "elliptical"),
        (1.8, 0.2501, "round"),
        (0.1, 0.3, "shut"),  # shut comes first, as in aperture.verdict
    ],
)
def test_class_of_a_known_opening(height_mm, ratio, expected):
    assert of.class_of(height_mm, ratio, LIMITS) == expected


@pytest.mark.parametrize(("height_mm", "ratio"), [(0.15, 0.02), (1.8, 0.25)])
def test_an_opening_on_a_limit_has_no_class(height_mm, ratio):
    with pytest.raises(ValueError, match="on a limit"):
        of.class_of(height_mm, ratio, LIMITS)


@pytest.mark.parametrize(
    ("found", "silent_wrong", "silent_far"),
    [
        (case(0.019), False, False),
        (case(0.029), False, False),  # U is 0.02: 1.45 U
        (case(0.031), False, True),
        (case(-0.059), False, True),
        (case(-0.061), True, True),
        (case(0.0, 0.0, 0.0, 0.013), True, True),  # the ratio's U is 0.004
        (case(0.0, got_class="round"), True, True),
        (case(0.5, review=True), False, False),  # wrong, but the user is told to look
        (case(), False, False),  # refused
    ],
)
def test_silent_wrong(found, silent_wrong, silent_far):
    assert (found.silent_wrong, found.silent_far) == (silent_wrong, silent_far)


def test_figures_of_a_made_group():
    group = [
        case(0.01),
        case(-0.031),
        case(0.5, review=True, got_class="round"),
        case(),
        case(obstructed=True),
        case(careful=False),
        case(0.1, careful=False, obstructed=True),
    ]
    found = of.figures(group)
    assert (found.count, found.measured, found.review, found.refused) == (7, 4, 1, 3)
    assert (found.good_refused.hits, found.good_refused.count) == (1, 4)
    assert found.at_face_value.count == 3
    assert found.all_measured.count == 4
    assert found.at_face_value.errors["height_mm"].largest == pytest.approx(0.1)
    assert found.all_measured.errors["height_mm"].largest == pytest.approx(0.5)
    assert found.confusion["elliptical", "elliptical"] == 3
    assert found.confusion["elliptical", "round"] == 1
    assert found.confusion["elliptical", "refused"] == 3
    assert sum(found.confusion.values()) == 7
    assert (found.silent_wrong.hits, found.silent_far) == (1, 1 + 1)
    parts = of.groups(group)
    assert {name: len(part) for name, part in parts.items()} == {
        "all": 7,
        "careful": 5,
        "careful, nothing in the way": 4,
        "the rest": 2,
    }


def test_area_of_shut_openings_is_no_share():
    """0.01 mm² off is 20 % of a slit of 0.05 mm², which says nothing of the tool; in mm² it counts."""
    slit = case(
        0.0,
        0.0,
        0.01,
        true={**TRUE, "height_mm": 0.01, "area_mm2": 0.05},
        true_class="shut",
        got_class="shut",
    )
    found = of.accuracy([slit, case(0.0, 0.0, 0.038)])
    assert found.area_share.count == 1
    assert found.area_share.percentile_95 == pytest.approx(0.01)
    assert found.errors["area_mm2"].count == 2


# --- targets ------------------------------------------------------------------------------------------


def test_targets_are_met_by_good_results_and_missed_by_bad_ones():
    rng = np.random.default_rng(4)
    good = [case(*(0.25 * U[name] * rng.normal() for name in QUANTITIES)) for _ in range(100)]
    # 1 of 20 lies outside of ±, as it should.
    good += [case(*(1.2 * U[name] for name in QUANTITIES)) for _ in range(5)]
    met = {target.words: target.met for target in of.targets([*good, case(0.01, careful=False)])}
    assert len(met) == 8
    assert all(met.values())
    bad = [case(0.05 + 0.5 * U["height_mm"]) for _ in range(50)] + [case(0.1, careful=False), case()]
    missed = {target.words: target for target in of.targets(bad) if not target.met}
    assert missed["careful: height error, 95th percentile"].missed_by == pytest.approx(0.04)
    assert missed["careful: height error, median"].missed_by == pytest.approx(0.054)
    assert missed["the rest: silent wrong"].missed_by == 1
    assert missed["good photos refused"].missed_by == pytest.approx(1 / 51 - 0.01)


def test_figures_that_cannot_be_had_are_no_success():
    assert not of.targets([case(careful=False)])[0].met
