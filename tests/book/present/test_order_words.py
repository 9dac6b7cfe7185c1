"""The short answer to an order, its price, and prices in the book's currency wherever they stand."""

from datetime import date, datetime

import pytest

from aperture.book.orders.lot_record import last_priced, lot_records
from aperture.book.orders.order_plan import chances, plan_order
from aperture.book.orders.shares import cost_per_usable, share
from aperture.book.present.order_words import order_answer
from aperture.book.present.return_sheet import return_sheet
from aperture.book.present.words import cost_words, price_words
from aperture.book.store.records import Lot
from aperture.errors import SettingsError
from aperture.settings import Settings, change_settings, settings_from_text, settings_text
from tests.book.orders.test_order_plan import exact_probability
from tests.book.present.test_return_sheet import Pdf

PRICED = Lot(2, "26b", "north", None, None, 21.5, None)


@pytest.mark.parametrize(
    ("price", "currency", "words"),
    [
        # A code before the amount with a hard space between, a sign close to it. Interinstitutional Style
        # Guide of the European Union, English edition, 7.3.3 ("EUR 30", "€30"; from memory).
        (30.0, "EUR", "EUR\u00a030.00"),
        (30.0, "€", "€30.00"),
        (30.0, "US$", "US$30.00"),
        (30.0, "kr", "kr\u00a030.00"),
        (30.0, " £ ", "£30.00"),
        (21.5, "", "21.50"),
        (0.0, "EUR", "EUR\u00a00.00"),
        (None, "EUR", "–"),
        (1.0, "\x1b[31m", "\ufffd[31m\u00a01.00"),  # nothing that a terminal takes for a command
    ],
)
def test_a_price_in_words(price, currency, words):
    assert price_words(price, currency) == words


def test_what_a_usable_reed_costs_has_its_currency_once():
    cost = cost_per_usable(21.0, share(6, 8))
    assert cost_words(cost, "£").startswith("£28.00 (")
    assert cost_words(cost) == cost_words(cost, "£").replace("£", "")


def test_an_ordinary_order_in_short():
    plan = plan_order(12, 0.9, [(30, 40)])
    answer = order_answer(plan, PRICED, "EUR")
    assert answer.headline == f"Order {plan.n} reeds"
    # Arithmetic: so many times the price of one.
    together = f"{plan.n * 21.5:.2f}"
    assert answer.price == f"EUR\u00a0{together} together, at EUR\u00a021.50 for each as in lot 26b."
    first, second, third = answer.sentences
    assert "At least 12 of them are usable" in first
    assert second == "30 of 40 judged reeds of this source were usable, in 1 lot."
    assert plan.n - plan.n_if_exact == 1
    assert third == "1 of them is for what is not known of the next lot."
    assert all(len(words) < 110 for words in answer.sentences)


@pytest.mark.parametrize(
    ("lots", "headline", "words"),
    [
        ([], "No number yet", "No reed of this source has been judged yet."),
        ([(0, 9)], "No sensible order is enough", "try another source"),
        ([(1, 20)], "No sensible order is enough", "try another one"),
        ([(3, 4)], "Order", "order a smaller lot first"),
        ([(400, 400)], "Order 12 reeds", "None of them is for what is not known"),
    ],
)
def test_every_kind_of_answer_has_three_sentences(lots, headline, words):
    need, sure = (12, 0.99) if lots == [(3, 4)] else (12, 0.9)
    answer = order_answer(plan_order(need, sure, lots), PRICED)
    assert answer.headline.startswith(headline)
    assert len(answer.sentences) == 3
    assert words in " ".join(answer.sentences)
    # Where there is no number, nothing has a price.
    assert (answer.price is None) == (not headline.startswith("Order"))


def test_an_order_without_a_price_says_so():
    assert "No lot of this source has a price" in order_answer(plan_order(12, 0.9, [(30, 40)]), None).price


def test_the_price_is_that_of_the_last_lot_that_has_one(book):
    for code, price in (("26a", 20.0), ("26b", 25.0), ("26c", None)):
        book.add_lot(code, "north", price_per_reed=price)
    book.add_lot("26a", "north", price_per_reed=21.0)
    assert last_priced(lot_records(book.lots(), [])).code == "26b"
    assert last_priced([]) is None


# --- the curve -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("need", "sure", "record"), [(12, 0.9, (30, 40)), (5, 0.5, (2, 9)), (30, 0.8, (7, 7))]
)
def test_chances_are_the_exact_sums(need, sure, record):
    """The beta-binomial distribution as exact fractions (Pólya's urn)."""
    plan = plan_order(need, sure, [record])
    found = chances(plan)
    assert found[0][0] == need
    assert dict(found)[plan.n] == plan.probability
    assert found[-1][0] > plan.n
    for n, chance in found:
        assert chance == pytest.approx(float(exact_probability(need, n, *record)), abs=1e-12)


def test_a_curve_is_short_however_large_the_order():
    plan = plan_order(400, 0.9, [(200, 400)])
    found = chances(plan)
    assert len(found) < 70
    assert plan.n in dict(found)
    assert chances(plan_order(12, 0.9, [])) == ()
    # Where no order is enough the curve says how far it is from being so.
    hopeless = plan_order(12, 0.9, [(0, 9)])
    assert chances(hopeless)[-1] == (hopeless.most, hopeless.probability)


# --- where prices stand --------------------------------------------------------------------------------


def test_the_return_sheet_has_the_currency(book):
    lot = book.add_lot("26a", "north", date(2026, 9, 14), None, 14.5)
    for number in (1, 2):
        reed = book.add_reed(number, "26a")
        book.add_decision(reed, datetime(2026, 10, 6), "send back", "it leaks", "T1")
    text = Pdf(return_sheet(book, lot, book.histories(), {}, date(2026, 10, 7), currency="EUR")).text
    assert "EUR 14.50 per reed, EUR 29.00 together" in text.replace("\u00a0", " ")
    assert "EUR" not in Pdf(return_sheet(book, lot, book.histories(), {}, date(2026, 10, 7))).text


def test_no_result_depends_on_the_currency():
    """What the book keeps of a reading's settings stays, so that nothing is measured again for it."""
    in_euros = change_settings(Settings(), {"currency": "EUR"})
    assert settings_text(in_euros) == settings_text(Settings())
    assert settings_from_text(settings_text(in_euros)) == Settings()


def test_a_currency_is_short():
    with pytest.raises(SettingsError, match="currency must have at most 8 characters, not 'nine chars'"):
        change_settings(Settings(), {"currency": "nine chars"})
