"""How many reeds of a lot are usable, with an interval, and what a usable reed costs. No files."""

from dataclasses import dataclass
from functools import cache
from typing import Literal

Method = Literal["wilson", "exact"]


@dataclass(frozen=True)
class Share:
    """The usable share of a lot, 0 to 1.

    `usable` of `judged` reeds; `estimate` is their ratio, None if none was judged. `low` and `high` are the
    ends of the interval that holds the true share with the probability `confidence`; without a judged reed it
    is 0 to 1: nothing is known.
    """

    usable: int
    judged: int
    estimate: float | None
    low: float
    high: float
    confidence: float
    method: Method


@dataclass(frozen=True)
class Cost:
    """What a usable reed costs, in the currency of the price.

    `estimate` is None if no usable reed was seen yet. `high` is None if there is no upper end: no usable reed
    was seen, so the share could be as good as nothing and a usable reed cost any sum.
    """

    estimate: float | None
    low: float
    high: float | None


@cache  # a page of lots asks for few shares, many times
def share(usable: int, judged: int, confidence: float = 0.95, method: Method = "wilson") -> Share:
    """The usable share of one lot.

    It speaks of the lot as a whole, as if the judged reeds had been taken out of it blindly. Of several lots
    together the interval is too narrow if the lots differ.

    Parameters
    ----------
    usable, judged : numbers of reeds. Those not judged yet count in neither.
    confidence : of the interval, between 0 and 1.
    method : "wilson", whose intervals hold the share as often as they say on the average; or "exact" (Clopper
        and Pearson), which never hold it less often, and are wider.

    Raises
    ------
    ValueError : the numbers are impossible.

    Source: Newcombe, Statistics in Medicine 17 (1998), 857-872, methods 3 and 5.
    """
    check_record(usable, judged)
    check_probability(confidence, "the confidence")
    if judged == 0:
        return Share(usable, judged, None, 0.0, 1.0, confidence, method)
    from scipy.stats import binomtest

    interval = binomtest(usable, judged).proportion_ci(confidence, method)
    low, high = float(interval.low), float(interval.high)
    return Share(usable, judged, usable / judged, low, high, confidence, method)


def cost_per_usable(price_per_reed: float, found: Share) -> Cost:
    """What a usable reed costs: the price of a reed divided by the usable share.

    This is price × judged / usable. What was paid for reeds that are not judged yet is not in it: they may
    still turn out usable. So it is what a usable reed costs once all are judged, if the others turn out like
    those that were. It takes every reed as paid for; what the seller refunds makes it cheaper.

    Parameters
    ----------
    price_per_reed : what was paid for each reed, 0 or more.
    found : the share, of which the interval follows.

    Raises
    ------
    ValueError : the price is below 0 or no number.
    """
    if not 0.0 <= price_per_reed < float("inf"):
        raise ValueError(f"a price must be 0 or more, not {price_per_reed:g}")
    return Cost(
        estimate=price_per_reed / found.estimate if found.estimate else None,
        low=price_per_reed / found.high,
        high=price_per_reed / found.low if found.low > 0.0 else None,
    )


def check_record(usable: int, judged: int) -> None:
    """Raise ValueError unless so many of so many reeds can have been usable."""
    if not 0 <= usable <= judged:
        raise ValueError(f"of {judged} judged reeds, {usable} cannot have been usable")


def check_probability(value: float, what: str) -> None:
    """Raise ValueError unless a probability lies between 0 and 1, neither included."""
    if not 0.0 < value < 1.0:
        raise ValueError(f"{what} must lie between 0 and 1 (0.9 is 90 %), not {value:g}")
