"""What an opening looks like across its edges: the brightness that two blades would give.

Across each edge, from the inside outwards, a reed's tip shows four things: the dark of the bore, perhaps
a lit inner wall that fades inwards or ends at the other blade's shadow, the rim of the blade (as thick as the
blade's tip, nearly as bright all around, for it faces the camera), and what lies outside (the blade's back,
or the background). Each of them is blurred as the card's own markers are blurred. Where the opening is
thinner than the blur, the same model is that of a slit: what is missing in light tells its thickness.

The photo is looked at on columns across the opening. Arrays of samples have the shape (columns m, places s);
the model is linear in the brightnesses, and all places of a column share theirs.
"""

from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from aperture.opening.blades import Blades
from aperture.view.edges import Patch
from aperture.view.view import View

Floats = NDArray[np.float64]

DARK = 1e-3  # how well "not negative" is kept, paper = 1


@dataclass(frozen=True)
class Level:
    """A brightness that is not known beforehand, and changes linearly from knot to knot along the opening.

    The card's paper is 1; slopes are per 0.1 mm. `usual`, and by how much it may differ (`spread`) and change
    from one knot to the next (`step`), are working values from memory, standard uncertainties.
    """

    knots: int
    usual: float
    spread: float
    step: float
    is_slope: bool = False  # may be negative, which light is never


# What lies outside changes abruptly where the back of a blade ends.
OUTSIDE = Level(17, 0.5, 0.5, 0.3)
SLOPE = Level(9, 0.0, 0.03, 0.2, is_slope=True)
BORE = Level(5, 0.03, 0.06, 0.03)
BORE_ALIKE = 0.05  # both edges look into the same bore


@dataclass(frozen=True)
class Detail:
    """How much is told apart along and across a blade.

    `rims_alike`: how far the two rims may differ in brightness, for cane has grain. `bands_mm`: a lit inner
    wall is seen as far as the other blade's shadow falls on it, and that is made up of bands from the edge to
    these distances; beside them there is light that fades inwards. No bands: the fading light alone.
    """

    rim: Level
    rims_alike: float
    wall: Level
    bands_mm: tuple[float, ...] = ()

    @cached_property
    def levels(self) -> tuple[Level, ...]:
        """The unknown brightnesses of a blade."""
        return (self.rim, OUTSIDE, SLOPE, self.wall, *(self.wall for _ in self.bands_mm), BORE)

    @cached_property
    def parts(self) -> tuple[slice, ...]:
        """Where the knots of each pattern are: first those of the lower blade, then of the upper."""
        knots = [level.knots for level in 2 * self.levels]
        return tuple(slice(end - count, end) for end, count in zip(np.cumsum(knots), knots, strict=True))

    @cached_property
    def pattern_of_knot(self) -> NDArray[np.intp]:
        """Which pattern each knot belongs to."""
        return np.repeat(np.arange(len(self.parts)), [level.knots for level in 2 * self.levels])

    @cached_property
    def never_negative(self) -> NDArray[np.bool_]:
        """Which knots are brightnesses, that cannot be negative."""
        return np.concatenate([np.full(level.knots, not level.is_slope) for level in 2 * self.levels])


# One rim of a brightness that hardly changes, for a first look; and what is found where one looks closer.
ROUGH = Detail(Level(2, 0.5, 0.4, 0.05), rims_alike=0.002, wall=Level(9, 0.0, 0.4, 0.3))
SLIT = Detail(Level(9, 0.5, 0.4, 0.04), rims_alike=0.02, wall=Level(9, 0.0, 0.4, 0.1))
OPEN = replace(SLIT, bands_mm=(0.1, 0.2, 0.35))

LEAST_COLUMNS, MOST_COLUMNS = 40, 110
# How far from an edge the photo is looked at: millimetres, and multiples of the blur. Less far outwards while
# the blades are only roughly known, lest what lies beyond the rim be taken for a part of the reed.
INSIDE_MM, INSIDE_BLURS = 0.12, 2.5
OUTSIDE_MM, NEARLY_OUTSIDE_MM, OUTSIDE_BLURS = 0.3, 0.13, 1.5
# Samples closer than a pixel are not independent, nor are neighbouring pixels of a JPEG with cane's grain.
INDEPENDENT = 0.1
LEAST_NOISE = 0.004


