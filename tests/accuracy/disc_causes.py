"""What could make the discs of `discs` come out too wide: each cause drawn alone, and what is seen.

The discs are drawn where the photograph has them, eight by eight places to a pixel, in light: ink and paper,
the lens, the tone curve, the pixels, the file. The same code measures them as it measures the photograph.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter

from aperture.view.edges import decode, encode
from aperture.view.sharpening import fit_sharpening
from tests.accuracy.discs import (
    COLUMNS,
    DISTANCE_MM,
    FOLDER,
    NAMES,
    ROWS,
    WIDTH_MM,
    Explained,
    Floats,
    Luma,
    TooLarge,
    by_steps,
    explain,
    half_level,
    luma_of,
    mean_profile,
    px_or_mm,
    too_large,
    two_steps,
)

FINE = 8  # places along a pixel
INK, PAPER = 24 / 255, 150 / 255  # stored, as in the photographs
LENS_PX = 0.2  # blur of the lens, of the pixels of the photographs (what `explain` finds)


@dataclass(frozen=True)
class Cause:
    """How a picture of the discs comes about.

    `in_stored` : pixels are means of stored values, not of light. `exponent` : light is stored brightness to
    this power; None for sRGB. `gain_mm` : how far ink runs over each edge. `scatter_mm` : how far light runs
    within the paper (exponential line spread). `sharpening` : amount of unsharp masking, radius 1.4 px.
    `veil` : light added everywhere, a part of the paper's. `lens_px` : blur. `as_jpeg` : in a file like the
    photograph's.
    """

    in_stored: bool = False
    exponent: float | None = None
    gain_mm: float = 0.0
    scatter_mm: float = 0.0
    sharpening: float = 0.0
    veil: float = 0.0
    lens_px: float = LENS_PX
    as_jpeg: bool = True


@dataclass(frozen=True)
class Measured:
    """A picture of the discs, measured: too wide by the program, by half the stored level; its profile, and
    what explains that: pixels that are means of light, or of stored values."""

    program: TooLarge
    half: TooLarge
    axis: Floats
    profile: Floats
    as_light: Explained
    as_stored: Explained


def measured(luma: Luma) -> Measured:
    """Measure a picture of the discs."""
    discs = by_steps(luma)
    axis, profile = mean_profile(luma, discs)
    return Measured(
        too_large(discs),
        too_large(half_level(luma)),
        axis,
        profile,
        explain(axis, profile, 0.0),
        explain(axis, profile, 1.0),
    )


@cache
def photograph(name: str) -> Measured:
    """A photograph, measured."""
    return measured(luma_of(name))


@cache
def drawn(name: str, cause: Cause) -> Measured:
    """The discs drawn where a photograph has them, measured."""
    return measured(picture(name, cause))


# --- drawing -------------------------------------------------------------------------------------------


@cache
def plane_of(name: str) -> Floats:
    """The homography (3, 3) from the grid, mm, to a photograph's pixels."""
    middles = np.array([disc.middle for disc in half_level(luma_of(name))])
    first = int(np.argmin(np.hypot(*(middles - middles.mean(axis=0)).T)))
    nearest = np.argsort(np.hypot(*(middles - middles[first]).T))[1:9]
    cell = {first: np.zeros(2)}
    steps = {first: two_steps(middles[nearest] - middles[first])}
    waiting = [first]
    while waiting:
        here = waiting.pop(0)
        for way in (np.array([1.0, 0.0]), np.array([-1.0, 0.0]), np.array([0.0, 1.0]), np.array([0.0, -1.0])):
            away = np.hypot(*(middles - middles[here] - steps[here] @ way).T)
            there = int(np.argmin(away))
            if there not in cell and away[there] < 0.2 * np.hypot(*(steps[here] @ way)):
                cell[there] = cell[here] + way
                # perspective changes the steps little by little
                seen = (middles[there] - middles[here]) * way.sum()
                steps[there] = np.where(np.abs(way) > 0, seen[:, None], steps[here])
                waiting.append(there)
    assert len(cell) == ROWS * COLUMNS
    places = np.array([cell[k] for k in range(len(middles))])
    found, _ = cv2.findHomography(DISTANCE_MM * places, middles)
    return np.asarray(found, dtype=np.float64)


