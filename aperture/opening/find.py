"""View -> Outline: finds the opening in the notch and places its edge to a fraction of a pixel."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from aperture.card.geometry import CARD
from aperture.errors import OpeningError
from aperture.opening.appearance import NEARLY_OUTSIDE_MM, OPEN, OUTSIDE_MM, SLIT, Assumed
from aperture.opening.blades import Blades, fit_blades
from aperture.opening.fitting import Explained, explain, misfit_on, unexplained
from aperture.opening.seeds import faint_slits, find_seeds, notch_points, plausible, rate
from aperture.photo import Photo
from aperture.view.edges import Patch
from aperture.view.view import View

Floats = NDArray[np.float64]

# A blade's rim at the tip, and how far a lit inner wall is seen to fade: working values from memory, about
# 0.06 to 0.15 mm, and 0.05 to 0.25 mm. What the doubt does to the outline is found by fitting again with the
# other two.
USUAL = Assumed(rim_mm=0.105, reach_mm=0.15)
THICKER = Assumed(rim_mm=0.130, reach_mm=0.15)  # one standard uncertainty more
SHORTER = Assumed(rim_mm=0.105, reach_mm=0.05)
LIT_FROM_MM = 0.4  # where an opening is lower than that, no band of a wall's light is to be seen in it
# Where the band between the edge and the end of the cane is thicker than a rim, yet no more than this, it may
# be a lit inner wall.
THICKEST_RIM_MM, WIDEST_WALL_MM = 0.17, 1.3
# What the model may leave unexplained, relative to the rim's brightness, before there is no result. Before a
# person must look: at the edges themselves; how far off the outline a piece of an edge may seem to lie; and
# how far the doubt about rim and wall may move the height (standard uncertainty).
WORST_MISFIT, SURROUNDED_MISFIT, SHUT_MISFIT = 0.2, 0.25, 0.075
WEAK_MISFIT, MOST_STRAY_MM, MOST_WALL_DOUBT_MM = 0.1, 0.02, 0.03
# Two starts at one place, but for a little, may end this far apart in width before a person must look. An
# opening this many blurs high should be surrounded at least this well.
TORN_WIDTH_MM, SAME_MM = 0.5, 0.2
SLIT_BLURS, LEAST_BORDER = 6.0, 0.25
TORN_MM = 0.05  # how far the height may move when more of the surroundings must be explained
# How much smaller the misfit around a reading with a lit wall must be than that of the plain reading.
CLEARLY_BETTER = 0.8
LEAST_OF_HULL = 0.9  # the share of its convex hull that an opening fills
# How completely a second opening must be surrounded by something brighter to count as a second reed.
ANOTHER, EXPLAINED = 0.3, 0.12
THIN_MM, SHORTER_MM = 0.5, 1.0  # the ends of a thin opening may be found too far out by more than that
FAINT_MM = 0.2  # what only faint lines show can be no taller
# Glare: this share of the inside brighter than this part of the rim; and a film of water: all of it brighter
# than that part.
GLARE_LEVEL, GLARE_SHARE, FILM_LEVEL = 0.9, 0.02, 0.12


@dataclass(frozen=True)
class Outline:
    """The opening's outline.

    `points_mm` (n, 2) float64: closed polygon in card millimetres, plane of the tip, counter-clockwise from
    the left corner. `displacements_mm` (k, n, 2): independent ways in which the outline may really lie
    elsewhere, each one standard uncertainty; `sources` (k,) names them.
    """

    points_mm: Floats
    displacements_mm: Floats
    sources: tuple[str, ...]
    flags: tuple[str, ...]


def find_opening(photo: Photo, view: View) -> Outline:
    """Outline the opening of the reed in the notch.

    Raises
    ------
    OpeningError : there is no reed, no opening to be seen, more than one, or glare across it.
    """
    patch = view.patch(photo.luma, notch_points(view.scale))
    tries = _tries(patch, view)
    if not tries and not _something_there(patch, view):
        raise OpeningError("no-reed")
    refusal = OpeningError("opening-not-found")
    if tries:
        (first, is_agreed), others = tries[0], [found for found, _ in tries[1:]]
        try:
            return _outlined(patch, view, first, others, is_agreed)
        except OpeningError as error:
            # a clear border all around: there is the opening, and nowhere else
            if error.code == "more-than-one-reed" or rate(patch, view, first.blades) > LEAST_BORDER:
                raise
            refusal = error
    shut = _shut_tries(patch, view)
    if not shut:
        raise refusal
    return _outlined(patch, view, shut[0], shut[1:], is_agreed=False, is_guess=True)


def _tries(patch: Patch, view: View) -> list[tuple[Explained, bool]]:
    """What may be the opening, the most convincing first, and whether two first guesses agreed on it."""
    tries: list[tuple[Explained, bool]] = []
    for seed in find_seeds(patch, view):
        starts = [seed.blades, *(_pushed(patch, view, seed.blades, side) for side in ("lower", "upper"))]
        found = [_roughly(patch, view, start) for start in starts if start is not None]
        found = [each for each in found if _is_opening(patch, each, view)]
        if found:
            likely = _best_on_band(patch, view, seed.blades, found)
            # neither a border around it nor darkness in it: cane and background, seen together
            if not (_hardly_surrounded(patch, view, likely) and _glare(patch, view, likely)):
                tries.append((likely, seed.agreed))
    tries.sort(key=lambda each: -_score(patch, view, each[0]))
    return tries


def _shut_tries(patch: Patch, view: View) -> list[Explained]:
    """What may be a shut opening of which only a part shows, the best explained first."""
    faint = [_closer(patch, view, start, (12, 12)) for start in faint_slits(patch, view)]
    shut = [each for each in faint if _is_shut(patch, each, view)]
    # the least light unexplained in all, however bright the rim
    return sorted(shut, key=lambda found: found.misfit * float(np.median(found.rim)))


def _outlined(
    patch: Patch,
    view: View,
    first: Explained,
    others: list[Explained],
    is_agreed: bool,
    is_guess: bool = False,
) -> Outline:
    """The outline that a try leads to; what is only a guess goes to review in any case.

    Raises
    ------
    OpeningError : it is not the opening of a reed, or not of one alone, or there is glare across it.
    """
    tries = [first] if is_agreed else [first, *others[:1]]
    near, *rivals = [_closer(patch, view, each.blades, (12, 12)) for each in tries]
    if rivals and _apart(rivals[0], near) and _surer(patch, view, rivals[0], near):
        near, rivals = rivals[0], []
    near = _ends_found(patch, view, near)
    best = explain(patch, view, near.blades, _in_detail(USUAL, near.blades))
    # what lies farther outside tells the rim from it; where that pulls the blades away, the edges alone count
    is_pulled = abs(best.blades.tallest_mm() - near.blades.tallest_mm()) > TORN_MM
    is_pulled |= near.blades.tallest_mm() < FAINT_MM and not _is_opening(patch, best, view)
    best = near if is_pulled else best
    is_torn = any(
        _is_opening(patch, each, view) and _explains_more(patch, view, each, best) for each in rivals
    )
    left = unexplained(patch, view, best)
    is_weak = left.misfit > WEAK_MISFIT or left.stray_mm > MOST_STRAY_MM
    is_bare = rate(patch, view, best.blades) < 0.0
    is_doubtful = is_guess or is_torn or is_pulled or is_weak or is_bare
    if _another(patch, view, best, [first, *others]):
        raise OpeningError("more-than-one-reed")
    if _glare(patch, view, best):
        raise OpeningError("glare")
    if not _is_opening(patch, best, view):
        raise OpeningError("opening-not-found", "what is there does not look like the opening of a reed")
    outside_mm = NEARLY_OUTSIDE_MM if is_pulled else OUTSIDE_MM
    thicker = explain(patch, view, best.blades, _in_detail(THICKER, near.blades), (6,), outside_mm)
    shorter = explain(patch, view, best.blades, _in_detail(SHORTER, near.blades), (6,), outside_mm)
    return _outline(best, thicker, shorter, view, is_doubtful)


def _in_detail(assumed: Assumed, blades: Blades) -> Assumed:
    """The same with as much detail of the light as there may be in an opening like this."""
    return replace(assumed, detail=OPEN if blades.tallest_mm() > LIT_FROM_MM else SLIT)


def _closer(patch: Patch, view: View, start: Blades, rounds: tuple[int, ...]) -> Explained:
    """A rough guess brought near the edges."""
    return explain(patch, view, start, _in_detail(USUAL, start), rounds, NEARLY_OUTSIDE_MM)


def _roughly(patch: Patch, view: View, start: Blades) -> Explained:
    """A first guess brought so near that it can be told whether it is an opening, in two goes if need be."""
    found = explain(patch, view, start, USUAL, (8,), NEARLY_OUTSIDE_MM)
    if found.misfit < WORST_MISFIT:
        return found
    return explain(patch, view, found.blades, USUAL, (8,), NEARLY_OUTSIDE_MM)


def _ends_found(patch: Patch, view: View, found: Explained) -> Explained:
    """The same, or a better explanation whose corners lie farther in.

    Where two edges are a hair apart, a fit that began too long may have found no way back to the reed's ends.
    """
    if found.blades.tallest_mm() > THIN_MM:
        return found
    misfit_of = _judge_on_band(patch, view, found.blades)
    best, least = found, misfit_of(found)
    for _ in range(3):
        before = best
        for left_mm, right_mm in ((SHORTER_MM, 0.0), (0.0, SHORTER_MM), (SHORTER_MM, SHORTER_MM)):
            other = _closer(patch, view, best.blades.shortened(left_mm, right_mm), (8, 8))
            is_narrower = other.blades.width_mm < found.blades.width_mm
            if is_narrower and _is_opening(patch, other, view) and (misfit := misfit_of(other)) < least:
                best, least = other, misfit
        if best is before:
            break
    return best


def _explains_more(patch: Patch, view: View, other: Explained, one: Explained) -> bool:
    """Whether the other of two starts at the same opening ended elsewhere and explains the wider one better.

    What one of them leaves out, a corner perhaps, it need not explain; so both are asked about the wider one.
    If they are as wide, the other must explain the edges no worse, too.
    """
    widths_mm = [one.blades.width_mm, other.blades.width_mm]
    as_wide = abs(widths_mm[0] - widths_mm[1]) < TORN_WIDTH_MM
    as_tall = abs(one.blades.tallest_mm() - other.blades.tallest_mm()) < TORN_MM
    if not _lies_in(other, one, SAME_MM) or (as_wide and (as_tall or other.misfit > one.misfit)):
        return False
    misfit_of = _judge_on_band(patch, view, (one, other)[int(np.argmax(widths_mm))].blades)
    return misfit_of(other) < misfit_of(one)


def _lies_in(other: Explained, one: Explained, slack_mm: float = 0.0) -> bool:
    """Whether the middle of one opening lies inside of another: a part of it, or the same once more."""
    x, y = one.blades.to_local(other.blades.polygon().mean(axis=0))
    low, high = one.blades.edges(np.array([x]))
    return bool(low[0] - slack_mm < y < high[0] + slack_mm)


def _hardly_surrounded(patch: Patch, view: View, found: Explained) -> bool:
    """Whether an opening that is no slit lacks a clear bright border: a shadow under a blade, perhaps."""
    tall = found.blades.tallest_mm() > SLIT_BLURS * view.blur_across_mm
    return bool(tall and rate(patch, view, found.blades) < LEAST_BORDER)


def _something_there(patch: Patch, view: View) -> bool:
    """Whether anything with sharp edges lies in the notch (the wall far behind has none)."""
    from scipy.ndimage import gaussian_filter

    notch = CARD.notch
    x = np.arange(notch.x_min_mm + 0.8, notch.x_max_mm - 0.8, 0.05) * view.scale
    y = np.arange(notch.y_min_mm + 0.8, notch.y_max_mm - 0.8, 0.05) * view.scale
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    light = patch.sample(view.to_pixel(grid))
    smooth = gaussian_filter(light, max(1.5, view.blur_mm / 0.05))
    rows, columns = np.gradient(smooth)
    steep = np.hypot(rows, columns) / (0.1 + smooth)
    return bool(np.mean(steep > 0.05) > 0.01)


def _another(patch: Patch, view: View, best: Explained, others: list[Explained]) -> bool:
    """Whether a second opening, apart from the first, convinces by itself."""
    middle = best.blades.polygon().mean(axis=0)
    for other in others:
        far = np.linalg.norm(other.blades.polygon().mean(axis=0) - middle) > 1.5
        apart = far and not _lies_in(other, best)
        if apart and other.misfit < EXPLAINED and rate(patch, view, other.blades) > ANOTHER:
            return True
    return False


def _glare(patch: Patch, view: View, found: Explained) -> bool:
    """Whether light from outside reaches the eye where the bore should be dark, away from the edges.

    Either a part is as bright as the rim (a lamp mirrored in wet cane), or not even the darkest part is dark
    (a film of water across the opening).
    """
    blades = found.blades
    margin = 0.15 + 2.5 * view.blur_across_mm
    x = np.linspace(blades.left, blades.right, 120)
    low, high = blades.edges(x)
    y = np.arange(low.min(), high.max(), 0.5 / view.px_per_mm)
    inside = (y > low[:, None] + margin) & (y < high[:, None] - margin)
    if inside.sum() < 20:
        return False
    grid = np.stack(np.broadcast_arrays(x[:, None], y[None, :]), axis=-1)
    light = patch.sample(view.to_pixel(blades.to_card(grid[inside])))
    rim = np.median(found.rim)
    bright = np.mean(light > GLARE_LEVEL * rim) > GLARE_SHARE
    veil = view.black / view.white  # stray light that lies over ink and bore alike
    return bool(bright or np.quantile(light, 0.05) - veil > FILM_LEVEL * rim)


def _score(patch: Patch, view: View, found: Explained) -> float:
    """How much an opening convinces: surrounded by brightness, long, and well explained."""
    length = np.sqrt(max(found.blades.width_mm, 0.0))
    return float(rate(patch, view, found.blades) * length / (0.03 + found.misfit))


def _apart(other: Explained, one: Explained) -> bool:
    """Whether they are not the same opening: either's middle lies outside of the other."""
    return not (_lies_in(other, one, SAME_MM) and _lies_in(one, other, SAME_MM))


