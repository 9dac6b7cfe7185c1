"""The curve that bounds an opening: two blades that meet in two corners.

In a frame whose x axis runs roughly along the opening, u runs from -1 at the left corner to 1 at the right
one. Each blade rises above (or below) the line between the corners by
(1 - u^2)^q * (c0 + c1 T1(u) + ... + c4 T4(u)) with Chebyshev polynomials T: q = 1/2 alone is an ellipse,
q = 1 a lens of two parabolas, and the other terms let a blade be lopsided, flat or dented. The upper and the
lower blade have their own q and coefficients.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebvander
from numpy.typing import NDArray

from aperture.instrument import INSTRUMENT
from aperture.opening.first_look import EdgeColumns, chord_of
from aperture.view.fitting import soft_l1

Floats = NDArray[np.float64]

CHEBYSHEV_TERMS = 5
# Corners; then q and coefficients of the upper, and of the lower blade.
PARAMETERS = 4 + 2 * (1 + CHEBYSHEV_TERMS)
UPPER, LOWER = slice(4, 5 + CHEBYSHEV_TERMS), slice(5 + CHEBYSHEV_TERMS, PARAMETERS)
LEAST_Q, MOST_Q = 0.4, 1.4
USUAL_Q, Q_SPREAD = 0.85, 0.2
# The terms above the first, beside the first, which counts as no less than this.
TERM_SPREADS, LEAST_SIZE_MM = np.array([0.15, 0.2, 0.08, 0.06]), 0.02
CROSSING_STATIONS, CROSSING_MM = np.linspace(-0.96, 0.96, 9), 0.003
LEAST_RISE_MM = 0.005
# Of the columns of an edge, how many count as independent of one another; and the spread (mm) of what the
# second network says of an edge that is plain to see.
INDEPENDENT, USUAL_SPREAD_MM = 3.0, 0.015
TOUCHING_MM = 0.001  # half of the gap that blades bound which lie on each other
BLADES_LAST_STEP = 1e-4  # the fit ends with a step of a hundredth of its standard uncertainty (squared)
AT_CORNER = 1e-5  # 1 - u² that is as good as none
CORNER_ALONG_MM = 0.1  # no usual width pulls a corner farther from where it was seen than this doubt allows
# A slit's middle line runs on to its corners as it runs on this part of it, within so much and this share of
# its height; for near a corner little is to be seen of a slit, and a curve that is free would bend there.
CORNERS_APART, CORNER_ACROSS_MM, CORNER_ACROSS_SHARE = 0.85, 0.02, 0.1


@dataclass(frozen=True)
class OpeningContour:
    """An opening: a frame on the card, and sixteen parameters in it.

    `origin_mm` (2,) and `angle` (radians, counter-clockwise) place the frame. `vector` (16,): left corner
    x, y; right corner x, y; q and coefficients of the upper blade; the same of the lower one, which counts
    downwards, so that coefficients are positive where a blade bounds the opening. All lengths in mm.
    """

    origin_mm: Floats
    angle: float
    vector: Floats

    def to_local(self, points_mm: Floats) -> Floats:
        """Card millimetres to the frame; (..., 2)."""
        return np.asarray((points_mm - self.origin_mm) @ self._turn())

    def to_card(self, local_mm: Floats) -> Floats:
        """The frame to card millimetres; (..., 2)."""
        return np.asarray(local_mm @ self._turn().T + self.origin_mm)

    def _turn(self) -> Floats:
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        return np.array([[cos, -sin], [sin, cos]])

    @property
    def left(self) -> float:
        """x of the left corner in the frame, mm."""
        return float(self.vector[0])

    @property
    def right(self) -> float:
        """x of the right corner in the frame, mm."""
        return float(self.vector[2])

    @property
    def width_mm(self) -> float:
        """From corner to corner along the frame."""
        return self.right - self.left

    def edges(self, x: Floats) -> tuple[Floats, Floats]:
        """y of the lower and the upper edge at x (n,), frame mm; on the chord's line beyond the corners."""
        return self.edge(x, LOWER), self.edge(x, UPPER)

    def edge(self, x: Floats, part: slice) -> Floats:
        """y of one edge, `LOWER` or `UPPER`, at x (n,), as `edges`."""
        u = self._along(x)
        chord = self.vector[1] + (self.vector[3] - self.vector[1]) * (u + 1) / 2
        return np.asarray(chord + _upwards(part) * rise(u, self.vector[part]))

    def edge_jacobian(self, x: Floats, part: slice) -> Floats:
        """How y of one edge, `LOWER` or `UPPER`, at x (n,) changes with `vector`; (n, 16)."""
        u = self._along(x)
        terms, share = _terms(u), (u + 1) / 2
        blade, sign = self.vector[part], _upwards(part)
        by_u = (self.vector[3] - self.vector[1]) / 2 + sign * _rise_by_u(u, blade, terms)
        edge = np.zeros((len(x), PARAMETERS))
        edge[:, 0], edge[:, 2] = by_u * (u - 1) / self.width_mm, -by_u * (u + 1) / self.width_mm
        edge[:, 1], edge[:, 3] = 1 - share, share
        edge[:, part] = sign * _rise_by_blade(u, blade, terms).T
        return edge

    def _along(self, x: Floats) -> Floats:
        """u of places x (n,)."""
        return (2 * x - self.left - self.right) / self.width_mm

    def polygon(self, points_a_blade: int = 201) -> Floats:
        """The outline (n, 2), card mm, counter-clockwise from the left corner, closed implicitly.

        Blades cannot cross: where the edges do, they count as lying on each other.
        """
        # denser towards the corners, where it turns
        angle = np.linspace(0.0, np.pi, points_a_blade)
        x = (self.left + self.right) / 2 - np.cos(angle) * self.width_mm / 2
        low, high = self.edges(x)
        middle, half = (low + high) / 2, np.maximum((high - low) / 2, TOUCHING_MM * np.sin(angle))
        low, high = middle - half, middle + half
        local = np.concatenate([np.column_stack([x, low]), np.column_stack([x, high])[-2:0:-1]])
        return self.to_card(local)

    def max_gap_mm(self) -> float:
        """The largest distance between the blades across the frame."""
        low, high = self.edges(np.linspace(self.left, self.right, 101))
        return float((high - low).max())


