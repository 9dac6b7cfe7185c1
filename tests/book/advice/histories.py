"""Histories of made-up reeds, told event by event, for tests of facts and rules."""

from dataclasses import replace
from datetime import date, datetime, timedelta

import numpy as np

from aperture.book.store.records import (
    FAULTS,
    Check,
    Decision,
    Entry,
    Filing,
    History,
    Lot,
    Photo,
    Reading,
    Reed,
    Soaking,
    Squeeze,
)
from aperture.flags import FLAGS
from aperture.measure import Measurement
from aperture.settings import Soaking as Habit
from aperture.shape import describe
from aperture.verdict import classify
from tests.conftest import LIMITS

WIDTH_MM = 7.0
# Ellipse ratios well inside the classes of `LIMITS`, for a tip 7 mm wide; the last is too open to squeeze.
SHUT, ELLIPTICAL, WIDE, ROUND, TOO_OPEN = 0.010, 0.100, 0.200, 0.300, 0.410
U_RATIO = 0.002
HABIT = Habit(new_seconds=30.0, old_seconds=120.0, water="room", wetted="water", squeeze_below_ratio=0.35)
NEW = Soaking(30.0, "room", "water", "new")
OLD = Soaking(120.0, "room", "water", "old")
MONDAY = datetime(2026, 10, 5, 14, 0)
SOUND = dict.fromkeys(FAULTS, False)
LOOKED_AT = {name: False for name in FAULTS if name != "air_noise"}


def measured(ratio, u_ratio=U_RATIO, flags=(), state=None):
    """A measured ellipse, with standard uncertainties that belong together."""
    around = np.linspace(0.0, 2.0 * np.pi, 200, endpoint=False)
    shape = describe(np.column_stack([np.cos(around), ratio * np.sin(around)]) * WIDTH_MM / 2.0)
    u_height = WIDTH_MM * u_ratio
    covariance = np.diag([u_height**2, u_ratio**2])
    verdict = classify(shape.height_mm, shape.ellipse_ratio, covariance, LIMITS)
    standard = {
        "height_mm": u_height,
        "width_mm": 0.05,
        "area_mm2": 5.0 * u_height,
        "ellipse_ratio": u_ratio,
    }
    return Measurement(
        photo="R07.jpg",
        outcome="measured",
        reason=None,
        advice=None,
        reed=7,
        state=state,
        flags=(*verdict.flags, *flags),
        geometry=shape,
        verdict=verdict,
        u={name: 2.0 * value for name, value in standard.items()},
    )


def refused(code, state=None):
    """A photo that could not be measured."""
    flag = FLAGS[code]
    return Measurement("R07.jpg", "refused", flag.sentence, flag.advice, 7, state, (code,))


class Story:
    """One reed's history. Each event comes five minutes after the one before; `later` lets days pass."""

    def __init__(self, return_by=None, lot=True):
        self.now = MONDAY
        self.entries, self.checks, self.squeezes, self.decisions = [], [], [], []
        self.lot = Lot(1, "L1", "shop-a", date(2026, 9, 28), return_by, 20.0, "medium") if lot else None

    @property
    def history(self):
        """As the book gives it."""
        return History(
            Reed(1, 7, self.lot and self.lot.code, None, None),
            self.lot,
            tuple(self.entries),
            tuple(self.checks),
            tuple(self.squeezes),
            tuple(self.decisions),
        )

    @property
    def today(self):
        return self.now.date()

    def later(self, days):
        self.now += timedelta(days=days)
        return self

    def photo(self, measurement, state, soaking=Soaking(), shared=0.001):  # noqa: B008 (it is frozen)
        """`shared`: relative standard uncertainty of the printed millimetre."""
        number = len(self.entries) + 1
        photo = Photo(number, f"{number:064x}", f"R07_{number}.jpg", *[self._tick()] * 2, *[None] * 2)
        reading = Reading(
            id=number,
            photo_id=number,
            origin="program",
            version="0.1.0",
            coverage_factor=2.0,
            printed_scale_relative=shared,
            record=measurement.record(),
            outline_mm=None,
            tip=None,
            tip_window=None,
            by=None,
        )
        self.entries.append(Entry(photo, Filing(1, state, soaking, None, None), (reading,)))
        return self

    def dry(self, ratio, shared=0.001, **more):
        return self.photo(measured(ratio, state="dry", **more), "dry", shared=shared)

    def soaked(self, ratio, soaking=NEW, shared=0.001, **more):
        return self.photo(measured(ratio, state="soaked", **more), "soaked", soaking, shared=shared)

    def refused(self, state, code="too-blurred"):
        return self.photo(refused(code, state), state, NEW if state == "soaked" else Soaking())

    def corrected(self, ratio, **more):
        """A person corrects the outline of the latest photo."""
        entry = self.entries[-1]
        state = entry.filing.state
        reading = replace(
            entry.reading, origin="person", record=measured(ratio, state=state, **more).record(), by="mk"
        )
        self.entries[-1] = replace(entry, readings=(*entry.readings, reading))
        return self

    def measured_again(self, ratio, **more):
        """The program measures the latest photo once more."""
        entry = self.entries[-1]
        record = measured(ratio, state=entry.filing.state, **more).record()
        reading = replace(entry.reading, record=record)
        self.entries[-1] = replace(entry, readings=(*entry.readings, reading))
        return self

    def filed(self, state, by=None):
        """A person files the latest photo again."""
        entry = self.entries[-1]
        self.entries[-1] = replace(entry, filing=replace(entry.filing, state=state, by=by))
        return self

    def squeezed(self, before=None, after=None):
        self.squeezes.append(Squeeze(len(self.squeezes) + 1, self._tick(), before, after, None))
        return self

    def checked(self, response=None, cents=None, **answers):
        every = {**dict.fromkeys(FAULTS), **answers}
        number = len(self.checks) + 1
        self.checks.append(
            Check(number, self._tick(), **every, response=response, pitch_cents=cents, note=None, by=None)
        )
        return self

    def decided(self, action, reason="so"):
        number = len(self.decisions) + 1
        self.decisions.append(Decision(number, self._tick(), action, reason, "mk", None, None, None))
        return self

    def _tick(self):
        self.now += timedelta(minutes=5)
        return self.now
