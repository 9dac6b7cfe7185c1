"""The learned first look: where in the notch the opening is, and where its edges are, by two small networks.

The first network sees the notch laid flat and says for each column where the upper and the lower edge are, as
a distribution over the rows, and whether the column lies between the corners. The second sees a strip along
each edge, laid out so that the edge runs level, with that of the other edge and the slope of the line of
sight (which tells whose inner wall is seen), and says the same more closely. It is asked from the first
outline, pushed outwards, and from what it says there, pushed inwards, as a mirror would show it; where the
first outline was far off, once more from outside. The mean is the answer, and how far the two differ tells
how much the answer depends on how one looked. It also says by how much it expects to be off.
What is said here is a measurement with an uncertainty, no verdict.

Distributions over the places of a column: He et al., Medical Image Analysis 68, 101856 (2021).
"""

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from aperture.card.geometry import CARD
from aperture.opening.networks import run
from aperture.view.region import Region
from aperture.view.view import View

Floats = NDArray[np.float64]

# What the networks were trained with; `fixtures/training/phone.py` has the same numbers, and a test compares.
FLAT_MM, FLAT_SHAPE = (14.0, 11.2), (192, 240)
STRIP_SHAPE, STRIP_PITCH_MM, STRIP_REACH = (48, 128), 0.0225, 1.12
USUAL_BLUR_MM = 0.05
STEEP = 3.0  # the line of sight's slope times this is what the second network is told
BRIGHTEST = 1.6  # paper = 1; what is brighter counts as this

PUSH_MM, PUSH_SHARE = (
    0.12,
    0.4,
)  # how far the outline is pushed, and inwards never farther than this part of the gap
AGAIN_MM, AGAIN_CORNER_MM = 0.03, 0.1  # so far off, the first outline was not near enough to begin with
PEAK_ROWS = 5  # so much on both sides of a distribution's peak is one edge
NARROWEST_MM = 2.5  # a shorter run of columns is no opening
CHORD_MM = 0.4  # near a corner, how much of the middle line tells where its end is
MIDDLE = 0.6  # so far from the middle of the tip, in half widths, it is told how thick the cut ends look
SECTIONS = np.array([-0.85, -0.3, 0.3, 0.85])  # of an edge, from corner to corner: -1 to 1


@dataclass(frozen=True)
class EdgeColumns:
    """Edges of an opening on columns across a chord.

    `origin_mm` (2,) and `angle` (radians, counter-clockwise) place a frame on the card whose x axis runs
    along the chord. `x`, `lower`, `upper` (m,): the edges in that frame, mm; `spread_lower`, `spread_upper`
    (m,): the standard deviation of what the network says, mm; `inside` (m,): how probably a column lies
    between the corners; `corners`: x of the left and the right one. `expected_mm` (2,): by how much the
    lower and the upper edge may be off as a whole, as the second network expects it (the mean deviation);
    0 from the first, which does not say. `cut_end_mm` (2,): how thick the cut ends of the lower and the upper
    blade look; 0 from the first network, too.
    """

    origin_mm: Floats
    angle: float
    x: Floats
    lower: Floats
    upper: Floats
    spread_lower: Floats
    spread_upper: Floats
    inside: Floats
    corners: tuple[float, float]
    expected_mm: Floats = field(default_factory=lambda: np.zeros(2))
    cut_end_mm: Floats = field(default_factory=lambda: np.zeros(2))

    @property
    def u(self) -> Floats:
        """The columns from -1 at the left corner to 1 at the right one, (m,)."""
        left, right = self.corners
        return np.asarray((2 * self.x - left - right) / (right - left))

    def to_card(self, local_mm: Floats) -> Floats:
        """The frame to card millimetres; (..., 2)."""
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        return np.asarray(local_mm @ np.array([[cos, sin], [-sin, cos]]) + self.origin_mm)


@dataclass(frozen=True)
class FirstLook:
    """What the networks see.

    `edges`: the opening's edges; `rough`: those of the first network alone. `shift_mm` (2,): by how much the
    lower and the upper edge depend on where one began, the worst of three sections; `corner_shift_mm` (2,):
    the same for the corners. `areas` (3, rows, columns): how probably a place of the notch laid flat is bore,
    rim, or elsewhere.
    """

    edges: EdgeColumns
    rough: EdgeColumns
    shift_mm: Floats
    corner_shift_mm: Floats
    areas: Floats


def flat_grid_mm(view: View, step: int = 1) -> Floats:
    """Card millimetres of the places of the notch laid flat, every step-th; (rows, columns, 2), y falls."""
    rows, columns = FLAT_SHAPE[0] // step, FLAT_SHAPE[1] // step
    cell = FLAT_MM[0] / columns
    middle = np.array(CARD.tip_mm) * view.scale
    x = middle[0] + (np.arange(columns) - (columns - 1) / 2) * cell
    y = middle[1] - (np.arange(rows) - (rows - 1) / 2) * cell
    return np.stack(np.broadcast_arrays(x[None, :], y[:, None]), axis=-1)


