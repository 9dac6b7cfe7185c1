"""A gauge made from a ream of paper: is what the program measures as high as it must be?

The height that a slit of so many sheets must have is that of a ream over 500, times the sheets (common
practice, no published source; ISO 534 is how a laboratory measures the thickness of paper). Measured and
expected height are compared by the normalised error E_n of ISO/IEC 17043 (E.4 in its annex on scores, as ISO
13528 has it): their difference over the root of the sum of the squares of their expanded uncertainties. Where
it is at most 1 the two agree.
"""

import math
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np

from aperture.budget.contributions import Budget, budget
from aperture.dates import sensible
from aperture.errors import ApertureError, GaugeError
from aperture.flags import FLAGS, needs_review
from aperture.measure import one_thread, refusal
from aperture.opening import Outline
from aperture.photo import Photo, read_photo
from aperture.settings import Settings
from aperture.studies.slit import Slit, measure_slit
from aperture.view.view import View, locate_card

# Expanded uncertainties are U = 2 u here, whatever the settings say: that is how E_n is defined.
COVERAGE_FACTOR = 2.0
SHEETS_IN_A_REAM = 500
FEWEST_SHEETS, MOST_SHEETS = 3, 30
# Paper of 60 to 120 g/m2. What is lower was read in centimetres, or is no ream of 500.
THINNEST_REAM_MM, THICKEST_REAM_MM = 30.0, 80.0
# A ruler is read to half a millimetre at the bottom of the ream and at its top: each reading is off by at
# most half of that, all values alike probable (GUM 4.3.7).
RULER_STEP_MM = 0.5


@dataclass(frozen=True)
class Expected:
    """The height of a gauge, by count and ruler: value and expanded uncertainty (k = 2), mm."""

    height_mm: float
    u_mm: float


def ream_u_relative(ream_mm: float) -> float:
    """Relative standard uncertainty of a ream's height, read with a ruler at both ends."""
    return math.sqrt(2.0) * RULER_STEP_MM / 2 / math.sqrt(3.0) / ream_mm


def expected_height(sheets: int, ream_mm: float) -> Expected:
    """What a slit of so many sheets measures, from the height of a ream of 500.

    Raises
    ------
    GaugeError : "gauge-sheets" or "gauge-ream": there is no such gauge.
    """
    if not FEWEST_SHEETS <= sheets <= MOST_SHEETS:
        raise GaugeError("gauge-sheets", f"{sheets} is not from {FEWEST_SHEETS} to {MOST_SHEETS}")
    if not THINNEST_REAM_MM <= ream_mm <= THICKEST_REAM_MM:  # also catches NaN
        low, high = f"{THINNEST_REAM_MM:g}", f"{THICKEST_REAM_MM:g}"
        raise GaugeError("gauge-ream", f"{ream_mm:g} mm is not from {low} to {high} mm")
    height_mm = sheets * ream_mm / SHEETS_IN_A_REAM
    return Expected(height_mm, COVERAGE_FACTOR * ream_u_relative(ream_mm) * height_mm)


def normalised_error(value: float, u_value: float, reference: float, u_reference: float) -> float:
    """E_n of a value and a reference with expanded uncertainties (ISO/IEC 17043, ISO 13528)."""
    return (value - reference) / math.hypot(u_value, u_reference)


