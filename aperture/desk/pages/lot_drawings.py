"""The page of lots drawn: how surely an order is enough, and what share of a lot was usable.

Both are plain values that a template draws (`templates/lot_drawings.html`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from aperture.book.orders.order_plan import OrderPlan, chances, percent
from aperture.book.orders.shares import Share
from aperture.desk.pages.plots import nice_step

# Of the drawing of chances, in the units in which its text is as large as that of the page.
ORDER_WIDTH, ORDER_HEIGHT = 330, 220
ORDER_LEFT, ORDER_RIGHT, ORDER_TOP, ORDER_BOTTOM = 52, 14, 30, 44
# So wide are the words beside the dot, at most.
WORDS = 90
# Of so many orders the text beside the drawing tells the chance.
TOLD = 5
# Of the bar of a share.
BAR_WIDTH = 200


@dataclass(frozen=True)
class Chosen:
    """The number that was chosen: where its dot is, its words, and where those stand, clear of the line."""

    x: float
    y: float
    words: str
    words_x: float
    words_y: float
    at_its: str


@dataclass(frozen=True)
class Curve:
    """Chance against number: a line through `points`, ticks of both axes, and the number that was chosen.

    `chosen` is where it is marked; None where no order is enough. `wanted_y` is how sure one wants to be.
    `words` say the same as the drawing.
    """

    title: str
    words: str
    points: tuple[tuple[float, float], ...]
    levels: tuple[tuple[float, str], ...]
    numbers: tuple[tuple[float, str], ...]
    wanted_y: float
    wanted: str
    chosen: Chosen | None
    across: str
    up: str
    width: int = ORDER_WIDTH
    height: int = ORDER_HEIGHT
    left: int = ORDER_LEFT
    right: int = ORDER_WIDTH - ORDER_RIGHT
    bottom: int = ORDER_HEIGHT - ORDER_BOTTOM


@dataclass(frozen=True)
class Bar:
    """A share as a bar, and below it the interval in which the true share lies; x from 0 to `width`."""

    words: str
    share: float
    low: float
    high: float
    width: int = BAR_WIDTH


def order_curve(plan: OrderPlan) -> Curve | None:
    """The chance of enough usable reeds against the number that is ordered; None without a record."""
    found = chances(plan)
    if not found:
        return None
    first, last = found[0][0], found[-1][0]

    def x(n: int) -> float:
        return round(
            ORDER_LEFT + (ORDER_WIDTH - ORDER_LEFT - ORDER_RIGHT) * (n - first) / max(last - first, 1), 1
        )

    def y(chance: float) -> float:
        return round(ORDER_HEIGHT - ORDER_BOTTOM - (ORDER_HEIGHT - ORDER_TOP - ORDER_BOTTOM) * chance, 1)

    step = max(1, round(nice_step((last - first) / 4)))
    ticks = range(math.ceil(first / step) * step, last + 1, step)
    return Curve(
        title=f"Chance that at least {plan.need} reeds are usable, by how many are ordered",
        words=_told(found, plan.n),
        points=tuple((x(n), y(chance)) for n, chance in found),
        levels=tuple((y(level), f"{level:.0%}".replace("%", " %")) for level in (0.0, 0.5, 1.0)),
        numbers=tuple((x(n), str(n)) for n in ticks),
        wanted_y=y(plan.sure),
        wanted=f"{percent(plan.sure)} wanted",
        chosen=_marked(x(plan.n), y(plan.probability), plan) if plan.n and plan.probability else None,
        across="reeds ordered",
        up=f"chance that {plan.need} are usable",
    )


def share_bar(found: Share) -> Bar | None:
    """The usable share of a lot; None while no reed was judged."""
    if found.estimate is None:
        return None
    return Bar(
        words=(
            f"{found.usable} of {found.judged} judged reeds usable, {100 * found.estimate:.0f} %; the true"
            f" share lies from {100 * found.low:.0f} to {100 * found.high:.0f} % in 19 of 20 such lots"
        ),
        share=round(BAR_WIDTH * found.estimate, 1),
        low=round(BAR_WIDTH * found.low, 1),
        high=round(BAR_WIDTH * found.high, 1),
    )


def _marked(x: float, y: float, plan: OrderPlan) -> Chosen:
    """Right of the dot the line is above it; where there is no room, the words stand left, above the axis."""
    words = f"{plan.n}: {percent(plan.probability or 0.0)}"
    if x + WORDS <= ORDER_WIDTH - ORDER_RIGHT:
        return Chosen(x, y, words, x + 9, y + 24, "start")
    return Chosen(x, y, words, x - 9, ORDER_HEIGHT - ORDER_BOTTOM - 9, "end")


def _told(found: Sequence[tuple[int, float]], chosen: int | None) -> str:
    """The chances of a few orders in words, the chosen one among them."""
    every = max(1, (len(found) - 1) // (TOLD - 1))
    return "; ".join(
        f"{n} ordered: {percent(chance)}{', the answer' if n == chosen else ''}"
        for place, (n, chance) in enumerate(found)
        if place % every == 0 or n == chosen or place == len(found) - 1
    )