def _surer(patch: Patch, view: View, other: Explained, one: Explained) -> bool:
    """Whether the other of two places, looked at closely, convinces more."""
    if not _is_opening(patch, other, view):
        return False
    return not _is_opening(patch, one, view) or _score(patch, view, other) > _score(patch, view, one)


def _best_on_band(patch: Patch, view: View, seed: Blades, found: list[Explained]) -> Explained:
    """Of several readings of one seed, the plain first one, unless another explains the surroundings clearly
    better, and the edges no worse."""
    found = [found[0], *(each for each in found[1:] if each.misfit <= found[0].misfit)]
    if len(found) == 1:
        return found[0]
    misfits = [*map(_judge_on_band(patch, view, seed), found)]
    best = int(np.argmin(misfits))
    return found[best] if misfits[best] < CLEARLY_BETTER * misfits[0] else found[0]


def _judge_on_band(patch: Patch, view: View, blades: Blades) -> Callable[[Explained], float]:
    """What tells how badly a reading explains the band around these blades."""
    points = _band(blades)
    light = patch.sample(view.to_pixel(points))
    return lambda found: misfit_on(points, light, found, view, USUAL)


def _band(blades: Blades) -> Floats:
    """Points (n, 2) on either side of both edges, from a little inside to well outside."""
    x = np.linspace(blades.left, blades.right, 62)[1:-1]
    low, high = blades.edges(x)
    reach = np.linspace(-0.25, WIDEST_WALL_MM, 40)
    y = np.concatenate([low[:, None] - reach, high[:, None] + reach], axis=1)
    points = np.stack([np.broadcast_to(x[:, None], y.shape), y], axis=-1)
    inside = (y < high[:, None]) & (y > low[:, None])
    keep = ~inside | (np.minimum(np.abs(y - low[:, None]), np.abs(y - high[:, None])) < 0.25)
    return blades.to_card(points[keep])


