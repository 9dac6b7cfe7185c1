"""How long a reed must soak until it opens, over time: whether it needs longer and longer. No files.

The slope is Sen's: the median of the slopes between every two days, which one odd day does not pull away. The
ends of its 95 % interval are slopes too, chosen by how the sum of signs in Kendall's test scatters by chance
(P. K. Sen, J. American Statistical Association 63, 1968, 1379-1389, equations 2.5 and 2.6). The same as
scipy.stats.theilslopes, which takes a second to import: too long for a list of reeds.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations

# Fewer days than this tell no trend. Four that rise each time do so by chance once in 24.
DAYS_FOR_TREND = 4
# A reed is worn if it needs minutes, and much longer than at first. Working values; common practice, no
# published source. Published advice on soaking differs: L. N. Kowal, Best Practices for Oboe, English Horn,
# and their Reeds, rev. 2/2023, says no longer than two minutes.
WORN_SECONDS = 120.0
WORN_TIMES_FIRST = 2.0
CONFIDENCE = 0.95


@dataclass(frozen=True)
class Slope:
    """Seconds that are needed more in each week, and the ends of the 95 % confidence interval."""

    seconds_per_week: float
    low: float
    high: float


@dataclass(frozen=True)
class SoakTrend:
    """How the soak that a reed needs changed.

    Attributes
    ----------
    days : on how many days it is known.
    first_seconds, latest_seconds : what was needed on the first and on the latest day; None without any.
    slope : None with fewer than `DAYS_FOR_TREND` days.
    grew : whether the whole interval of the slope is above 0; None if there is no slope.
    worn : it needs minutes, and much longer than at first. Not by one odd day: on the day before, too, it
        needed longer than at first.
    """

    days: int
    first_seconds: float | None
    latest_seconds: float | None
    slope: Slope | None
    grew: bool | None
    worn: bool

    @property
    def words(self) -> str:
        """The same for a person."""
        if self.latest_seconds is None:
            return "How long it must soak until it opens is not known."
        last = f"It last needed {self.latest_seconds:.0f} s of soaking"
        if self.worn:
            return f"{last}, at first {self.first_seconds:.0f} s: it is worn.{self._slope_words()}"
        if self.slope is None:
            days = "one day" if self.days == 1 else f"{self.days} days"
            return f"{last}. Known from {days}; a trend takes {DAYS_FOR_TREND}."
        if not self.grew:
            return f"{last}. That it needs longer and longer cannot be seen.{self._slope_words()}"
        return f"{last}, and needs longer and longer.{self._slope_words()}"

    def _slope_words(self) -> str:
        if self.slope is None:
            return ""
        middle, low, high = (
            f"{round(value):+d}".replace("-", "−")
            for value in (self.slope.seconds_per_week, self.slope.low, self.slope.high)
        )
        return f" Change each week: {middle} s ({low} to {high})."


def soak_trend(times: Sequence[tuple[date, float]]) -> SoakTrend:
    """How the soak that a reed needs changed.

    Parameters
    ----------
    times : days, each with the seconds that were needed then, in any order. Of several on one day the
        shortest counts: that was enough.

    Raises
    ------
    ValueError : a time is below 0 or no number.
    """
    for _, seconds in times:
        if not 0.0 <= seconds < float("inf"):
            raise ValueError(f"a soak cannot take {seconds:g} seconds")
    shortest: dict[date, float] = {}
    for day, seconds in times:
        shortest[day] = min(seconds, shortest.get(day, seconds))
    needed = sorted(shortest.items())
    if not needed:
        return SoakTrend(0, None, None, None, None, worn=False)
    slope = sen_slope(needed) if len(needed) >= DAYS_FOR_TREND else None
    return SoakTrend(
        days=len(needed),
        first_seconds=needed[0][1],
        latest_seconds=needed[-1][1],
        slope=slope,
        grew=slope.low > 0.0 if slope else None,
        worn=_worn([seconds for _, seconds in needed]),
    )


def sen_slope(needed: Sequence[tuple[date, float]]) -> Slope:
    """The median slope, with its interval.

    Parameters
    ----------
    needed : at least two different days in order, each with seconds.

    Source: see the top of this module.
    """
    from statistics import NormalDist, median

    slopes = sorted(
        7.0 * (later - earlier) / (later_day - earlier_day).days
        for (earlier_day, earlier), (later_day, later) in combinations(needed, 2)
    )
    n = len(needed)
    ties = Counter(seconds for _, seconds in needed).values()
    variance = (n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties)) / 18.0
    reach = NormalDist().inv_cdf(0.5 + CONFIDENCE / 2.0) * variance**0.5
    low = max(round((len(slopes) - reach) / 2.0) - 1, 0)
    high = min(round((len(slopes) + reach) / 2.0), len(slopes) - 1)
    return Slope(median(slopes), slopes[low], slopes[high])


def _worn(seconds: Sequence[float]) -> bool:
    """See `SoakTrend.worn`. It takes three days: of two, the first is also the day before."""
    first, before, latest = seconds[0], seconds[-2:][0], seconds[-1]
    return latest >= max(WORN_SECONDS, WORN_TIMES_FIRST * first) and before > first
