"""The truth set: its design, its truth against closed forms, its committed photos; nothing is rendered."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pi_heif
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter1d
from scipy.special import beta

from aperture.card.geometry import CARD, face_of_marker, marker_corners_mm
from fixtures import truth_design
from fixtures.render.camera import CORNER_PX, FRAME, MIDDLE, Camera
from fixtures.render.lens import pinhole_of, through_lens
from fixtures.render.mesh import reed_meshes
from fixtures.render.picture import Shot
from fixtures.render.scene import camera_of, card_corners, default_scene, on_card
from fixtures.render.truth import tip_outline, truth_of
from fixtures.truth_design import BLOCKS, CAREFUL_SCENES, COMMITTED, SCENES_IN_A_BLOCK, scenes_in
from fixtures.truth_scene import FACTORS, SMALLEST_HEIGHT_MM

FOLDER = Path(__file__).parents[1] / "fixtures" / "truth_set"
ON_DISK = sorted(path.stem for path in FOLDER.glob("*.json"))


@cache
def _shots() -> dict[str, Shot]:
    return {shot.scene["name"]: shot for shot in truth_design.shots()}


@cache
def _facts(name: str) -> dict[str, Any]:
    return json.loads(json.dumps(_shots()[name].facts()))


def _of(block: str) -> list[str]:
    return [name for name, shot in _shots().items() if shot.design["block"] == block]


# ---- the design ----


def test_there_are_as_many_scenes_as_designed() -> None:
    assert len(_shots()) == CAREFUL_SCENES + sum(map(scenes_in, BLOCKS)) == 240
    assert len(_of("careful")) == CAREFUL_SCENES
    assert all(len(_of(block)) == scenes_in(block) >= SCENES_IN_A_BLOCK for block in BLOCKS)
    assert len(_of("shut")) == len(_of("lit-wall")) == 40
    # Balanced from the start: whoever stops rendering early has both kinds.
    first = [shot.design["block"] for shot in list(_shots().values())[: 2 * len(BLOCKS)]]
    assert sorted(set(first)) == sorted([*BLOCKS, "careful"])
    assert len({shot.design["seed"] for shot in _shots().values()}) == len(_shots())


# Factors that may give way to the notch and the frame, and the ones that become a colour.
_GIVE_WAY = {"offset_x_mm", "offset_y_mm", "aperture_radius_mm"}
_COLOURS = {"thread_red", "thread_green", "thread_blue"}


@pytest.mark.parametrize("factor", sorted(set(FACTORS) - _GIVE_WAY - _COLOURS - {"quality"}))
def test_careful_scenes_use_each_part_of_a_range_once(factor: str) -> None:
    """A Latin hypercube by its definition (McKay, Beckman & Conover, Technometrics 21, 1979, 239-245)."""
    low, high = FACTORS[factor]
    used = np.array([_shots()[name].design["nuisances"][factor] for name in _of("careful")])
    # Values are stored to four decimals, so half of one may lead over a boundary.
    part = np.sort((used - low) / (high - low)) * CAREFUL_SCENES
    slack = 1e-4 / (high - low) * CAREFUL_SCENES
    assert np.all(part >= np.arange(CAREFUL_SCENES) - slack)
    assert np.all(part <= np.arange(CAREFUL_SCENES) + 1 + slack)


def _used(name: str) -> dict[str, Any]:
    return _shots()[name].design["nuisances"]


def test_the_set_reaches_over_what_was_asked_of_it() -> None:
    """The ranges that the set was designed for, each with its ends reached to a tenth of the range."""
    for factor, low, high in [
        ("height_mm", 0.0, 2.6),
        ("roll_deg", -20, 20),
        ("lean_up_deg", -6, 6),
        ("lean_side_deg", -6, 6),
        ("tip_offset_mm", -3, 3),
        ("distance_mm", 60, 300),
        ("tilt_deg", 0, 18),
        ("f35_mm", 14, 77),
        ("quality", 60, 95),
        ("print_scale", 0.94, 1.03),
    ]:
        used = [_used(name)[factor] for name in _shots()]
        tenth = (high - low) / 10
        assert min(used) <= low + tenth, factor
        assert max(used) >= high - tenth, factor
    assert {_used(name)["state"] for name in _of("careful")} == {"dry", "soaked"}
    assert {_used(name)["heic"] for name in _shots()} == {True, False}
    brightness = [np.mean(_used(name)["background"]) for name in _of("careful")]
    assert min(brightness) < 0.1
    assert max(brightness) > 0.7
    # No shape between lens (q = 1) and ellipse (q = 1/2) is left out, nor either way of being lopsided.
    assert np.ptp([_used(name)["q"] for name in _of("careful")]) > 0.45
    share = [_used(name)["upper_share"] for name in _of("careful")]
    assert min(share) < 0.3 < 0.7 < max(share)


def test_blocks_push_their_nuisance_to_its_hard_range() -> None:
    def values(block: str, factor: str) -> np.ndarray:
        return np.array([_used(name)[factor] for name in _of(block)])

    assert values("steep", "tilt_deg").min() > 15
    assert values("steep", "tilt_deg").max() > 18
    assert (values("far", "px_per_mm") < 12).all()
    assert (values("far", "px_per_mm") > 6).all()
    assert values("far", "distance_mm").max() <= 300
    assert values("defocus", "total_blur_px").max() > 3
    assert values("motion", "motion_px").max() > 10
    assert values("noise", "noise").min() > FACTORS["noise"][1]
    assert values("halos", "sharpen").min() > FACTORS["sharpen"][1]
    assert ((values("jpeg", "quality") >= 60) & (values("jpeg", "quality") <= 70)).all()
    assert values("heic", "heic").all()
    assert (values("flash", "state") == "soaked").all()
    radius = values("bent-card", "bend_radius_mm")
    assert ((np.abs(radius) >= 150) & (np.abs(radius) <= 400)).all()
    assert radius.min() < 0 < radius.max()
    assert np.abs(values("distortion", "distortion")).max() > 0.025
    assert values("distortion", "distortion").min() < 0 < values("distortion", "distortion").max()
    assert values("print-scale", "print_scale").min() < 0.95
    assert values("print-scale", "print_scale").max() > 1.02
    offset = values("tip-offset", "tip_offset_mm")
    assert ((np.abs(offset) >= 0.6) & (np.abs(offset) <= 1)).all()
    assert np.hypot(values("lean", "lean_up_deg"), values("lean", "lean_side_deg")).min() > 6
    assert values("stained", "stain").min() >= 0.6
    assert np.max([_used(name)["background"] for name in _of("dark-background")]) < 0.1


def test_the_same_seeds_give_the_same_scenes() -> None:
    again = {shot.scene["name"]: shot for shot in truth_design.shots()}
    for name in ("careful-01", "hair-3", "bent-card-2"):
        assert again[name].truth_text() == _shots()[name].truth_text()
    # Another seed is another design.
    assert truth_design.latin_hypercube(4, seed=1) == truth_design.latin_hypercube(4, seed=1)
    assert truth_design.latin_hypercube(4, seed=1) != truth_design.latin_hypercube(4, seed=2)


def test_careful_is_what_the_scene_says() -> None:
    for name, shot in _shots().items():
        truth, used = _facts(name)["truth"], shot.design["nuisances"]
        near, square = truth["px_per_mm"] >= 12, truth["tilt_deg"] <= 15
        assert shot.design["careful"] == (near and square and used["total_blur_px"] <= 1), name
    assert all(_shots()[name].design["careful"] for name in _of("careful"))
    for block in ("steep", "far", "defocus", "motion"):
        assert not any(_shots()[name].design["careful"] for name in _of(block)), block


def test_blur_is_the_sum_of_lens_pixel_disc_and_shake() -> None:
    """Closed forms: a square pixel 1/12 px^2, a disc r^2/4, a straight even shake length^2/12."""
    for name in _of("defocus"):
        used = _used(name)
        rest = used["total_blur_px"] ** 2 - used["blur_px"] ** 2 - 1 / 12
        # The rest is the disc and the little shake of a careful hand, spread over whole pixels.
        assert used["defocus_px"] ** 2 - 0.01 <= rest <= used["defocus_px"] ** 2 + used["motion_px"] / 2
    for name in _of("motion"):
        used = _used(name)
        shake = np.sqrt(used["total_blur_px"] ** 2 - used["blur_px"] ** 2 - 1 / 12)
        # A hand's shake is slower at its ends than in its middle, so it scatters more than an even one.
        assert used["motion_px"] / np.sqrt(12) < shake < used["motion_px"] / 2


def test_obstructed_is_what_has_something_across_the_opening() -> None:
    obstructed = {name for name, shot in _shots().items() if shot.design["obstructed"]}
    assert obstructed == {*_of("hair"), *_of("water-film")}
    for name in obstructed:
        reed = _facts(name)["scene"]["reeds"][0]
        part = reed_meshes(reed)["hair" if reed["hair"] else "water"]
        outline = (np.array(_facts(name)["truth"]["outline_mm"]) * 1000).astype(np.float32)
        # Seen along the card's normal, some of it lies inside the opening; OpenCV's test of point in polygon.
        points = (part.vertices[:, :2] * 1000).astype(np.float32).tolist()
        inside = [cv2.pointPolygonTest(outline, point, False) > 0 for point in points]
        assert any(inside) or truth_height(name) < 0.15, name


def truth_height(name: str) -> float:
    return float(_facts(name)["truth"]["feret_min_mm"])


def test_what_the_user_types_is_what_a_ruler_says() -> None:
    for name, shot in _shots().items():
        typed, used = shot.design["typed"], shot.design["nuisances"]
        assert typed["ruler_mm"] == pytest.approx(50 * used["print_scale"], abs=5e-3)
        assert abs(typed["ruler_to_half_mm"] - typed["ruler_mm"]) <= 0.25
        if typed["tip_offset_mm"] is None:
            # The program's default doubt: common practice, no published source.
            assert abs(used["tip_offset_mm"]) <= 1.0, name
        else:
            assert abs(typed["tip_offset_mm"] - used["tip_offset_mm"]) <= 0.25, name


# ---- the truth ----


def test_card_and_opening_are_in_the_picture() -> None:
    for name, shot in _shots().items():
        photo, truth = _facts(name)["photo"], _facts(name)["truth"]
        size = np.array([photo["width"], photo["height"]])
        for key in ("corners_px", "outline_px"):
            points = np.array(truth[key])
            assert (points > 0).all(), name
            assert (points < size - 1).all(), name
        # What lies behind the card's face is seen through the notch: the card hides none of the outline.
        notch = CARD.notch
        corners = [
            (notch.x_min_mm, notch.y_max_mm),
            (notch.x_max_mm, notch.y_max_mm),
            (notch.x_max_mm, notch.y_min_mm),
            (notch.x_min_mm, notch.y_min_mm),
        ]
        scene = shot.scene
        seen = camera_of(scene).project(on_card(scene, np.array(corners) * scene["card"]["scale"]))
        behind = tip_outline(scene["reeds"][0])[0][::2, 2] <= 0
        for point in np.array(truth["outline_px"])[behind].tolist():
            assert cv2.pointPolygonTest(seen.astype(np.float32), point, False) > 0, name


def test_nothing_stands_between_lens_and_card() -> None:
    """Neither the table's top (y = 0) nor a lamp: its middle, if before the camera, is outside the frame."""
    for name, shot in _shots().items():
        camera = camera_of({**shot.scene, "crop": None})
        assert shot.scene["table"] is None or camera.lens[1] > 0, name
        for light in shot.scene["lights"]:
            at = np.array(light["at"])
            if (at - camera.lens) @ camera.forward > 1:
                pixel = camera.project(at[None])[0]
                assert (pixel < 0).any() or (pixel > FRAME).any(), name