def between(left_mm: Floats, right_mm: Floats, coefficients: Floats) -> OpeningContour:
    """An opening with these corners (2,), card mm, and q and coefficients (12,), framed along its chord."""
    along = right_mm - left_mm
    half = float(np.linalg.norm(along)) / 2
    vector = np.concatenate([[-half, 0.0, half, 0.0], coefficients])
    return OpeningContour((left_mm + right_mm) / 2, float(np.arctan2(along[1], along[0])), vector)


def symmetric_contour(left_mm: Floats, right_mm: Floats, rise_mm: float) -> OpeningContour:
    """A symmetric opening between two corners (2,), each blade `rise_mm` from the chord in the middle."""
    blade = np.array([USUAL_Q, rise_mm, 0.0, 0.0, 0.0, 0.0])
    return between(left_mm, right_mm, np.concatenate([blade, blade]))


def _upwards(part: slice) -> float:
    """Whether a blade rises upwards, 1, or downwards, -1."""
    return 1.0 if part == UPPER else -1.0


def _terms(u: Floats) -> Floats:
    """The Chebyshev polynomials T0 to T4 at u (n,), which beyond -1 and 1 counts as these; (5, n).

    The same as NumPy's `chebvander`, which takes ten times as long for so few.
    """
    u = np.minimum(np.maximum(u, -1.0), 1.0)
    terms = np.ones((CHEBYSHEV_TERMS, *u.shape))
    terms[1] = u
    for n in range(2, CHEBYSHEV_TERMS):
        terms[n] = 2 * u * terms[n - 1] - terms[n - 2]
    return terms


CROSSING_TERMS = _terms(CROSSING_STATIONS)
# By u, T1 to T4 change by T0, 4 T1, 3 T0 + 6 T2, 8 T1 + 8 T3.
TERMS_BY_U = chebder(np.eye(CHEBYSHEV_TERMS))


def rise(u: Floats, blade: Floats, terms: Floats | None = None) -> Floats:
    """How far a blade (6,) stands from the chord, mm, at u (n,); `terms`: the polynomials there, if known."""
    terms = _terms(u) if terms is None else terms
    return np.asarray(np.maximum(1.0 - u * u, 0.0) ** blade[0] * (blade[1:] @ terms))