@dataclass(frozen=True)
class Assumed:
    """What is usual of a tip: thickness of the rim, and how far inwards a lit wall fades to 1/e.

    Along the opening the rim is (1 - u^2)^taper times as thick as in its middle (u runs from -1 to 1), for
    blades are scraped thinnest at the corners. `rim_spread` (relative) and `taper_spread` are standard
    uncertainties; the photo may move both that far. `detail`: of the brightness.
    """

    rim_mm: float
    reach_mm: float
    rim_spread: float = 0.2
    taper: float = 0.1
    taper_spread: float = 0.1
    detail: Detail = ROUGH


@dataclass(frozen=True)
class Samples:
    """The photo near the edges, on columns across the opening.

    `x` (m,), `y` (m, s): places in the blades' frame, mm; `light` (m, s): the photo there, paper = 1; `there`
    (m, s): whether a place counts, for the columns are not equally long. `weight`: of one sample.
    """

    x: Floats
    y: Floats
    light: Floats
    there: NDArray[np.bool_]
    blur_mm: float
    weight: float


def collect(patch: Patch, view: View, blades: Blades, outside_mm: float) -> Samples:
    """Sample the photo on columns across the opening, near its edges."""
    pixel_mm, blur_mm = 1.0 / view.px_per_mm, view.blur_across_mm
    inside = INSIDE_MM + INSIDE_BLURS * blur_mm
    outside = outside_mm + OUTSIDE_BLURS * blur_mm
    beyond = 0.5 * blur_mm
    length = blades.width_mm + 2 * beyond
    columns = round(float(np.clip(length / pixel_mm, LEAST_COLUMNS, MOST_COLUMNS)))
    x = np.linspace(blades.left - beyond, blades.right + beyond, columns)
    low, high = blades.edges(x)
    dy = max(0.5 * pixel_mm, blur_mm / 3)
    steps = np.arange(np.floor((low.min() - outside) / dy), np.ceil((high.max() + outside) / dy) + 1) * dy
    below, above = steps - low[:, None], steps - high[:, None]
    near = (below > -outside) & (above < outside) & ((below < inside) | (above > -inside))
    # the near ones of each column first, in their order
    order = np.argsort(~near, axis=1, kind="stable")[:, : int(near.sum(axis=1).max())]
    y, there = steps[order], np.take_along_axis(near, order, axis=1)
    light = np.zeros(y.shape)
    points = np.stack([np.broadcast_to(x[:, None], y.shape)[there], y[there]], axis=-1)
    light[there] = patch.sample(view.to_pixel(blades.to_card(points)))
    weight = INDEPENDENT * min(1.0, (x[1] - x[0]) * dy / pixel_mm**2)
    return Samples(x, y, light, there, blur_mm, weight)


def _across(z: Floats, blur: float, rim_mm: Floats, assumed: Assumed) -> tuple[Floats, Floats, Floats]:
    """The brightness patterns across one edge, blurred, and their change with z and with the rim's thickness.

    `z` (m, s) mm: outwards from the edge; `rim_mm` (m, 1): the rim's thickness there. Returns two arrays
    (n, m, s) in the order of `Detail.levels`, the bore's being 1 inside the edge and 0 outside, and one
    (3, m, s): walls and bore do not depend on the rim.
    """
    from scipy.special import erfcx, ndtr

    reach_mm = assumed.reach_mm
    t, past = z / blur, (z - rim_mm) / blur
    height = 1 / (np.sqrt(2 * np.pi) * blur)
    fall = np.exp(-0.5 * t * t)
    peak, peak_past = height * fall, height * np.exp(-0.5 * past * past)
    outer, outside = ndtr(t), ndtr(past)
    ramp = ((z - rim_mm) * outside + blur**2 * peak_past) / 0.1
    # exp(z / reach) inside the edge, blurred: an exponentially modified Gaussian, in its stable form
    tail = (t + blur / reach_mm) / np.sqrt(2)
    fading = np.where(
        tail > -5.0,
        0.5 * fall * erfcx(np.maximum(tail, -5.0)),
        np.exp(np.minimum(z / reach_mm + 0.5 * (blur / reach_mm) ** 2, 0.0)),
    )
    ends = [(z + band_mm) / blur for band_mm in assumed.detail.bands_mm]
    bands = [ndtr(end) - outer for end in ends]
    bands_change = [height * np.exp(-0.5 * end * end) - peak for end in ends]
    patterns = np.stack([outer - outside, outside, ramp, fading, *bands, 1.0 - outer])
    change = np.stack(
        [peak - peak_past, peak_past, outside / 0.1, fading / reach_mm - peak, *bands_change, -peak]
    )
    return patterns, change, np.stack([peak_past, -peak_past, -outside / 0.1])