def test_opening_has_the_area_of_its_closed_form() -> None:
    """Closed form: the area under h (1 - |2x/w|^p)^q is w h B(1/p, q + 1) / p; ellipse pi/4, lens 2/3."""
    assert beta(1 / 2, 3 / 2) / 2 == pytest.approx(np.pi / 4)
    assert beta(1 / 2, 2) / 2 == pytest.approx(2 / 3)
    for name in _shots():
        reed, truth = _facts(name)["scene"]["reeds"][0], _facts(name)["truth"]
        height = reed["upper"] + reed["lower"]
        area = reed["width"] * height * beta(1 / reed["p"], reed["q"] + 1) / reed["p"]
        # The rim has 800 points.
        assert truth["area_mm2"] == pytest.approx(area, rel=5e-4), name
        # Blades bowed to one side reach as far beyond their corners' chord as the hollow one does.
        reach = height + max(0.0, -reed["upper"], -reed["lower"])
        # No chord is longer than width and height together allow, none is shorter than the width.
        assert reed["width"] - 1e-6 <= truth["feret_max_mm"] <= np.hypot(reed["width"], reach)
        assert truth["feret_min_mm"] <= reach + 1e-6


def test_shut_openings_keep_a_gap_that_no_photo_shows() -> None:
    gaps = [reed["upper"] + reed["lower"] for name in _shots() for reed in _facts(name)["scene"]["reeds"]]
    assert min(gaps) >= SMALLEST_HEIGHT_MM - 1e-3
    assert min(gaps) < 0.02
    shut = default_scene(reeds=[{"upper": SMALLEST_HEIGHT_MM / 2, "lower": SMALLEST_HEIGHT_MM / 2}])
    truth = truth_of(shut)
    # The lens of two parabolas: ratio sqrt(8/7) h/w.
    assert truth["ellipse_ratio"] == pytest.approx(np.sqrt(8 / 7) * SMALLEST_HEIGHT_MM / 7.0, rel=1e-3)
    assert truth["feret_min_mm"] == pytest.approx(SMALLEST_HEIGHT_MM, abs=1e-6)