def _pushed(patch: Patch, view: View, blades: Blades, side: str) -> Blades | None:
    """Blades with one edge moved out to a rim's thickness from the end of the cane; None if it is no wall."""
    from scipy.ndimage import gaussian_filter

    x = np.linspace(blades.left, blades.right, 62)[6:-6]
    low, high = blades.edges(x)
    edge, sign = (low, -1.0) if side == "lower" else (high, 1.0)
    reach = np.arange(0.0, WIDEST_WALL_MM + 0.3, 0.25 / view.px_per_mm)
    points = np.stack(
        [np.broadcast_to(x[:, None], (len(x), len(reach))), edge[:, None] + sign * reach], axis=-1
    )
    light = patch.sample(view.to_pixel(blades.to_card(points)))
    smooth = gaussian_filter(light, (3.0, 3.0))
    change = np.abs(np.gradient(smooth, axis=1)) / (0.1 + smooth)
    change[:, reach < 0.6 * THICKEST_RIM_MM] = 0.0
    end = reach[change.argmax(axis=1)]
    thick = float(np.median(end))
    scatter = 1.4826 * float(np.median(np.abs(end - np.median(end))))
    if not THICKEST_RIM_MM < thick < WIDEST_WALL_MM or scatter > 0.5 * thick:
        return None
    keep = np.abs(end - thick) < 3 * scatter + 0.05
    moved = np.column_stack([x, edge + sign * np.maximum(end - USUAL.rim_mm, 0.0)])[keep]
    other = np.column_stack([x, high if side == "lower" else low])
    upper, lower = (other, moved) if side == "lower" else (moved, other)
    return fit_blades(blades, blades.to_card(upper), blades.to_card(lower), 0.05)