@dataclass(frozen=True)
class Patterns:
    """What each unknown brightness adds to the photo, and how that changes.

    `lower`, `upper` (n, m, s): the patterns of either edge in the order of `Detail.levels`; `..._by_low`,
    `..._by_high`: their change per mm that the lower or the upper edge moves up, and `..._by_rim` (3, m, s)
    per mm of the rim's thickness in the middle of the opening.
    """

    lower: Floats
    upper: Floats
    lower_by_low: Floats
    lower_by_high: Floats
    upper_by_low: Floats
    upper_by_high: Floats
    lower_by_rim: Floats
    upper_by_rim: Floats

    def columns(self) -> Floats:
        """The patterns of the lower, then of the upper edge; (2n, m, s)."""
        return np.concatenate([self.lower, self.upper])

    def by_edges_and_rim(self, levels: Floats) -> Floats:
        """Change of the brightness with the lower edge, the upper edge, and the rim; (3, m, s).

        `levels` (2n, m): the brightness of each pattern on each column.
        """
        lower, upper = np.split(levels[:, :, None], 2)
        return np.stack(
            [
                np.sum(self.lower_by_low * lower, axis=0) + np.sum(self.upper_by_low * upper, axis=0),
                np.sum(self.lower_by_high * lower, axis=0) + np.sum(self.upper_by_high * upper, axis=0),
                np.sum(self.lower_by_rim * lower[:3], axis=0) + np.sum(self.upper_by_rim * upper[:3], axis=0),
            ]
        )


def from_corners(samples: Samples, blades: Blades) -> Floats:
    """1 - u² on the columns (m,): 1 in the middle of the opening, hardly anything at its corners."""
    u = (2 * samples.x - blades.left - blades.right) / blades.width_mm
    return np.asarray(np.clip(1.0 - u * u, 0.02, 1.0))


def patterns_of(samples: Samples, blades: Blades, assumed: Assumed) -> Patterns:
    """The patterns that these blades would give at the samples."""
    share_of_rim = from_corners(samples, blades)[:, None] ** assumed.taper
    rim_mm = assumed.rim_mm * share_of_rim
    low, high = (edge[:, None] for edge in blades.edges(samples.x))
    slope_low, slope_high = (slope[:, None] for slope in blades.slopes(samples.x))
    cos_low, cos_high = 1 / np.hypot(1, slope_low), 1 / np.hypot(1, slope_high)
    below, above = (low - samples.y) * cos_low, (samples.y - high) * cos_high
    lower, d_lower, lower_by_rim = _across(below, samples.blur_mm, rim_mm, assumed)
    upper, d_upper, upper_by_rim = _across(above, samples.blur_mm, rim_mm, assumed)
    d_lower *= cos_low
    d_upper *= -cos_high
    lower_by_rim *= share_of_rim
    upper_by_rim *= share_of_rim
    lower_by_high, upper_by_low = np.zeros_like(lower), np.zeros_like(upper)
    # What is inside is inside of both edges: a wall ends at the other blade, and the bore passes from the
    # level at one edge to that at the other.
    within_low, within_high = lower[-1].copy(), upper[-1].copy()
    d_within_low, d_within_high = d_lower[-1].copy(), d_upper[-1].copy()
    walls = slice(3, -1)
    lower_by_high[walls], upper_by_low[walls] = lower[walls] * d_within_high, upper[walls] * d_within_low
    for own, change, other in ((lower, d_lower, within_high), (upper, d_upper, within_low)):
        own[walls] *= other
        change[walls] *= other
    share = np.clip((samples.y - low) / np.maximum(high - low, 1e-6), 0.0, 1.0)
    bore = within_low + within_high - 1.0
    for own, by_low, by_high, part in (
        (lower, d_lower, lower_by_high, 1 - share),
        (upper, upper_by_low, d_upper, share),
    ):
        own[-1], by_low[-1], by_high[-1] = bore * part, d_within_low * part, d_within_high * part
    return Patterns(lower, upper, d_lower, lower_by_high, upper_by_low, d_upper, lower_by_rim, upper_by_rim)


