"""How many reeds to order so that enough of them are usable, from what became of earlier ones. No files.

How it is reckoned. The share of usable reeds among those that a source makes is not known. Before the record
it is taken to be distributed as Beta(1/2, 1/2) (Jeffreys' prior, the usual one that speaks for no share);
after `usable` of `judged` reeds, as Beta(1/2 + usable, 1/2 + judged - usable). How many of n reeds are usable
is then beta-binomial:

    P(k) = C(n, k) B(k + a, n - k + b) / B(a, b)

(scipy.stats.betabinom; Johnson, Kotz & Kemp, Univariate Discrete Distributions, chapter 6, from memory).

Reeds of one lot are good or bad together. How much, tells the intra-lot correlation rho: 0 if every lot has
the same share, 1 if lots are all good or all bad. Where several lots were judged it is estimated, and used
twice:

- The record is worth fewer reeds than it has: all counts are divided by the mean over the reeds of
  1 + (m - 1) rho, m being the number judged of the reed's lot (the design effect of Kish; Rao & Scott,
  Biometrics 48, 1992, 577-585, from memory).
- The next lot has a share of its own. If the mean share is distributed as Beta(a, b), with the mean
  m = a / (a + b), and a lot's share around it as a beta distribution with the correlation rho, the next lot's
  share has the mean m and the variance m (1 - m) (1 - (1 - rho) (1 - 1 / (a + b + 1))). The beta distribution
  with that mean and variance stands for it; probabilities come out right to 0.01.

An estimated rho is used whenever it is above 0, without asking whether that is significant: with few lots
such a test sees little, and too few reeds in the middle of a term are worse than a few too many. Few lots
tell rho badly, all the same: where lots differ much (rho 0.2) and only two were judged, orders planned for
90 % are enough in about 83 % of cases; without rho, in 77 % (tests/book/orders/test_order_plan.py).
"""

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

from aperture.book.orders.shares import check_probability, check_record

# Of one lot: usable reeds, judged reeds.
Judged = tuple[int, int]

# More than any school needs. All outcomes are added up, which for millions takes minutes and gigabytes.
MOST_NEEDED = 1000
# The larger of these is the largest order that is a useful answer.
MOST_REEDS = 100
MOST_FOR_EACH_NEEDED = 10
# Of so many orders the chances are worked out for a drawing, a few more or less.
POINTS = 40
# Shares for which an order is given for orientation while nothing is known.
WHAT_IF = (0.9, 0.75, 0.5)
# From so many times the order that would do if the share were known, a smaller lot first is advised.
MOSTLY_DOUBT = 2.0
# How well a first lot may tell the share: half the width of the 95 % Wilson interval.
FIRST_LOOKS = (0.25, 0.15)


