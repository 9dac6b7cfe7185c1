"""How many to order: against exact sums, integrals, published data, another package and simulation."""

import math
import re
from fractions import Fraction
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import beta, betabinom, binom
from statsmodels.stats.proportion import proportion_confint

from aperture.book.orders.order_plan import between_lots, next_share, order_for, plan_order, reeds_to_know

# --- one lot: the beta-binomial distribution ------------------------------------------------------


def rising(start, count):
    """start (start + 1) ... of `count` factors, exactly."""
    return math.prod((start + i for i in range(count)), start=Fraction(1))


def exact_probability(need, n, usable, judged):
    """P(at least `need` of n usable) as a fraction: the beta functions cancel to products.

    Polya's urn: C(n, k) a(a+1).. (k factors) b(b+1).. (n-k factors) / ((a+b)(a+b+1)..).
    """
    a, b = Fraction(1, 2) + usable, Fraction(1, 2) + judged - usable
    return sum(
        math.comb(n, k) * rising(a, k) * rising(b, n - k) / rising(a + b, n) for k in range(need, n + 1)
    )


@pytest.mark.parametrize(
    ("need", "sure", "usable", "judged"),
    [
        (12, 0.9, 30, 40),
        (12, 0.9, 3, 4),
        (12, 0.99, 19, 20),
        (5, 0.5, 2, 9),
        (1, 0.95, 1, 10),
        (30, 0.8, 7, 7),
    ],
)
def test_the_order_is_the_smallest_by_exact_sums(need, sure, usable, judged):
    plan = plan_order(need, sure, [(usable, judged)])
    reached = exact_probability(need, plan.n, usable, judged)
    assert reached >= sure
    assert plan.n == need or exact_probability(need, plan.n - 1, usable, judged) < sure
    assert plan.probability == pytest.approx(float(reached), abs=1e-12)
    assert plan.expected_usable == pytest.approx(plan.n * (usable + 0.5) / (judged + 1))


def test_probability_is_the_binomial_one_averaged_over_the_share():
    """The definition: the integral of the binomial probability over the beta distribution of the share."""
    plan = plan_order(12, 0.9, [(30, 40)])
    mean, _ = quad(lambda p: beta.pdf(p, 30.5, 10.5) * binom.sf(11, plan.n, p), 0.0, 1.0)
    assert plan.probability == pytest.approx(mean, abs=1e-9)


def test_so_many_are_usable_so_often():
    """200 000 draws: a share, then reeds. Within 4 standard errors, for the order and for one reed less."""
    chance = np.random.default_rng(7)
    plan = plan_order(12, 0.9, [(30, 40)])
    shares = chance.beta(30.5, 10.5, 200_000)
    for n in (plan.n, plan.n - 1):
        often = np.mean(chance.binomial(n, shares) >= 12)
        expected = float(exact_probability(12, n, 30, 40))
        assert often == pytest.approx(expected, abs=4 * (expected * (1 - expected) / 200_000) ** 0.5)
        assert (expected >= 0.9) == (n == plan.n)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.75, 0.9])
@pytest.mark.parametrize("judged", [10, 40])
def test_the_promise_is_kept_on_the_average(share, judged):
    """Over all records that a source of this share can give, each as often as it comes (binomial)."""
    kept = 0.0
    for usable in range(judged + 1):
        plan = plan_order(12, 0.9, [(usable, judged)])
        kept += binom.pmf(usable, judged, share) * binom.sf(11, plan.n or plan.most, share)
    assert kept >= 0.9


def test_with_a_large_record_only_the_chance_of_the_single_reed_is_left():
    """75 000 of 100 000: the binomial answer, 19 of which 12 are usable (sums of fractions)."""

    def reached(n):
        return sum(
            math.comb(n, k) * Fraction(3, 4) ** k * Fraction(1, 4) ** (n - k) for k in range(12, n + 1)
        )

    assert reached(18) < Fraction(9, 10) <= reached(19)
    plan = plan_order(12, 0.9, [(75_000, 100_000)])
    assert (plan.n, plan.n_if_exact) == (19, 19)
    assert plan.probability == pytest.approx(float(reached(19)), abs=1e-4)


records = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def reeds(plan):
    return plan.n or plan.most + 1


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 40), st.floats(0.05, 0.98), records)
def test_more_need_more_sure_or_fewer_usable_is_never_a_smaller_order(need, sure, record):
    here = plan_order(need, sure, [record])
    usable, judged = record
    assert reeds(plan_order(need + 1, sure, [record])) >= reeds(here)
    assert reeds(plan_order(need, sure + 0.01, [record])) >= reeds(here)
    if usable:
        assert reeds(plan_order(need, sure, [(usable - 1, judged)])) >= reeds(here)
    assert reeds(here) >= need


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 20), st.floats(0.6, 0.98), st.integers(1, 15))
def test_a_longer_record_of_the_same_share_is_never_a_larger_order(need, sure, judged):
    """Half of the reeds usable: the distribution keeps its middle and gets narrower."""
    few, many = (
        plan_order(need, sure, [(judged, 2 * judged)]),
        plan_order(need, sure, [(4 * judged, 8 * judged)]),
    )
    assert reeds(many) <= reeds(few)


# --- lots that differ -----------------------------------------------------------------------------


def made_up_lots(chance, mean, correlation, sizes):
    """Lots with beta distributed shares: rho = 1 / (a + b + 1)."""
    spread = 1.0 / correlation - 1.0
    shares = chance.beta(mean * spread, (1.0 - mean) * spread, len(sizes))
    return list(zip(chance.binomial(sizes, shares).tolist(), list(map(int, sizes)), strict=True))


def test_families_in_saxony():
    """Boys among the first 12 children of 6115 families (Geissler; in Sokal & Rohlf 1969, Lindsey 1995).

    Moments give a = 34.1350, b = 31.6085 for the beta-binomial distribution (the worked example of the
    encyclopaedia's article on it), which is rho = 1 / (a + b + 1) = 0.0150.
    """
    families = [3, 24, 104, 286, 670, 1033, 1343, 1112, 829, 478, 181, 45, 7]
    lots = [(boys, 12) for boys, count in enumerate(families) for _ in range(count)]
    assert len(lots) == 6115
    assert between_lots(lots) == pytest.approx(1.0 / (34.1350 + 31.6085 + 1.0), rel=2e-3)


def test_correlation_is_that_of_the_analysis_of_variance():
    """statsmodels' one-way table of the reeds as 0 and 1, lots of unequal size."""
    from pandas import DataFrame
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    lots = [(9, 10), (4, 12), (8, 9), (0, 3), (1, 1)]
    rows = [(lot, int(i < usable)) for lot, (usable, judged) in enumerate(lots) for i in range(judged)]
    table = anova_lm(ols("usable ~ C(lot)", DataFrame(rows, columns=["lot", "usable"])).fit())
    between, within = table["mean_sq"]
    sizes = np.array([judged for _, judged in lots])
    typical = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / (len(sizes) - 1)
    assert between_lots(lots) == pytest.approx((between - within) / (between + (typical - 1.0) * within))


@pytest.mark.parametrize("correlation", [0.02, 0.1, 0.3])
def test_made_up_lots_give_their_correlation_back(correlation):
    """20 records of 200 lots of 5 to 30 reeds: on the average within 4 standard errors, less than 0.03."""
    chance = np.random.default_rng(3)
    found = [
        between_lots(made_up_lots(chance, 0.7, correlation, chance.integers(5, 31, 200))) for _ in range(20)
    ]
    error = float(np.std(found) / 20**0.5)
    assert 4 * error < 0.03
    assert np.mean(found) == pytest.approx(correlation, abs=4 * error)


def test_equal_lots_do_not_differ():
    assert between_lots([(7, 10)] * 5) == 0.0
    assert between_lots([(10, 10), (7, 7)]) == 0.0
    assert between_lots([(0, 10), (0, 7)]) == 0.0
    chance = np.random.default_rng(9)
    by_chance = [(int(usable), 20) for usable in chance.binomial(20, 0.7, 400)]
    assert between_lots(by_chance) < 0.01
    assert plan_order(12, 0.9, [(7, 10)] * 4).n == plan_order(12, 0.9, [(28, 40)]).n


def test_lots_all_good_or_all_bad_are_as_different_as_can_be():
    assert between_lots([(10, 10), (0, 10), (7, 7)]) == 1.0


@pytest.mark.parametrize("lots", [[], [(7, 10)], [(1, 1), (0, 1), (1, 1)]])
def test_what_cannot_tell_how_lots_differ_does_not_say_so(lots):
    assert between_lots(lots) is None