def _rise_by_blade(u: Floats, blade: Floats, terms: Floats) -> Floats:
    """How `rise` changes with q and with the five coefficients; (6, n)."""
    inside = np.maximum(1.0 - u * u, 0.0)
    power = inside ** blade[0]
    by_q = power * np.log(np.maximum(inside, AT_CORNER)) * (blade[1:] @ terms)
    return np.concatenate([by_q[None], power * terms])


def _rise_by_u(u: Floats, blade: Floats, terms: Floats) -> Floats:
    """How `rise` changes with u (n,); 0 at the corners, where a blade may stand upright, and beyond."""
    inside = np.maximum(1.0 - u * u, AT_CORNER)
    q, coefficients = blade[0], blade[1:]
    by_terms = (TERMS_BY_U @ coefficients) @ terms[:-1]
    change = inside**q * (by_terms - 2 * q * u / inside * (coefficients @ terms))
    return np.asarray(np.where(inside > AT_CORNER, change, 0.0))


def shape_prior(vector: Floats) -> Floats:
    """Residuals that keep what cannot be seen near what is usual, in standard deviations (20,).

    Between an ellipse (q = 0.5) and a lens (q = 1); higher terms small beside the height; as wide as
    the instrument's tips are; and blades do not cross. Working values from memory.
    """
    parts = [np.array([(vector[2] - vector[0] - INSTRUMENT.usual_width_mm) / INSTRUMENT.width_spread_mm])]
    for blade in (vector[UPPER], vector[LOWER]):
        size = max(abs(float(blade[1])), LEAST_SIZE_MM)
        parts.append(np.array([(blade[0] - USUAL_Q) / Q_SPREAD]))
        parts.append(blade[2:] / (size * TERM_SPREADS))
    parts.append(np.minimum(_apart(vector), 0.0) / CROSSING_MM)
    return np.concatenate(parts)


def _apart(vector: Floats) -> Floats:
    """How far apart the blades are at `CROSSING_STATIONS`, mm; below 0 they have crossed."""
    return rise(CROSSING_STATIONS, vector[UPPER], CROSSING_TERMS) + rise(
        CROSSING_STATIONS, vector[LOWER], CROSSING_TERMS
    )


def shape_prior_jacobian(vector: Floats) -> Floats:
    """How `shape_prior` changes with the parameters; (20, 16)."""
    rows = np.zeros((2 * CHEBYSHEV_TERMS + 1 + len(CROSSING_STATIONS), PARAMETERS))
    rows[0, 0], rows[0, 2] = -1 / INSTRUMENT.width_spread_mm, 1 / INSTRUMENT.width_spread_mm
    higher = np.arange(CHEBYSHEV_TERMS - 1)
    for first, part in ((1, UPPER), (1 + CHEBYSHEV_TERMS, LOWER)):
        middle = float(vector[part][1])
        size = max(abs(middle), LEAST_SIZE_MM)
        rows[first, part.start] = 1 / Q_SPREAD
        rows[first + 1 + higher, part.start + 2 + higher] = 1 / (size * TERM_SPREADS)
        if abs(middle) > LEAST_SIZE_MM:
            rows[first + 1 + higher, part.start + 1] = -vector[part][2:] / (size * middle * TERM_SPREADS)
    apart = _apart(vector)
    for part in (UPPER, LOWER):
        change = _rise_by_blade(CROSSING_STATIONS, vector[part], CROSSING_TERMS).T / CROSSING_MM
        rows[2 * CHEBYSHEV_TERMS + 1 :, part] = np.where(apart[:, None] < 0, change, 0.0)
    return rows


@dataclass(frozen=True)
class ContourFit:
    """The contour that passes best by the edges seen; `residual_mm`: the rms distance between the two."""

    contour: OpeningContour
    residual_mm: float


