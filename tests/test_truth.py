"""The truth files of the rendered photos, against OpenCV, scikit-image and closed forms; nothing is rendered.

The stored outline of each opening is measured again by code that is not the renderer's, and each photo's own
markers, found by OpenCV, must stand where the truth says.
"""

import json
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage.draw import polygon2mask
from skimage.measure import regionprops

from aperture.card.geometry import CARD, face_of_marker, marker_corners_mm

ROOT = Path(__file__).parents[1]
PHOTOS = ROOT / "fixtures" / "photos"
DEMO = ROOT / "demo_images"
NAMES = sorted(path.stem for path in PHOTOS.glob("*.json"))


@cache
def _facts(name: str) -> dict[str, Any]:
    return json.loads((PHOTOS / f"{name}.json").read_text())


@cache
def _demo() -> dict[str, Any]:
    """The truth of the first day's photos and of the later ones."""
    return {
        name: facts
        for folder in (DEMO, DEMO / "later")
        for name, facts in json.loads((folder / "truth.json").read_text()).items()
    }


def _with_one_reed() -> list[str]:
    return [name for name in NAMES if _facts(name)["truth"]["reeds"] == 1]


def _outlines() -> list[tuple[str, dict[str, Any]]]:
    photos = [(name, _facts(name)["truth"]) for name in _with_one_reed()]
    return photos + [(name, facts["truth"]) for name, facts in _demo().items()]


def _card_to_photo(facts: dict[str, Any]) -> np.ndarray:
    """The homography card mm -> px that the card's true corners give."""
    scale = facts["scene"]["card"]["scale"]
    width, height = CARD.width_mm * scale, CARD.height_mm * scale
    corners = np.array([[0, height], [width, height], [width, 0], [0, 0]], dtype=np.float32)
    return cv2.getPerspectiveTransform(corners, np.array(facts["truth"]["corners_px"], dtype=np.float32))


def _through(matrix: np.ndarray, points: Any) -> np.ndarray:
    return cv2.perspectiveTransform(np.asarray(points, dtype=np.float64)[None], matrix)[0]


def test_there_are_enough_photos_and_each_has_its_truth() -> None:
    assert len(NAMES) >= 14
    assert sorted(path.stem for path in PHOTOS.glob("*.jpg")) == NAMES
    for folder in (DEMO, DEMO / "later"):
        pictures = [path.name for path in folder.iterdir() if path.is_file() and path.suffix != ".json"]
        assert sorted(pictures) == sorted(json.loads((folder / "truth.json").read_text()))


def test_pictures_leave_the_checkout_small() -> None:
    # 50 MB of the 60 MB that the whole checkout may have.
    assert sum(path.stat().st_size for folder in (PHOTOS, DEMO) for path in folder.rglob("*")) < 50e6


@pytest.mark.parametrize(("name", "truth"), _outlines(), ids=[name for name, _ in _outlines()])
def test_outline_measures_what_the_truth_says(name: str, truth: dict[str, Any]) -> None:
    """Reference: OpenCV's polygon moments; widths in 3600 directions for the Feret diameters."""
    outline = np.array(truth["outline_mm"])
    # OpenCV sums in single precision around the origin, so put the outline there, in large numbers.
    moments = cv2.moments(((outline - outline.mean(axis=0)) * 1000).astype(np.float32))
    area = moments["m00"]
    second = np.array([[moments["mu20"], moments["mu11"]], [moments["mu11"], moments["mu02"]]]) / area
    minor, major = 4 * np.sqrt(np.linalg.eigvalsh(second)) / 1000
    # Half of the rim's points are stored, to 0.01 um: 1e-4 of the area is missing at most.
    assert area / 1e6 == pytest.approx(truth["area_mm2"], rel=5e-4)
    assert major == pytest.approx(truth["major_mm"], rel=5e-4)
    assert minor == pytest.approx(truth["minor_mm"], rel=2e-3)
    assert truth["ellipse_ratio"] == pytest.approx(truth["minor_mm"] / truth["major_mm"], rel=1e-4)
    angle = np.linspace(0, np.pi, 3600, endpoint=False)
    across = outline @ np.stack([np.cos(angle), np.sin(angle)])
    widths = across.max(axis=0) - across.min(axis=0)
    assert widths.max() == pytest.approx(truth["feret_max_mm"], rel=1e-5)
    # Half a step of direction is 0.44 mrad; the width of a 7 mm slit grows by up to 3 um there.
    assert widths.min() == pytest.approx(truth["feret_min_mm"], abs=3.2e-3)


