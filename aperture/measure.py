"""One photo, from the file to the verdict: measure(path) -> Measurement."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np

from aperture.budget.contributions import Budget, budget
from aperture.card.geometry import Face
from aperture.control import measure_controls
from aperture.correction import FLAG, corrected, in_record
from aperture.dates import sensible
from aperture.errors import ApertureError, OpeningError
from aperture.flags import FLAGS, needs_review
from aperture.identity import Identity, identify
from aperture.opening import Outline, find_opening
from aperture.photo import Photo, is_address, read_photo
from aperture.scale import NOT_SAID, Scale, scale_of
from aperture.settings import NO_CORRECTION, Correction, Settings
from aperture.shape import Shape, describe
from aperture.verdict import Verdict, advice, classify, height_below, too_open
from aperture.view.view import View, locate_card

Outcome = Literal["measured", "refused"]


@dataclass(frozen=True)
class Measurement:
    """What one photo gave.

    A refused photo is a result too: `outcome` is "refused", `reason` and `advice` say why and what to do, and
    everything that could not be had is None. `flags` are codes of `aperture.flags`. `control` holds, for each
    printed ellipse of the card in order, measured minus true height in mm, None where it could not be
    measured. `u` holds expanded uncertainties for "height_mm", "width_mm", "area_mm2", "ellipse_ratio".
    `geometry` and `u` hold the height also where none can be told; what is shown then is `height_below_mm`.
    `correction` is what the settings asked to add to the height; `geometry` and `u` have it in them.
    `too_open`: were it soaked, it would be too open to be squeezed (`aperture.verdict.too_open`).
    `correction` is what the settings asked to add to the height, `scale` what they said of the printed card;
    `geometry` and `u` have both in them.
    """

    photo: str
    outcome: Outcome
    reason: str | None
    advice: str | None
    reed: int | None
    state: Face | None
    flags: tuple[str, ...]
    sha256: str | None = None
    taken: datetime | None = None
    view: View | None = None
    outline: Outline | None = None
    geometry: Shape | None = None
    budget: Budget | None = None
    verdict: Verdict | None = None
    u: Mapping[str, float] | None = None
    control: tuple[float | None, ...] = ()
    correction: Correction = NO_CORRECTION
    too_open: bool = False
    scale: Scale = NOT_SAID

    @property
    def review(self) -> bool:
        """Whether a person should look before the result is used; a refused photo always."""
        return self.outcome == "refused" or needs_review(list(self.flags))

    @property
    def height_below_mm(self) -> float | None:
        """Where no height can be told, below what it lies (`aperture.verdict.height_below`); else None."""
        if self.geometry is None or self.verdict is None or self.budget is None or self.u is None:
            return None
        standard, expanded = self.budget.standard()["height_mm"], self.u["height_mm"]
        return height_below(self.verdict, self.geometry.height_mm, standard, expanded)

    def record(self) -> dict[str, Any]:
        """The result as plain values, with the keys of the JSON output."""
        geometry, verdict, view = self.geometry, self.verdict, self.view
        u, below_mm = dict(self.u) if self.u else None, self.height_below_mm
        if u and below_mm is not None:
            del u["height_mm"]
        return {
            "photo": self.photo,
            "outcome": self.outcome,
            "reason": self.reason,
            "advice": self.advice,
            "reed": self.reed,
            "state": self.state,
            "height_mm": geometry.height_mm if geometry and below_mm is None else None,
            "height_below_mm": below_mm,
            "width_mm": geometry.width_mm if geometry else None,
            "area_mm2": geometry.area_mm2 if geometry else None,
            "ellipse_major_mm": geometry.ellipse_major_mm if geometry else None,
            "ellipse_minor_mm": geometry.ellipse_minor_mm if geometry else None,
            "ellipse_ratio": geometry.ellipse_ratio if geometry else None,
            "shape_factor": geometry.shape_factor if geometry else None,
            "asymmetry": geometry.asymmetry if geometry else None,
            "fitted_major_mm": geometry.fitted_major_mm if geometry else None,
            "fitted_minor_mm": geometry.fitted_minor_mm if geometry else None,
            "fitted_residual_mm": geometry.fitted_residual_mm if geometry else None,
            "correction": in_record(self.correction),
            **self.scale.record(),
            "u": u,
            "shape": verdict.shape if verdict else None,
            "shape_probabilities": dict(verdict.shape_probabilities) if verdict else None,
            "borderline": verdict.borderline if verdict else None,
            "review": self.review,
            "flags": list(self.flags),
            "px_per_mm": view.px_per_mm if view else None,
            "distance_mm": view.distance_mm if view else None,
            "tilt_deg": view.tilt_deg if view else None,
            "blur_px": max(view.blur_px) if view else None,
            "control": list(self.control),
            "taken": self.taken.isoformat() if self.taken else None,
            "sha256": self.sha256,
        }


def measure(
    path: str | Path,
    settings: Settings | None = None,
    *,
    reed: int | None = None,
    state: Face | None = None,
    name: Path | None = None,
    photo: Photo | None = None,
) -> Measurement:
    """Measure the opening in one photo.

    Parameters
    ----------
    path : of the photo, or its address (s3://bucket/photo.jpg).
    settings : default settings where none are given.
    reed, state : what the user says of the reed; the picture and the file's name have the first word.
    name : what the photo was called where it came from, with the folders around it, an absolute path; the
        file's own where it lies there.
    photo : what was read there already; else it is read.

    Returns
    -------
    A `Measurement`. A photo that cannot be measured is a result with outcome "refused".
    """
    settings = settings or Settings()
    if not is_address(path):
        path = Path(path)
    called: str | Path = name or path
    result = Measurement(
        photo=str(path), outcome="refused", reason=None, advice=None, reed=None, state=None, flags=()
    )
    try:
        photo = photo or read_photo(path)
        with one_thread():
            taken = sensible(photo.taken, settings.first_year)
            doubted = ("date-impossible",) if photo.misdated or taken != photo.taken else ()
            result = replace(result, sha256=photo.sha256, taken=taken, flags=doubted)
            view = locate_card(photo, settings)
    except ApertureError as error:
        who = identify(called, (), None, reed, state)
        return _refused(_named(result, who), error)
    who = identify(called, view.reeds, view.face, reed, state)
    result = _named(replace(result, view=view, flags=(*view.flags, *result.flags)), who)
    try:
        with one_thread():
            return _measured(result, photo, view, settings)
    except ApertureError as error:
        return _refused(result, error)


def one_thread() -> Any:
    """Linear algebra on one core: these problems are small, and threads that wait for others are slow."""
    return _linear_algebra().limit(limits=1)


@cache
def _linear_algebra() -> Any:
    """What computes with threads in this process: found once, for to look for it takes long."""
    import scipy.linalg  # noqa: F401  # NumPy, SciPy and OpenCV each bring their own, once they are used
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def _named(result: Measurement, who: Identity) -> Measurement:
    """With reed and state filled in, and what contradicts."""
    return replace(result, reed=who.reed, state=who.state, flags=(*result.flags, *who.flags))


def _refused(result: Measurement, error: ApertureError) -> Measurement:
    reason, advice = refusal(error)
    return replace(result, outcome="refused", reason=reason, advice=advice, flags=(error.code, *result.flags))


def refusal(error: ApertureError) -> tuple[str, str]:
    """Why there is no number, in one sentence, and what to do."""
    flag = FLAGS[error.code]
    reason = f"{flag.sentence.removesuffix('.')} ({error.detail})." if error.detail else flag.sentence
    return reason, flag.advice


def _measured(result: Measurement, photo: Photo, view: View, settings: Settings) -> Measurement:
    outline = find_opening(photo, view)
    try:
        geometry = corrected(describe(outline.points_mm), settings.correction)
        uncertainty = budget(outline, view, settings)
    except ValueError as error:
        raise OpeningError("opening-not-found", "its outline is not determined by the photo") from error
    factor = settings.uncertainty.coverage_factor
    verdict = classify(
        geometry.height_mm,
        geometry.ellipse_ratio,
        uncertainty.covariance[np.ix_([0, 3], [0, 3])],
        settings.limits,
        factor,
    )
    control = measure_controls(photo, view)
    flags = [*result.flags, *outline.flags, *_control_flags(control, settings), *verdict.flags]
    if settings.correction.applies:
        flags.append(FLAG)
    reason = next((FLAGS[code].sentence for code in flags if FLAGS[code].effect == "review"), None)
    u = uncertainty.expanded(factor)
    wide_open = too_open(geometry.ellipse_ratio, u["ellipse_ratio"], settings.soaking.squeeze_below_ratio)
    steps = advice(verdict, result.state or "unknown", is_too_open=wide_open)
    return replace(
        result,
        outcome="measured",
        reason=reason,
        advice=" ".join(step.what for step in steps),
        flags=tuple(dict.fromkeys(flags)),
        outline=outline,
        geometry=geometry,
        budget=uncertainty,
        verdict=verdict,
        u=u,
        control=control,
        correction=settings.correction,
        too_open=wide_open,
        scale=scale_of(settings),
    )


def _control_flags(control: tuple[float | None, ...], settings: Settings) -> list[str]:
    known = [abs(deviation) for deviation in control if deviation is not None]
    flags = []
    if len(known) < len(control):
        flags.append("self-check-missing")
    if not known or max(known) > settings.photo.self_check_limit_mm:
        flags.append("self-check-off")
    return flags
