"""The terms of the uncertainty budget, one class each: what it is, what it does, what would make it smaller.

To add a term, write its class here and put it into `TERMS`. `contributions` adds them up, the budget's page
prints them, `remedies` chooses the advice.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from aperture.opening import Outline
from aperture.opening.find import model_u_mm, moved_edges
from aperture.settings import Settings
from aperture.shape import quantities
from aperture.view.view import View

Floats = NDArray[np.float64]

QUANTITIES = ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")

# Half-width of a uniform distribution over its standard uncertainty, GUM 4.3.7.
RECTANGLE = float(np.sqrt(3.0))
# A bent card: relative standard uncertainty of a length across it for each millimetre by which the markers'
# sides miss their places. From made photos of cards bent to 150 to 1600 mm; a working value.
FLATNESS_PER_MM = 0.5


@dataclass(frozen=True)
class Input:
    """One input quantity; None where no single number stands behind it, and `remark` says what does.

    `evaluation` is "A" or "B" (GUM 4.2, 4.3), or both.
    """

    source: str
    estimate: float | None
    standard_uncertainty: float | None
    unit: str
    distribution: str
    evaluation: str
    remark: str = ""


When = Literal[
    "far",
    "not sharp",
    "lens not level",
    "lens aside",
    "markers missing",
    "bar read with a ruler",
    "tip not measured",
    "always",
]


@dataclass(frozen=True)
class Remedy:
    """What makes a term smaller, `when` it does; `aperture.budget.remedies.circumstances` says what holds."""

    when: When
    sentence: str


@dataclass(frozen=True)
class Case:
    """One measured opening, and what is assumed about it."""

    outline: Outline
    view: View
    settings: Settings

    @cached_property
    def here(self) -> Floats:
        """`QUANTITIES` of the outline as it is (4,)."""
        return quantities(self.outline.points_mm)

    def changes(self, displaced: list[Floats] | Floats) -> Floats:
        """How `QUANTITIES` change if the outline lay elsewhere: n outlines (n, m, 2) mm to (n, 4).

        Raises
        ------
        ValueError : a displaced outline is no outline any more.
        """
        if len(displaced) == 0:
            return np.zeros((0, len(QUANTITIES)))
        return quantities(np.asarray(displaced)) - self.here


class Term(ABC):
    """A source of uncertainty. Of its remedies the first that applies counts; "always" comes last."""

    name: ClassVar[str]
    remedies: ClassVar[tuple[Remedy, ...]]

    @abstractmethod
    def known(self, view: View, settings: Settings) -> Input:
        """Its line in the budget's table."""

    @abstractmethod
    def changes(self, case: Case) -> Floats:
        """How `QUANTITIES` change by one standard uncertainty of each of n independent ways; (n, 4).

        None, (0, 4), where the photo has nothing of it.
        """

    def _no_single_number(self, evaluation: str, what: str) -> Input:
        """The line of a term behind which many numbers stand together."""
        return Input(self.name, None, None, "", "normal", evaluation, f"no single number: {what}")


CLOSER = Remedy("far", "Move the phone to 12 cm (it was at {distance_cm:.0f} cm).")
LEVEL = Remedy(
    "lens not level",
    "Bring the lens to the height of the reed (it stood {rise_mm:.0f} mm {above} than the tip).",
)
ASIDE = Remedy(
    "lens aside", "Hold the phone straight in front of the reed (it stood {aside_mm:.0f} mm to one side)."
)
STEADY = Remedy(
    "not sharp", "Rest the phone on something and tap the tip to focus: the photo is not quite sharp."
)


class PrintedScale(Term):
    """The printed millimetre. Photos of one card have it in common."""

    name = "printed scale"
    remedies = (
        Remedy(
            "bar read with a ruler",
            "Measure the card's 50 mm bar with callipers, give the result with --ruler, and set"
            " uncertainty.ruler_doubt_mm in the settings to how well you could read it"
            " (now {ruler_doubt_mm:g}).",
        ),
        Remedy("always", "Nothing simple: the bar is measured as well as paper allows."),
    )

    def known(self, view: View, settings: Settings) -> Input:
        """The bar as it was read."""
        half_width_mm = settings.uncertainty.ruler_doubt_mm
        return Input(
            self.name,
            settings.ruler_mm,
            half_width_mm / RECTANGLE,
            "mm",
            f"rectangular, ± {half_width_mm:g} mm",
            "B",
            "the printed 50 mm bar, read with a ruler",
        )

    def changes(self, case: Case) -> Floats:
        """A larger outline: lengths grow with it, the area with its square, the ratio not at all."""
        larger = 1 + case.settings.uncertainty.ruler_doubt_mm / RECTANGLE / case.settings.ruler_mm
        return (case.here * [larger, larger, larger**2, 1.0] - case.here)[None]