@pytest.mark.parametrize("name", ["open-09", "open-14", "round-22", "asymmetric", "rolled"])
def test_rasterised_outline_agrees_with_scikit_image(name: str) -> None:
    """Reference: scikit-image regionprops of the outline filled at 250 px/mm."""
    truth = _facts(name)["truth"]
    px_per_mm = 250
    outline = np.array(truth["outline_mm"])[:, ::-1]
    corner = outline.min(axis=0) - 0.1
    shape = np.ceil((np.ptp(outline, axis=0) + 0.2) * px_per_mm).astype(int)
    region = regionprops(polygon2mask(tuple(shape), (outline - corner) * px_per_mm).astype(int))[0]
    assert region.area / px_per_mm**2 == pytest.approx(truth["area_mm2"], rel=5e-3)
    assert region.axis_major_length / px_per_mm == pytest.approx(truth["major_mm"], rel=5e-3)
    assert region.axis_minor_length / px_per_mm == pytest.approx(truth["minor_mm"], rel=5e-3)
    assert region.feret_diameter_max / px_per_mm == pytest.approx(truth["feret_max_mm"], rel=5e-3)


def _parabolic_lenses() -> list[str]:
    found = []
    for name in _with_one_reed():
        reed = _facts(name)["scene"]["reeds"][0]
        if (reed["p"], reed["q"]) == (2.0, 1.0) and reed["upper"] == reed["lower"]:
            found.append(name)
    return found


@pytest.mark.parametrize("name", _parabolic_lenses())
def test_lens_of_two_parabolas_has_its_closed_form(name: str) -> None:
    """Closed form: area 2/3 w h; second moments over area w^2/20 and 2 h^2/35, so ratio 1.069 h/w."""
    facts = _facts(name)
    reed, truth = facts["scene"]["reeds"][0], facts["truth"]
    width, height = reed["width"], reed["upper"] + reed["lower"]
    assert truth["area_mm2"] == pytest.approx(2 / 3 * width * height, rel=1e-4)
    assert truth["major_mm"] == pytest.approx(width * np.sqrt(16 / 20), rel=1e-4)
    assert truth["minor_mm"] == pytest.approx(height * np.sqrt(16 * 2 / 35), rel=1e-4)
    assert truth["ellipse_ratio"] == pytest.approx(1.069 * height / width, rel=5e-4)


@pytest.mark.parametrize("name", _with_one_reed())
def test_outline_stands_in_the_picture_where_the_card_puts_it(name: str) -> None:
    """Reference: OpenCV's homography through the card's corners, for tips that lie in the card's plane."""
    facts = _facts(name)
    reed, truth = facts["scene"]["reeds"][0], facts["truth"]
    here = _through(_card_to_photo(facts), truth["outline_mm"])
    away = np.linalg.norm(here - truth["outline_px"], axis=1)
    if reed["proud"] == 0 and reed["lean"] == [0.0, 0.0]:
        assert away.max() < 0.02
    else:  # A tip in front of the card, or a leaned one, cannot lie where the card's plane would put it.
        assert away.max() > 0.5