def look_first(notch: Region) -> tuple[float, FirstLook | None]:
    """How probably there is a reed, and its opening, None where no row of columns could be one.

    Parameters
    ----------
    notch : the notch and what is around it, as far as the first network sees.

    Raises
    ------
    ModelError : the networks' files cannot be used.
    """
    result = run("where.onnx", _encoded(notch.sample_cubic(flat_grid_mm(notch.view)))[None, None])[0]
    reed = float(_sigmoid(result[6].mean()))
    rough = _roughly(result, flat_grid_mm(notch.view, 2))
    if rough is None:
        return reed, None
    outer = _closer(notch, _pushed(rough, 1.0))
    inner = _closer(notch, _pushed(outer, -1.0), mirrored=True) if outer else None
    if inner and outer and _far_from(rough, outer):
        outer = _closer(notch, _pushed(inner, 1.0))
    if outer is None or inner is None:
        return reed, None
    edges, shift_mm, corner_shift_mm = _mean(outer, inner)
    return reed, FirstLook(edges, rough, shift_mm, corner_shift_mm, _softmax(result[3:6]))


def _encoded(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light as the networks take it: its noise is then about even."""
    return np.asarray(np.sqrt(np.clip(light, 0.0, BRIGHTEST)) - 0.5, np.float32)


def _softmax(logits: NDArray[np.float32], axis: int = 0) -> Floats:
    """Shares that add up to 1 along an axis."""
    power = np.exp(logits.astype(np.float64) - logits.max(axis=axis, keepdims=True))
    return np.asarray(power / power.sum(axis=axis, keepdims=True))


def _sigmoid(x: Floats | np.floating) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.asarray(x, np.float64))))


def _peaks(share: Floats) -> tuple[Floats, Floats]:
    """Of each column's distribution (rows, columns): the mean about its peak, and the spread; in rows.

    In all of the notch there may be several edges; the likeliest counts.
    """
    rows = np.arange(len(share))[:, None]
    near = share * (np.abs(rows - share.argmax(axis=0)) <= PEAK_ROWS)
    mean = (near * rows).sum(axis=0) / near.sum(axis=0)
    return mean, _spread(share, mean)


def _medians(share: Floats) -> Floats:
    """The medians (..., columns) of each column's distribution (..., rows, columns), in rows.

    In a strip there is one edge. A share is spread evenly over its row, half a row to both sides.
    """
    up_to = share.cumsum(axis=-2)
    row = (up_to >= 0.5).argmax(axis=-2)[..., None, :]
    over, own = (np.take_along_axis(each, row, axis=-2) for each in (up_to - 0.5, share))
    return np.asarray((row + 0.5 - over / own)[..., 0, :])


def _spread(share: Floats, place: Floats) -> Floats:
    """The standard deviation of distributions (rows, columns) about places (columns,), rows."""
    return np.asarray(np.sqrt((share * (np.arange(len(share))[:, None] - place) ** 2).sum(axis=0)))


def _between(share: Floats, inside: NDArray[np.float32]) -> Floats:
    """The map "between the corners" (rows, columns), read where the edge is; logits (columns,)."""
    return np.asarray((share * inside).sum(axis=0))


def _run_of(inside: Floats) -> slice | None:
    """The longest run of columns that are inside, small gaps (a hair, a drop) overlooked."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside > 0.5, [0]]).astype(int)))
    runs: list[list[int]] = []
    for start, end in edges.reshape(-1, 2).tolist():
        if runs and start - runs[-1][1] <= len(inside) // 12:
            runs[-1][1] = end
        else:
            runs.append([start, end])
    if not runs:
        return None
    start, end = max(runs, key=lambda each: each[1] - each[0])
    return slice(start, end)


def _ends(x: Floats, inside: Floats, here: slice) -> tuple[float, float]:
    """Where the probability crosses one half at both ends of a run."""

    def crossing(outer: int, inner: int) -> float:
        if not 0 <= outer < len(x):
            return float(x[inner])
        share = (0.5 - inside[outer]) / (inside[inner] - inside[outer])
        return float(x[outer] + share * (x[inner] - x[outer]))

    return crossing(here.start - 1, here.start), crossing(here.stop, here.stop - 1)


def _roughly(result: NDArray[np.float32], grid_mm: Floats) -> EdgeColumns | None:
    """The edges from the first network's maps (8, rows, columns), whose places are `grid_mm`."""
    x, top, pitch = grid_mm[0, :, 0], grid_mm[0, 0, 1], grid_mm[0, 0, 1] - grid_mm[1, 0, 1]
    share_upper, share_lower = _softmax(result[0]), _softmax(result[1])
    upper, spread_upper = _peaks(share_upper)
    lower, spread_lower = _peaks(share_lower)
    inside = _sigmoid(_between(share_upper, result[2]))
    here = _run_of(inside)
    if here is None:
        return None
    ends = _ends(x, inside, here)
    if ends[1] - ends[0] < NARROWEST_MM:
        return None
    upright = EdgeColumns(
        np.zeros(2),
        0.0,
        x[here],
        (top - pitch * lower)[here],
        (top - pitch * upper)[here],
        pitch * spread_lower[here],
        pitch * spread_upper[here],
        inside[here],
        ends,
    )
    left, right = chord_of(upright)
    along = right - left
    origin, angle = (left + right) / 2, float(np.arctan2(along[1], along[0]))
    half = float(np.linalg.norm(along)) / 2
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    low = (np.column_stack([upright.x, upright.lower]) - origin) @ turn
    high = (np.column_stack([upright.x, upright.upper]) - origin) @ turn
    middle = (low[:, 0] + high[:, 0]) / 2
    return replace(
        upright,
        origin_mm=origin,
        angle=angle,
        x=middle,
        lower=low[:, 1],
        upper=high[:, 1],
        corners=(-half, half),
    )


def chord_of(edges: EdgeColumns) -> Floats:
    """The corners (2, 2) in the frame of the columns: where the middle line between the edges ends."""
    middle = (edges.lower + edges.upper) / 2
    ends = []
    for at in edges.corners:
        near = np.exp(-0.5 * ((edges.x - at) / CHORD_MM) ** 2) + 1e-9
        ends.append([at, float(np.polyfit(edges.x - at, middle, 1, w=np.sqrt(near))[1])])
    return np.array(ends)


def _smooth(edges: EdgeColumns, u: Floats) -> tuple[Floats, Floats]:
    """Lower and upper edge at u (n,) from -1 to 1, smooth and never crossed, in the frame of the columns, mm.

    (1 - u²)^0.75 times a polynomial, fitted with weights that forgive outliers.
    """

    def terms(at: Floats) -> Floats:
        at = np.clip(at, -1.0, 1.0)
        return np.clip(1 - at**2, 1e-4, None)[:, None] ** 0.75 * np.polynomial.chebyshev.chebvander(at, 5)

    own = terms(edges.u)
    calm = np.diag(np.square([0.0, 0.3, 0.3, 1.0, 2.0, 3.0]))
    found = []
    for y, spread in ((edges.lower, edges.spread_lower), (edges.upper, edges.spread_upper)):
        trust = edges.inside / np.maximum(spread, 0.01)
        weight = trust
        for _ in range(3):
            weighted = own * np.square(weight)[:, None]
            fitted = np.linalg.solve(own.T @ weighted + calm, y @ weighted)
            off = np.abs(own @ fitted - y)
            weight = trust / np.maximum(1.0, off / max(0.01, 1.5 * float(np.median(off))))
        found.append(terms(u) @ fitted)
    low, high = found
    middle, half = (low + high) / 2, np.maximum(high - low, 0.0) / 2
    return middle - half, middle + half


def _closer(notch: Region, rough: EdgeColumns, mirrored: bool = False) -> EdgeColumns | None:
    """What the second network says of strips along the edges of a rough outline; or of their mirror image,
    laid back."""
    rows, columns = STRIP_SHAPE
    left, right = rough.corners
    u = np.linspace(-STRIP_REACH, STRIP_REACH, columns)
    x = (left + right) / 2 + u * (right - left) / 2
    # towards the corners and beyond them the strips follow the chord
    fade = np.clip(1 - u**2, 0.0, 0.15) / 0.15
    low, high = (fade * edge for edge in _smooth(rough, u))
    offsets = ((np.arange(rows) - (rows - 1) / 2) * STRIP_PITCH_MM)[:, None]
    blur = np.clip(notch.view.blur_across_mm / USUAL_BLUR_MM - 1, -1.0, 3.0)
    sight = _sight(notch.view, rough)
    ways = ((low, high, -1.0), (high, low, 1.0))
    ys = [own + outwards * offsets for own, _, outwards in ways]
    lights = [
        _encoded(notch.sample_cubic(rough.to_card(np.stack(np.broadcast_arrays(x, y), axis=-1)))) for y in ys
    ]
    strips = []
    for (_, other, outwards), y, light, light_of_other in zip(ways, ys, lights, lights[::-1], strict=True):
        to_other, steep = np.clip(outwards * (y - other), -0.5, 1.5), outwards * STEEP * sight
        channels = (light, to_other, blur, np.abs(u) - 0.5, light_of_other, steep)
        strips.append(np.stack(np.broadcast_arrays(*channels)))
    along = slice(None, None, -1 if mirrored else 1)
    result = run("edge.onnx", np.asarray(strips, np.float32)[..., along])[..., along]
    share = _softmax(result[:, 0], axis=1)
    places = _medians(share)
    (place_low, place_high), (spread_low, spread_high) = places, map(_spread, share, places)
    inside = _sigmoid(np.mean([_between(*each) for each in zip(share, result[:, 1], strict=True)], axis=0))
    here = _run_of(inside)
    if here is None:
        return None
    ends = _ends(x, inside, here)
    if ends[1] - ends[0] < NARROWEST_MM:
        return None
    middle = (rows - 1) / 2
    return replace(
        rough,
        x=x[here],
        lower=(low - STRIP_PITCH_MM * (place_low - middle))[here],
        upper=(high + STRIP_PITCH_MM * (place_high - middle))[here],
        spread_lower=STRIP_PITCH_MM * spread_low[here],
        spread_upper=STRIP_PITCH_MM * spread_high[here],
        inside=inside[here],
        corners=ends,
        expected_mm=STRIP_PITCH_MM * np.exp(result[:, 2].mean(axis=(1, 2)).astype(np.float64)),
        cut_end_mm=STRIP_PITCH_MM * _cut_ends(result[:, 3], u, places),
    )


def _cut_ends(outside: NDArray[np.float32], u: Floats, places: Floats) -> Floats:
    """How thick the two cut ends look (2,): the medians over the middle of the tip, rows."""
    middle = np.abs(u) < MIDDLE
    ends = _medians(_softmax(outside[..., middle], axis=1))
    return np.asarray(np.median(ends - places[:, middle], axis=1))


def _sight(view: View, edges: EdgeColumns) -> float:
    """The slope of the line of sight across the chord: above 0 where the camera stands above the tip."""
    to_eye = view.camera.camera_centre_mm() - np.array([*edges.origin_mm, view.tip_offset_mm])
    across = np.array([-np.sin(edges.angle), np.cos(edges.angle)])
    return float(to_eye[:2] @ across / to_eye[2])


def _pushed(edges: EdgeColumns, way: float) -> EdgeColumns:
    """The outline pushed outwards (way = 1) or inwards (-1), most in the middle, never across itself."""
    hump = np.sqrt(np.clip(1 - edges.u**2, 0.0, 1.0))
    gap = np.maximum(edges.upper - edges.lower, 0.0)
    by = way * (PUSH_MM * hump if way > 0 else np.minimum(PUSH_MM * hump, PUSH_SHARE * gap))
    return replace(edges, lower=edges.lower - by, upper=edges.upper + by)


def _far_from(rough: EdgeColumns, outer: EdgeColumns) -> bool:
    """Whether an outline is so far from what one began with that one had better begin again."""
    off = [
        np.interp(outer.x, rough.x, was) - now
        for was, now in ((rough.lower, outer.lower), (rough.upper, outer.upper))
    ]
    corners = np.abs(np.subtract(rough.corners, outer.corners))
    return bool(np.abs(off).mean(axis=1).max() > AGAIN_MM or corners.max() > AGAIN_CORNER_MM)


def _mean(outer: EdgeColumns, inner: EdgeColumns) -> tuple[EdgeColumns, Floats, Floats]:
    """The mean of what was said from outside and from inside, and how far the two differ: see `FirstLook`."""
    corners = np.array([outer.corners, inner.corners])
    left, right = corners.mean(axis=0)
    x = outer.x[(outer.x >= left) & (outer.x <= right)]

    def both(name: str) -> Floats:
        return np.array([np.interp(x, each.x, getattr(each, name)) for each in (outer, inner)])

    lower, upper = both("lower"), both("upper")
    u = (2 * x - left - right) / (right - left)
    shift = [
        [
            abs(float(np.mean(edge[0, part] - edge[1, part]))) / 2 if part.any() else 0.0
            for low, high in pairwise(SECTIONS)
            for part in [(u >= low) & (u < high)]
        ]
        for edge in (lower, upper)
    ]
    edges = replace(
        outer,
        x=x,
        lower=lower.mean(axis=0),
        upper=upper.mean(axis=0),
        spread_lower=both("spread_lower").mean(axis=0),
        spread_upper=both("spread_upper").mean(axis=0),
        inside=both("inside").mean(axis=0),
        corners=(float(left), float(right)),
        expected_mm=np.mean([outer.expected_mm, inner.expected_mm], axis=0),
        cut_end_mm=np.mean([outer.cut_end_mm, inner.cut_end_mm], axis=0),
    )
    return edges, np.max(shift, axis=1), np.ptp(corners, axis=0)