def _is_opening(patch: Patch, found: Explained, view: View) -> bool:
    """Whether what was fitted is a dark place within a brighter rim, where and as a tip can be.

    Where something bright surrounds it, more may be left unexplained.
    """
    rim, bore = float(np.median(found.rim)), float(np.median(found.bore, axis=1).min())
    dark = rim > 0.03 and bore < 0.35 * rim
    if not (dark and plausible(found.blades, view.scale) and _sensible(found.blades)):
        return False
    surrounded = rate(patch, view, found.blades) > LEAST_BORDER
    return found.misfit < (SURROUNDED_MISFIT if surrounded else WORST_MISFIT)


def _sensible(blades: Blades) -> bool:
    """Whether the outline is between a lens and an oval, hardly dented, and lies about its chord.

    The area is 2/3 of width times height for a lens of two parabolas and 0.785 for an ellipse. A line that
    follows the outside of the cane is bowed by more than it is high; an opening with one flat blade, by half.
    """
    import cv2

    x = np.linspace(blades.left, blades.right, 101)
    low, high = blades.edges(x)
    chord = np.linspace(blades.vector[1], blades.vector[3], 101)
    tallest = max(blades.tallest_mm(), 1e-6)
    area = float(np.mean(high - low))
    bow = float(np.max(np.abs((low + high) / 2 - chord)))
    if not (0.45 < area / tallest < 0.95 and bow < 0.6 * tallest + 0.03):
        return False
    around = np.concatenate([np.column_stack([x, low]), np.column_stack([x, high])]).astype(np.float32)
    return (
        tallest <= THIN_MM
        or area >= LEAST_OF_HULL * cv2.contourArea(cv2.convexHull(around)) / blades.width_mm
    )


