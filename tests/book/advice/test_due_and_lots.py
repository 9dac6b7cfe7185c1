"""What is due, how lots turned out, and what a decision needs: from histories to words."""

from datetime import date, datetime

import pytest

from aperture.book.advice.decide import decide
from aperture.book.advice.due import HEADINGS, due
from aperture.book.advice.rule import Step
from aperture.book.advice.rule_table import RULES
from aperture.book.advice.rules import advise
from aperture.book.orders.lot_record import lot_records, of_source, reasons_for_seller
from aperture.book.store.records import ACTIONS, Soaking
from aperture.errors import BookError
from aperture.settings import Settings

OCTOBER_5, OCTOBER_6 = datetime(2026, 10, 5, 14, 0), datetime(2026, 10, 6, 10, 0)
ROUND = {"height_mm": 2.1, "width_mm": 6.4}


def told(book, today=date(2026, 10, 6)):
    return [(history, advise(history, Settings().soaking, today)) for history in book.histories()]


def test_everything_that_can_be_advised_has_its_heading():
    assert set(Step.__args__) - {"nothing"} <= set(HEADINGS)
    assert {rule.action for rule in RULES} <= {*HEADINGS, "nothing"}


def test_the_most_pressing_comes_first(book, enter):
    book.add_lot("26a", "north", return_by=date(2026, 10, 20))
    book.add_lot("26b", "south", return_by=date(2026, 10, 10))
    for number, lot in ((1, "26a"), (2, "26b"), (3, None)):
        reed = book.add_reed(number, lot)
        enter(book, reed, "dry", OCTOBER_5, **(ROUND if lot else {}))
    tasks = due(told(book))
    assert [(task.kind, task.reed, task.until) for task in tasks] == [
        ("send back", 2, date(2026, 10, 10)),
        ("send back", 1, date(2026, 10, 20)),
        ("soak", 3, None),
    ]


def test_what_was_decided_is_due_until_it_is_done(book, enter):
    reed = book.add_reed(1)
    enter(book, reed, "dry", OCTOBER_5, **ROUND)
    for action, kind in (("send back", "send back"), ("replace", "throw away")):
        book.add_decision(reed, OCTOBER_6, action, "round", "MB")
        assert [task.kind for task in due(told(book))] == [kind]
    book.add_decision(reed, OCTOBER_6, "thrown away", "round", "MB")
    assert due(told(book)) == []


def test_a_reed_that_was_kept_has_nothing_due(book, enter):
    reed = book.add_reed(1)
    enter(book, reed, "soaked", OCTOBER_5)
    book.add_decision(reed, OCTOBER_6, "keep", "fine", "MB")
    assert due(told(book)) == []


def test_a_decision_against_the_advice_is_what_is_due(book, enter):
    """The advice stands beside it; what was kept has nothing due, and what was squeezed is to be squeezed."""
    book.add_lot("26a", "north", return_by=date(2026, 10, 20))
    reeds = [book.add_reed(number, "26a") for number in (1, 2, 3)]
    soaking = Soaking(30.0, "room", "water", "new")
    for reed, action in zip(reeds, ("keep", "squeeze", "replace"), strict=True):
        enter(book, reed, "soaked", OCTOBER_5, soaking, height_mm=0.05)
        decide(book, reed, action, "MB", "its player likes it", OCTOBER_6, Settings())
    tasks = due(told(book))
    assert [(task.kind, task.reed, task.until) for task in tasks] == [
        ("squeeze", 2, None),
        ("throw away", 3, None),
    ]
    for task in tasks:
        assert "decided" in task.what
        assert task.beside.startswith(
            "The advice is “send back”: Send it back: it may go back until 2026-10-20"
        )


def lot_of(book, *decisions):
    """A lot whose reeds were decided so, each a list of actions."""
    book.add_lot("26a", "north", price_per_reed=20.0)
    for number, actions in enumerate(decisions, start=1):
        reed = book.add_reed(number, "26a")
        for action in actions:
            book.add_decision(reed, OCTOBER_6, action, "because", "MB", rule="leak")
    return lot_records(book.lots(), book.histories())[0]


@pytest.mark.parametrize(
    ("actions", "counts"),
    [
        ([], (0, 0, 1)),
        (["squeeze"], (0, 0, 1)),
        (["keep"], (1, 0, 0)),
        (["keep", "thrown away"], (1, 0, 0)),  # it wore out, but it was usable
        (["keep", "replace", "thrown away"], (1, 0, 0)),
        (["thrown away"], (0, 1, 0)),
        (["send back", "sent back"], (0, 1, 0)),
        (["keep", "sent back"], (0, 1, 0)),  # kept by mistake
        (["send back", "keep"], (1, 0, 0)),  # another look
    ],
)
def test_how_a_reed_counts(book, actions, counts):
    record = lot_of(book, actions)
    assert (record.usable, record.rejected, record.undecided) == counts
    assert record.judged == record.usable + record.rejected


def test_defects_are_counted_by_rule(book):
    record = lot_of(book, ["send back"], ["send back", "sent back"], ["keep"])
    assert record.defects == (("leak", 2),)


def test_lots_of_a_source(book):
    lot_of(book)
    records = lot_records(book.lots(), [])
    assert of_source(records, "North") == records
    with pytest.raises(BookError, match="source south"):
        of_source(records, "south")


def test_the_advice_of_that_moment_is_kept_with_the_decision(book, enter):
    reed = book.add_reed(1)
    enter(book, reed, "soaked", OCTOBER_5, Soaking(30.0, "room", "water", "new"), height_mm=0.05)
    with pytest.raises(BookError, match="--reason"):
        decide(book, reed, "keep", "MB", None, OCTOBER_6, Settings())
    assert book.history(reed).decisions == ()
    decide(book, reed, "keep", "MB", "its player likes it", OCTOBER_6, Settings())
    decision = book.history(reed).decision
    assert (decision.action, decision.by, decision.override_reason) == ("keep", "MB", "its player likes it")
    assert decision.advised
    assert decision.rule in {rule.code for rule in RULES}


def test_a_decision_that_follows_the_advice_takes_its_reason(book, enter):
    reed = book.add_reed(1)
    book.add_check(reed, OCTOBER_5, {"leak": True})
    decide(book, reed, "send back", "MB", None, OCTOBER_6, Settings())
    history = book.history(reed)
    assert history.decision.override_reason is None
    assert "Air" in history.decision.reason
    # What the seller reads is neutral.
    assert reasons_for_seller([history])[reed.id].startswith("It leaks")


def test_the_seller_reads_no_rule_that_was_overridden(book, enter):
    reed = book.add_reed(1)
    enter(book, reed, "soaked", OCTOBER_5, height_mm=0.8)
    decide(book, reed, "send back", "MB", "not what was ordered", OCTOBER_6, Settings())
    history = book.history(reed)
    assert reasons_for_seller([history]) == {}
    assert history.decision.reason == "not what was ordered"


def test_all_actions_can_be_decided(book):
    reed = book.add_reed(1)
    for action in ACTIONS:
        decide(book, reed, action, "MB", "so", OCTOBER_6, Settings())
    assert [decision.action for decision in book.history(reed).decisions] == list(ACTIONS)