@dataclass(frozen=True)
class OrderPlan:
    """How many to order.

    Attributes
    ----------
    need, sure : what was asked for: so many usable reeds, with at least this probability.
    record : for each lot of which any reed was judged: usable, judged.
    between_lots : the intra-lot correlation that was used, 0 to 1; None if the record cannot tell it.
    n : how many to order; None without a record, or if it would be more than `most`.
    probability : that `need` or more of `n` are usable; without an `n`, of `most`. None without a record.
    expected_usable : how many of `n` are usable on the average; None without an `n`.
    n_if_exact : how many to order if the share were known to be exactly usable / judged; None if that is 0,
        without a record, or if it would be more than `most`.
    most : an order larger than this is no useful answer.
    what_if : only without a record: shares, each with the order that it would need.
    """

    need: int
    sure: float
    record: tuple[Judged, ...]
    between_lots: float | None
    n: int | None
    probability: float | None
    expected_usable: float | None
    n_if_exact: int | None
    most: int
    what_if: tuple[tuple[float, int], ...]

    @property
    def usable(self) -> int:
        """Usable reeds of the record."""
        return sum(usable for usable, _ in self.record)

    @property
    def judged(self) -> int:
        """Judged reeds of the record."""
        return sum(judged for _, judged in self.record)

    @property
    def is_mostly_doubt(self) -> bool:
        """Whether the share, if it were known, would need a much smaller order."""
        if self.n is None or self.n_if_exact is None:
            return False
        return self.n >= MOSTLY_DOUBT * self.n_if_exact

    @property
    def answer(self) -> str:
        """The plan in plain words."""
        if self.probability is None:
            return _no_record()
        if self.n is not None:
            return (
                f"Order {self.n}: at least {self.need} of them usable with {percent(self.probability)}"
                f" probability, about {self.expected_usable:.0f} on the average.{_smaller_first(self)}"
            )
        return (
            f"No sensible order makes {self.need} usable reeds {percent(self.sure)} sure: even"
            f" {self.most} reeds make it only {percent(self.probability)}. {instead(self)}"
        )

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What the plan rests on, one sentence or two each."""
        if not self.record:
            return tuple(
                f"If {_share_words(share)} of its reeds were usable, {n} would have to be ordered to be"
                f" {percent(self.sure)} sure of {self.need}."
                for share, n in self.what_if
            )
        return (*_record_words(self), _lots_words(self), *_GENERAL)


def plan_order(need: int, sure: float, lots: Sequence[Judged]) -> OrderPlan:
    """The smallest order of which at least `need` reeds are usable with at least the probability `sure`.

    The order counts as one new lot of the source. Without a record there is no number: the prior alone would
    ask for hundreds of reeds, which is not knowledge.

    Parameters
    ----------
    need : usable reeds that are needed, 1 to `MOST_NEEDED`.
    sure : probability, between 0 and 1.
    lots : for each earlier lot of this source, how many reeds were usable and how many were judged. Reeds
        that are not judged yet count in neither. May be empty.

    Raises
    ------
    ValueError : what is asked for, or the record, is impossible.

    Source: see the top of this module.
    """
    if need < 1:
        raise ValueError(f"at least 1 reed must be needed, not {need}")
    if need > MOST_NEEDED:
        raise ValueError(f"at most {MOST_NEEDED} reeds can be planned for, not {need}")
    check_probability(sure, "how sure you want to be")
    for usable, judged in lots:
        check_record(usable, judged)
    record = tuple((usable, judged) for usable, judged in lots if judged > 0)
    most = max(MOST_REEDS, MOST_FOR_EACH_NEEDED * need)
    if not record:
        orders = ((share, order_for(need, sure, share, most)) for share in WHAT_IF)
        what_if = tuple((share, n) for share, n in orders if n is not None)
        return OrderPlan(need, sure, record, None, None, None, None, None, most, what_if)

    from scipy.stats import betabinom

    correlation = between_lots(record)
    a, b = next_share(record, correlation or 0.0)

    def reached(n: int) -> float:
        return float(betabinom.sf(need - 1, n, a, b))

    n = _smallest(need, most, sure, reached)
    return OrderPlan(
        need=need,
        sure=sure,
        record=record,
        between_lots=correlation,
        n=n,
        probability=reached(n or most),
        expected_usable=n * a / (a + b) if n else None,
        n_if_exact=order_for(need, sure, _total(record)[0] / _total(record)[1], most),
        most=most,
        what_if=(),
    )


def chances(plan: OrderPlan) -> tuple[tuple[int, float], ...]:
    """Orders, each with the probability that enough of it are usable, for a drawing: some `POINTS`.

    They begin with as many reeds as are needed and go on somewhat beyond the plan's own number, which is one
    of them; without one, to the largest that is a useful answer. Empty without a record.
    """
    if not plan.record:
        return ()
    from scipy.stats import betabinom

    a, b = next_share(plan.record, plan.between_lots or 0.0)
    beyond = max(4, (plan.n - plan.need) // 2) if plan.n is not None else 0
    last = min((plan.n or plan.most) + beyond, plan.most)
    step = max(1, round((last - plan.need) / POINTS))
    orders = sorted({*range(plan.need, last + 1, step), plan.n or last, last})
    return tuple((n, float(betabinom.sf(plan.need - 1, n, a, b))) for n in orders)


def order_for(need: int, sure: float, share: float, most: int) -> int | None:
    """The smallest order if the usable share is known (binomial); None if it is more than `most`."""
    from scipy.stats import binom

    return _smallest(need, most, sure, lambda n: float(binom.sf(need - 1, n, share)))


def between_lots(lots: Sequence[Judged]) -> float | None:
    """How much alike the reeds of one lot are: the intra-lot correlation rho, from 0 to 1.

    None if it cannot be told: it takes two lots, and a lot with two judged reeds. An estimate below 0 (lots
    more alike than chance makes them) becomes 0.

    Parameters
    ----------
    lots : for each lot, usable and judged reeds; judged at least 1.

    Source: analysis of variance of the reeds as 0 and 1; Donner, International Statistical Review 54 (1986),
    67-82; for such data, Ridout, Demetrio & Firth, Biometrics 55 (1999), 137-148. Both from memory.
    """
    usable, judged = _total(lots)
    if len(lots) < 2 or judged == len(lots):
        return None
    mean = usable / judged
    between = sum(n * (k / n - mean) ** 2 for k, n in lots) / (len(lots) - 1)
    within = sum(k * (n - k) / n for k, n in lots) / (judged - len(lots))
    typical_size = (judged - sum(n * n for _, n in lots) / judged) / (len(lots) - 1)
    spread = between + (typical_size - 1.0) * within
    return max(0.0, (between - within) / spread) if spread > 0.0 else 0.0


def next_share(lots: Sequence[Judged], correlation: float) -> tuple[float, float]:
    """The usable share of the next lot, as the a and b of its beta distribution.

    Parameters
    ----------
    lots : for each lot, usable and judged reeds; judged at least 1.
    correlation : intra-lot correlation, 0 to 1.

    Source: see the top of this module.
    """
    usable, judged = _total(lots)
    design_effect = sum(n * (1.0 + (n - 1) * correlation) for _, n in lots) / judged
    a = 0.5 + usable / design_effect
    b = 0.5 + (judged - usable) / design_effect
    mean = a / (a + b)
    unlike = (1.0 - correlation) * (1.0 - 1.0 / (a + b + 1.0))
    # At a correlation of 1 the distribution is two points, 0 and 1; a beta distribution only comes near.
    together = unlike / (1.0 - unlike) if unlike > 0.0 else 1e-9
    return mean * together, (1.0 - mean) * together


def reeds_to_know(half_width: float, confidence: float = 0.95) -> int:
    """How many reeds must be judged to know any share to within ± `half_width`.

    Source: half the width of the Wilson interval is largest at the share 1/2: z / (2 √(n + z²)).
    """
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    return math.ceil((z / (2.0 * half_width)) ** 2 - z**2)


def _smallest(need: int, most: int, sure: float, reached: Callable[[int], float]) -> int | None:
    """The smallest order from `need` to `most` that reaches `sure`; more reeds never reach less."""
    n = need + bisect_left(range(need, most + 1), sure, key=reached)
    return n if n <= most else None


def _total(lots: Sequence[Judged]) -> tuple[int, int]:
    return sum(usable for usable, _ in lots), sum(judged for _, judged in lots)


# --- in words ----------------------------------------------------------------------------------------------

_GENERAL = (
    "Before the record, no share counts as likely: it is as if half a usable and half a useless reed had been"
    " seen (Jeffreys' prior).",
    "The new reeds are made and judged like those of the record, and come as one lot. Reeds that are not"
    " judged yet count neither way.",
)


def _no_record() -> str:
    roughly, well = FIRST_LOOKS
    return (
        "No reed of this source has been judged yet, so nobody can say how many to order. Order a first lot"
        f" and judge every reed of it: {reeds_to_know(roughly)} reeds tell its usable share to within"
        f" {100 * roughly:.0f} in 100 either way, {reeds_to_know(well)} to within {100 * well:.0f}."
    )


def _smaller_first(plan: OrderPlan) -> str:
    """A hint where most of the order is for doubt."""
    if not plan.is_mostly_doubt:
        return ""
    return (
        " Most of that makes up for what is not known of the next lot: if you can, order a smaller lot first,"
        " judge every reed of it, and ask again."
    )


def instead(plan: OrderPlan) -> str:
    """What to do where no order will do."""
    if plan.usable == 0:
        return f"None of the {plan.judged} judged reeds was usable: try another source."
    if plan.n_if_exact is None:
        return "Too few reeds of this source are usable: try another one."
    if plan.between_lots:
        return (
            "The lots of this source differ so much that the next may be a bad one: order several small lots."
        )
    return "Too few reeds have been judged to know: order a small lot, judge every reed of it, and ask again."


def _record_words(plan: OrderPlan) -> tuple[str, ...]:
    lots = "1 lot" if len(plan.record) == 1 else f"{len(plan.record)} lots"
    known = f"The record: {plan.usable} of {plan.judged} judged reeds usable, in {lots}."
    if plan.n_if_exact is None:
        return (known,)
    share = percent(plan.usable / plan.judged)
    exact = f"If the share were known to be exactly {share}, {plan.n_if_exact} would do"
    doubt = plan.n is not None and plan.n > plan.n_if_exact
    why = "not knowing it, and for lots that differ" if plan.between_lots else "not knowing it"
    return (known, f"{exact}; the rest of the {plan.n} is for {why}." if doubt else f"{exact}.")


def _lots_words(plan: OrderPlan) -> str:
    if len(plan.record) == 1:
        return (
            "All judged reeds are of one lot. Reeds of a lot are good or bad together, and how much lots of"
            " this source differ is not known: the next may be worse than is allowed for here."
        )
    if plan.between_lots is None:
        return "How much lots of this source differ is not known: that takes a lot with two judged reeds."
    if plan.between_lots == 0.0:
        return f"As far as {len(plan.record)} lots can tell, its lots do not differ more than by chance."
    shares = [usable / judged for usable, judged in plan.record]
    return (
        f"Its lots differ, from {percent(min(shares))} to {percent(max(shares))} usable: more than by"
        " chance. That is allowed for, but how much lots differ is known only roughly from"
        f" {len(shares)} of them."
    )


def percent(value: float) -> str:
    """Percent, never rounded up: 0.8996 is not 90 %."""
    return f"{math.floor(1000.0 * value + 1e-6) / 10.0:g} %"


def _share_words(share: float) -> str:
    return {0.9: "9 in 10", 0.75: "3 in 4", 0.5: "half"}.get(share, percent(share))
