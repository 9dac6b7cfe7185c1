"""Numbers -> Verdict: the class of an opening with its probabilities, the change on soaking, what to do.

The limits come from the settings; they are working values, not validated. The advice is common practice in
the trade, without a published source unless one is named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

# Words and differences need no numpy.
if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from aperture.settings import Limits

    Floats = NDArray[np.float64]

ShapeClass = Literal["shut", "elliptical", "round"]
State = Literal["dry", "soaked", "unknown"]

# Below a value and so many standard uncertainties lie 95 % of a normal distribution: see `height_below`.
ONE_SIDED_95 = 1.645


@dataclass(frozen=True)
class Verdict:
    """The class of an opening.

    `shape_probabilities` add up to 1. `borderline`: the expanded uncertainty reaches over a limit that
    matters, so a person decides. `flags` are codes of `aperture.flags`: "borderline", "wide".
    """

    shape: ShapeClass
    shape_probabilities: Mapping[ShapeClass, float]
    borderline: bool
    flags: tuple[str, ...]


def classify(
    height_mm: float, ellipse_ratio: float, covariance: Floats, limits: Limits, coverage_factor: float = 2.0
) -> Verdict:
    """Put an opening into a class: shut by its height, otherwise round or elliptical by its ellipse ratio.

    Parameters
    ----------
    height_mm, ellipse_ratio : the measured values.
    covariance : (2, 2) float64, of (height in mm, ellipse ratio): squared standard uncertainties on the
        diagonal, and how far the two err together beside it.
    limits : from the settings.
    coverage_factor : expanded uncertainty = this times the standard uncertainty.

    Raises
    ------
    ValueError : a value is not finite, or the covariance is not one.

    Sources: JCGM 106:2012 for probabilities from a normal distribution about the measured value, and for the
    guard band (one expanded uncertainty on either side of a limit, as in ISO 14253-1).
    """
    u_height, u_ratio, correlation = _spread(covariance)
    if not (math.isfinite(height_mm) and math.isfinite(ellipse_ratio)):
        raise ValueError("height and ratio must be finite numbers")
    is_open = height_mm >= limits.shut_below_height_mm
    shape: ShapeClass = "shut"
    if is_open:
        shape = "round" if ellipse_ratio >= limits.round_from_ratio else "elliptical"

    # How many standard uncertainties each value lies above its limit.
    above_height = (height_mm - limits.shut_below_height_mm) / u_height
    above_ratio = (ellipse_ratio - limits.round_from_ratio) / u_ratio
    shut = _normal_cdf(-above_height)
    # Never more than what is left: the integral behind it is exact to about 1e-10 only.
    round_ = min(max(_both_below(above_height, above_ratio, correlation), 0.0), 1.0 - shut)

    # The ratio decides nothing about an opening that is shut.
    borderline = abs(above_height) < coverage_factor or (is_open and abs(above_ratio) < coverage_factor)
    wide = shape == "elliptical" and ellipse_ratio >= limits.wide_from_ratio
    flags = [code for code, applies in (("borderline", borderline), ("wide", wide)) if applies]
    probabilities: dict[ShapeClass, float] = {
        "shut": shut,
        "elliptical": 1.0 - shut - round_,
        "round": round_,
    }
    return Verdict(shape, probabilities, borderline, tuple(flags))


def height_below(
    verdict: Verdict, height_mm: float, standard_uncertainty: float, expanded_uncertainty: float
) -> float | None:
    """Below which height, mm, a shut opening lies where no height can be told; None where one can.

    No height can be told where the opening is shut and its height is at most its expanded uncertainty: it may
    as well be 0. What can be said then is that it lies below the upper end of a one-sided interval.

    Parameters
    ----------
    verdict : on that opening.
    height_mm : as measured.
    standard_uncertainty, expanded_uncertainty : of the height, mm.

    Source: JCGM 100:2008, G.1.3 and table G.1: 1.645 standard uncertainties to both sides of a normally
    distributed value hold 90 %, so that 95 % lie below their upper end.
    """
    if verdict.shape != "shut" or not height_mm <= expanded_uncertainty:
        return None
    return height_mm + ONE_SIDED_95 * standard_uncertainty


@dataclass(frozen=True)
class Result:
    """What one photo gave: three values, each with its whole standard uncertainty (coverage factor 1)."""

    height_mm: float
    u_height_mm: float
    area_mm2: float
    u_area_mm2: float
    ellipse_ratio: float
    u_ellipse_ratio: float


@dataclass(frozen=True)
class Difference:
    """Soaked minus dry, in the unit of the quantity, with its expanded uncertainty and a word for it.

    `exceeds`: the difference is larger than its expanded uncertainty. If not, the word is "no change seen".
    """

    difference: float
    expanded_uncertainty: float
    exceeds: bool
    word: str


@dataclass(frozen=True)
class Change:
    """What soaking did."""

    height_mm: Difference
    area_mm2: Difference
    ellipse_ratio: Difference


def change(
    dry: Result, soaked: Result, shared_scale_relative: float = 0.0, coverage_factor: float = 2.0
) -> Change:
    """Compare the same reed dry and soaked.

    Parameters
    ----------
    dry, soaked : the two results.
    shared_scale_relative : relative standard uncertainty of the millimetre that both photos have in common
        (one printed card, one measurement of its bar). It goes into heights once, into areas twice, into
        ratios not at all. Everything else (tip plane, lean, tilt, edge) is new in each photo.

    Raises
    ------
    ValueError : the shared part is larger than a whole uncertainty.
    """
    k, scale = coverage_factor, shared_scale_relative
    height = (dry.height_mm, dry.u_height_mm), (soaked.height_mm, soaked.u_height_mm)
    area = (dry.area_mm2, dry.u_area_mm2), (soaked.area_mm2, soaked.u_area_mm2)
    ratio = (dry.ellipse_ratio, dry.u_ellipse_ratio), (soaked.ellipse_ratio, soaked.u_ellipse_ratio)
    return Change(
        height_mm=_difference(*height, scale, k, ("opened", "closed")),
        area_mm2=_difference(*area, 2.0 * scale, k, ("opened", "closed")),
        ellipse_ratio=_difference(*ratio, 0.0, k, ("rounder", "flatter")),
    )


@dataclass(frozen=True)
class Advice:
    """One thing to do next, and why. Where `what` speaks of the command line, a page says `page_what`."""

    what: str
    why: str
    page_what: str | None = None


_SQUEEZE = Advice(
    "Squeeze it firmly just above the thread, only while it is soaked, never dry, or let the teacher do it;"
    " then photograph it again. If it does not come down, send it back or replace it.",
    "A dry reed cracks when squeezed. Wet cane gives way and can keep a lower opening.",
)

# What to do next, by the state of the reed and what the photo showed. "wide" is an elliptical opening with
# the remark. Common practice in the trade, no published source, except "too short leaves it too closed, too
# long too open": L. N. Kowal, Best Practices for Oboe, English Horn, and their Reeds, rev. 2/2023, which
# also says not longer than two minutes.
ADVICE: dict[tuple[State, str], Advice] = {
    ("dry", "shut"): Advice(
        "No verdict yet. Soak it in a glass of room-temperature water, not in the mouth, up to half of the"
        " thread (about 30 seconds for a new reed, a minute or two for an old one); photograph it again.",
        "A reed that is shut dry often opens when soaked. Habits run from 30 seconds to 5 minutes: keep to"
        " one time and compare like with like. Too short leaves it too closed, too long too open.",
    ),
    ("dry", "elliptical"): Advice(
        "Good so far. Soak it in a glass of room-temperature water, not in the mouth; photograph it again.",
        "The shape that counts is the one it is played with, and soaking opens a reed.",
    ),
    ("dry", "wide"): Advice(
        "Rather wide for a dry reed. If it is new and may still go back, decide before you soak it; otherwise"
        " soak it and photograph it again.",
        "Soaking opens a reed and makes a wide opening rounder.",
    ),
    ("dry", "round"): Advice(
        "If it is new, send it back while it still can be; do not soak it. If it cannot go back, soak it and"
        " photograph it again.",
        "Soaking makes a round opening rounder, and a reed that has been wet is seldom taken back.",
    ),
    ("soaked", "shut"): Advice(
        "Replace it, unless its player bites: ask the teacher.",
        "A reed that stays shut when soaked is worn out or has collapsed, or is being bitten shut.",
    ),
    ("soaked", "elliptical"): Advice(
        "Go on to the checks by hand: leaks, wire, film wrap, pitch.",
        "The opening is as it should be; a photo cannot see the rest.",
    ),
    ("soaked", "wide"): _SQUEEZE,
    ("soaked", "round"): _SQUEEZE,
    ("soaked", "too open"): Advice(
        "Too open to be squeezed: send it back while it can be, else replace it.",
        "Squeezing is for moderately open reeds; one that is far too open stays too open, or its cane gives"
        " way. From which ratio on is a working value, not validated.",
    ),
    ("unknown", "any"): Advice(
        "Say whether the reed was dry or soaked (the card's face, the file's name, or --state).",
        "The same opening means different things dry and soaked.",
        page_what="Say whether the reed was dry or soaked (the card's face, the file's name, or what you say"
        " under Review).",
    ),
}
BORDERLINE = Advice(
    "Look at the picture and decide, or take a sharper photo from 12 cm before you act.",
    "The uncertainty reaches over a limit between two classes.",
)
CLOSED_ON_SOAKING = Advice(
    "Check that both photos show the same reed and that dry and soaked were not mixed up.",
    "Soaking opens a reed; this one was open dry and is shut soaked.",
)
STANDING = Advice(
    "A good opening is not yet a good reed: the player's teacher decides.",
    "The limits between the classes are working values from memory, not validated.",
)


def too_open(ellipse_ratio: float, expanded_uncertainty: float, squeeze_below_ratio: float) -> bool:
    """Whether a soaked reed is too open to be squeezed, beyond doubt: by more than its ±.

    Parameters
    ----------
    ellipse_ratio, expanded_uncertainty : as measured.
    squeeze_below_ratio : from the settings.

    A reed in doubt is squeezed first: that can be tried, and a reed that went back cannot. The guard band is
    one expanded uncertainty (JCGM 106:2012).
    """
    return ellipse_ratio - expanded_uncertainty >= squeeze_below_ratio


def advice(
    verdict: Verdict, state: State, dry: Verdict | None = None, is_too_open: bool = False
) -> tuple[Advice, ...]:
    """What to do next, in plain words, the most urgent first; the standing remark is always last.

    Parameters
    ----------
    verdict : of the photo in question.
    state : of the reed in that photo.
    dry : for a soaked reed, the verdict on its dry photo, where there is one.
    is_too_open : see `too_open`; it matters only for a soaked reed that would be squeezed.
    """
    steps = [BORDERLINE] if verdict.borderline else []
    if state == "soaked" and dry is not None and dry.shape != "shut" and verdict.shape == "shut":
        steps.append(CLOSED_ON_SOAKING)
    seen: str = "wide" if "wide" in verdict.flags else verdict.shape
    if is_too_open and state == "soaked" and seen in ("wide", "round"):
        seen = "too open"
    steps.append(ADVICE["unknown", "any"] if state == "unknown" else ADVICE[state, seen])
    return (*steps, STANDING)


def _spread(covariance: Floats) -> tuple[float, float, float]:
    """Two standard uncertainties and their correlation, checked."""
    import numpy as np

    matrix = np.asarray(covariance, dtype=np.float64)
    if matrix.shape != (2, 2) or not np.isfinite(matrix).all() or matrix[0, 1] != matrix[1, 0]:
        raise ValueError("a covariance is a symmetric 2 x 2 array of finite numbers")
    if matrix[0, 0] <= 0.0 or matrix[1, 1] <= 0.0:
        raise ValueError("a standard uncertainty must be above 0")
    first, second = math.sqrt(matrix[0, 0]), math.sqrt(matrix[1, 1])
    correlation = float(matrix[0, 1]) / (first * second)
    if abs(correlation) > 1.0 + 1e-9:
        raise ValueError("a correlation lies between -1 and 1")
    return first, second, min(max(correlation, -1.0), 1.0)


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def _both_below(a: float, b: float, correlation: float) -> float:
    """Probability that two correlated standard normal variables lie below a and below b.

    By symmetry also that values a and b standard uncertainties above their limits truly lie above both.
    Source: Plackett's identity, integrated over the angle (Drezner & Wesolowsky 1990; Genz 2004).
    """
    from scipy.integrate import quad

    def density(angle: float) -> float:
        spread = math.cos(angle) ** 2
        return math.exp(-(a * a + b * b - 2.0 * a * b * math.sin(angle)) / (2.0 * spread))

    integral, _ = quad(density, 0.0, math.asin(correlation), epsabs=1e-11, epsrel=1e-10, limit=200)
    return _normal_cdf(a) * _normal_cdf(b) + float(integral) / (2.0 * math.pi)


def _difference(
    before: tuple[float, float],
    after: tuple[float, float],
    shared_relative: float,
    coverage_factor: float,
    words: tuple[str, str],
) -> Difference:
    """Difference of two (value, standard uncertainty) whose relative errors have one part in common.

    Source: GUM 5.2.2, equation 16, for y = x2 - x1: u² = u1² + u2² - 2 u(x1, x2), where the shared relative
    part gives the covariance u(x1, x2) = x1 x2 u_shared² (F.1.2.3). With the unshared parts r1 and r2 alone
    this reads u² = r1² + r2² + ((x2 - x1) u_shared)².
    """
    for value, uncertainty in (before, after):
        if abs(value) * shared_relative > uncertainty * (1.0 + 1e-9):
            raise ValueError("the shared part of an uncertainty is larger than the whole")
    covariance = before[0] * after[0] * shared_relative**2
    variance = before[1] ** 2 + after[1] ** 2 - 2.0 * covariance
    difference = after[0] - before[0]
    expanded = coverage_factor * math.sqrt(max(variance, 0.0))
    exceeds = abs(difference) > expanded
    word = (words[0] if difference > 0.0 else words[1]) if exceeds else "no change seen"
    return Difference(difference, expanded, exceeds, word)