LOTS_AND_CORRELATIONS = [
    ([(9, 10), (4, 10), (8, 10)], 0.22),
    ([(15, 20)] * 4, 0.05),
    ([(9, 10)] * 2, 0.1),
    ([(5, 10), (5, 10)], 0.4),
    ([(7, 10), (12, 25)], 0.02),
]


@pytest.mark.parametrize(("lots", "correlation"), LOTS_AND_CORRELATIONS)
def test_the_next_lot_against_the_integral_over_the_mean_share(lots, correlation):
    """The two steps (mean share, then the lot's own) integrated as they are: probabilities within 0.01."""
    usable, judged = (sum(counts) for counts in zip(*lots, strict=True))
    effect = sum(n * (1 + (n - 1) * correlation) for _, n in lots) / judged
    a, b = 0.5 + usable / effect, 0.5 + (judged - usable) / effect
    spread = 1.0 / correlation - 1.0

    def both_steps(m, n):
        return beta.pdf(m, a, b) * betabinom.sf(11, n, m * spread, (1.0 - m) * spread)

    for n in (15, 25, 40, 80):
        expected, _ = quad(both_steps, 0.0, 1.0, args=(n,))
        assert betabinom.sf(11, n, *next_share(lots, correlation)) == pytest.approx(expected, abs=0.01)


def test_without_a_correlation_lots_are_pooled():
    assert next_share([(9, 10), (4, 10)], 0.0) == pytest.approx((13.5, 7.5))


@pytest.mark.parametrize("correlation", [0.1, 0.5, 0.999999])
def test_reeds_of_one_lot_count_for_less_than_as_many_lots(correlation):
    """Lots of one reed count in full; of lots all good or all bad, each counts as a single reed.

    So with Jeffreys' halves, two good and one bad make a mean share of 2.5 in 4.
    """
    a, b = next_share([(1, 1), (1, 1), (0, 1)], correlation)
    assert a / (a + b) == pytest.approx(2.5 / 4.0)
    a, b = next_share([(10, 10), (10, 10), (0, 10)], 1.0)
    assert a / (a + b) == pytest.approx(2.5 / 4.0)


@cache
def kept(lots, size, correlation, use_correlation):
    """How often orders for 12 usable reeds, planned for 90 % from made-up records, are enough."""
    chance = np.random.default_rng(21)
    spread = 1.0 / correlation - 1.0
    enough = []
    for _ in range(300):
        record = made_up_lots(chance, 0.75, correlation, np.full(lots, size))
        if not use_correlation:
            record = [tuple(int(sum(counts)) for counts in zip(*record, strict=True))]
        plan = plan_order(12, 0.9, record)
        enough.append(betabinom.sf(11, plan.n or plan.most, 0.75 * spread, 0.25 * spread))
    return float(np.mean(enough))


@pytest.mark.parametrize(
    ("lots", "size", "correlation", "at_least"),
    [(2, 10, 0.2, 0.82), (4, 10, 0.1, 0.87), (8, 10, 0.1, 0.87), (8, 25, 0.03, 0.9)],
)
def test_the_promise_nearly_holds_where_lots_differ(lots, size, correlation, at_least):
    """90 % promised. From few lots nobody can know how much lots differ; looking away from it is worse."""
    assert kept(lots, size, correlation, True) >= at_least
    assert kept(lots, size, correlation, True) > kept(lots, size, correlation, False) + 0.02


# --- honest answers -------------------------------------------------------------------------------


@pytest.mark.parametrize("lots", [[], [(0, 0)], [(0, 0), (0, 0)]])
def test_without_a_record_there_is_no_number_but_a_way_to_one(lots):
    plan = plan_order(12, 0.9, lots)
    assert (plan.n, plan.probability, plan.expected_usable, plan.n_if_exact) == (None, None, None, None)
    assert "nobody can say" in plan.answer
    assert "12 reeds" in plan.answer
    assert "39 to within 15" in plan.answer
    assert plan.what_if == ((0.9, 15), (0.75, 19), (0.5, 31))
    assert plan.assumptions[1] == (
        "If 3 in 4 of its reeds were usable, 19 would have to be ordered to be 90 % sure of 12."
    )


