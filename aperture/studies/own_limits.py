"""A user's own limits between the classes, learned from photos that they labelled; and how sure they are.

Where somebody stops saying "shut" and begins to say "elliptical" is a threshold with a width: near it the
same person says now this, now that. The chance of the upper label is taken to rise with the measured value x
as Phi((x - limit) / width), which is probit analysis (D. J. Finney, Probit Analysis, 1971; from memory), with
each photo's own measurement uncertainty added to the width in quadrature. Every limit between the medians of
the two classes, and every width up to their distance, is held equally possible beforehand; the labels then
say how likely each is (Bayes' theorem).

Where the labels overlap, the learned limit is the mean of what is possible, and its standard uncertainty the
standard deviation (as in JCGM 101:2008). Where they leave a gap, no limit within it contradicts a label, so
the middle of the gap is taken; its uncertainty is the root mean square distance of what is possible from it,
and never less than that of anywhere in the gap (a uniform distribution, GUM 4.3.7).
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from aperture.flags import FLAGS, WHICH_REED
from aperture.measure import Measurement
from aperture.settings import Limits
from aperture.studies.labels import LabelError
from aperture.verdict import ShapeClass, classify

Floats = NDArray[np.float64]
Setting = Literal["shut_below_height_mm", "round_from_ratio"]

MIN_PHOTOS_PER_CLASS = 5  # photos of a class; with fewer a limit is left alone
# Steps in which a limit, and a width, are tried between the medians of two classes.
LIMIT_STEPS, WIDTH_STEPS = 201, 50
# An expanded uncertainty above this part of the distance between the medians leaves the limit rather open:
# knowing nothing at all but the medians gives 0.58 of it.
WIDE_OPEN = 0.25
# What sends a photo to review without making its number doubtful: which reed it was does not matter here, and
# "borderline" hangs on the very limits that are to be learned; to leave those out would leave out the photos
# that tell most.
HARMLESS = WHICH_REED | {"borderline"}


@dataclass(frozen=True)
class Labelled:
    """A measured photo, what its user called it, and the standard uncertainties of its numbers."""

    photo: str
    label: ShapeClass
    height_mm: float
    u_height_mm: float
    ellipse_ratio: float
    u_ellipse_ratio: float


@dataclass(frozen=True)
class Spread:
    """The photos of one label: how many, and their lowest, median and highest value; None without photos."""

    label: ShapeClass
    count: int
    lowest: float | None
    median: float | None
    highest: float | None


@dataclass(frozen=True)
class Threshold:
    """A learned limit and its standard uncertainty, in the unit of the values."""

    value: float
    standard_uncertainty: float


@dataclass(frozen=True)
class LearnedLimit:
    """One limit: its name in the settings, the classes on both sides, and what was learned.

    `learned` is None where there are fewer than `MIN_PHOTOS_PER_CLASS` photos of a class; `wanting` then
    says how many more of which are needed.
    """

    setting: Setting
    below: Spread
    above: Spread
    learned: Threshold | None
    wanting: Mapping[ShapeClass, int]

    @property
    def gap(self) -> tuple[float, float] | None:
        """Highest value below and lowest above, if the labels leave a gap between them."""
        if self.below.highest is None or self.above.lowest is None:
            return None
        apart = self.below.highest < self.above.lowest
        return (self.below.highest, self.above.lowest) if apart else None

    def is_wide_open(self, coverage_factor: float) -> bool:
        """Whether the uncertainty is large beside the distance between the classes."""
        if self.learned is None or self.below.median is None or self.above.median is None:
            return False
        distance = self.above.median - self.below.median
        return coverage_factor * self.learned.standard_uncertainty > WIDE_OPEN * distance


@dataclass(frozen=True)
class OwnLimits:
    """What the labelled photos say.

    `present` are the limits in force, `limits` the same with what was learned laid over them. `otherwise`
    holds the photos to which `limits` give another class than their user did, with that class;
    `otherwise_now` counts those that the present limits do. `left_out`: photos that were measured but not
    used, with the reason.
    """

    photos: tuple[Labelled, ...]
    height: LearnedLimit
    ratio: LearnedLimit
    present: Limits
    limits: Limits
    otherwise: tuple[tuple[Labelled, ShapeClass], ...]
    otherwise_now: int
    left_out: tuple[tuple[str, str], ...] = ()

    @property
    def changes(self) -> dict[str, float]:
        """The settings in [limits] that would change, with their new values."""
        before = asdict(self.present)
        return {name: value for name, value in asdict(self.limits).items() if value != before[name]}


def reason_to_leave_out(measurement: Measurement) -> str | None:
    """Why a photo's numbers cannot be learned from, in words; None if they can.

    A photo that was refused has no numbers, and one that a person should look at first may have wrong ones.
    """
    if measurement.outcome == "refused":
        return measurement.reason or "refused"
    doubts = [FLAGS[code] for code in measurement.flags if code not in HARMLESS]
    return next((flag.sentence for flag in doubts if flag.effect == "review"), None)


def labelled(measurement: Measurement, label: ShapeClass) -> Labelled:
    """A measured photo with its label.

    Raises
    ------
    ValueError : the photo was refused.
    """
    if measurement.geometry is None or measurement.budget is None:
        raise ValueError(f"{measurement.photo} was refused")
    u = measurement.budget.standard()
    return Labelled(
        photo=measurement.photo,
        label=label,
        height_mm=measurement.geometry.height_mm,
        u_height_mm=u["height_mm"],
        ellipse_ratio=measurement.geometry.ellipse_ratio,
        u_ellipse_ratio=u["ellipse_ratio"],
    )


def learn_from(
    measurements: Sequence[Measurement], labels: Mapping[Path, ShapeClass], present: Limits
) -> OwnLimits:
    """Learn both limits from photos as they were measured.

    Parameters
    ----------
    measurements : of all labelled photos.
    labels : path of a photo -> its label.
    present : the limits in force.

    Raises
    ------
    LabelError : as `learn`.
    """
    reasons = [reason_to_leave_out(measurement) for measurement in measurements]
    both = list(zip(measurements, reasons, strict=True))
    used = [labelled(each, labels[Path(each.photo)]) for each, reason in both if reason is None]
    left_out = tuple((each.photo, reason) for each, reason in both if reason is not None)
    return replace(learn(used, present), left_out=left_out)


def learn(photos: Sequence[Labelled], present: Limits) -> OwnLimits:
    """Learn both limits, as far as there are photos enough.

    Parameters
    ----------
    photos : labelled and measured.
    present : the limits in force; what cannot be learned stays as it is.

    Raises
    ------
    LabelError : the labels go against their own order: elliptical ones no higher than shut ones, or round
        ones no rounder than elliptical ones, by their medians.
    """
    height = _limit("shut_below_height_mm", "shut", "elliptical", photos)
    ratio = _limit("round_from_ratio", "elliptical", "round", photos)
    values: dict[str, float] = asdict(present)
    values |= {each.setting: round(each.learned.value, 3) for each in (height, ratio) if each.learned}
    # The remark "wide" belongs below round; the settings refuse it above.
    values["wide_from_ratio"] = min(values["wide_from_ratio"], values["round_from_ratio"])
    limits = Limits(**values)
    seen = [(photo, _class(photo, limits)) for photo in photos]
    return OwnLimits(
        photos=tuple(photos),
        height=height,
        ratio=ratio,
        present=present,
        limits=limits,
        otherwise=tuple((photo, shape) for photo, shape in seen if shape != photo.label),
        otherwise_now=sum(_class(photo, present) != photo.label for photo in photos),
    )


def threshold(below: Floats, u_below: Floats, above: Floats, u_above: Floats) -> Threshold:
    """The limit between two classes of measured values.

    Parameters
    ----------
    below, above : (n,) and (m,) values of the photos labelled as the lower and as the upper class.
    u_below, u_above : (n,) and (m,) their standard uncertainties.

    Raises
    ------
    ValueError : the median of the upper class is not above that of the lower one.

    Source: see the head of this module. Uncertainties that the photos
    have in common (one printed card) count as if they were each photo's own, which is on the safe side.
    """
    from scipy.special import log_ndtr

    lower, upper = float(np.median(below)), float(np.median(above))
    if not upper > lower:
        raise ValueError("the upper class must lie above the lower one")
    limits = np.linspace(lower, upper, LIMIT_STEPS)
    # A person is no sharper than a hundredth of the distance.
    widths = np.linspace(0.01, 1.0, WIDTH_STEPS) * (upper - lower)
    log_likelihood = np.zeros((LIMIT_STEPS, WIDTH_STEPS))
    for values, uncertainties, side in ((below, u_below, -1.0), (above, u_above, 1.0)):
        for value, u in zip(values, uncertainties, strict=True):
            log_likelihood += log_ndtr(side * (value - limits[:, None]) / np.hypot(widths, u))
    weights = np.exp(log_likelihood - log_likelihood.max()).sum(axis=1)
    weights /= weights.sum()
    highest_below, lowest_above = float(np.max(below)), float(np.min(above))
    gap = max(0.0, lowest_above - highest_below)
    value = (highest_below + lowest_above) / 2 if gap else float(weights @ limits)
    away = float(np.sqrt(weights @ (limits - value) ** 2))
    return Threshold(value, max(away, gap / np.sqrt(12.0)))


def _limit(
    setting: Setting, lower: ShapeClass, upper: ShapeClass, photos: Sequence[Labelled]
) -> LearnedLimit:
    is_height = setting == "shut_below_height_mm"

    def columns(label: ShapeClass) -> tuple[Floats, Floats]:
        chosen = [photo for photo in photos if photo.label == label]
        values = [photo.height_mm if is_height else photo.ellipse_ratio for photo in chosen]
        return np.array(values), np.array(
            [photo.u_height_mm if is_height else photo.u_ellipse_ratio for photo in chosen]
        )

    (low, u_low), (high, u_high) = columns(lower), columns(upper)
    below, above = _spread(lower, low), _spread(upper, high)
    wanting: dict[ShapeClass, int] = {
        each.label: MIN_PHOTOS_PER_CLASS - each.count
        for each in (below, above)
        if each.count < MIN_PHOTOS_PER_CLASS
    }
    if below.median is not None and above.median is not None and above.median <= below.median:
        what = "height, mm" if is_height else "ratio"
        raise LabelError(
            f"the labels go against their order: the photos labelled {upper} are not"
            f" {'higher' if is_height else 'rounder'} than those labelled {lower}"
            f" (median {what}: {above.median:.3f} and {below.median:.3f}); were they mixed up?"
        )
    learned = None if wanting else threshold(low, u_low, high, u_high)
    return LearnedLimit(setting, below, above, learned, wanting)


def _spread(label: ShapeClass, values: Floats) -> Spread:
    if not len(values):
        return Spread(label, 0, None, None, None)
    return Spread(label, len(values), float(values.min()), float(np.median(values)), float(values.max()))


def _class(photo: Labelled, limits: Limits) -> ShapeClass:
    covariance = np.diag([photo.u_height_mm**2, photo.u_ellipse_ratio**2])
    return classify(photo.height_mm, photo.ellipse_ratio, covariance, limits).shape