@pytest.mark.parametrize("radius_mm", [150.0, -150.0, 400.0, -400.0])
def test_bent_card_keeps_its_lengths_and_lies_on_a_cylinder(radius_mm: float) -> None:
    """Closed forms: chord 2 r sin(l / 2r), sagitta r (1 - cos(l / 2r)), arc length l."""
    scene = default_scene(card={"scale": 0.97, "bend_radius": radius_mm})
    width, r = CARD.width_mm * 0.97, abs(radius_mm)
    corners = card_corners(scene)
    assert np.linalg.norm(corners[1] - corners[0]) == pytest.approx(2 * r * np.sin(width / 2 / r), rel=1e-9)
    sagitta = np.sign(radius_mm) * r * (1 - np.cos(width / 2 / r))
    assert corners[:, 2] == pytest.approx(-sagitta, rel=1e-9)
    assert corners[0, 1] - corners[3, 1] == pytest.approx(CARD.height_mm * 0.97)
    line = on_card(scene, np.column_stack([np.linspace(0, width, 20_001), np.full(20_001, 10.0)]))
    assert np.linalg.norm(np.diff(line, axis=0), axis=1).sum() == pytest.approx(width, rel=1e-7)
    middle = on_card(scene, np.array([[width / 2, 4.5]]))[0]
    assert middle == pytest.approx([width / 2, 4.5, 0.0])