def fit_contour(edges: EdgeColumns, edge_u_mm: Floats, corner_u_mm: float) -> ContourFit:
    """The contour that passes best by edges on columns (robust least squares, soft L1).

    Parameters
    ----------
    edges : what was seen of the lower and of the upper edge.
    edge_u_mm : (2,), standard uncertainty of the lower and of the upper edge as a whole; the columns of an
        edge err together, and count as `INDEPENDENT` of them.
    corner_u_mm : standard uncertainty of a corner's place along the chord.
    """
    left, right = edges.to_card(chord_of(edges))
    start = symmetric_contour(left, right, max(LEAST_RISE_MM, float(np.max(edges.upper - edges.lower)) / 2))
    lower = start.to_local(edges.to_card(np.column_stack([edges.x, edges.lower])))
    upper = start.to_local(edges.to_card(np.column_stack([edges.x, edges.upper])))
    share = np.sqrt(INDEPENDENT / len(edges.x))
    weight_low, weight_high = (
        share / u_mm * USUAL_SPREAD_MM / np.maximum(spread, USUAL_SPREAD_MM)
        for u_mm, spread in zip(edge_u_mm, (edges.spread_lower, edges.spread_upper), strict=True)
    )
    corners = start.vector[[0, 2]]
    level, across_mm = _level_of_corners(lower, upper, corners)
    along_mm = min(corner_u_mm, CORNER_ALONG_MM)
    ends_by_vector = np.zeros((4, PARAMETERS))
    ends_by_vector[[0, 1], [0, 2]], ends_by_vector[[2, 3], [1, 3]] = 1 / along_mm, 1 / across_mm

    def problem(vector: Floats) -> tuple[Floats, Floats]:
        contour = replace(start, vector=vector)
        low = (lower[:, 1] - contour.edge(lower[:, 0], LOWER)) * weight_low
        high = (upper[:, 1] - contour.edge(upper[:, 0], UPPER)) * weight_high
        ends = np.concatenate([(vector[[0, 2]] - corners) / along_mm, (vector[[1, 3]] - level) / across_mm])
        by_vector = [
            contour.edge_jacobian(lower[:, 0], LOWER) * -weight_low[:, None],
            contour.edge_jacobian(upper[:, 0], UPPER) * -weight_high[:, None],
            ends_by_vector,
            shape_prior_jacobian(vector),
        ]
        return np.concatenate([low, high, ends, shape_prior(vector)]), np.concatenate(by_vector)

    first = start.vector.copy()
    for points, part, sign in ((upper, UPPER, 1.0), (lower, LOWER, -1.0)):
        u = np.clip(2 * points[:, 0] / start.width_mm, -1.0, 1.0)
        terms = np.clip(1 - u**2, 0, None)[:, None] ** USUAL_Q * chebvander(u, 2)
        first[part.start + 1 : part.start + 4] = np.linalg.lstsq(terms, sign * points[:, 1], rcond=None)[0]
    low, high = np.full(PARAMETERS, -np.inf), np.full(PARAMETERS, np.inf)
    low[[UPPER.start, LOWER.start]], high[[UPPER.start, LOWER.start]] = LEAST_Q, MOST_Q
    solution = soft_l1(problem, np.clip(first, low + 0.01, high - 0.01), 1.0, (low, high), BLADES_LAST_STEP)
    contour = replace(start, vector=solution.values)
    off = [lower[:, 1] - contour.edge(lower[:, 0], LOWER), upper[:, 1] - contour.edge(upper[:, 0], UPPER)]
    return ContourFit(contour, float(np.sqrt(np.mean(np.square(off)))))


def _level_of_corners(lower: Floats, upper: Floats, corners: Floats) -> tuple[Floats, float]:
    """Across the chord, where two corners (2,) lie if the middle line between edges (m, 2) runs on to them as
    a parabola, and the standard uncertainty of that, mm.

    It holds for a slit, whose blades lie on each other; of an opening, whose blades may differ, the less the
    higher it is.
    """
    x, middle, gap = lower[:, 0], (lower[:, 1] + upper[:, 1]) / 2, upper[:, 1] - lower[:, 1]
    calm = np.abs(x - corners.mean()) < CORNERS_APART * (corners[1] - corners[0]) / 2
    level = np.polyval(np.polyfit(x[calm], middle[calm], 2), corners)
    height = max(0.0, float(np.median(gap[calm])))
    return np.asarray(level, np.float64), float(np.hypot(CORNER_ACROSS_MM, CORNER_ACROSS_SHARE * height))