@cache
def _away_mm(name: str) -> tuple[Floats, Floats]:
    """On a fine grid: how far from the rim of the nearest disc, mm, inside negative; and px per mm there."""
    rows, columns = luma_of(name).shape
    y, x = (np.indices((rows * FINE, columns * FINE)) + 0.5) / FINE - 0.5
    (a, b, c), (d, e, f), (g, h, i) = np.linalg.inv(plane_of(name))
    depth = g * x + h * y + i
    across = np.stack([(a * x + b * y + c) / depth, (d * x + e * y + f) / depth]) / DISTANCE_MM
    corners = cv2.perspectiveTransform(
        np.array([[disc.middle for disc in half_level(luma_of(name))]]), np.linalg.inv(plane_of(name))
    )[0]
    low, high = np.rint(corners.min(axis=0) / DISTANCE_MM), np.rint(corners.max(axis=0) / DISTANCE_MM)
    nearest = np.clip(np.rint(across), low[:, None, None], high[:, None, None])
    away = DISTANCE_MM * np.hypot(*(across - nearest)) - WIDTH_MM / 2
    slope = np.hypot(*np.gradient(away)) * FINE  # mm a pixel, square to the rim
    return away.astype(np.float32), (1 / np.maximum(slope, 1e-6)).astype(np.float32)


def picture(name: str, cause: Cause) -> Luma:
    """The discs drawn where a photograph has them, (rows, columns), 8 bits."""
    away_mm, px_per_mm = _away_mm(name)
    exponent = cause.exponent
    to_light = decode if exponent is None else lambda s: np.asarray(s**exponent)
    to_stored = encode if exponent is None else lambda v: np.asarray(v ** (1 / exponent))
    cover = np.clip((away_mm - cause.gain_mm) * px_per_mm * FINE + 0.5, 0.0, 1.0)  # 1 on paper
    if cause.scatter_mm:
        # light that enters the paper beside the ink, leaves it under the ink, and is lost
        x = np.maximum(away_mm - cause.gain_mm, 0.0) / cause.scatter_mm
        cover = cover * (1.0 - 0.5 * np.exp(-x))
    ink, paper = (float(to_light(np.array(level))) for level in (INK, PAPER))
    sigma = cause.lens_px * FINE
    light = cv2.GaussianBlur(ink + (paper - ink) * cover, (0, 0), sigma) + cause.veil * paper
    light = np.clip(light.astype(np.float64), 0.0, 1.0)
    stored = _pixels(to_stored(light)) if cause.in_stored else to_stored(_pixels(light))
    if cause.sharpening:
        stored = stored + cause.sharpening * (stored - gaussian_filter(stored, 1.4))
    luma = np.rint(255 * np.clip(stored, 0.0, 1.0)).astype(np.uint8)
    return _through_file(name, luma) if cause.as_jpeg else luma


def _pixels(fine: Floats) -> Floats:
    """The means over the pixels."""
    rows, columns = fine.shape[0] // FINE, fine.shape[1] // FINE
    return np.asarray(fine.reshape(rows, FINE, columns, FINE).mean(axis=(1, 3)))


def _through_file(name: str, luma: Luma) -> Luma:
    """The picture out of a JPEG with the photograph's own quantisation."""
    with Image.open(FOLDER / name) as photo:
        table = photo.quantization[0]  # type: ignore[attr-defined]
    file = io.BytesIO()
    Image.fromarray(luma).save(file, "JPEG", qtables=[table])
    return np.asarray(Image.open(file))


# --- the table -----------------------------------------------------------------------------------------

GAIN_MM = 0.05  # how far ink would have to run over each edge to explain what is seen
DRAWN = (
    ("pixels are means of light, as a sensor has them", Cause()),
    ("the same, not through a JPEG", Cause(as_jpeg=False)),
    ("made smaller: pixels are means of stored values", Cause(in_stored=True)),
    ("a tone curve of exponent 1.6, not sRGB's", Cause(exponent=1.6)),
    (f"ink that runs {GAIN_MM} mm over each edge", Cause(gain_mm=GAIN_MM)),
    ("light that runs 0.1 mm within the paper", Cause(scatter_mm=0.1)),
    ("sharpening by 0.4", Cause(sharpening=0.4)),
    ("a veil of 5 % of the paper's light", Cause(veil=0.05)),
    ("twice the blur of the lens", Cause(lens_px=2 * LENS_PX)),
)


@dataclass(frozen=True)
class Row:
    """What one picture, or the mean of several, gives: px, px, and rms misfits in stored levels of 255."""

    program_px: float
    half_px: float
    as_light: float
    as_stored: float


def row(pictures: Sequence[Measured]) -> Row:
    """The mean over pictures."""
    values = [
        (m.program.px.mean(), m.half.px.mean(), 255 * m.as_light.misfit, 255 * m.as_stored.misfit)
        for m in pictures
    ]
    return Row(*np.mean(values, axis=0).tolist())