def test_a_bent_card_does_not_change_the_opening() -> None:
    for name in _of("bent-card"):
        scene = _facts(name)["scene"]
        flat = truth_of({**scene, "card": {**scene["card"], "bend_radius": None}})
        bent = truth_of(scene)
        assert {key for key in bent if bent[key] != flat[key]} == {"corners_px"}


def _camera(distortion: float) -> Camera:
    camera = camera_of(default_scene(camera={"distortion": distortion, "f35": 20, "distance": 90.0}))
    assert camera.crop == (0, 0, *FRAME)
    return camera


@pytest.mark.parametrize("distortion", [0.03, -0.03, 0.011])
def test_distortion_and_its_inverse(distortion: float) -> None:
    """References: the roots of the cubic by numpy, and OpenCV's own camera with k1."""
    camera = _camera(distortion)
    corner = np.array([[-0.5, -0.5]])
    moved = np.linalg.norm(camera.distorted(corner) - MIDDLE) / np.linalg.norm(corner - MIDDLE)
    assert moved == pytest.approx(1 + distortion)
    pixels = np.random.default_rng(3).uniform([0, 0], FRAME, (50, 2))
    assert camera.undistorted(camera.distorted(pixels)) == pytest.approx(pixels, abs=1e-6)
    for pixel, straight in zip(pixels, camera.undistorted(pixels), strict=True):
        seen = np.linalg.norm(pixel - MIDDLE) / CORNER_PX
        roots = np.roots([distortion, 0, 1, -seen])
        radius = min((root.real for root in roots if abs(root.imag) < 1e-9), key=lambda r: abs(r - seen))
        assert np.linalg.norm(straight - MIDDLE) / CORNER_PX == pytest.approx(radius, abs=1e-9)
    points = np.column_stack([pixels / FRAME * [85.6, 54.0], np.zeros(50)])
    turn = np.stack([camera.right, -camera.up, camera.forward])
    matrix = np.array([[camera.focal_px, 0, MIDDLE[0]], [0, camera.focal_px, MIDDLE[1]], [0, 0, 1]])
    k1 = distortion * (camera.focal_px / CORNER_PX) ** 2
    seen, _ = cv2.projectPoints(
        points, cv2.Rodrigues(turn)[0], -turn @ camera.lens, matrix, np.array([k1, 0.0, 0, 0])
    )
    assert camera.project(points) == pytest.approx(seen[:, 0], abs=1e-6)


