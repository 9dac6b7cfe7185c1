"""Parts of the program on real photographs: those that travel inside scikit-image.

None shows a reed or the card, so none can say how exact a measured opening is; that rests on rendered
pictures. They show that the parts work on what real lenses, sensors and surfaces give: edges with texture
beside them, outlines that are no curve of ours, files that other programs wrote. Nothing is downloaded.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from PIL import Image
from scipy.ndimage import gaussian_filter, gaussian_gradient_magnitude, sobel
from skimage.feature import peak_local_max
from skimage.filters import gaussian, threshold_otsu
from skimage.measure import find_contours, label, regionprops

from aperture.card import geometry
from aperture.errors import PhotoError
from aperture.measure import measure
from aperture.photo import read_photo
from aperture.shape import describe
from aperture.view.edges import Patch, decode, encode, fit_steps, linear_light
from aperture.view.sharpening import Sharpening, unsharpened
from tests.made_photos import PX_PER_MM_DRAWN, camera_before, luma_of, printed

FOLDER = Path(skimage.data.__file__).parent
PICTURES = sorted(path for path in FOLDER.iterdir() if path.suffix in {".png", ".jpg", ".tif", ".gif"})
# Photographs with crisp edges: a man with a tripod, a motorcycle in a workshop, the back of an eye (where
# most of the edges are those of the instrument's round window).
SHARP = ["camera.png", "motorcycle_left.png", "retina.jpg"]
# What is seen through an empty notch, and how many pixels a millimetre has. Something dark and long with
# something bright around it (a gap between machine parts) can pass for an opening, and has done so.
CLUTTER = [
    ("coins.png", 13.0),
    ("motorcycle_left.png", 13.0),
    ("motorcycle_left.png", 20.0),
    ("retina.jpg", 20.0),
]
AXIS_PX = np.linspace(-9.0, 9.0, 73)


# --- edges and blur -----------------------------------------------------------------------------------


def strong_edges(luma):
    """Places (n, 2), (x, y), where brightness changes fastest, and unit vectors (n, 2) across the edges."""
    smooth = gaussian_filter(linear_light(luma), 1.5)
    places = peak_local_max(
        gaussian_gradient_magnitude(linear_light(luma), 1.5),
        min_distance=3,
        exclude_border=14,
        num_peaks=2000,
    )
    across = np.stack([sobel(smooth, axis)[tuple(places.T)] for axis in (1, 0)], axis=1)
    return places[:, ::-1].astype(float), across / np.linalg.norm(across, axis=1)[:, None]


def steps_at(luma, places, across):
    """Steps fitted to the mean of three neighbouring profiles across each edge, and those profiles."""
    patch = Patch(linear_light(luma), 0, 0)
    along = np.stack([-across[:, 1], across[:, 0]], axis=1)
    profiles = np.mean(
        [
            patch.sample((places + shift * along)[:, None] + AXIS_PX[:, None] * across[:, None])
            for shift in (-1, 0, 1)
        ],
        axis=0,
    )
    return fit_steps(AXIS_PX, profiles, 1.0), profiles


def is_one_step(steps):
    """Which edges look like a single step: most of what is in a photograph is something else."""
    contrast = np.abs(steps.after - steps.before)
    return (contrast > 0.1) & (steps.residual < 0.03 * contrast) & (np.abs(steps.position) < 1.5)


@pytest.mark.parametrize("name", SHARP)
@pytest.mark.parametrize("added_px", [0.8, 1.2, 2.0])
def test_blur_added_to_a_real_photograph_is_found_again(name, added_px):
    """Blurs add in quadrature (variances of convolved densities add); SciPy's Gaussian is the blur.

    The photograph's own blur is unknown and its edges are not quite Gaussian; that the difference comes back
    to 3 % shows that the fitted blur means what it says beyond drawn steps.
    """
    luma = read_photo(FOLDER / name).luma
    places, across = strong_edges(luma)
    soft = gaussian_filter(linear_light(luma).astype(float), added_px)
    before, _ = steps_at(luma, places, across)
    after, _ = steps_at(np.rint(255 * encode(soft)).astype(np.uint8), places, across)
    chosen = is_one_step(before) & is_one_step(after)
    assert chosen.sum() >= 30
    found = np.sqrt(np.maximum(after.sigma**2 - before.sigma**2, 0.0))[chosen]
    assert np.median(found) == pytest.approx(added_px, rel=0.03)
    # The edge stays where it was. What lies beside it may pull it, a blur of 2 px reaches 6 px far.
    assert np.median(np.abs(after.position - before.position)[chosen]) < 0.05 * added_px + 0.01


@pytest.mark.parametrize("name", SHARP)
def test_an_edge_lies_where_a_contour_at_half_height_runs(name):
    """scikit-image's marching squares at the level half-way between both sides of the step."""
    luma = read_photo(FOLDER / name).luma
    places, across = strong_edges(luma)
    steps, _ = steps_at(luma, places, across)
    distances = []
    for index in np.flatnonzero(is_one_step(steps))[:40]:
        edge = places[index] + steps.position[index] * across[index]
        left, top = (np.floor(edge) - 8).astype(int)
        patch = linear_light(luma[top : top + 17, left : left + 17])
        half = (steps.before[index] + steps.after[index]) / 2
        contour = np.concatenate(find_contours(patch, half))[:, ::-1] + [left, top]
        distances.append(np.linalg.norm(contour - edge, axis=1).min())
    assert len(distances) >= 30
    # A contour's vertices lie up to half a pixel apart from the nearest point, hence not zero.
    assert np.median(distances) < 0.3