class CameraAndCard(Term):
    """Where the camera stood, and what its lens does."""

    name = "camera and card"
    remedies = (
        Remedy("markers missing", "Show all six markers of the card, nothing lying over them."),
        CLOSER,
        Remedy("always", "Keep the whole card sharp and evenly lit, and send the original photo."),
    )

    def known(self, view: View, settings: Settings) -> Input:
        """Eleven parameters that are fitted together: no single number."""
        return self._no_single_number(
            "A, B",
            "place, direction and lens of the camera, fitted together to the card's markers (and to what the"
            " file says of the lens)",
        )

    def changes(self, case: Case) -> Floats:
        """The outline as other cameras that explain the markers as well would place it."""
        view = case.view
        pixels = view.to_pixel(case.outline.points_mm)
        values, vectors = np.linalg.eigh(view.covariance)
        here = view.camera.vector()
        moved = []
        for value, vector in zip(values, vectors.T, strict=True):
            if value > 0:
                other = view.camera.with_vector(here + np.sqrt(value) * vector)
                moved.append(other.to_mm(pixels, view.tip_offset_mm))
        return case.changes(moved)


class FlatnessOfTheCard(Term):
    """What a bent card does to heights: how far its markers miss their places tells how much."""

    name = "flatness of the card"
    remedies = (Remedy("always", "Flatten the card: glue stiff cardboard behind it."),)

    def known(self, view: View, settings: Settings) -> Input:
        """How much taller things may be, in per cent."""
        return Input(
            self.name,
            0.0,
            100.0 * self._relative_u(view),
            "%",
            "normal",
            "B",
            "how much taller things look on a card that is bent, judged by how its markers miss their places",
        )

    def changes(self, case: Case) -> Floats:
        """The outline, taller about its middle."""
        points = case.outline.points_mm
        middle = points.mean(axis=0)
        return case.changes([middle + (points - middle) * [1.0, 1.0 + self._relative_u(case.view)]])

    @staticmethod
    def _relative_u(view: View) -> float:
        return FLATNESS_PER_MM * view.side_residual_px / view.px_per_mm


class PlaneOfTheTip(Term):
    """How far the tip stands in front of the card's face."""

    name = "plane of the tip"
    remedies = (
        Remedy(
            "tip not measured",
            "Push the tip level with the card's face, check it with a ruler, and say --tip-offset 0.",
        ),
        Remedy(
            "always",
            "Measure the tip's place better than to {tip_measured_mm:g} mm, and set"
            " uncertainty.tip_offset_measured_mm in the settings.",
        ),
    )

    def known(self, view: View, settings: Settings) -> Input:
        """The offset that was measured, or assumed."""
        half_width_mm = settings.uncertainty.tip_offset_unknown_mm
        return Input(
            self.name,
            settings.tip_offset_mm,
            settings.tip_offset_uncertainty_mm(),
            "mm",
            "normal" if settings.knows_tip_offset() else f"rectangular, ± {half_width_mm:g} mm",
            "B",
            "how far the tip stands in front of the card's face",
        )

    def changes(self, case: Case) -> Floats:
        """The outline if the tip stood further in front of the card."""
        view = case.view
        pixels = view.to_pixel(case.outline.points_mm)
        offset_mm = view.tip_offset_mm + case.settings.tip_offset_uncertainty_mm()
        return case.changes([view.to_mm(pixels, offset_mm)])