@dataclass(frozen=True)
class Knots:
    """The unknown brightnesses, which change linearly from knot to knot along the opening.

    `weights`: for each pattern of the lower and of the upper edge, the weights of its knots on the columns,
    (m, knots).
    """

    weights: tuple[Floats, ...]
    detail: Detail

    def on_columns(self, values: Floats) -> Floats:
        """The brightness of each pattern on each column (2n, m), from those at all knots (k,)."""
        return np.stack([w @ values[part] for w, part in zip(self.weights, self.detail.parts, strict=True)])

    def gathered(self, columns: Floats) -> Floats:
        """Sums over the columns of what belongs to each pattern, (2n, m, j), as seen by the knots; (k, j).

        The adjoint of `on_columns`.
        """
        return np.concatenate([w.T @ each for w, each in zip(self.weights, columns, strict=True)])

    def normal(self, products: Floats) -> Floats:
        """The normal matrix (k, k) of the knots, from the patterns' products on each column, (2n, m, 2n)."""
        every = np.concatenate(self.weights, axis=1)
        return self.gathered(np.take(products, self.detail.pattern_of_knot, axis=2) * every)


def knots_of(samples: Samples, blades: Blades, detail: Detail) -> Knots:
    """The knots, spread evenly from corner to corner of these blades."""
    share = np.clip((samples.x - blades.left) / blades.width_mm, 0.0, 1.0)[:, None]
    hats = {
        count: np.clip(1.0 - np.abs(share * (count - 1) - np.arange(count)), 0.0, None)
        for count in {level.knots for level in detail.levels}
    }
    return Knots(tuple(hats[level.knots] for level in 2 * detail.levels), detail)


@cache
def level_prior(detail: Detail) -> tuple[Floats, Floats]:
    """What is usual of the brightnesses: rows of a matrix and a right-hand side, in standard deviations."""
    levels = 2 * detail.levels
    count = len(detail.pattern_of_knot)
    index = [np.arange(count)[part] for part in detail.parts]
    spread = np.concatenate([np.full(level.knots, level.spread) for level in levels])
    usual = np.concatenate([np.full(level.knots, level.usual) for level in levels])
    rows, right = [np.eye(count) / spread[:, None]], [usual / spread]

    def difference(first: NDArray[np.intp], second: NDArray[np.intp], size: float) -> None:
        each = np.arange(len(first))
        step = np.zeros((len(first), count))
        step[each, first], step[each, second] = -1 / size, 1 / size
        rows.append(step)
        right.append(np.zeros(len(first)))

    for level, knots in zip(levels, index, strict=True):
        difference(knots[:-1], knots[1:], level.step)
    lower, upper = index[: len(detail.levels)], index[len(detail.levels) :]
    difference(lower[0], upper[0], detail.rims_alike)
    difference(lower[-1], upper[-1], BORE_ALIKE)
    return np.concatenate(rows), np.concatenate(right)


@cache
def level_prior_normal(detail: Detail) -> tuple[Floats, Floats]:
    """That prior's normal matrix (k, k) and right-hand side (k,)."""
    rows, right = level_prior(detail)
    return rows.T @ rows, rows.T @ right