def _is_shut(patch: Patch, found: Explained, view: View) -> bool:
    """Whether this is a line rather than an opening, and well explained."""
    well = found.misfit < SHUT_MISFIT
    return _is_opening(patch, found, view) and well and found.blades.tallest_mm() < FAINT_MM


def _outline(
    best: Explained, thicker: Explained, shorter: Explained, view: View, is_doubtful: bool
) -> Outline:
    points = best.blades.polygon()
    edges = _edge_displacements(best)
    rim = thicker.blades.polygon() - points
    wall = (shorter.blades.polygon() - points) / np.sqrt(3.0)  # as likely shorter as longer, GUM 4.3.7
    wall_mm = abs(shorter.blades.tallest_mm() - best.blades.tallest_mm())
    rim_doubt_mm = abs(thicker.blades.tallest_mm() - best.blades.tallest_mm())
    flags = []
    if is_doubtful:
        flags.append("edge-weak")
    if float(np.hypot(wall_mm / np.sqrt(3.0), rim_doubt_mm)) > MOST_WALL_DOUBT_MM:
        flags.append("inner-wall-lit")
    if best.blades.tallest_mm() < 2.0 * view.blur_across_mm:
        flags.append("thin-slit")
    return Outline(
        points_mm=points,
        displacements_mm=np.concatenate([edges, rim[None], wall[None]]),
        sources=("edge",) * len(edges) + ("rim of the blades", "lit inner wall"),
        flags=tuple(flags),
    )


def _edge_displacements(found: Explained) -> Floats:
    """The principal ways in which the fitted blades may lie elsewhere; (k, n, 2) mm, one sigma each."""
    values, vectors = np.linalg.eigh(found.covariance)
    here = found.blades.polygon()
    moved = []
    for value, vector in zip(values, vectors.T, strict=True):
        if value > 1e-10:
            step = 0.1 * np.sqrt(value)
            shifted = Blades(found.blades.origin_mm, found.blades.angle, found.blades.vector + step * vector)
            moved.append((shifted.polygon() - here) / 0.1)
    return np.array(moved)