@pytest.mark.parametrize("name", SHARP[:2])  # the third shows next to no halos
def test_sharpening_of_a_real_photograph_is_undone(name):
    """An unsharp mask made with SciPy on stored values, as a phone does it, rounded to 8 bits."""
    luma = read_photo(FOLDER / name).luma.astype(float)
    # Halos beyond black and white are cut off by a phone and cannot be had back: leave room for them.
    luma = 64 + luma / 2
    sharp = luma + 0.6 * (luma - gaussian_filter(luma, 1.4))
    stored = np.clip(np.rint(sharp), 0, 255).astype(np.uint8)
    assert np.abs(stored - luma).max() > 10  # else the check below says nothing
    restored = 255 * unsharpened(stored, Sharpening(0.6, 1.4, (1.0, 1.0), 0.0))
    # One grey level: half of it is rounding.
    assert np.abs(restored - luma)[8:-8, 8:-8].max() < 1.0


# --- outlines -----------------------------------------------------------------------------------------


def test_outlines_of_real_coins_measure_what_counting_pixels_gives():
    """scikit-image's regionprops of the segmented coins against the numbers of their contour polygons.

    Both are given the same threshold (Otsu); what is compared is the arithmetic on ragged real outlines. A
    region of pixels and a contour between them differ by fractions of a pixel, hence the tolerances.
    """
    smooth = gaussian(read_photo(FOLDER / "coins.png").luma.astype(float), 1.0, preserve_range=True)
    level = threshold_otsu(smooth)
    rows, columns = smooth.shape
    compared = 0
    for region in regionprops(label(smooth > level)):
        top, left, bottom, right = region.bbox
        if region.area_filled < 600 or min(top, left) == 0 or bottom == rows or right == columns:
            continue  # dust, or cut off by the edge of the picture
        # The picture without its other coins, so that the outermost contour is this coin's.
        alone = np.pad(smooth[top:bottom, left:right].copy(), 1, mode="constant", constant_values=level - 20)
        mine = np.pad(region.image_filled, 1)
        ring = cv2.dilate(mine.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        alone[~ring] = level - 20
        outline = max(find_contours(alone, level), key=len)[:-1, ::-1]
        shape = describe(outline)
        (filled,) = regionprops(region.image_filled.astype(np.uint8))
        compared += 1
        assert shape.area_mm2 == pytest.approx(filled.area, rel=0.015)
        assert shape.ellipse_major_mm == pytest.approx(filled.axis_major_length, abs=0.5)
        assert shape.ellipse_minor_mm == pytest.approx(filled.axis_minor_length, abs=0.5)
        assert shape.ellipse_ratio == pytest.approx(
            filled.axis_minor_length / filled.axis_major_length, abs=0.01
        )
        # A Feret diameter of pixels counts their corners: up to a diagonal (1.41) more.
        assert -1.5 < shape.width_mm - filled.feret_diameter_max < 0.2
    assert compared >= 20  # there are 24 coins; some touch the edge or each other


# --- files --------------------------------------------------------------------------------------------


def readable():
    """The pictures that are large enough to be a photo."""
    for path in PICTURES:
        try:
            yield path, read_photo(path)
        except PhotoError:
            continue


def test_brightness_of_real_files_is_that_of_other_decoders():
    """JPEG: Pillow's own brightness channel. PNG: OpenCV's conversion to grey, which weighs colours alike."""
    formats = []
    for path, photo in readable():
        with Image.open(path) as picture:
            if picture.mode == "RGBA":
                continue  # what shows through is a matter of taste; tests/photo/test_photo.py holds ours
            picture.draft("L", picture.size)  # of a JPEG, its brightness channel as stored
            other = np.asarray(picture)
        if photo.format == "PNG":
            colour = cv2.imdecode(np.frombuffer(photo.encoded, np.uint8), cv2.IMREAD_COLOR)
            other = cv2.cvtColor(colour, cv2.COLOR_BGR2GRAY)
        formats.append(photo.format)
        assert photo.luma.shape == other.shape
        assert np.abs(photo.luma.astype(int) - other).max() <= 1, path.name
    assert formats.count("JPEG") >= 3
    assert formats.count("PNG") >= 15


def test_metadata_of_a_real_file_are_read():
    """A real EXIF block, written by a picture editor: its size in pixels is the picture's own."""
    photo = read_photo(FOLDER / "hubble_deep_field.jpg")
    assert photo.provenance == "camera"
    assert (photo.width_px, photo.height_px) == (1000, 872)
    assert (photo.taken, photo.focal_length_35mm, photo.digital_zoom) == (None, None, 1.0)


# --- refusal ------------------------------------------------------------------------------------------


def behind_the_card(photograph, px_per_mm):
    """(rows, columns) uint8: the printed card with an empty notch, and a real photograph behind it."""
    camera, size = camera_before(px_per_mm)
    face = decode(luma_of(camera, size, printed()) / 255.0)
    # How much of each pixel is not card: the notch, and everything around the card.
    cut_away = geometry.notch_mask(PX_PER_MM_DRAWN).astype(np.float32)
    open_part = decode(luma_of(camera, size, cut_away, white=1.0, black=0.0) / 255.0)
    behind = decode(cv2.resize(photograph, size, interpolation=cv2.INTER_CUBIC) / 255.0)
    return np.rint(255 * encode(face * (1 - open_part) + behind * open_part)).astype(np.uint8)


@pytest.mark.parametrize(("name", "px_per_mm"), CLUTTER)
def test_no_reed_before_a_real_background_gives_no_silent_number(name, px_per_mm, tmp_path):
    """Nobody should photograph an empty notch before a cluttered room; whoever does must be told."""
    path = tmp_path / "empty.png"
    picture = behind_the_card(read_photo(FOLDER / name).luma, px_per_mm)
    path.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    result = measure(path)
    assert result.view is not None  # the card is found: what is tested is the notch
    assert result.review, result.geometry


@pytest.mark.parametrize("path", PICTURES, ids=lambda path: path.name)
def test_a_picture_without_the_card_gives_no_number(path):
    result = measure(path)
    assert result.outcome == "refused"
    assert result.geometry is None
    assert result.flags[0] in {"no-card", "photo-too-small", "photo-damaged", "not-a-photo"}