@dataclass(frozen=True)
class GaugeCheck:
    """What one photo of a gauge gave; a refused photo is a result too, with everything else None.

    `gap_mm` : measured, in the plane of the card's face; `u_gap_mm`, `expected.u_mm` : expanded (k = 2).
    `en` : the normalised error; `agrees` : it is at most 1, either way. `flags` : codes of `aperture.flags`.
    """

    photo: str
    outcome: Literal["measured", "refused"]
    reason: str | None
    advice: str | None
    sheets: int
    ream_mm: float
    expected: Expected
    flags: tuple[str, ...] = ()
    sha256: str | None = None
    taken: datetime | None = None
    view: View | None = None
    slit: Slit | None = None
    budget: Budget | None = None

    @property
    def gap_mm(self) -> float | None:
        """The measured gap."""
        return self.slit.gap_mm if self.slit else None

    @property
    def u_gap_mm(self) -> float | None:
        """Its expanded uncertainty."""
        return COVERAGE_FACTOR * self.budget.standard()["height_mm"] if self.budget else None

    @property
    def expected_mm(self) -> float:
        """What the gap must be."""
        return self.expected.height_mm

    @property
    def en(self) -> float | None:
        """The normalised error."""
        if self.gap_mm is None or self.u_gap_mm is None:
            return None
        return normalised_error(self.gap_mm, self.u_gap_mm, self.expected.height_mm, self.expected.u_mm)

    @property
    def agrees(self) -> bool | None:
        """Whether measured and expected height agree within their uncertainties."""
        return None if self.en is None else abs(self.en) <= 1.0

    @property
    def review(self) -> bool:
        """Whether a person should look at the photo before the check counts."""
        return self.outcome == "refused" or needs_review(list(self.flags))

    def record(self) -> dict[str, Any]:
        """The result as plain values, with the keys of the JSON output."""
        return {
            "photo": self.photo,
            "outcome": self.outcome,
            "reason": self.reason,
            "advice": self.advice,
            "sheets": self.sheets,
            "ream_mm": self.ream_mm,
            "gap_mm": self.gap_mm,
            "u_gap_mm": self.u_gap_mm,
            "expected_mm": self.expected.height_mm,
            "u_expected_mm": self.expected.u_mm,
            "en": self.en,
            "agrees": self.agrees,
            "review": self.review,
            "flags": list(self.flags),
            "px_per_mm": self.view.px_per_mm if self.view else None,
            "tilt_deg": self.view.tilt_deg if self.view else None,
            "taken": self.taken.isoformat() if self.taken else None,
            "sha256": self.sha256,
        }


def check_gauge(
    path: str | Path,
    sheets: int,
    ream_mm: float,
    settings: Settings | None = None,
    photo: Photo | None = None,
) -> GaugeCheck:
    """Measure the gauge in one photo, and compare it with what it must be.

    Parameters
    ----------
    path : of the photo, or its address.
    sheets, ream_mm : how many sheets hold the strips apart, and how high a ream of 500 of them is.
    photo : what was read there already; else it is read.

    Raises
    ------
    GaugeError : "gauge-sheets" or "gauge-ream": that is no gauge, whatever the photo shows.

    Returns
    -------
    A `GaugeCheck`. A photo that cannot be measured is a result with outcome "refused".
    """
    settings = settings or Settings()
    expected = expected_height(sheets, ream_mm)
    result = GaugeCheck(str(path), "refused", None, None, sheets, ream_mm, expected)
    try:
        with one_thread():
            photo = photo or read_photo(path)
            taken = sensible(photo.taken, settings.first_year)
            result = replace(result, sha256=photo.sha256, taken=taken)
            view = locate_card(photo, settings)
            result = replace(result, view=view, flags=view.flags)
            lean_u_deg = settings.uncertainty.reed_lean_deg / math.sqrt(3.0)
            slit = measure_slit(photo, view, lean_u_deg)
            uncertainty = budget(as_outline(slit), view, settings)
    except ApertureError as error:
        reason, advice = refusal(error)
        return replace(result, reason=reason, advice=advice, flags=(error.code, *result.flags))
    doubt = next((FLAGS[code].sentence for code in result.flags if FLAGS[code].effect == "review"), None)
    return replace(result, outcome="measured", reason=doubt, slit=slit, budget=uncertainty)


def as_outline(slit: Slit) -> Outline:
    """The slit as the budget takes an opening: a rectangle, and how its edges may really lie elsewhere."""
    points = slit.outline_mm()
    values, vectors = np.linalg.eigh(slit.edges_covariance)
    upwards = slit.frame.to_card(np.zeros(1), np.ones(1))[0] - slit.frame.origin_mm
    half = len(points) // 2
    moved = np.zeros((2, *points.shape))
    for place, (value, vector) in enumerate(zip(values, vectors.T, strict=True)):
        by = math.sqrt(max(float(value), 0.0)) * vector
        moved[place, :half], moved[place, half:] = by[0] * upwards, by[1] * upwards
    return Outline(points, moved, ())
