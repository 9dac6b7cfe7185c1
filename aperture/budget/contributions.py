"""The uncertainty of a measured opening, as a table of contributions (GUM, JCGM 100:2008).

Each source of error is a way in which the whole outline could be displaced. The outline is displaced by one
standard uncertainty of that source, the four quantities are computed again, and the change is the source's
contribution (the numerical form of the law of propagation, GUM 5.1.3 note 2). Sources are independent of one
another; within a source everything moves together, so height and ratio stay correlated as they really are.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aperture.opening import Outline
from aperture.opening.find import model_u_mm, moved_edges
from aperture.settings import Settings
from aperture.shape import quantities
from aperture.view.view import View

Floats = NDArray[np.float64]

QUANTITIES = ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")

# A bent card: relative standard uncertainty of a length across it for each millimetre by which the markers'
# sides miss their places. From made photos of cards bent to 150 to 1600 mm; a working value.
FLATNESS_PER_MM = 0.5


@dataclass(frozen=True)
class Contribution:
    """One source: what it is, its distribution, and its effect on each of `QUANTITIES` (4,), one sigma.

    `covariance` (4, 4) is what the source adds to that of the four quantities.
    """

    source: str
    distribution: str
    effect: Floats
    covariance: Floats


@dataclass(frozen=True)
class Budget:
    """All contributions, and the covariance (4, 4) of `QUANTITIES` that they add up to."""

    contributions: tuple[Contribution, ...]
    covariance: Floats

    def standard(self) -> dict[str, float]:
        """Combined standard uncertainty of each quantity."""
        return dict(zip(QUANTITIES, np.sqrt(np.diag(self.covariance)).tolist(), strict=True))

    def expanded(self, coverage_factor: float) -> Mapping[str, float]:
        """Expanded uncertainty of each quantity."""
        return {name: coverage_factor * u for name, u in self.standard().items()}


def from_changes(source: str, distribution: str, changes: Floats) -> Contribution:
    """A contribution from the changes (n, 4) that n independent displacements of one sigma cause."""
    rows = np.reshape(changes, (-1, len(QUANTITIES)))
    covariance = rows.T @ rows
    return Contribution(source, distribution, np.sqrt(np.diag(covariance)), covariance)


def combine(contributions: tuple[Contribution, ...]) -> Budget:
    """Add independent contributions (GUM 5.1.2, equation 10)."""
    total = np.zeros((len(QUANTITIES), len(QUANTITIES)))
    for contribution in contributions:
        total += contribution.covariance
    return Budget(contributions, total)


def budget(outline: Outline, view: View, settings: Settings) -> Budget:
    """The budget of one measured opening.

    Raises
    ------
    ValueError : a displaced outline is no outline any more; the opening is not determined by the photo.
    """
    points = outline.points_mm
    here = quantities(points)
    assumed = settings.uncertainty

    def changes(displaced: list[Floats]) -> Floats:
        return np.array([quantities(each) - here for each in displaced])

    scale_u = assumed.ruler_doubt_mm / np.sqrt(3.0) / settings.ruler_mm
    middle = points.mean(axis=0)
    leaned = changes(_leaned(points, view, assumed.reed_lean_deg))
    parts = [
        from_changes("printed scale", "rectangular", changes([middle + (points - middle) * (1 + scale_u)])),
        from_changes("camera and card", "normal", changes(_other_cameras(points, view))),
        from_changes("flatness of the card", "normal", changes([_stretched(points, view)])),
        from_changes(
            "plane of the tip",
            "normal" if settings.knows_tip_offset() else "rectangular",
            changes([_moved_plane(points, view, settings)]),
        ),
        from_changes("lean of the reed", "rectangular", leaned),
        from_changes("model of the edge", "normal", changes(_edge_model(points, view))),
    ]
    if settings.correction.applies:
        only_height = np.array([settings.correction.u_offset_mm, 0.0, 0.0, 0.0])
        parts.append(from_changes("correction of the height", "normal", only_height))
    for source in dict.fromkeys(outline.sources):
        chosen = [d for d, s in zip(outline.displacements_mm, outline.sources, strict=True) if s == source]
        parts.append(from_changes(source, "normal", changes([points + d for d in chosen])))
    return combine(tuple(parts))


def _other_cameras(points: Floats, view: View) -> list[Floats]:
    """The outline as other cameras that explain the markers as well would place it; one sigma each."""
    pixels = view.to_pixel(points)
    values, vectors = np.linalg.eigh(view.covariance)
    here = view.camera.vector()
    moved = []
    for value, vector in zip(values, vectors.T, strict=True):
        if value > 0:
            other = view.camera.with_vector(here + np.sqrt(value) * vector)
            moved.append(other.to_mm(pixels, view.tip_offset_mm))
    return moved


def _stretched(points: Floats, view: View) -> Floats:
    """The outline, taller by what the card may be bent: the residuals of its markers tell how much."""
    middle = points.mean(axis=0)
    relative = FLATNESS_PER_MM * view.side_residual_px / view.px_per_mm
    return np.asarray(middle + (points - middle) * [1.0, 1.0 + relative])


def _moved_plane(points: Floats, view: View, settings: Settings) -> Floats:
    """The outline if the tip stood one standard uncertainty further in front of the card."""
    pixels = view.to_pixel(points)
    return view.to_mm(pixels, view.tip_offset_mm + settings.tip_offset_uncertainty_mm())


def _leaned(points: Floats, view: View, half_width_deg: float) -> list[Floats]:
    """The outline in the plane of a tip that leans up, and in that of one that leans sideways.

    The lines of sight through the outline meet the leaning plane elsewhere; seen obliquely that changes a
    length in proportion to the lean, seen straight only by its cosine.
    """
    angle = np.radians(half_width_deg) / np.sqrt(3.0)  # uniform, GUM 4.3.7
    middle = points.mean(axis=0)
    eye = view.camera.camera_centre_mm() - np.array([*middle, view.tip_offset_mm])
    away = points - middle
    leaned = []
    for axis in (1, 0):
        normal = np.zeros(3)
        normal[axis], normal[2] = -np.sin(angle), np.cos(angle)
        rays = np.column_stack([away, np.zeros(len(away))]) - eye
        reach = -(eye @ normal) / (rays @ normal)
        hits = eye + reach[:, None] * rays
        flat = hits[:, :2].copy()
        flat[:, axis] = hits[:, axis] / np.cos(angle)
        leaned.append(middle + flat)
    return leaned


def _edge_model(points: Floats, view: View) -> list[Floats]:
    """The outline with each blade, and each corner, out by what the networks are trusted to."""
    edge, corner = model_u_mm(view, float(quantities(points)[0]))
    return list(points + moved_edges(points, (edge, edge), corner))
