"""Small plots over time for the reed's page, as plain values that a template draws."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

WIDTH, HEIGHT = 460, 200
LEFT, RIGHT, TOP, BOTTOM = 52, 12, 14, 34
MARKS = {"dry": "■", "soaked": "●"}
EVENT_MARKS = {"squeezed": "▼", "decided": "◆"}


@dataclass(frozen=True)
class Point:
    """One value with its ±, and the state of the reed; `words` instead of "0.8 ± 0.02 mm"."""

    when: datetime
    value: float
    u: float
    state: str
    words: str | None = None


@dataclass(frozen=True)
class Event:
    """What was done on the way; `kind` is one of `EVENT_MARKS`."""

    when: datetime
    kind: str
    words: str


@dataclass(frozen=True)
class Mark:
    """An event in the drawing: where on the time axis it is."""

    x: float
    kind: str
    words: str


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
    """A drawing of `WIDTH` x `HEIGHT`: dots, lines with their labels along both axes, what marks mean.

    `limits` are lines like `levels`: where one class ends and another begins. `events` lie on the time axis.
    """

    title: str
    unit: str
    dots: tuple[Dot, ...]
    levels: tuple[tuple[float, str], ...]
    days: tuple[tuple[float, str], ...]
    legend: str
    limits: tuple[tuple[float, str], ...] = ()
    events: tuple[Mark, ...] = ()
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = RIGHT
    bottom: int = BOTTOM


def plot(
    title: str,
    unit: str,
    points: Sequence[Point],
    limits: Sequence[tuple[float, str]] = (),
    events: Sequence[Event] = (),
) -> Plot:
    """Lay out a plot; the vertical axis begins at 0.

    Parameters
    ----------
    points : at least one.
    limits : values, in the unit of the points, and what begins there; all of them are in the drawing.
    events : what was done; all of them are in the drawing.
    """
    moments = sorted([point.when for point in points] + [event.when for event in events])
    first = moments[0].timestamp()
    span = max(moments[-1].timestamp() - first, 1.0)
    highest = max([point.value + point.u for point in points] + [value for value, _ in limits])
    step = nice_step(highest / 4)
    top = step * math.ceil(highest / step)

    def x(moment: datetime) -> float:
        # A little air at both ends, for the dots.
        return round(LEFT + 14 + (WIDTH - LEFT - RIGHT - 28) * (moment.timestamp() - first) / span, 1)

    def y(value: float) -> float:
        return round(HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * max(value, 0.0) / top, 1)

    dots = tuple(
        Dot(
            x(point.when),
            y(point.value),
            y(point.value + point.u),
            y(point.value - point.u),
            point.state,
            f"{point.when:%Y-%m-%d}, {point.state}:"
            f" {point.words or f'{point.value:.3g} ± {point.u:.2g} {unit}'.rstrip()}",
        )
        for point in points
    )
    return Plot(
        title,
        unit,
        dots,
        levels=tuple((y(step * n), f"{step * n:g}") for n in range(round(top / step) + 1)),
        days=tuple((x(moment), words) for moment, words in _days(moments)),
        legend=_legend(points, events),
        limits=tuple((y(value), words) for value, words in limits),
        events=tuple(
            Mark(x(event.when), event.kind, f"{event.when:%Y-%m-%d}: {event.words}") for event in events
        ),
    )


def _days(moments: Sequence[datetime]) -> list[tuple[datetime, str]]:
    """The first and the last moment, in words; of one day with their times."""
    first, last = moments[0], moments[-1]
    one_day = first.date() == last.date()
    days = [(first, f"{first:{'%d %b, %H:%M' if one_day else '%d %b'}}")]
    return days if first == last else [*days, (last, f"{last:{'%H:%M' if one_day else '%d %b'}}")]


def _legend(points: Sequence[Point], events: Sequence[Event]) -> str:
    """What the marks mean that there are."""
    found = {point.state for point in points} | {event.kind for event in events}
    words = [f"{mark} {name}" for name, mark in (MARKS | EVENT_MARKS).items() if name in found]
    return ", ".join([*words, *(["bars ±"] if any(point.u > 0.0 for point in points) else [])])


def nice_step(rough: float) -> float:
    """1, 2 or 5 times a power of ten, not below `rough`."""
    power = 10.0 ** math.floor(math.log10(rough)) if rough > 0.0 else 1.0
    return next((nice * power for nice in (1.0, 2.0, 5.0, 10.0) if nice * power >= rough * (1 - 1e-9)), power)