@pytest.mark.parametrize("name", NAMES)
def test_file_and_camera_data_fit_the_truth(name: str) -> None:
    facts = _facts(name)
    with Image.open(PHOTOS / f"{name}.jpg") as photo:
        exif = photo.getexif().get_ifd(0x8769)
        assert photo.size == (facts["photo"]["width"], facts["photo"]["height"])
        assert (exif[0xA002], exif[0xA003]) == photo.size
        diagonal = np.hypot(*photo.size)
    # 35 mm equivalent by the diagonal: that of a 36 x 24 mm frame is 43.27 mm.
    rounding = 0.6 / exif[0xA405] if name == "cut-off" else 1e-3
    assert exif[0xA405] / 43.27 * diagonal == pytest.approx(facts["truth"]["focal_px"], rel=rounding)


@pytest.mark.parametrize("name", sorted(set(NAMES) - {"shaken", "cut-off"}))
def test_markers_in_the_photo_stand_where_the_truth_says(name: str) -> None:
    """Reference: OpenCV's AprilTag detector, whose corners count from pixel corners, hence 0.5 px."""
    facts = _facts(name)
    photo = cv2.imdecode(np.frombuffer((PHOTOS / f"{name}.jpg").read_bytes(), np.uint8), cv2.IMREAD_GRAYSCALE)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(photo)
    scale = facts["scene"]["card"]["scale"]
    printed, seen = [], []
    for quad, number in zip(corners, ids.ravel().tolist(), strict=True):
        if face_of_marker(number) == facts["scene"]["state"]:
            printed.append(marker_corners_mm(number) * scale)
            seen.append(quad.reshape(4, 2) - 0.5)
    assert len(printed) == 6
    away = np.vstack(seen) - _through(_card_to_photo(facts), np.vstack(printed))
    assert np.abs(away).max() < 1.5
    # The mean over 24 corners is far better than one corner.
    assert np.abs(away.mean(axis=0)).max() < 0.3
    found, _ = cv2.findHomography(np.vstack(printed), np.vstack(seen))
    row = np.array([[2.0, 9.0], [CARD.width_mm - 2.0, 9.0]]) * scale
    length_seen = np.linalg.norm(np.diff(_through(found, row), axis=0))
    length_true = np.linalg.norm(np.diff(_through(_card_to_photo(facts), row), axis=0))
    assert length_seen == pytest.approx(length_true, rel=1e-3)


def test_demo_tells_the_story_its_scenario_promises() -> None:
    """Common practice, no published source: a shut reed opens to an ellipse, a round one gets rounder."""
    truth = {Path(name).stem: facts["truth"] for name, facts in _demo().items()}
    shapes = {name: entry["shape"] for name, entry in truth.items()}
    assert len({name[:3] for name in truth}) == 8
    assert (shapes["R01_dry"], shapes["R01_soaked"]) == ("shut", "elliptical")
    for reed in ("R02", "R03", "R06"):
        assert shapes[f"{reed}_dry"] == shapes[f"{reed}_soaked"] == "elliptical"
    assert shapes["R04_dry"] == shapes["R04_soaked"] == "round"
    assert truth["R04_soaked"]["ellipse_ratio"] > truth["R04_dry"]["ellipse_ratio"]
    assert shapes["R05_dry"] == shapes["R05_soaked"] == "shut"
    assert 0.18 <= truth["R07_dry"]["ellipse_ratio"] < 0.25
    assert shapes["R07_soaked"] == "round"
    assert abs(truth["R08_soaked"]["ellipse_ratio"] - 0.25) <= 0.002
    assert _demo()["R06_dry.jpg"]["scene"]["phone"]["motion"][0] > 10
    assert _demo()["R06_dry_retake.jpg"]["scene"]["phone"]["motion"][0] == 0
    for name, entry in truth.items():
        limits = "shut" if entry["feret_min_mm"] < 0.15 else None
        limits = limits or ("round" if entry["ellipse_ratio"] >= 0.25 else "elliptical")
        assert entry["shape"] == limits, name
