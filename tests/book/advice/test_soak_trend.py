"""The soak that a reed needs: against Sen's estimator by hand and SciPy's; what counts as worn; wrong use."""

import math
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from aperture.book.advice.soak_trend import sen_slope, soak_trend

START = date(2026, 9, 7)


def weekly(*seconds):
    return [(START + timedelta(weeks=week), value) for week, value in enumerate(seconds)]


def test_slope_by_hand():
    """Weeks 0, 1, 2, 4 with 30, 40, 36, 76 s (made up). Between them 10/1, 6/2, 46/4, -4/1, 36/3 and 40/2 s a
    week; sorted -4, 3, 10, 11.5, 12, 20, of which the middle is 10.75."""
    times = [(START + timedelta(weeks=week), s) for week, s in ((0, 30), (1, 40), (2, 36), (4, 76))]
    assert soak_trend(times).slope.seconds_per_week == pytest.approx(10.75)


needs = st.dictionaries(st.integers(0, 120), st.integers(0, 40), min_size=4, max_size=25)


@given(needs)
def test_slope_is_the_median_of_pairwise_slopes_and_its_interval_that_of_scipy(found):
    """scipy.stats.theilslopes, with ties; the median by numpy, from every pair of days."""
    days = np.array(sorted(found))
    seconds = np.array([10.0 * found[day] for day in sorted(found)])
    ours = soak_trend([(START + timedelta(days=int(d)), s) for d, s in zip(days, seconds, strict=True)]).slope
    theirs = theilslopes(seconds, days / 7.0, alpha=0.95)
    later, earlier = np.tril_indices(len(days), -1)
    pairwise = (seconds[later] - seconds[earlier]) / (days[later] - days[earlier])
    assert ours.seconds_per_week == pytest.approx(7.0 * np.median(pairwise), abs=1e-9)
    assert (ours.seconds_per_week, ours.low, ours.high) == pytest.approx(
        (theirs.slope, theirs.low_slope, theirs.high_slope), abs=1e-9
    )


def test_the_interval_holds_the_slope_as_often_as_it_says():
    """2000 made-up reeds, 12 weeks, 5 s a week more, normal scatter: 95 % ± 4 binomial standard deviations,
    and one part in 66 of room, because the interval can only end at one of 66 slopes."""
    chance = np.random.default_rng(5)
    held = 0
    for _ in range(2000):
        slope = sen_slope(weekly(*(60.0 + 5.0 * np.arange(12) + chance.normal(0.0, 10.0, 12)).tolist()))
        held += slope.low <= 5.0 <= slope.high
    assert held / 2000 == pytest.approx(0.95, abs=4 * (0.95 * 0.05 / 2000) ** 0.5 + 1 / 66)


def test_one_forgotten_reed_does_not_make_a_trend():
    """The slope by least squares is 37 s a week; that of Sen stays at 0."""
    times = weekly(30, 30, 30, 30, 30, 30, 30, 600)
    fitted = np.polyfit(range(8), [seconds for _, seconds in times], 1)[0]
    trend = soak_trend(times)
    assert fitted > 30.0
    assert trend.slope.seconds_per_week == 0.0
    assert trend.grew is False
    assert not trend.worn


# --- growing, and worn ----------------------------------------------------------------------------


def test_four_rising_days_show_growth_and_three_cannot():
    grown = soak_trend(weekly(30, 35, 50, 60))
    assert grown.grew is True
    assert "longer and longer" in grown.words
    short = soak_trend(weekly(30, 35, 50))
    assert (short.slope, short.grew) == (None, None)
    assert "3 days; a trend takes 4" in short.words


@pytest.mark.parametrize(
    "seconds", [(60, 50, 40, 30), (30, 40, 30, 40, 30), (30, 40, 35, 45, 60), (45, 45, 45, 45, 45)]
)
def test_what_falls_or_goes_up_and_down_did_not_grow(seconds):
    trend = soak_trend(weekly(*seconds))
    assert trend.grew is False
    assert "cannot be seen" in trend.words


@pytest.mark.parametrize(
    ("seconds", "worn"),
    [
        ((30, 45, 70, 110, 160), True),
        ((60, 100, 150), True),
        ((60, 90, 119), False),  # not yet two minutes
        ((100, 120, 150), False),  # always took long; not twice what it was
        ((120, 120, 120, 120), False),
        ((60, 150), False),  # two days are too few
        ((300,), False),
        ((30, 30, 300), False),  # one odd day
        ((30, 60, 300, 40), False),  # it passed
    ],
)
def test_worn_is_minutes_and_twice_the_first_and_no_odd_day(seconds, worn):
    """A reed that needs ever longer, minutes in the end, is worn: common practice, no published source."""
    trend = soak_trend(weekly(*seconds))
    assert trend.worn is worn
    assert ("worn" in trend.words) is worn


def test_words_a_player_reads():
    words = soak_trend(weekly(60, 100, 150, 190)).words
    assert words == (
        "It last needed 190 s of soaking, at first 60 s: it is worn. Change each week: +44 s (+40 to +50)."
    )


# --- what must not matter, and wrong use ----------------------------------------------------------


@given(needs, st.randoms())
def test_order_and_second_soaks_of_a_day_do_not_matter(found, chance):
    times = [(START + timedelta(days=day), float(seconds)) for day, seconds in found.items()]
    longer = [(day, seconds + 20.0) for day, seconds in times[:3]]
    shuffled = [*times, *longer]
    chance.shuffle(shuffled)
    assert soak_trend(shuffled) == soak_trend(sorted(times))


def test_nothing_noted_is_nothing_known():
    trend = soak_trend([])
    assert (trend.days, trend.latest_seconds, trend.slope, trend.grew, trend.worn) == (
        0,
        None,
        None,
        None,
        False,
    )
    assert "not known" in trend.words


def test_many_soaks_on_one_day_are_one_day():
    trend = soak_trend([(START, 30.0), (START, 60.0), (START, 120.0), (START, 240.0)])
    assert (trend.days, trend.latest_seconds, trend.slope) == (1, 30.0, None)


@pytest.mark.parametrize("seconds", [-1.0, math.nan, math.inf])
def test_an_impossible_time_is_refused_in_words(seconds):
    with pytest.raises(ValueError, match="a soak cannot take"):
        soak_trend([(START, seconds)])
