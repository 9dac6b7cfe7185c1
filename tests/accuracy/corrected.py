"""The program beside people, on photos of which they corrected the outline: agreement, not error.

A person's outline is no truth. How far two people differ on one photo is the yardstick for how far the
program may differ from either.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np

from aperture.errors import ApertureError
from aperture.opening.find import find_opening
from aperture.photo import Photo
from aperture.shape import describe
from aperture.view.camera import Camera
from aperture.view.sharpening import Sharpening
from aperture.view.view import View
from fixtures.training.corrected import CorrectedPhoto, PersonalOutline, read_corrected
from tests.accuracy.figures import QUANTITIES

DISTANCE_MM = 130.0  # from which the flat picture is looked at, straight; it changes nothing
Numbers = Mapping[str, float]


@dataclass(frozen=True)
class Judged:
    """A photo: the numbers that the program read then, those of this version, and those of each person who
    drew the outline; `confirmed`: people who found the outline of then right."""

    name: str
    then: Numbers | None
    now: Numbers | None
    drawn: Mapping[str, Numbers]
    confirmed: int


def view_of(photo: CorrectedPhoto) -> View:
    """The flat picture as a view from straight ahead; what the photo's sharpening was is not known."""
    window = photo.window
    rows, columns = photo.luma.shape
    middle_px = np.array([(columns - 1) / 2, (rows - 1) / 2])
    middle_mm = window.to_mm(middle_px[None])[0]
    camera = Camera(
        rotation_vector=np.array([np.pi, 0.0, 0.0]),  # y up becomes y down, and z away from the camera
        translation_mm=np.array([-middle_mm[0], middle_mm[1], DISTANCE_MM]),
        focal_px=window.px_per_mm * DISTANCE_MM,
        principal_px=middle_px,
        radial=0.0,
        ink_mm=0.0,
        half_diagonal_px=float(np.hypot(rows, columns)) / 2,
    )
    blur_px = photo.blur_mm * window.px_per_mm
    return View(
        camera=camera,
        covariance=np.zeros((11, 11)),
        face="dry",
        reeds=(),
        marker_ids=(),
        scale=1.0,
        tip_offset_mm=0.0,
        px_per_mm=window.px_per_mm,
        distance_mm=DISTANCE_MM,
        tilt_deg=0.0,
        blur_px=(blur_px, blur_px),
        sharpening=Sharpening(0.0, 1.0, (blur_px, blur_px), 0.0),
        paper_level=photo.paper(),
        ink_level=0.0,
        side_residual_px=0.0,
        flags=(),
    )


def outline_now(photo: CorrectedPhoto) -> np.ndarray | None:
    """The outline (n, 2) mm that this version of the program finds in the flat picture; None if none."""
    shown = Photo(
        path=Path(photo.name),
        format="JPEG",
        luma=photo.luma,
        encoded=b"",
        sha256="",
        taken=None,
        focal_length_35mm=None,
        digital_zoom=1.0,
        provenance="camera",
    )
    try:
        return find_opening(shown, view_of(photo)).points_mm
    except ApertureError:
        return None


def judged(folder: Path) -> list[Judged]:
    """Every photo of a folder that `aperture export --kind training` wrote.

    Raises
    ------
    ValueError : it is no such folder.
    """
    return [_judged(photo) for photo in read_corrected(folder)]


def _judged(photo: CorrectedPhoto) -> Judged:
    programs = [one for one in photo.outlines if one.by == "program"]
    drawn = {one.by: _numbers(one.points_mm) for one in photo.outlines if one.came_about == "outline redrawn"}
    now = outline_now(photo)
    return Judged(
        photo.name,
        then=_numbers(programs[-1].points_mm) if programs else None,
        now=_numbers(now) if now is not None else None,
        drawn=drawn,
        confirmed=_confirmed(photo.outlines),
    )


def _confirmed(outlines: Iterable[PersonalOutline]) -> int:
    """How many people found the program's outline right and did not redraw it."""
    said = {(one.by, one.came_about) for one in outlines if one.by != "program"}
    return len({by for by, _ in said if (by, "outline redrawn") not in said})


def _numbers(points_mm: np.ndarray) -> Numbers:
    shape = describe(points_mm)
    return {name: getattr(shape, name) for name in QUANTITIES}


def table(photos: Sequence[Judged]) -> str:
    """Differences program minus person, and person minus person, as a table of Markdown."""
    two = [photo for photo in photos if len(photo.drawn) > 1]
    lines = [
        "Agreement with people, not error: a person's outline is no truth.",
        "",
        f"{len(photos)} photos. A person drew the outline of {sum(bool(each.drawn) for each in photos)}, two"
        f" people or more that of {len(two)}; a person left that of"
        f" {sum(each.confirmed > 0 for each in photos)} as it was.",
        "",
        "| | differences | mean | standard deviation | 19 of 20 below |",
        "|---|---|---|---|---|",
    ]
    for name in QUANTITIES:
        compared = {
            "the program then minus a person": _differences(photos, name, "then"),
            "this version minus a person": _differences(photos, name, "now"),
            "one person minus another": _between_people(photos, name),
        }
        for words, values in compared.items():
            lines.append(f"| {name}: {words} | {_cells(values)} |")
    lost = sum(photo.now is None for photo in photos)
    if lost:
        lines += ["", f"In {lost} of the flat pictures this version finds no opening."]
    heights = _between_people(photos, "height_mm")
    if len(heights) > 1:
        scatter = float(np.std(heights, ddof=1)) / 2**0.5
        lines += ["", f"Scatter of people: one person's height has a standard deviation of {scatter:.4f} mm"]
        lines[-1] += " (that of the differences of two over √2)."
    return "\n".join(lines)


def _differences(photos: Sequence[Judged], name: str, whose: str) -> list[float]:
    return [
        getattr(photo, whose)[name] - person[name]
        for photo in photos
        if getattr(photo, whose) is not None
        for person in photo.drawn.values()
    ]


def _between_people(photos: Sequence[Judged], name: str) -> list[float]:
    """Of each two people who drew an outline of one photo, the first one's number minus the other's."""
    pairs = (pair for photo in photos for pair in combinations(photo.drawn.values(), 2))
    return [one[name] - other[name] for one, other in pairs]


def _cells(values: Sequence[float]) -> str:
    if len(values) < 2:
        return f"{len(values)} | – | – | –"
    far = float(np.quantile(np.abs(values), 0.95))
    return f"{len(values)} | {np.mean(values):+.4f} | {np.std(values, ddof=1):.4f} | {far:.4f}"
