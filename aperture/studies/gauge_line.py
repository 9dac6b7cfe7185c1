"""A line through gauges of several heights: is there an offset, is there a scale error, what explains it.

measured - expected = offset + scale error * expected, by least squares weighted with each photo's own
uncertainty (GUM H.3 is such a line); photos that scatter more than their uncertainties say make the line's
larger by as much (Birge's ratio). What all photos share, the height of the ream and the printed bar, can
neither bend the line nor move its offset: it goes into the scale error's uncertainty afterwards.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from aperture.card.geometry import CARD
from aperture.settings import Settings
from aperture.studies.gauge import COVERAGE_FACTOR, ream_u_relative

Floats = NDArray[np.float64]

LEAST_U_MM2 = 1e-8  # so that no weight is infinite


class Checked(Protocol):
    """A gauge that was measured, today or as the book keeps it; `u_gap_mm` is expanded (k = 2)."""

    @property
    def sheets(self) -> int: ...
    @property
    def ream_mm(self) -> float: ...
    @property
    def gap_mm(self) -> float | None: ...
    @property
    def u_gap_mm(self) -> float | None: ...
    @property
    def expected_mm(self) -> float: ...
    @property
    def agrees(self) -> bool | None: ...


@dataclass(frozen=True)
class GaugeLine:
    """Offset (mm) and scale error (relative) with their expanded uncertainties (k = 2).

    `heights` : of how many different gauges; `scatter` : root of the mean square, over the degrees of
    freedom, of how far the photos lie from the line, each in its own uncertainty; None where a line goes
    through any two.
    """

    offset_mm: float
    u_offset_mm: float
    scale: float
    u_scale: float
    heights: int
    scatter: float | None

    def record(self) -> dict[str, Any]:
        """The line as plain values, with the keys of the JSON output."""
        return {
            "offset_mm": self.offset_mm,
            "u_offset_mm": self.u_offset_mm,
            "scale_error": self.scale,
            "u_scale_error": self.u_scale,
            "heights": self.heights,
            "scatter": self.scatter,
        }

    @property
    def has_offset(self) -> bool:
        """Whether the offset is more than its uncertainty."""
        return abs(self.offset_mm) > self.u_offset_mm

    @property
    def has_scale_error(self) -> bool:
        """Whether the scale error is more than its uncertainty."""
        return abs(self.scale) > self.u_scale

    @property
    def departs(self) -> bool:
        """Whether there is either."""
        return self.has_offset or self.has_scale_error


def line_through(checks: Sequence[Checked], settings: Settings) -> GaugeLine | None:
    """The line through gauges of one ream; None where there are not two different heights.

    Parameters
    ----------
    checks : of one printed card; those without a gap do not count.
    settings : the printed bar, and how well it is known.
    """
    known = [(check, check.gap_mm, check.u_gap_mm) for check in checks]
    heights = {check.sheets for check, gap_mm, _ in known if gap_mm is not None}
    if len(heights) < 2:
        return None
    bar_u = settings.uncertainty.ruler_doubt_mm / math.sqrt(3.0) / settings.ruler_mm
    # without the part that all photos of one print share
    rows = [
        (check.expected_mm, gap, math.sqrt(max((u / COVERAGE_FACTOR) ** 2 - (bar_u * gap) ** 2, LEAST_U_MM2)))
        for check, gap, u in known
        if gap is not None and u is not None
    ]
    expected, gaps, own_u = np.array(rows).T
    offset, scale, covariance, scatter = weighted_line(expected, gaps - expected, own_u)
    shared = math.hypot(bar_u, ream_u_relative(checks[0].ream_mm))
    covariance *= max(1.0, scatter or 0.0) ** 2
    return GaugeLine(
        offset_mm=offset,
        u_offset_mm=COVERAGE_FACTOR * math.sqrt(covariance[0, 0]),
        scale=scale,
        u_scale=COVERAGE_FACTOR * math.hypot(math.sqrt(covariance[1, 1]), shared),
        heights=len(heights),
        scatter=scatter,
    )


def weighted_line(x: Floats, y: Floats, u: Floats) -> tuple[float, float, Floats, float | None]:
    """y = a + b x by least squares weighted with the standard uncertainties u of y; all (n,).

    Returns
    -------
    a, b, their covariance (2, 2) from u alone, and the root of chi squared over n - 2; None of two points.
    """
    design = np.column_stack([np.ones_like(x), x]) / u[:, None]
    covariance = np.asarray(np.linalg.inv(design.T @ design), dtype=np.float64)
    a, b = covariance @ design.T @ (y / u)
    freedom = len(x) - 2
    chi2 = float(np.sum(((y - a - b * x) / u) ** 2))
    return float(a), float(b), covariance, math.sqrt(chi2 / freedom) if freedom else None


def what_explains(
    checks: Sequence[Checked], line: GaugeLine | None, settings: Settings, distance_mm: float | None = None
) -> tuple[str, ...]:
    """What would explain that gauges are not as high as they must be, in plain words; nothing if they are.

    Parameters
    ----------
    distance_mm : from the lens to the gauge, if it is known.
    """
    known = [check for check in checks if check.gap_mm is not None]
    if not known or (all(check.agrees for check in known) and (line is None or not line.departs)):
        return ()
    ream_mm = known[0].ream_mm
    if line is None:
        off = float(np.mean([(check.gap_mm or 0.0) - check.expected_mm for check in known]))
        share = off / float(np.mean([check.expected_mm for check in known]))
        return (
            *_scale_words(share, ream_mm, settings, distance_mm),
            *_offset_words(off),
            "Photograph gauges of 5, 10 and 20 sheets: a line through them tells which of these it is.",
        )
    words: list[str] = []
    if line.has_scale_error:
        words += _scale_words(line.scale, ream_mm, settings, distance_mm)
    if line.has_offset:
        words += _offset_words(line.offset_mm)
    return tuple(words) or (
        "Neither an offset nor a wrong scale explains it: single photos are off. Look at them, count the"
        " sheets again, and take those photos again.",
    )


def _scale_words(scale: float, ream_mm: float, settings: Settings, distance_mm: float | None) -> list[str]:
    """What makes every length too large, or too small, by the same part."""
    bar = settings.ruler_mm
    place = f"{abs(scale) * distance_mm:.1f} mm " if distance_mm is not None else ""
    before = "before" if scale > 0 else "behind"
    return [
        f"The printed bar: as if the {CARD.ruler.length_mm:.0f} mm bar measured {bar / (1 + scale):.1f} mm,"
        f" not {bar:.1f}. Measure it again, and tell with --ruler.",
        f"The tip offset: as if the gauge's front stood {place}{before} the card's face. Push it level, and"
        " check with the edge of a ruler.",
        f"The ream: as if it were {ream_mm * (1 + scale):.1f} mm high, not {ream_mm:.1f}. Measure one that"
        " nobody has opened.",
    ]


def _offset_words(offset_mm: float) -> list[str]:
    """What makes every gap higher, or lower, by the same length."""
    edge = f"each edge {abs(offset_mm) / 2:.3f} mm too far {'out' if offset_mm > 0 else 'in'}"
    if offset_mm > 0:
        gauge = "air, glue, burrs or a folded corner between the sheets, so that they stand higher"
    else:
        gauge = "fluff or burrs that hang into the slit, or walls that are not blackened"
    return [
        f"The photo's sharpening: {edge}, as strong sharpening or a soft picture puts it. Use the normal"
        " photo mode, without portrait, filter or night mode, and tap the slit to focus.",
        f"The gauge: {gauge}.",
    ]
