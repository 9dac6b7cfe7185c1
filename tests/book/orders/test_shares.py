"""The usable share: against published values and another package; what a usable reed costs; and wrong use."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from aperture.book.orders.shares import cost_per_usable, share

# R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, Table I, 95 %: remembered published values, which
# statsmodels confirms to the digits printed. Usable, judged; Wilson without continuity correction (method 3),
# Clopper and Pearson (method 5).
NEWCOMBE = {
    (81, 263): ((0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148): ((0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20): ((0.0000, 0.1611), (0.0000, 0.1684)),
    (1, 29): ((0.0061, 0.1718), (0.0009, 0.1776)),
}


@pytest.mark.parametrize(("counts", "intervals"), NEWCOMBE.items())
def test_intervals_are_the_published_ones(counts, intervals):
    for method, expected in zip(("wilson", "exact"), intervals, strict=True):
        found = share(*counts, method=method)
        assert (found.low, found.high) == pytest.approx(expected, abs=0.5e-4)
        assert found.estimate == pytest.approx(float(Fraction(*counts)))
        assert found.method == method


def test_wilson_at_95_percent_unless_something_else_is_asked_for():
    assert share(15, 148) == share(15, 148, 0.95, "wilson")


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize(("method", "theirs"), [("wilson", "wilson"), ("exact", "beta")])
def test_intervals_are_those_of_statsmodels(method, theirs, confidence):
    for judged in (1, 2, 7, 30, 400):
        for usable in sorted({0, 1, judged // 3, judged // 2, judged - 1, judged}):
            found = share(usable, judged, confidence, method)
            expected = proportion_confint(usable, judged, 1.0 - confidence, theirs)
            assert (found.low, found.high) == pytest.approx(expected, abs=1e-9)


@given(st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_estimate_lies_inside_and_turning_the_question_round_turns_the_interval(counts):
    usable, judged = counts
    good, bad = share(usable, judged), share(judged - usable, judged)
    assert 0.0 <= good.low <= good.estimate <= good.high <= 1.0
    assert (good.low, good.high) == pytest.approx((1.0 - bad.high, 1.0 - bad.low), abs=1e-9)


@pytest.mark.parametrize("method", ["wilson", "exact"])
def test_before_any_reed_was_judged_nothing_is_known(method):
    found = share(0, 0, method=method)
    assert (found.estimate, found.low, found.high) == (None, 0.0, 1.0)


@pytest.mark.parametrize("counts", [(5, 4), (-1, 4), (0, -1), (1, 0)])
def test_impossible_counts_are_refused_in_words(counts):
    with pytest.raises(ValueError, match="judged reeds"):
        share(*counts)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95, -0.1, math.nan])
def test_a_confidence_in_percent_is_refused_in_words(confidence):
    with pytest.raises(ValueError, match="between 0 and 1"):
        share(3, 4, confidence)


# --- cost -----------------------------------------------------------------------------------------


def test_forty_reeds_at_twelve_of_which_thirty_are_usable_cost_sixteen_each():
    """40 × 12 / 30 = 16; and Newcombe's (1998) interval of 81/263 as money: 100/0.3662 to 100/0.2553."""
    assert cost_per_usable(12.0, share(30, 40)).estimate == pytest.approx(16.0)
    cost = cost_per_usable(100.0, share(81, 263))
    assert cost.estimate == pytest.approx(100.0 * 263 / 81)
    assert (cost.low, cost.high) == pytest.approx((100 / 0.3662, 100 / 0.2553), rel=3e-4)


def test_without_a_usable_reed_there_is_no_upper_end():
    """At best the share is 0.1611 (Newcombe 1998, 0/20), so a usable reed costs at least 8 / 0.1611."""
    cost = cost_per_usable(8.0, share(0, 20))
    assert (cost.estimate, cost.high) == (None, None)
    assert cost.low == pytest.approx(8.0 / 0.1611, rel=1e-3)


def test_before_any_reed_was_judged_it_costs_at_least_its_price():
    cost = cost_per_usable(8.0, share(0, 0))
    assert (cost.estimate, cost.low, cost.high) == (None, 8.0, None)


def test_reeds_that_were_a_gift_cost_nothing():
    cost = cost_per_usable(0.0, share(3, 4))
    assert (cost.estimate, cost.low, cost.high) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("price", [-1.0, math.nan, math.inf])
def test_an_impossible_price_is_refused_in_words(price):
    with pytest.raises(ValueError, match="a price must be 0 or more"):
        cost_per_usable(price, share(3, 4))
