"""A correction of the height that a user asked for: what it does to a result, and how every result names it.

Only the height is corrected, because only heights were compared: width, area and ratio stay as they are.
"""

from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from aperture.settings import Correction

# A list of reeds names corrections without what measures.
if TYPE_CHECKING:
    from aperture.shape import Shape

FLAG = "height-corrected"
MARK = "(corrected)"  # beside every height that is
MIN_CORRECTED_MM = 0.001  # what a correction leaves at least: a height is never below 0


def corrected(numbers: "Shape", correction: Correction) -> "Shape":
    """The same numbers with the correction added to the height."""
    if not correction.applies:
        return numbers
    return replace(numbers, height_mm=max(numbers.height_mm + correction.offset_mm, MIN_CORRECTED_MM))


def in_record(correction: Correction) -> dict[str, Any] | None:
    """The correction as a result keeps it; None where there is none."""
    return asdict(correction) if correction.applies else None


def uncorrected(
    height_mm: float, u_height_mm: float, correction: Mapping[str, Any] | None
) -> tuple[float, float]:
    """A height and its standard uncertainty without the correction in them, mm.

    For the difference of two heights: what both have in common drops out, and one of them may have been
    measured before the correction was asked for. Source: GUM 5.1.2, the sum of variances taken apart.
    """
    if correction is None:
        return height_mm, u_height_mm
    variance = u_height_mm**2 - correction["u_offset_mm"] ** 2
    return height_mm - correction["offset_mm"], max(variance, 0.0) ** 0.5


def offset_of(record: Mapping[str, Any]) -> float:
    """What was added to the height of a kept result, mm. Results of earlier versions have no such key."""
    correction = record.get("correction")
    return float(correction["offset_mm"]) if correction else 0.0


def correction_words(correction: Mapping[str, Any]) -> str:
    """How much, and why: "+0.040 mm (comparison with 12 readings in callipers.csv, 2026-11-29)"."""
    source = f" ({correction['source']})" if correction["source"] else ""
    return f"{correction['offset_mm']:+.3f} mm".replace("-", "−") + source


def all_words(records: list[Mapping[str, Any]]) -> list[str]:
    """The different corrections of some kept results, each once, in words."""
    return list(dict.fromkeys(correction_words(r["correction"]) for r in records if r.get("correction")))
