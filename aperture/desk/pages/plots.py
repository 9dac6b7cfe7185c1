"""Small plots over time for the reed's page, as plain values that a template draws."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

WIDTH, HEIGHT = 460, 200
LEFT, RIGHT, TOP, BOTTOM = 52, 12, 14, 34
MARKS = {"dry": "■", "soaked": "●"}


@dataclass(frozen=True)
class Point:
    """One value with its ±, and the state of the reed; `words` instead of "0.8 ± 0.02 mm"."""

    when: datetime
    value: float
    u: float
    state: str
    words: str | None = None


@dataclass(frozen=True)
class Dot:
    """A point in the drawing: where it is, and the ends of its ±."""

    x: float
    y: float
    top: float
    bottom: float
    state: str
    words: str


@dataclass(frozen=True)
class Plot:
    """A drawing of `WIDTH` x `HEIGHT`: dots, lines with their labels along both axes, what marks mean."""

    title: str
    unit: str
    dots: tuple[Dot, ...]
    levels: tuple[tuple[float, str], ...]
    days: tuple[tuple[float, str], ...]
    legend: str
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = RIGHT
    bottom: int = BOTTOM


def plot(title: str, unit: str, points: Sequence[Point]) -> Plot:
    """Lay out a plot; the vertical axis begins at 0.

    Parameters
    ----------
    points : at least one.
    """
    times = [point.when.timestamp() for point in points]
    first, span = min(times), max(max(times) - min(times), 1.0)
    step = nice_step(max(point.value + point.u for point in points) / 4)
    top = step * math.ceil(max(point.value + point.u for point in points) / step)

    def x(time: float) -> float:
        # A little air at both ends, for the dots.
        return round(LEFT + 14 + (WIDTH - LEFT - RIGHT - 28) * (time - first) / span, 1)

    def y(value: float) -> float:
        return round(HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * max(value, 0.0) / top, 1)

    dots = tuple(
        Dot(
            x(point.when.timestamp()),
            y(point.value),
            y(point.value + point.u),
            y(point.value - point.u),
            point.state,
            f"{point.when:%Y-%m-%d}, {point.state}:"
            f" {point.words or f'{point.value:.3g} ± {point.u:.2g} {unit}'.rstrip()}",
        )
        for point in points
    )
    levels = tuple((y(step * n), f"{step * n:g}") for n in range(round(top / step) + 1))
    ends = sorted(points, key=lambda point: point.when)
    one_day = ends[-1].when.date() == ends[0].when.date()
    days = [(x(ends[0].when.timestamp()), f"{ends[0].when:{'%d %b, %H:%M' if one_day else '%d %b'}}")]
    if ends[-1].when != ends[0].when:
        days.append((x(ends[-1].when.timestamp()), f"{ends[-1].when:{'%H:%M' if one_day else '%d %b'}}"))
    marks = {state: f"{mark} {state}" for state, mark in MARKS.items() if state in {p.state for p in points}}
    legend = ", ".join([*marks.values(), *(["bars ±"] if any(point.u > 0.0 for point in points) else [])])
    return Plot(title, unit, dots, levels, tuple(days), legend)


def nice_step(rough: float) -> float:
    """1, 2 or 5 times a power of ten, not below `rough`."""
    power = 10.0 ** math.floor(math.log10(rough)) if rough > 0.0 else 1.0
    return next((nice * power for nice in (1.0, 2.0, 5.0, 10.0) if nice * power >= rough * (1 - 1e-9)), power)
