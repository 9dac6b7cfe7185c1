"""How the tests are shared out; and made-up results for those of what comes after measuring."""

import os
from collections import Counter
from dataclasses import fields
from functools import cache

import hypothesis
import numpy as np
import pytest
import typer.testing

from aperture.budget.contributions import combine, from_changes
from aperture.flags import FLAGS
from aperture.measure import Measurement
from aperture.opening import Outline
from aperture.settings import Limits
from aperture.shape import describe
from aperture.verdict import classify

# Of these tests, whatever the defaults are.
LIMITS = Limits(shut_below_height_mm=0.15, wide_from_ratio=0.18, round_from_ratio=0.25)

TWELVE_HEIGHTS_MM = [round(float(height), 3) for height in np.linspace(0.4, 1.5, 12)]

# A machine that is busy with other work is slow, and nothing is wrong.
hypothesis.settings.register_profile("aperture", deadline=None)
hypothesis.settings.load_profile("aperture")

# Typer makes the commands out of the functions anew each time that one is typed in a test; that takes longer
# than most of them do, and always gives the same.
typer.testing._get_command = cache(typer.testing._get_command)

# Files and folders that take long, longest first, as measured once. Those in a browser follow each other,
# because they share one.
LONGEST = (
    "tests/browser/test_review_page.py",
    "tests/browser/test_story.py",
    "tests/browser/test_home.py",
    "tests/browser",
    "tests/opening/test_opening.py",
    "tests/book/test_breaking.py",
    "tests/batch",
    "tests/photo/test_damage.py",
    "tests/studies/test_slit.py",
    "tests/studies/test_gauge.py",
    "tests/accuracy",
    "tests/test_demo.py",
    "tests/test_truth_design.py",
)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int | None:
    """One process more than there are processors: some tests wait, for a browser or until a time is over."""
    if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ:  # as xdist has it
        return None
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items):
    """Long files first, so that none is begun when all others are done; then those of many tests."""

    def file_of(item):
        return item.nodeid.partition("::")[0]

    tests = Counter(map(file_of, items))

    def place(item):
        file = file_of(item)
        known = (rank for rank, name in enumerate(LONGEST) if file.startswith(name))
        return next(known, len(LONGEST)), -tests[file], file

    items.sort(key=place)


def ellipse_points_mm(width_mm, height_mm, centre_mm=(42.8, 4.5)):
    """A closed ellipse, counter-clockwise, (200, 2)."""
    around = np.linspace(np.pi, 3 * np.pi, 200, endpoint=False)
    x, y = np.cos(around) * width_mm / 2, np.sin(around) * height_mm / 2
    return np.column_stack([x, y]) + centre_mm


def _outline(points_mm):
    """An outline of which only the place counts; what else it holds is 0."""
    known = {
        "points_mm": points_mm,
        "displacements_mm": np.zeros((1, *points_mm.shape)),
        "flags": (),
    }
    return Outline(**{field.name: known.get(field.name, 0.0) for field in fields(Outline)})


@cache
def _described(width_mm, height_mm):
    """The shape of that ellipse; thousands of made-up results have one of a few."""
    return describe(ellipse_points_mm(width_mm, height_mm))


def _measured(
    photo="R07_dry.jpg",
    reed=7,
    state="dry",
    width_mm=7.0,
    height_mm=0.8,
    points_mm=None,
    u=(0.010, 0.030, 0.06, 0.0015),
    scale_u=0.001,
    flags=(),
    **more,
):
    """A measured photo with standard uncertainties `u` of height, width, area and ratio, and of the scale."""
    if points_mm is None:
        points, numbers = ellipse_points_mm(width_mm, height_mm), _described(width_mm, height_mm)
    else:
        points, numbers = points_mm, describe(points_mm)
    scale = scale_u * np.array([numbers.height_mm, numbers.width_mm, 2 * numbers.area_mm2, 0.0])
    budget = combine(
        (
            from_changes("edge", "normal", np.diag(u)),
            from_changes("printed scale", "normal", scale),
        )
    )
    verdict = classify(numbers.height_mm, numbers.ellipse_ratio, budget.covariance[::3, ::3], LIMITS)
    return Measurement(
        photo=str(photo),
        outcome="measured",
        reason=None,
        advice=None,
        reed=reed,
        state=state,
        flags=(*verdict.flags, *flags),
        outline=_outline(points),
        geometry=numbers,
        budget=budget,
        verdict=verdict,
        u=budget.expanded(2.0),
        control=(0.004, -0.002, None),
        **more,
    )


def _refused(photo="R07_dry.jpg", code="no-card", reed=7, state=None, **more):
    """A refused photo."""
    flag = FLAGS[code]
    return Measurement(str(photo), "refused", flag.sentence, flag.advice, reed, state, (code,), **more)


@pytest.fixture
def measured():
    """measured(...) makes the result of a photo that was measured."""
    return _measured


@pytest.fixture
def refused():
    """refused(...) makes the result of a photo that was refused."""
    return _refused


def read_otherwise(book, enter, higher_mm):
    """Twelve soaked reeds entered into a book; a table of them read so much higher, +-0.01 mm by turns."""
    rows = ["reed,state,reading_mm"]
    for place, height in enumerate(TWELVE_HEIGHTS_MM):
        photo = enter(book, book.add_reed(place + 1), "soaked", height_mm=height)
        read_mm = book.entry(photo).reading.record["height_mm"] + higher_mm + 0.01 * (-1) ** place
        rows.append(f"{place + 1},soaked,{read_mm:.4f}")
    return "\n".join(rows)
