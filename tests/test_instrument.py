"""The instrument's measures against the card, and against what is known of oboe reeds."""

from dataclasses import replace

import numpy as np
import pytest

from aperture.book.advice.rule_table import RULES, wire_rules
from aperture.card.geometry import CARD
from aperture.instrument import INSTRUMENT, OBOE
from aperture.opening.first_look import FLAT_MM
from aperture.settings import Limits
from aperture.verdict import classify


def test_the_widest_tip_fits_into_the_notch_and_into_what_the_networks_see():
    assert CARD.notch.width_mm > INSTRUMENT.widest_mm
    x, y = CARD.tip_mm
    notch, half_mm = CARD.notch, INSTRUMENT.tallest_mm / 2
    assert notch.x_max_mm - x == pytest.approx(x - notch.x_min_mm)  # the tip lies in its middle
    assert notch.y_min_mm < y - half_mm
    assert y + half_mm < notch.y_max_mm
    assert FLAT_MM[0] > INSTRUMENT.widest_mm
    assert FLAT_MM[1] > INSTRUMENT.tallest_mm


def test_tips_that_are_usual_are_within_its_limits():
    # Oboe tips are 6 to 8 mm wide: common practice, no published source.
    assert OBOE.narrowest_mm < 6.0 < OBOE.usual_width_mm < 8.0 < OBOE.widest_mm


def test_the_opening_at_rest_is_neither_shut_nor_round():
    # About 4 2/3 mm² at rest: The Oboe, HyperPhysics, Georgia State University. Between two parabolas, whose
    # area is 2/3 of width times height (Archimedes), and whose axes have nearly the ratio of these two.
    height_mm = (4 + 2 / 3) / (2 / 3 * OBOE.usual_width_mm)
    verdict = classify(height_mm, height_mm / OBOE.usual_width_mm, np.diag([1e-4, 1e-6]), Limits())
    assert (verdict.shape, verdict.borderline, verdict.flags) == ("elliptical", False, ())


def test_a_wire_is_a_fault_where_reeds_have_none():
    # Oboe reeds have no wires, bassoon reeds have them: common practice, no published source.
    assert "wire" in [rule.code for rule in RULES]
    assert wire_rules(replace(OBOE, has_wires=True)) == ()
