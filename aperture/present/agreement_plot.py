"""Two ways of measuring as a picture (SVG): the differences over the means, and one way over the other.

The left one is Bland and Altman's plot (Lancet 1986, i, 307-310), the right one has Deming's line.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from aperture.studies.comparison import Comparison, Heights, Pairing

PANEL_PX, GAP_PX = 420.0, 24.0
LEFT_PX, RIGHT_PX, TOP_PX, BOTTOM_PX = 64.0, 16.0, 40.0, 56.0
HEIGHT_PX = 360.0
MARK_PX = 4.0
# What each part is, which a page's style sheet may colour in its own way, and its colour in a file.
COLOURS = {
    "ink": "#1a1a1a",
    "quiet": "#5c5c5c",
    "limit": "#9a3412",
    "band": "#fbe9dd",
    "dry": "#b45309",
    "soaked": "#1d4ed8",
}
DIFFERENCES, BOTH = "How far the two differ", "One way over the other"


@dataclass(frozen=True)
class _Panel:
    """A pair of axes: where it stands in the picture, and what its axes reach over, mm."""

    left_px: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]

    @property
    def inner_px(self) -> tuple[float, float, float, float]:
        """Left, right, top, bottom of what the axes enclose."""
        left, right = self.left_px + LEFT_PX, self.left_px + PANEL_PX - RIGHT_PX
        return left, right, TOP_PX, HEIGHT_PX - BOTTOM_PX

    def x_px(self, value: float) -> float:
        left, right, _, _ = self.inner_px
        return left + (value - self.x_range[0]) / (self.x_range[1] - self.x_range[0]) * (right - left)

    def y_px(self, value: float) -> float:
        _, _, top, bottom = self.inner_px
        return bottom - (value - self.y_range[0]) / (self.y_range[1] - self.y_range[0]) * (bottom - top)

    def across(self, value: float, role: str, dash: str = "") -> str:
        """A level line."""
        left, right, _, _ = self.inner_px
        return _line(left, self.y_px(value), right, self.y_px(value), role, dash)


def agreement_svg(comparison: Comparison, heights: Heights) -> bytes:
    """The picture as an SVG file, in UTF-8: both parts side by side.

    Parameters
    ----------
    comparison : what was compared.
    heights : its heights.
    """
    width = 2 * PANEL_PX + GAP_PX
    parts = [
        f'<rect width="{width:g}" height="{HEIGHT_PX:g}" fill="#ffffff"/>',
        *_differences(comparison.pairings, heights, 0.0),
        *_one_over_other(comparison.pairings, heights, PANEL_PX + GAP_PX),
    ]
    return _svg(width, "Heights of the opening measured in two ways", parts).encode()


def agreement_parts(comparison: Comparison, heights: Heights) -> tuple[str, str]:
    """The two parts as SVG of their own, to stand in a page one beside or below the other.

    They have no ground, and each element has the name of its part (`COLOURS`) as its class.
    """
    return (
        _svg(PANEL_PX, DIFFERENCES, _differences(comparison.pairings, heights, 0.0)),
        _svg(PANEL_PX, BOTH, _one_over_other(comparison.pairings, heights, 0.0)),
    )


def _svg(width_px: float, title: str, parts: Sequence[str]) -> str:
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width_px:g} {HEIGHT_PX:g}"'
        f' width="{width_px:g}" height="{HEIGHT_PX:g}" font-family="sans-serif" font-size="12" role="img">'
    )
    return "\n".join([head, f"<title>{title}</title>", *parts, "</svg>"])


def _differences(pairings: Sequence[Pairing], heights: Heights, left_px: float) -> list[str]:
    points = [(mine, other) for mine, other in map(_values, pairings)]
    means, gaps = [(a + b) / 2 for a, b in points], [b - a for a, b in points]
    found = heights.agreement
    ends = (found.lower.low, found.upper.high, 0.0, *gaps)
    panel = _Panel(left_px, _reach(means), _reach(ends))
    left, right, _, _ = panel.inner_px
    parts = _axes(panel, "mean of both, mm", "yours minus this program, mm", DIFFERENCES)
    for interval in (found.lower, found.mean, found.upper):
        top, bottom = panel.y_px(interval.high), panel.y_px(interval.low)
        parts.append(
            f'<rect x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{bottom - top:.1f}"'
            f' {_filled("band")} fill-opacity="0.7"/>'
        )
    parts.append(panel.across(0.0, "quiet"))
    for interval, dash in ((found.lower, "6 4"), (found.mean, ""), (found.upper, "6 4")):
        parts.append(panel.across(interval.estimate, "limit", dash))
        words = f"{interval.estimate:+.3f}".replace("-", "−")
        parts.append(_text(right - 4, panel.y_px(interval.estimate) - 4, words, "end", "limit"))
    return parts + _marks(panel, pairings, list(zip(means, gaps, strict=True)))


def _one_over_other(pairings: Sequence[Pairing], heights: Heights, left_px: float) -> list[str]:
    points = [_values(pairing) for pairing in pairings]
    reach = _reach([value for point in points for value in point])
    panel = _Panel(left_px, reach, reach)
    title = "Line through both" if heights.line else "Each reed in both ways"
    parts = _axes(panel, "this program, mm", "yours, mm", title)
    low, high = reach
    parts.append(_line(panel.x_px(low), panel.y_px(low), panel.x_px(high), panel.y_px(high), "quiet", "2 3"))
    if heights.line is not None:
        slope, offset = heights.line.slope.estimate, heights.line.intercept.estimate
        xs = [point[0] for point in points]
        ends = [(x, min(max(offset + slope * x, low), high)) for x in (min(xs), max(xs))]
        (x0, y0), (x1, y1) = ends
        parts.append(_line(panel.x_px(x0), panel.y_px(y0), panel.x_px(x1), panel.y_px(y1), "limit"))
    return parts + _marks(panel, pairings, points)


def _values(pairing: Pairing) -> tuple[float, float]:
    """This program's height and the other one, mm; both are there, or the two would not be paired."""
    assert pairing.own.height_mm is not None
    assert pairing.other.height_mm is not None
    return pairing.own.height_mm, pairing.other.height_mm


