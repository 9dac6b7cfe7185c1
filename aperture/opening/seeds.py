"""First guesses of where the opening is: dark, long, level places in the notch with something bright around.

A closing with an upright line fills whatever is dark and lower than the line, so that what it changes is
dark between something bright above and below, on a light or a dark background alike. Pieces of that are
turned into blades, moved onto the strongest edges nearby, and rated by how completely a bright border
surrounds them.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from aperture.card.geometry import CARD
from aperture.opening.blades import LOWER, UPPER, USUAL_WIDTH_MM, Blades, fit_blades, lens
from aperture.view.edges import Patch
from aperture.view.view import View

Floats = NDArray[np.float64]

# How far from the card's notch the opening may be looked for, mm: sideways, above, below.
ASIDE_MM, ABOVE_MM, BELOW_MM = 1.0, 0.0, 1.5
TALLEST_MM = 3.4
LINES_MM = (0.8, 1.7, TALLEST_MM)
NARROWEST_MM, WIDEST_MM = 3.5, 10.0
MOST_ROLL_DEG = 35.0
# Faint slits are looked for along these directions, as lines darker than what lies within this height, after
# averaging along the line.
SLIT_ANGLES_DEG = np.arange(-20.0, 20.1, 5.0)
SLIT_LINE_MM, SLIT_AVERAGE_MM = 0.3, 0.3
COARSE_MM = 0.1  # how fine that average must be sampled
SLIT_DEPTHS = (0.015, 0.03, 0.05, 0.08, 0.12)
FAINTEST_MM = 1.5  # the shortest piece of a line that may be all that shows of a shut opening
# How much darker than its surroundings a place is, in stored brightness.
DEPTHS = (0.03, 0.06, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6)
THIN_MM = 0.45  # thin seeds rate low by nature, and are kept apart from tall ones
SAME_MM = 0.05  # edges that lie this close are found again from either
MOST_SEEDS = 3  # of either kind that are worth the time of a closer look


@dataclass(frozen=True)
class Seed:
    """A first guess, and how well it is surrounded: 0 (not at all) to 1 (a bright border all around).

    `agreed`: whether another guess, from elsewhere, settled on the same edges.
    """

    blades: Blades
    rating: float
    agreed: bool = False


def notch_points(scale: float) -> Floats:
    """The corners of the region that is searched (4, 2), card mm, for a print of this scale."""
    notch = CARD.notch
    left, right = notch.x_min_mm - ASIDE_MM, notch.x_max_mm + ASIDE_MM
    low, high = notch.y_min_mm - BELOW_MM, notch.y_max_mm + ABOVE_MM
    return np.array([[left, low], [right, low], [right, high], [left, high]]) * scale


def find_seeds(patch: Patch, view: View) -> list[Seed]:
    """Candidates for the opening, best first.

    Parameters
    ----------
    patch : the surroundings of the notch in linear light, paper = 1.
    """
    rough = [
        Seed(blades, rate(patch, view, blades))
        for blades in (*_dark_pieces(patch, view), *_slits(patch, view))
        if plausible(blades, view.scale, slack=1.5)
    ]
    rough.sort(key=lambda seed: -seed.rating)
    thin = _distinct([seed for seed in rough if seed.blades.tallest_mm() < THIN_MM], 0.3)
    tall = _distinct([seed for seed in rough if seed.blades.tallest_mm() >= THIN_MM], 0.3)
    settled = [_settle(patch, view, seed.blades) for seed in tall[:MOST_SEEDS] + thin[:MOST_SEEDS]]
    seeds = [Seed(blades, rate(patch, view, blades)) for blades in settled if plausible(blades, view.scale)]
    return _merged(sorted(seeds, key=lambda seed: -seed.rating))


@dataclass(frozen=True)
class _Grid:
    """An even grid over the notch, turned by `angle` (radians) about its middle.

    `middle_mm`, `half_mm` (2,): on the card; `pitch_mm`: from point to point. Rows run down.
    """

    middle_mm: Floats
    half_mm: Floats
    pitch_mm: float
    angle: float = 0.0

    def x(self) -> Floats:
        """mm from the middle along the grid's rows, one for each column."""
        return np.arange(-self.half_mm[0], self.half_mm[0], self.pitch_mm)

    def y(self) -> Floats:
        """mm from the middle across the grid's rows, one for each row; the uppermost first."""
        return np.arange(self.half_mm[1], -self.half_mm[1], -self.pitch_mm)

    def to_card(self, points_mm: Floats) -> Floats:
        """Points (n, 2) in the grid's axes to the card's."""
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        return np.asarray(points_mm @ np.array([[cos, sin], [-sin, cos]]) + self.middle_mm)

    def stored(self, patch: Patch, view: View) -> NDArray[np.float32]:
        """The notch laid flat on this grid (rows, columns), in stored brightness, smoothed a little.

        Between its corners a lens' distortion is left as it is, for this is only to find things.
        """
        import cv2

        x, y = self.x(), self.y()
        ends = np.array([[x[0], y[0]], [x[-1], y[0]], [x[-1], y[-1]], [x[0], y[-1]]])
        pixels = np.array([[0, 0], [len(x) - 1, 0], [len(x) - 1, len(y) - 1], [0, len(y) - 1]], np.float32)
        seen = view.to_pixel(self.to_card(ends)) - [patch.left, patch.top]
        light = cv2.warpPerspective(
            patch.light,
            cv2.getPerspectiveTransform(pixels, seen.astype(np.float32)),
            (len(x), len(y)),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        stored = np.sqrt(np.clip(light, 0.0, 1.5))
        return np.asarray(cv2.GaussianBlur(stored, (0, 0), max(1.0, 0.03 / self.pitch_mm)), np.float32)


def _grid(view: View, angle: float = 0.0) -> _Grid:
    region = notch_points(view.scale)
    return _Grid(region.mean(axis=0), np.ptp(region, axis=0) / 2, _pitch_mm(view), angle)


def _darkness(stored: NDArray[np.float32], pitch_mm: float, line_mm: float) -> NDArray[np.float32]:
    """How much darker it is than what lies above and below within an upright line of this length."""
    import cv2

    line = np.ones((2 * round(line_mm / pitch_mm / 2) + 1, 1), np.uint8)
    return np.asarray(cv2.morphologyEx(stored, cv2.MORPH_CLOSE, line) - stored)


def _narrowed(depth: NDArray[np.float32], grid: _Grid) -> tuple[NDArray[np.float32], Floats]:
    """The mean of a few columns at a time, and their x: along a line a coarser grid will do."""
    import cv2

    x = grid.x()
    columns = len(x) // max(1, int(COARSE_MM / grid.pitch_mm))
    narrow = cv2.resize(depth, (columns, len(depth)), interpolation=cv2.INTER_AREA)
    step = len(x) / columns * grid.pitch_mm
    first = x[0] - grid.pitch_mm / 2 + step / 2
    return np.asarray(narrow, np.float32), first + step * np.arange(columns)


def _pieces(dark: NDArray[np.bool_]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Connected pieces of what is dark: the number of each place's piece, and left, top, width, height, area
    of each piece (n, 5); number 0 is what is not dark."""
    import cv2

    _, labels, stats, _ = cv2.connectedComponentsWithStats(dark.astype(np.uint8))
    return np.asarray(labels, np.int32), np.asarray(stats, np.int32)


def _places(
    label: int, labels: NDArray[np.int32], stats: NDArray[np.int32]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns (n,) of the places of one piece, from what `_pieces` returned."""
    left, top, width, height, _ = stats[label]
    rows, columns = np.nonzero(labels[top : top + height, left : left + width] == label)
    return top + rows, left + columns


def _dark_pieces(patch: Patch, view: View) -> list[Blades]:
    """Blades about every connected dark piece that is long enough, for each height of line and threshold."""
    grid = _grid(view)
    stored, x, y, pitch = grid.stored(patch, view), grid.x(), grid.y(), grid.pitch_mm
    found = []
    for line_mm in LINES_MM:
        depth = _darkness(stored, pitch, line_mm)
        for threshold in DEPTHS:
            labels, stats = _pieces(depth > threshold)
            large = (stats[:, 2] * pitch >= 0.6 * NARROWEST_MM) & (stats[:, 4] * pitch**2 >= 0.02)
            for label in (np.flatnonzero(large[1:]) + 1).tolist():
                rows, columns = _places(label, labels, stats)
                blades = _about(grid.to_card(np.column_stack([x[columns], y[rows]])))
                if blades is not None:
                    found.append(blades)
    return found


def _slits(patch: Patch, view: View, shortest_mm: float = NARROWEST_MM) -> list[Blades]:
    """Thin blades along every long dark line, however faint, the most striking first.

    What is dark is averaged along each of a few directions, which raises a line above noise and grain.
    """
    import cv2

    found: list[tuple[float, Blades]] = []
    for angle in np.radians(SLIT_ANGLES_DEG):
        grid = _grid(view, angle)
        y, pitch = grid.y(), grid.pitch_mm
        depth, x = _narrowed(_darkness(grid.stored(patch, view), pitch, SLIT_LINE_MM), grid)
        step = float(x[1] - x[0])
        depth = np.asarray(
            cv2.GaussianBlur(depth, (0, 0), sigmaX=SLIT_AVERAGE_MM / step, sigmaY=0.02 / pitch), np.float32
        )
        for threshold in SLIT_DEPTHS:
            labels, stats = _pieces(depth > threshold)
            length, thickness = stats[:, 2] * step, stats[:, 3] * pitch
            long = (length >= shortest_mm) & (thickness <= THIN_MM + 0.1 * length)
            for label in (np.flatnonzero(long[1:]) + 1).tolist():
                rows, columns = _places(label, labels, stats)
                slope, level = np.polyfit(x[columns], y[rows], 1)
                ends = np.array([x[columns.min()] + SLIT_AVERAGE_MM, x[columns.max()] - SLIT_AVERAGE_MM])
                corners = grid.to_card(np.column_stack([ends, level + slope * ends]))
                strength = float(depth[rows, columns].sum()) * step
                found.append((strength, lens(corners[0], corners[1], 0.04)))
    found.sort(key=lambda each: -each[0])
    return [blades for _, blades in found]


def faint_slits(patch: Patch, view: View) -> list[Blades]:
    """Where a shut opening of which only a part shows may be: a reed's width along the darkest lines."""
    lines = _distinct([Seed(line, 0.0) for line in _slits(patch, view, FAINTEST_MM)], 0.25)
    found = []
    for line in lines[:MOST_SEEDS]:
        for shift in (-1.2, 0.0, 1.2):
            ends = line.blades.to_card(
                np.array([[shift - USUAL_WIDTH_MM / 2, 0.0], [shift + USUAL_WIDTH_MM / 2, 0.0]])
            )
            found.append(lens(ends[0], ends[1], 0.04))
    return found


def _pitch_mm(view: View) -> float:
    """The pitch of the grids on which seeds are looked for: somewhat finer than the photo's pixels."""
    return float(np.clip(0.6 / view.px_per_mm, 0.015, 0.06))


def _about(points: Floats) -> Blades | None:
    """Blades about a connected dark piece, given by its points (n, 2) on the card."""
    centre = points.mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov((points - centre).T))
    along = vectors[:, 1] * np.sign(vectors[0, 1] or 1.0)
    if abs(np.degrees(np.arctan2(along[1], along[0]))) > MOST_ROLL_DEG:
        return None
    across = np.array([-along[1], along[0]])
    local = np.column_stack([(points - centre) @ along, (points - centre) @ across])
    low, high = local[:, 0].min(), local[:, 0].max()
    bins = np.clip(((local[:, 0] - low) / (high - low) * 30).astype(int), 0, 29)
    tops, bottoms = np.full(30, -np.inf), np.full(30, np.inf)
    np.maximum.at(tops, bins, local[:, 1])
    np.minimum.at(bottoms, bins, local[:, 1])
    middles = low + (np.arange(30) + 0.5) / 30 * (high - low)
    seen = tops >= bottoms
    ends = (tops[seen] + bottoms[seen]) / 2
    left = centre + low * along + ends[0] * across
    right = centre + high * along + ends[-1] * across
    start = lens(left, right, max(0.03, float(np.median(tops[seen] - bottoms[seen])) / 2))
    upper = centre + middles[seen, None] * along + tops[seen, None] * across
    lower = centre + middles[seen, None] * along + bottoms[seen, None] * across
    return _quick_fit(start, start.to_local(upper), start.to_local(lower))


def _quick_fit(start: Blades, upper: Floats, lower: Floats) -> Blades:
    """The start with heights fitted to points (n, 2) in its frame: linear, corners and q as they are."""
    half = start.width_mm / 2
    vector = start.vector.copy()
    for points, part, sign in ((upper, UPPER, 1.0), (lower, LOWER, -1.0)):
        u = points[:, 0] / half
        design = np.clip(1 - u**2, 0, None)[:, None] ** 0.85 * np.polynomial.chebyshev.chebvander(u, 2)
        vector[part.start + 1 : part.start + 4] = np.linalg.lstsq(design, sign * points[:, 1], rcond=None)[0]
    return replace(start, vector=vector)


def _settle(patch: Patch, view: View, blades: Blades) -> Blades:
    """Move each edge to the steepest rise outwards nearby, twice, closer the second time."""
    blur = view.blur_mm
    for farthest in (0.35, 0.2):
        # beside a slit, the edges of the cane are stronger than its own
        reach = min(farthest, 0.05 + blades.tallest_mm())
        half = blades.width_mm / 2
        x = (blades.left + blades.right) / 2 + half * np.linspace(-0.97, 0.97, 80)
        low, high = blades.edges(x)
        slope_low, slope_high = blades.slopes(x)
        # never past the other blade: a slit's two edges stay apart
        inward = np.minimum(reach, np.maximum(0.45 * (high - low), 0.3 * blur))
        upper = _steepest(patch, view, blades, x, high, slope_high, 1.0, inward, reach, blur)
        lower = _steepest(patch, view, blades, x, low, slope_low, -1.0, inward, reach, blur)
        if len(upper) < 20 or len(lower) < 20:
            return blades
        blades = fit_blades(blades, blades.to_card(upper), blades.to_card(lower), 0.03)
    return blades


def _steepest(
    patch: Patch,
    view: View,
    blades: Blades,
    x: Floats,
    y: Floats,
    slope: Floats,
    sign: float,
    inward: Floats,
    outward: float,
    blur: float,
) -> Floats:
    """The places (n, 2), in the blades' frame, where brightness rises most along the outward normal."""
    from scipy.ndimage import gaussian_filter

    steps = np.arange(-outward, outward + 1e-9, 0.25 / view.px_per_mm)
    normal = np.column_stack([-slope, np.ones_like(slope)]) * sign / np.hypot(1, slope)[:, None]
    places = np.column_stack([x, y])[:, None] + steps[None, :, None] * normal[:, None]
    light = patch.sample(view.to_pixel(blades.to_card(places)))
    # along the edge first: the two edges of a blade are long, noise and grain are not
    rising = np.gradient(gaussian_filter(light, (2.0, 2.0)), axis=1)
    rising = rising / (0.1 + gaussian_filter(light, (2.0, 4.0)))
    allowed = (steps >= -inward[:, None]) & (steps <= outward)
    rising = np.where(allowed, rising * np.exp(-0.5 * (steps / (0.6 * outward)) ** 2), -1.0)
    best = rising.argmax(axis=1)
    clear = rising[np.arange(len(best)), best] > 0.25 * np.median(rising.max(axis=1))
    return np.asarray(places[np.arange(len(best)), best][clear])


def rate(patch: Patch, view: View, blades: Blades) -> float:
    """How completely something brighter surrounds the opening: mean and weakest tenth of the contrast."""
    outline = blades.polygon(61)
    ahead, behind = np.roll(outline, -1, axis=0), np.roll(outline, 1, axis=0)
    tangent = ahead - behind
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.linalg.norm(tangent, axis=1)[:, None]
    away = 0.05 + 1.0 * view.blur_mm
    inside = min(away, 0.3 * blades.tallest_mm())
    outer = patch.sample(view.to_pixel(outline + away * normal))
    inner = patch.sample(view.to_pixel(outline - inside * normal))
    contrast = (outer - inner) / (np.maximum(outer, 0.0) + np.maximum(inner, 0.0) + 0.05)
    return float(np.clip(0.5 * np.mean(contrast) + 0.5 * np.quantile(contrast, 0.15), -1.0, 1.0))


def plausible(blades: Blades, scale: float, slack: float = 1.0) -> bool:
    """Whether this could be the tip of a double reed lying in the notch."""
    middle = blades.polygon(31).mean(axis=0) / scale
    width, height = blades.width_mm / scale, blades.tallest_mm() / scale
    notch = CARD.notch
    return bool(
        NARROWEST_MM / slack < width < WIDEST_MM * slack
        and 0.005 < height < TALLEST_MM
        and height < 0.6 * slack * width
        and abs(np.degrees(blades.angle)) < MOST_ROLL_DEG
        and notch.x_min_mm < middle[0] < notch.x_max_mm
        and notch.y_min_mm - BELOW_MM < middle[1] < notch.y_max_mm
    )


def _merged(seeds: list[Seed]) -> list[Seed]:
    """Without the seeds that settled on the same edges as a better one, which has then been agreed with."""
    kept: list[Seed] = []
    for seed in seeds:
        x = np.linspace(seed.blades.left, seed.blades.right, 21)
        edges = np.concatenate([np.column_stack([x, edge]) for edge in seed.blades.edges(x)])
        for index, other in enumerate(kept):
            place = other.blades.to_local(seed.blades.to_card(edges))
            low, high = other.blades.edges(place[:, 0])
            away = place[:, 1] - np.concatenate([low[:21], high[21:]])
            if np.abs(away).max() < SAME_MM:
                kept[index] = replace(other, agreed=True)
                break
        else:
            kept.append(seed)
    return kept


def _distinct(seeds: list[Seed], apart_mm: float) -> list[Seed]:
    """Without the guesses that lie on a better one."""
    kept: list[Seed] = []
    for seed in seeds:
        middle = seed.blades.polygon(31).mean(axis=0)
        if all(np.linalg.norm(other.blades.polygon(31).mean(axis=0) - middle) > apart_mm for other in kept):
            kept.append(seed)
    return kept
