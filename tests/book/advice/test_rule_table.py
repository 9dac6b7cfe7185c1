"""The table itself: complete, every rule reachable, and never a dry squeeze."""

from dataclasses import replace
from string import Formatter
from types import UnionType
from typing import Literal, Union, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aperture.book.advice.facts import Facts
from aperture.book.advice.rule import Step, values_of
from aperture.book.advice.rule_table import REMARKS, RULES
from aperture.book.advice.rules import chosen
from aperture.book.store.records import FAULTS

STEPS = get_args(Step)


def domain(kind):
    """All values that a type of `Facts` allows."""
    if get_origin(kind) in (Union, UnionType):
        return frozenset().union(*map(domain, get_args(kind)))
    if get_origin(kind) is Literal:
        return frozenset(get_args(kind))
    return frozenset({bool: {True, False}, type(None): {None}}[kind])


DOMAINS = {name: domain(kind) for name, kind in get_type_hints(Facts).items()}
ALL_FACTS = st.builds(
    Facts, **{name: st.sampled_from(sorted(values, key=str)) for name, values in DOMAINS.items()}
)


def escape(open_values, rules):
    """Facts, as the values still open for each, to which none of the rules applies; None if there are none.

    Exact: a rule is escaped through one of its conditions, all of which are tried, those tried before it met.
    """
    if not rules:
        return open_values
    rule, *rest = rules
    met = dict(open_values)
    for name, wanted in rule.when.items():
        outside = met[name] - values_of(wanted)
        if outside and (found := escape({**met, name: outside}, rest)):
            return found
        met[name] &= values_of(wanted)
        if not met[name]:
            return None  # it cannot apply any more, and every way past it was tried
    return None


def narrowed(rule):
    """The facts to which a rule applies."""
    return {**DOMAINS, **{name: values_of(wanted) & DOMAINS[name] for name, wanted in rule.when.items()}}


def test_there_is_advice_for_every_combination_of_facts():
    assert escape(DOMAINS, RULES) is None
    # The search does find a gap where there is one.
    without = [rule for rule in RULES if rule.code != "keep"]
    gap = escape(DOMAINS, without)
    assert gap["soaked"] == {"elliptical"}
    assert gap["gone"] == {False}


@pytest.mark.parametrize("place", range(len(RULES)), ids=[rule.code for rule in RULES])
def test_every_rule_can_be_reached(place):
    assert escape(narrowed(RULES[place]), RULES[:place]) is not None


def test_a_rule_below_another_that_takes_everything_would_be_found():
    *above, last = [
        replace(RULES[0], when={"gone": False}),
        RULES[0],
        replace(RULES[0], when={"dry": "round"}),
    ]
    assert escape(narrowed(last), above) is None


def test_conditions_name_facts_and_values_that_occur():
    for rule in (*RULES, *REMARKS):
        for name, wanted in rule.when.items():
            assert name in DOMAINS, rule.code
            assert values_of(wanted), rule.code
            assert values_of(wanted) <= DOMAINS[name], (rule.code, name)


def test_rules_are_whole():
    every = [rule.code for rule in (*RULES, *REMARKS)]
    assert len(set(every)) == len(every)
    for rule in (*RULES, *REMARKS):
        assert rule.action in STEPS
        assert rule.what.strip()
        assert rule.why.strip()
        assert rule.source.strip()
    assert {rule.action for rule in RULES} == set(STEPS)
    assert {remark.action for remark in REMARKS} == {"nothing"}


def test_words_in_braces_are_filled_only_where_they_are_known():
    for rule in (*RULES, *REMARKS):
        for text in (rule.what, rule.why):
            braces = {name for _, name, _, _ in Formatter().parse(text) if name is not None}
            assert braces <= {"usual", "return_by", "doubt"}
            if "return_by" in braces:
                assert rule.when["returnable"] is True
            if "doubt" in braces:
                assert "look" in rule.when


@settings(deadline=None)
@given(ALL_FACTS)
def test_one_advice_always_and_never_a_dry_squeeze(known):
    rule = chosen(known)
    assert rule.applies(known)
    assert rule.what
    assert rule.why
    if rule.action == "squeeze":
        assert known.soaked in ("wide", "round")
        assert known.look is None
    if known.gone:
        assert rule.action == "nothing"


def test_no_rule_for_a_dry_squeeze_exists():
    squeezes = [rule for rule in RULES if rule.action == "squeeze"]
    assert squeezes
    for rule in squeezes:
        assert values_of(rule.when["soaked"]) == {"wide", "round"}


@settings(deadline=None)
@given(ALL_FACTS)
def test_a_doubtful_photo_condemns_no_reed(known):
    by_hand = any(getattr(known, fault) for fault in FAULTS)
    if known.look is not None and not by_hand:
        assert chosen(known).action not in ("send back", "replace", "do not use")


@settings(deadline=None)
@given(ALL_FACTS)
def test_only_what_may_go_back_is_sent_back(known):
    if chosen(known).action == "send back":
        assert known.returnable or (known.returnable is None and not known.is_old)