def right_exponent(name: str, large: bool | None = None) -> float:
    """The exponent of a tone curve with which the program's edges would make the discs right.

    Parameters
    ----------
    large : only the larger half of the discs, as the photo shows them, or only the smaller.
    """
    tried = np.array([1.0, 1.4, 1.8, 2.2])
    errors = []
    for exponent in tried:
        curve = (np.arange(256) / 255.0) ** exponent
        found = too_large(by_steps(luma_of(name), lambda luma, curve=curve: curve[luma].astype(np.float32)))
        is_large = found.px_per_mm > np.median(found.px_per_mm)
        errors.append(found.px.mean() if large is None else found.px[is_large == large].mean())
    return float(np.interp(0.0, errors, tried))


def overshoot(axis: Floats, profile: Floats) -> tuple[float, float]:
    """How far the profile beside the edge lies beyond its level further out, as parts of the step: on the ink
    (darker), on the paper (brighter). A halo makes it positive."""
    ink, paper = (profile[(np.abs(axis) > 4) & (axis * sign > 0)].mean() for sign in (-1, 1))
    darkest = profile[(axis > -3) & (axis < 0)].min()
    brightest = profile[(axis < 3) & (axis > 0)].max()
    return float((ink - darkest) / (paper - ink)), float((brightest - paper) / (paper - ink))


def table(names: Sequence[str] = NAMES) -> str:
    """What is measured, what each cause would do, and the marks by which they are told apart, as text."""
    seen = [photograph(name) for name in names]
    lines = [
        "Discs too wide by, px: by the program's edges, by half the stored level. Misfit of the mean",
        "profile, levels of 255, explained by pixels that are means of light, and of stored values.",
        "",
        f"{'':52}program    half   light  stored",
        *(_row(f"photograph {name}", row([one])) for name, one in zip(names, seen, strict=True)),
        "drawn in the same places:",
        *(_row(f"  {words}", row([drawn(name, cause) for name in names])) for words, cause in DRAWN),
        "",
        *_marks(names, seen),
    ]
    return "\n".join(lines)


def _row(words: str, values: Row) -> str:
    return (
        f"{words:52}{values.program_px:+7.3f} {values.half_px:+7.3f}"
        f" {values.as_light:7.2f} {values.as_stored:7.2f}"
    )


def _marks(names: Sequence[str], seen: Sequence[Measured]) -> list[str]:
    """What tells the causes apart, as measured on the photographs."""
    parts = px_or_mm([one.program for one in seen])
    share = [explain(one.axis, one.profile, None).in_stored for one in seen]
    exponents = [right_exponent(name) for name in names]
    halves = [right_exponent(name, large) for large in (False, True) for name in names]
    left = [explain(one.axis, one.profile, 0.0, g).misfit for one, g in zip(seen, exponents, strict=True)]
    halos = [overshoot(one.axis, one.profile) for one in seen]
    near = [(one.axis[np.abs(one.axis) < 5], one.profile[np.abs(one.axis) < 5]) for one in seen]
    amounts = [fit_sharpening(axis, profile[None]).amount for axis, profile in near]
    sides = [_by_direction(name) for name in names]
    after = [one.program.mean_px()[0] + 2 * one.as_stored.place_px for one in seen]
    scale = float(np.mean([one.program.px_per_mm.mean() for one in seen]))
    return [
        f"part of a pixel's mean that is of stored values, fitted: {_list(share, '.2f')} (a sensor's: 0)",
        f"constant part of the program's error: {parts['px'][0]:+.3f} ± {parts['px'][1]:.3f} px,"
        f" {parts['mm'][0]:+.3f} ± {parts['mm'][1]:.3f} mm (a picture's cause: all in px; a print's: in mm)",
        f"exponent that makes the width right: {_list(exponents, '.2f')}; of small and large discs apart:"
        f" {_list(halves, '.2f')};",
        f"  the profile's misfit with it: {_list([255 * one for one in left], '.2f')} levels",
        f"beyond the level further out, of the step: ink {_list([100 * h[0] for h in halos], '+.1f')} %,"
        f" paper {_list([100 * h[1] for h in halos], '+.1f')} % (a halo's are positive);",
        f"  sharpening that the program's own fit sees: {_list(amounts, '.3f')}",
        f"edges that face right, down, left, up lie apart by at most {_list(sides, '.3f')} px",
        f"too wide once the edge is where means of stored values have it: {_list(after, '+.3f')} px"
        f" ({_list([one / scale for one in after], '+.3f')} mm)",
    ]


def _list(values: Sequence[float], how: str) -> str:
    return ", ".join(format(value, how) for value in values)


def _by_direction(name: str) -> float:
    """How far edges that face in four directions lie apart, px, each from the mean outline."""
    luma = luma_of(name)
    discs = by_steps(luma)
    profiles = [mean_profile(luma, discs, toward) for toward in (0.0, 90.0, 180.0, -90.0)]
    places = [explain(axis, profile, 1.0).place_px for axis, profile in profiles]
    return float(np.ptp(places))