@pytest.mark.parametrize("half_width", [0.05, 0.15, 0.25])
def test_so_many_reeds_tell_any_share_that_well(half_width):
    """Half widths of Wilson intervals by statsmodels: never wider; with a few reeds less, wider at 1/2."""

    def widest(n):
        return max(np.ptp(proportion_confint(k, n, 0.05, "wilson")) / 2 for k in range(n + 1))

    n = reeds_to_know(half_width)
    assert widest(n) <= half_width
    assert widest(n - 2) > half_width


def test_the_words_for_an_ordinary_record():
    plan = plan_order(12, 0.9, [(30, 40)])
    assert (
        plan.answer
        == "Order 20: at least 12 of them usable with 91.5 % probability, about 15 on the average."
    )
    assert plan.assumptions[:2] == (
        "The record: 30 of 40 judged reeds usable, in 1 lot.",
        "If the share were known to be exactly 75 %, 19 would do; the rest of the 20 is for not knowing it.",
    )
    assert "how much lots of this source differ is not known" in plan.assumptions[2]


@pytest.mark.parametrize(
    ("lots", "words"),
    [
        ([(8, 10), (9, 10), (8, 10)], "do not differ more than by chance"),
        ([(9, 10), (4, 10), (8, 10)], "from 40 % to 90 % usable: more than by chance"),
        ([(1, 1), (0, 1)], "a lot with two judged reeds"),
        ([(30, 40), (0, 0)], "All judged reeds are of one lot"),
    ],
)
def test_what_is_known_of_differences_between_lots_is_said(lots, words):
    assert any(words in sentence for sentence in plan_order(12, 0.9, lots).assumptions)


@pytest.mark.parametrize(
    ("lots", "words"),
    [
        ([(0, 10)], "None of the 10 judged reeds was usable: try another source."),
        ([(5, 60)], "Too few reeds of this source are usable"),
        ([(1, 2)], "Too few reeds have been judged"),
        ([(10, 10), (0, 10)], "the next may be a bad one: order several small lots"),
    ],
)
def test_an_absurd_order_is_a_sentence_instead(lots, words):
    plan = plan_order(12, 0.95, lots)
    assert plan.n is None
    assert plan.most == 120
    assert plan.probability < 0.95
    assert "No sensible order" in plan.answer
    assert words in plan.answer


def test_where_most_of_the_order_is_doubt_a_smaller_lot_is_advised_first():
    assert "order a smaller lot first" in plan_order(12, 0.9, [(1, 3)]).answer
    assert "order a smaller lot first" not in plan_order(12, 0.9, [(30, 40)]).answer


def test_a_probability_is_never_rounded_up():
    for sure in (0.29, 0.58, 0.9, 0.955, 0.999):
        for record in [(0, 10), (1, 2), (3, 10), (9, 10), (30, 40)]:
            plan = plan_order(12, sure, [record])
            shown = float(re.findall(r"([\d.]+) %(?: probability|\.)", plan.answer)[0])
            assert 100 * plan.probability - 0.1 <= shown <= 100 * plan.probability


def test_a_known_share_needs_the_binomial_order():
    """All usable: as many as are needed. One in two, one reed, 90 %: 1 - 1/2^n, so 4."""
    assert order_for(12, 0.9, 1.0, 120) == 12
    assert order_for(1, 0.9, 0.5, 4) == 4
    assert order_for(1, 0.9, 0.5, 3) is None
    assert order_for(12, 0.9, 0.0, 120) is None


@pytest.mark.parametrize("need", [0, -3])
def test_no_need_is_refused_in_words(need):
    with pytest.raises(ValueError, match="at most 1000 reeds"):
        plan_order(100_000_000, 0.9, [(3, 4)])
    with pytest.raises(ValueError, match="at least 1 reed must be needed"):
        plan_order(need, 0.9, [(3, 4)])


@pytest.mark.parametrize("sure", [0.0, 1.0, 90, -0.5, math.nan])
def test_sureness_in_percent_is_refused_in_words(sure):
    with pytest.raises(ValueError, match=r"how sure you want to be must lie between 0 and 1 \(0.9 is 90 %\)"):
        plan_order(12, sure, [(3, 4)])


@pytest.mark.parametrize("lots", [[(5, 4)], [(3, 4), (-1, 4)], [(0, -2)]])
def test_an_impossible_record_is_refused_in_words(lots):
    with pytest.raises(ValueError, match="judged reeds"):
        plan_order(12, 0.9, lots)
