"""The line that no figure may cross again: `bounds.json`, written by hand or tightened by the command."""

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.accuracy.figures import QUANTITIES, Case, figures, groups

FILE = Path(__file__).with_name("bounds.json")
# Parts of bounds.json: recorded results of the whole set; committed photos, measured afresh in the tests.
EVERY_PHOTO, COMMITTED_PHOTOS = "every photo", "committed photos"
Bounds = Mapping[str, Mapping[str, float]]


def bounded(cases: Sequence[Case]) -> dict[str, dict[str, float]]:
    """The figures that are held, by group: the larger, the worse. What is not known is left out.

    Of the photos with a number: 95th percentile and median of the errors (no spread, which one photo far off
    can move); how many true values lie outside of the stated ±, and how wide that usually is, lest coverage
    be bought with width. Counts: silently wrong, silently far off, wrong class, refused although good, to
    review.
    """
    held = {}
    for name, group in groups(cases).items():
        found = figures(group)
        every = found.all_measured
        values = {
            "silent_wrong": found.silent_wrong.hits,
            "silent_far": found.silent_far,
            "wrong_class": sum(case.measured and case.got_class != case.true_class for case in group),
            "good_refused": found.good_refused.hits,
            "sent_to_review": found.review,
            "outside_percent": 100 * (1 - every.covered_together.value),
            "area_percent_percentile_95": 100 * every.area_share.percentile_95,
        }
        for quantity in QUANTITIES:
            errors = every.errors[quantity]
            values |= {
                f"{quantity}_percentile_95": errors.percentile_95,
                f"{quantity}_median": errors.median,
                f"{quantity}_usual_u": every.usual_u[quantity],
            }
        held[name] = {key: float(value) for key, value in values.items() if math.isfinite(value)}
    return held


def worse(now: Bounds, bounds: Bounds) -> list[str]:
    """A line for each figure that crosses its bound, or that has a bound and cannot be had any more."""
    lines = []
    for group, limits in bounds.items():
        for name, limit in limits.items():
            value = now.get(group, {}).get(name, math.nan)
            if not value <= limit * (1 + 1e-9):  # not "value > limit": a figure that is gone has crossed
                lines.append(f"{group}: {name} is {value:.4g}, its bound {limit:.4g}")
    return lines


def tightened(now: Bounds, bounds: Bounds) -> dict[str, dict[str, float]]:
    """Bounds as tight as the figures allow, and nowhere looser than they were.

    A new bound is the figure rounded up to two digits, because another processor's arithmetic may differ a
    little; counts stay as they are.
    """
    result: dict[str, dict[str, float]] = {group: dict(limits) for group, limits in bounds.items()}
    for group, values in now.items():
        mine = result.setdefault(group, {})
        for name, value in values.items():
            mine[name] = min(round_up(value), mine.get(name, math.inf))
    return result


def round_up(value: float) -> float:
    """The next number of two digits that is not smaller; whole numbers stay."""
    if value == 0 or value == int(value):
        return value
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    # 1e-9: what is a number of two digits already stays one.
    return round(math.ceil(value / step - 1e-9) * step, 12)


def read(path: Path = FILE) -> dict[str, Bounds]:
    """The bounds by part of the file; empty where there is no file yet."""
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def text_of(bounds: Mapping[str, Bounds]) -> str:
    """The file's content."""
    return json.dumps(bounds, indent=1, ensure_ascii=False) + "\n"