def test_distortion_moves_the_truth_in_pixels_alone() -> None:
    for name in _of("distortion"):
        scene = _facts(name)["scene"]
        straight = truth_of({**scene, "camera": {**scene["camera"], "distortion": 0.0}})
        distorted = truth_of(scene)
        assert {key for key in distorted if distorted[key] != straight[key]} == {
            "corners_px",
            "outline_px",
            "tip_px",
        }
        back = camera_of(scene).undistorted(np.array(distorted["outline_px"]))
        assert back == pytest.approx(np.array(straight["outline_px"]), abs=2e-3)


def _edge_moments(row: np.ndarray, edges: np.ndarray, middle: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance, px and px^2, of the slope of a row of pixels around each of its edges."""
    places, variances = [], []
    for edge in edges:
        start = int(edge + middle) - 12
        slope = np.diff(row[start : start + 25].astype(np.float64))
        slope /= slope.sum()
        x = np.arange(start, start + 24) + 0.5 - middle
        places.append(float(slope @ x))
        variances.append(float(slope @ (x - places[-1]) ** 2))
    return np.array(places), np.array(variances)


@pytest.mark.parametrize("distortion", [0.03, -0.03])
def test_bending_a_picture_neither_moves_nor_blurs_its_edges(distortion: float) -> None:
    """Closed form: where a sharp edge at r goes, r (1 + distortion r^2), and it stays as sharp as it was."""
    camera = camera_of(default_scene(camera={"distortion": distortion}, crop=[3000, 61]))
    pinhole = pinhole_of(camera)
    edges = np.arange(-1300.0, 1301.0, 40.37)
    left, _, width, height = pinhole.crop
    x = np.arange(width) + left - MIDDLE[0]
    # Dark and light bars, each pixel the mean over its width, as the path tracer makes them.
    covered = np.clip(x[:, None] - edges + 0.5, 0, 1) * np.where(np.arange(len(edges)) % 2, -1, 1)
    bars = np.broadcast_to((0.1 + 0.8 * covered.sum(axis=1))[None, :, None], (height, width, 3))
    seen = through_lens(bars.astype(np.float32), pinhole, camera)
    assert seen.shape == (61, 3000, 3)
    moved = edges * (1 + distortion * (edges / CORNER_PX) ** 2)
    assert np.abs(moved - edges).max() > 9
    # Row 30 goes through the middle of the frame but for half a pixel.
    places, after = _edge_moments(gaussian_filter1d(seen[30, :, 1], 0.6), moved, MIDDLE[0] - camera.crop[0])
    _, before = _edge_moments(gaussian_filter1d(bars[30, :, 1], 0.6), edges, MIDDLE[0] - left)
    assert np.abs(places - moved).max() < 0.02
    # Less than 0.1 px of blur is added, in quadrature, but for the lens's own magnification of up to 3 %.
    assert abs((after - before).mean()) < 0.01


def test_printed_scale_is_in_the_card_and_not_in_the_reed() -> None:
    """Reference: OpenCV's homography from the printed corners of a flat card gives the outline's place."""
    for name in _of("print-scale"):
        scene = _facts(name)["scene"]
        level = {**scene["reeds"][0], "proud": 0.0, "lean": [0.0, 0.0]}
        truth = truth_of({**scene, "reeds": [level]})
        scale = scene["card"]["scale"]
        width, height = CARD.width_mm * scale, CARD.height_mm * scale
        printed = np.array([[0, height], [width, height], [width, 0], [0, 0]], dtype=np.float32)
        matrix = cv2.getPerspectiveTransform(printed, np.array(truth["corners_px"], dtype=np.float32))
        seen = cv2.perspectiveTransform(np.array(truth["outline_mm"])[None], matrix)[0]
        assert seen == pytest.approx(np.array(truth["outline_px"]), abs=0.02)


# ---- the committed photos ----


def test_enough_photos_are_committed_and_they_are_small() -> None:
    assert sorted(COMMITTED) == ON_DISK
    assert sorted(path.stem for path in FOLDER.iterdir() if path.suffix != ".json") == ON_DISK
    assert len(ON_DISK) >= 42
    careful = [name for name in ON_DISK if _shots()[name].design["block"] == "careful"]
    assert 0.3 <= len(careful) / len(ON_DISK) <= 0.7
    assert {_shots()[name].design["block"] for name in ON_DISK} == {*BLOCKS, "careful"}
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) <= 10e6


def test_photos_are_committed_by_size_and_not_by_looks() -> None:
    def smallest(names: list[str], count: int) -> list[str]:
        return sorted(names, key=lambda name: np.prod(_shots()[name].scene["crop"]))[:count]

    careful = sorted(_of("careful"))
    chosen = [name for i in range(0, CAREFUL_SCENES, 3) for name in smallest(careful[i : i + 3], 1)]
    chosen += [name for block in BLOCKS for name in smallest(_of(block), 2)]
    assert set(chosen) == COMMITTED


def _differences(stored: Any, now: Any, where: str = "") -> list[str]:
    """Where two JSON values differ by more than the rounding of another machine's arithmetic."""
    if isinstance(stored, dict) and isinstance(now, dict) and stored.keys() == now.keys():
        return [line for key in stored for line in _differences(stored[key], now[key], f"{where}/{key}")]
    if isinstance(stored, list) and isinstance(now, list) and len(stored) == len(now):
        return [
            line
            for i, pair in enumerate(zip(stored, now, strict=True))
            for line in _differences(*pair, f"{where}/{i}")
        ]
    if type(stored) is type(now) is float:
        slack = (
            2e-3
            if "_px" in where
            else 2e-4
            if "deg" in where or "/design" in where or "/scene" in where
            else 2e-5
        )
        return [] if abs(stored - now) <= slack else [f"{where}: {stored} is now {now}"]
    return [] if stored == now else [f"{where}: {stored} is now {now}"]


@pytest.mark.parametrize("name", ON_DISK)
def test_truth_file_is_what_the_design_says_today(name: str) -> None:
    """A change of design, mesh or camera makes a photo stale: `python -m fixtures.render truth NAME`."""
    stored = json.loads((FOLDER / f"{name}.json").read_text())
    assert _differences(stored, _facts(name)) == []


@pytest.mark.parametrize("name", ON_DISK)
def test_file_is_as_large_as_its_truth_and_says_its_lens(name: str) -> None:
    facts = json.loads((FOLDER / f"{name}.json").read_text())
    path = FOLDER / facts["photo"]["file"]
    size = (facts["photo"]["width"], facts["photo"]["height"])
    if path.suffix == ".heic":
        assert pi_heif.open_heif(path).size == size
        return
    with Image.open(path) as photo:
        exif = photo.getexif().get_ifd(0x8769)
        assert photo.size == size
    # 35 mm equivalent by the diagonal: that of a 36 x 24 mm frame is 43.27 mm. The crop that makes it a whole
    # number has an even number of pixels on each side.
    diagonal = np.hypot(*size)
    assert exif[0xA405] / 43.27 * diagonal == pytest.approx(facts["truth"]["focal_px"], rel=1.5 / diagonal)


_LOOKED_AT = [
    name for name in ON_DISK if name.split("-")[0] in ("bent", "distortion", "print", "steep", "lean")
]


@pytest.mark.parametrize("name", _LOOKED_AT)
def test_markers_stand_where_bend_distortion_and_scale_put_them(name: str) -> None:
    """Reference: OpenCV's AprilTag detector, whose corners count from pixel corners, hence 0.5 px."""
    facts = json.loads((FOLDER / f"{name}.json").read_text())
    scene = facts["scene"]
    data = np.frombuffer((FOLDER / facts["photo"]["file"]).read_bytes(), np.uint8)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    detector = cv2.aruco.ArucoDetector(family, parameters)
    corners, ids, _ = detector.detectMarkers(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE))
    away = []
    for quad, number in zip(corners, ids.ravel().tolist(), strict=True):
        if face_of_marker(number) == scene["state"]:
            printed = on_card(scene, marker_corners_mm(number) * scene["card"]["scale"])
            away.append(quad.reshape(4, 2) - 0.5 - camera_of(scene).project(printed))
    assert len(away) == 6
    # The detector lays straight lines along a marker's sides; bent or distorted ones are bowed.
    bent = scene["card"]["bend_radius"] is not None
    assert np.abs(away).max() < 1.5
    assert np.abs(np.mean(away, axis=(0, 1))).max() < (0.4 if bent else 0.1)
