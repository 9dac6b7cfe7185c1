"""The same reed dry and soaked: of many photos, those that belong together, and what soaking changed."""

from collections.abc import Sequence
from dataclasses import dataclass

from aperture.budget.terms import PrintedScale
from aperture.card.geometry import FACES, Face
from aperture.correction import in_record, uncorrected
from aperture.measure import Measurement
from aperture.verdict import Change, Result, change


@dataclass(frozen=True)
class Pair:
    """The same reed dry and soaked, and what soaking did to it."""

    reed: int
    dry: Measurement
    soaked: Measurement
    change: Change


def pairs(measurements: Sequence[Measurement], coverage_factor: float = 2.0) -> list[Pair]:
    """The reeds of which there is a measured photo dry and one soaked, by number.

    Parameters
    ----------
    measurements : of several photos. Of several of the same reed and state the latest counts: by the time
        that the cameras wrote, or the last in the list where one of them wrote none.
    coverage_factor : as in the settings.
    """
    groups: dict[tuple[int, Face], list[Measurement]] = {}
    for measurement in measurements:
        if (
            measurement.outcome == "measured"
            and measurement.reed is not None
            and measurement.state is not None
        ):
            groups.setdefault((measurement.reed, measurement.state), []).append(measurement)
    found = []
    for reed in sorted({reed for reed, _ in groups}):
        if all((reed, state) in groups for state in FACES):
            dry, soaked = (latest(groups[reed, state]) for state in FACES)
            shared = min(printed_scale_relative(dry), printed_scale_relative(soaked))
            what_changed = change(_result(dry), _result(soaked), shared, coverage_factor)
            found.append(Pair(reed, dry, soaked, what_changed))
    return found


def latest(measurements: list[Measurement]) -> Measurement:
    """The one that was taken last; where a camera did not write when, the last in the list."""
    times = [measurement.taken for measurement in measurements]
    if None in times:
        return measurements[-1]
    # The clock on the wall: not every camera writes its time zone.
    walls = [time.replace(tzinfo=None) for time in times if time is not None]
    return max(zip(walls, range(len(walls)), measurements, strict=True), key=lambda entry: entry[:2])[2]


def _result(measurement: Measurement) -> Result:
    """The values of a measured photo with their standard uncertainties."""
    assert measurement.geometry is not None
    assert measurement.budget is not None
    numbers, u = measurement.geometry, measurement.budget.standard()
    correction = in_record(measurement.correction)
    height_mm, u_height_mm = uncorrected(numbers.height_mm, u["height_mm"], correction)
    return Result(
        height_mm=height_mm,
        u_height_mm=u_height_mm,
        area_mm2=numbers.area_mm2,
        u_area_mm2=u["area_mm2"],
        ellipse_ratio=numbers.ellipse_ratio,
        u_ellipse_ratio=u["ellipse_ratio"],
    )


def printed_scale_relative(measurement: Measurement) -> float:
    """Relative standard uncertainty of the printed millimetre, which photos of one card have in common."""
    assert measurement.geometry is not None
    assert measurement.budget is not None
    for contribution in measurement.budget.contributions:
        if contribution.source == PrintedScale.name:
            return float(contribution.effect[0]) / measurement.geometry.height_mm
    return 0.0