class LeanOfTheReed(Term):
    """A tip that does not stand parallel to the card."""

    name = "lean of the reed"
    remedies = (
        LEVEL,
        ASIDE,
        Remedy(
            "always",
            "Lay the reed square to the card; if something holds it straight, set uncertainty.reed_lean_deg"
            " in the settings to less than {lean_deg:g}.",
        ),
    )

    def known(self, view: View, settings: Settings) -> Input:
        """The angle that is assumed."""
        half_width_deg = settings.uncertainty.reed_lean_deg
        return Input(
            self.name,
            0.0,
            half_width_deg / RECTANGLE,
            "°",
            f"rectangular, ± {half_width_deg:g}°",
            "B",
            "upwards and sideways, each by so much; the two effects are added in quadrature",
        )

    def changes(self, case: Case) -> Floats:
        """The outline in the plane of a tip that leans up, and in that of one that leans sideways.

        The lines of sight through the outline meet the leaning plane elsewhere; seen obliquely that changes a
        length in proportion to the lean, seen straight only by its cosine.
        """
        points, view = case.outline.points_mm, case.view
        angle = np.radians(case.settings.uncertainty.reed_lean_deg) / RECTANGLE
        middle = points.mean(axis=0)
        centre = view.camera.camera_centre_mm() - np.array([*middle, view.tip_offset_mm])
        away = points - middle
        leaned = []
        for axis in (1, 0):
            normal = np.zeros(3)
            normal[axis], normal[2] = -np.sin(angle), np.cos(angle)
            rays = np.column_stack([away, np.zeros(len(away))]) - centre
            reach = -(centre @ normal) / (rays @ normal)
            hits = centre + reach[:, None] * rays
            flat = hits[:, :2].copy()
            flat[:, axis] = hits[:, axis] / np.cos(angle)
            leaned.append(middle + flat)
        return case.changes(leaned)


class ModelOfTheEdge(Term):
    """How far the networks are trusted on an edge that is plain to see."""

    name = "model of the edge"
    remedies = (
        CLOSER,
        STEADY,
        Remedy(
            "always",
            "Nothing simple: the photo is near and sharp, and this is how far the program can be trusted.",
        ),
    )

    def known(self, view: View, settings: Settings) -> Input:
        """It differs from place to place: no single number."""
        return self._no_single_number(
            "B", "how far the program's idea of an edge is trusted, at each blade and corner"
        )

    def changes(self, case: Case) -> Floats:
        """The outline with each blade, and each corner, out by what the networks are trusted to."""
        points = case.outline.points_mm
        edge, corner = model_u_mm(case.view, float(case.here[0]))
        return case.changes(points + moved_edges(points, (edge, edge), corner))


class CorrectionOfTheHeight(Term):
    """What is not known of a correction that somebody's own comparison gave; none where none is applied."""

    name = "correction of the height"
    remedies = (
        Remedy(
            "always", "Compare more reeds with the other way of measuring, and learn the correction again."
        ),
    )

    def known(self, view: View, settings: Settings) -> Input:
        """The mean difference, and how well it is known."""
        return Input(
            self.name,
            settings.correction.offset_mm,
            settings.correction.u_offset_mm,
            "mm",
            "normal",
            "A",
            "the mean difference from another way of measuring; it was added to the height",
        )

    def changes(self, case: Case) -> Floats:
        """The height alone."""
        correction = case.settings.correction
        if not correction.applies:
            return np.zeros((0, len(QUANTITIES)))
        return np.array([[correction.u_offset_mm, 0.0, 0.0, 0.0]])


class Edge(Term):
    """How far the edges found in this photo may be off, as networks and fit tell of this very photo."""

    name = "edge"
    remedies = (
        CLOSER,
        STEADY,
        LEVEL,
        Remedy("always", "Even light, a plain background, no lamp that shines into the opening."),
    )

    def known(self, view: View, settings: Settings) -> Input:
        """It differs from place to place: no single number."""
        return self._no_single_number(
            "A",
            "how much each edge and corner depend on where the program began to look, and by how much it"
            " expects them to be off",
        )

    def changes(self, case: Case) -> Floats:
        """The outline as the finder says that it may lie."""
        return case.changes(case.outline.points_mm + case.outline.displacements_mm)


TERMS: tuple[Term, ...] = (
    PrintedScale(),
    CameraAndCard(),
    FlatnessOfTheCard(),
    PlaneOfTheTip(),
    LeanOfTheReed(),
    ModelOfTheEdge(),
    CorrectionOfTheHeight(),
    Edge(),
)