def _reach(values: Sequence[float]) -> tuple[float, float]:
    """What an axis reaches over: the values, and a twentieth more at both ends."""
    low, high = min(values), max(values)
    more = 0.05 * (high - low) or 0.05
    return low - more, high + more


def _ticks(reach: tuple[float, float]) -> list[float]:
    """Round numbers within an axis, 3 to 8 of them."""
    span = reach[1] - reach[0]
    power = 10.0 ** math.floor(math.log10(span / 4.0))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if span / (power * factor) <= 6.0)
    first = math.ceil(reach[0] / step)
    return [step * (first + place) for place in range(math.floor(reach[1] / step) - first + 1)]


def _axes(panel: _Panel, x_name: str, y_name: str, title: str) -> list[str]:
    left, right, top, bottom = panel.inner_px
    parts = [
        f'<rect x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{bottom - top:.1f}"'
        f' class="frame" fill="none" stroke="{COLOURS["quiet"]}"/>',
        _text(left, top - 14, title, "start", "ink", 'font-weight="bold"'),
        _text((left + right) / 2, HEIGHT_PX - 12, x_name, "middle", "ink"),
    ]
    x_px, y_px = panel.left_px + 12, (top + bottom) / 2
    turned = f'transform="rotate(-90 {x_px:.1f} {y_px:.1f})"'
    parts.append(_text(x_px, y_px, y_name, "middle", "ink", turned))
    for value in _ticks(panel.x_range):
        parts.append(_line(panel.x_px(value), bottom, panel.x_px(value), bottom + 4, "quiet"))
        parts.append(_text(panel.x_px(value), bottom + 18, _number(value), "middle", "quiet"))
    for value in _ticks(panel.y_range):
        parts.append(_line(left - 4, panel.y_px(value), left, panel.y_px(value), "quiet"))
        parts.append(_text(left - 7, panel.y_px(value) + 4, _number(value), "end", "quiet"))
    return parts


def _number(value: float) -> str:
    return f"{round(value, 6) + 0.0:g}".replace("-", "−")


def _marks(panel: _Panel, pairings: Sequence[Pairing], points: Sequence[tuple[float, float]]) -> list[str]:
    """A square for each dry reed, a disc for each soaked one; pointing at it says which."""
    parts = []
    for pairing, (x, y) in zip(pairings, points, strict=True):
        other = pairing.other
        x_px, y_px = panel.x_px(x), panel.y_px(y)
        mine, theirs = _values(pairing)
        words = f"reed {other.reed} {other.state}: yours {theirs:.3f} mm, this program {mine:.3f} mm"
        shape = f'<circle cx="{x_px:.1f}" cy="{y_px:.1f}" r="{MARK_PX:g}" {_filled("soaked")}'
        if other.state == "dry":
            side = 2 * MARK_PX - 1
            shape = (
                f'<rect x="{x_px - side / 2:.1f}" y="{y_px - side / 2:.1f}" width="{side:g}"'
                f' height="{side:g}" {_filled("dry")}'
            )
        name = "rect" if other.state == "dry" else "circle"
        parts.append(f'{shape} fill-opacity="0.8"><title>{escape(words)}</title></{name}>')
    _, right, top, _ = panel.inner_px
    parts.append(_text(right, top - 14, "■ dry  ● soaked", "end", "quiet"))
    return parts


def _filled(role: str) -> str:
    return f'class="{role}" fill="{COLOURS[role]}"'


def _line(x0: float, y0: float, x1: float, y1: float, role: str, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" class="{role}"'
        f' stroke="{COLOURS[role]}" stroke-width="1.2"{dashed}/>'
    )


def _text(x: float, y: float, words: str, anchor: str, role: str, more: str = "") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" {_filled(role)} {more}>{escape(words)}</text>'
    )
