"""The short answer to how many reeds to order: the number, what it costs, and three sentences."""

from dataclasses import dataclass

from aperture.book.orders.order_plan import FIRST_LOOKS, OrderPlan, instead, percent, reeds_to_know
from aperture.book.present.words import price_words
from aperture.book.store.records import Lot


@dataclass(frozen=True)
class OrderAnswer:
    """How many; what they cost together, None without a number; and what is to be known of that."""

    headline: str
    price: str | None
    sentences: tuple[str, str, str]


def order_answer(plan: OrderPlan, priced: Lot | None, currency: str = "") -> OrderAnswer:
    """A plan in short.

    Parameters
    ----------
    priced : the lot whose price is taken for the order, None if none is known.
    currency : as in the settings.
    """
    if plan.probability is None:
        return OrderAnswer("No number yet", None, _first_lot())
    lots = "1 lot" if len(plan.record) == 1 else f"{len(plan.record)} lots"
    known = f"{plan.usable} of {plan.judged} judged reeds of this source were usable, in {lots}."
    if plan.n is None:
        only = f"Even {plan.most} reeds make {plan.need} usable ones only {percent(plan.probability)} sure."
        return OrderAnswer("No sensible order is enough", None, (only, known, instead(plan)))
    chance = (
        f"At least {plan.need} of them are usable with {percent(plan.probability)} probability, about"
        f" {plan.expected_usable:.0f} on the average."
    )
    return OrderAnswer(
        f"Order {plan.n} {'reed' if plan.n == 1 else 'reeds'}",
        _together(plan.n, priced, currency),
        (chance, known, _for_doubt(plan)),
    )


def _together(n: int, priced: Lot | None, currency: str) -> str:
    if priced is None or priced.price_per_reed is None:
        return "No lot of this source has a price in the book."
    each = priced.price_per_reed
    return (
        f"{price_words(n * each, currency)} together, at {price_words(each, currency)} for each as in lot"
        f" {priced.code}."
    )


def _for_doubt(plan: OrderPlan) -> str:
    """How much of the order is for what is not known."""
    assert plan.n is not None
    if plan.is_mostly_doubt:
        return "Most of them are for what is not known: if you can, order a smaller lot first and judge it."
    for_doubt = plan.n - (plan.n_if_exact or plan.n)
    if for_doubt <= 0:
        return "None of them is for what is not known of the next lot."
    return f"{for_doubt} of them {'is' if for_doubt == 1 else 'are'} for what is not known of the next lot."


def _first_lot() -> tuple[str, str, str]:
    roughly, well = FIRST_LOOKS
    return (
        "No reed of this source has been judged yet.",
        "Order a first lot and judge every reed of it.",
        f"{reeds_to_know(roughly)} reeds tell its usable share to within {100 * roughly:.0f} in 100,"
        f" {reeds_to_know(well)} to within {100 * well:.0f}.",
    )
