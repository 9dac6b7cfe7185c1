"""One photo, beside what opening its picture takes, and beside a plain recipe."""

import itertools
import json
import statistics
from collections.abc import Callable, Iterator
from pathlib import Path
from time import perf_counter
from typing import Any

import cv2
import numpy as np
import pi_heif
import pytest
from skimage.filters import threshold_otsu
from skimage.measure import label, regionprops
from threadpoolctl import threadpool_limits

from aperture.card import geometry
from aperture.errors import CardError
from aperture.measure import measure
from aperture.opening.contour import fit_contour
from aperture.opening.find import notch_in
from aperture.opening.first_look import look_first
from aperture.photo import read_photo
from aperture.settings import Settings
from aperture.view.region import Region
from aperture.view.view import locate_card
from tests.bench.figures import Findings, in_turns

DEMO = Path(__file__).parents[2] / "demo_images"
JPEGS, HEICS = sorted(DEMO.rglob("*.jpg")), sorted(DEMO.rglob("*.heic"))
PX_PER_MM = 25.0  # about what the demo's photos have


@pytest.fixture(autouse=True)
def one_core() -> Iterator[None]:
    """Everything on one core, the program and what it is compared with."""
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    with threadpool_limits(1):
        yield
    cv2.setNumThreads(threads)


def one_after_the_other(task: Callable[[Path], object], photos: list[Path]) -> Callable[[], object]:
    """A task that takes the next photo each time it is called."""
    queue = itertools.cycle(photos)
    return lambda: task(next(queue))


def decode_jpeg(photo: Path) -> object:
    """What opening a JPEG picture takes, in colour: what OpenCV's `imread` does."""
    return cv2.imdecode(np.frombuffer(photo.read_bytes(), np.uint8), cv2.IMREAD_COLOR)


def decode_heic(photo: Path) -> object:
    """What opening a HEIC picture takes, in colour."""
    return pi_heif.open_heif(photo.read_bytes()).to_pillow().load()


def plain_recipe(photo: Path) -> float | None:
    """The height that a plain recipe gives, mm: one homography, Otsu's threshold, the darkest level piece."""
    luma = cv2.imdecode(np.frombuffer(photo.read_bytes(), np.uint8), cv2.IMREAD_GRAYSCALE)
    corners, ids, _ = cv2.aruco.ArucoDetector(geometry.dictionary()).detectMarkers(luma)
    seen = {} if ids is None else dict(zip(ids.ravel().tolist(), corners, strict=True))
    known = [i for face in geometry.FACES for i in geometry.face_marker_ids(face) if i in seen]
    if not known:
        return None
    drawn = np.concatenate([geometry.marker_corners_mm(i) for i in known])
    homography, _ = cv2.findHomography(drawn, np.concatenate([seen[i].reshape(4, 2) for i in known]))
    notch = geometry.CARD.notch
    left, top = notch.x_min_mm, notch.y_max_mm
    size = (round((notch.x_max_mm - left) * PX_PER_MM), round((top - notch.y_min_mm) * PX_PER_MM))
    to_card = np.array([[1 / PX_PER_MM, 0, left], [0, -1 / PX_PER_MM, top], [0, 0, 1]])
    flat = cv2.warpPerspective(
        luma, homography @ to_card, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    pieces = regionprops(label(flat < threshold_otsu(flat)), intensity_image=flat)
    # of the pieces that are about as wide as a reed, and level, the darkest
    level = [
        piece
        for piece in pieces
        if 4 < piece.axis_major_length / PX_PER_MM < 9 and abs(np.sin(piece.orientation)) > 0.8
    ]
    if not level:
        return None
    return float(min(level, key=lambda piece: piece.intensity_mean).axis_minor_length) / PX_PER_MM


def bench_jpeg(benchmark: Any, findings: Findings) -> None:
    """The whole way, from the file to the verdict."""
    ratio = in_turns(
        benchmark,
        one_after_the_other(measure, JPEGS),
        one_after_the_other(decode_jpeg, JPEGS),
        rounds=3 * len(JPEGS),
    )
    findings.figure("`measure` of a 12 MP JPEG / decoding it in colour with OpenCV", ratio, 3.0)


def bench_first_look_and_fit(benchmark: Any, findings: Findings) -> None:
    """The two networks and the fit of the blades, apart; what they begin with is made before."""
    seen: list[Region] = []
    for path in JPEGS:
        photo = read_photo(path)
        try:
            view = locate_card(photo, Settings())
        except CardError:  # the blurred one
            continue
        seen.append(notch_in(photo, view))
    edges = [found.edges for found in (look_first(each)[1] for each in seen) if found is not None]
    notches, columns, pictures = itertools.cycle(seen), itertools.cycle(edges), itertools.cycle(JPEGS)
    decoding = "decoding a 12 MP JPEG in colour with OpenCV"
    ratio = in_turns(
        benchmark, lambda: look_first(next(notches)), lambda: decode_jpeg(next(pictures)), rounds=len(JPEGS)
    )
    findings.figure(f"the networks / {decoding}", ratio, None)
    began = perf_counter()
    for _ in JPEGS:
        fit_contour(next(columns), (0.01, 0.01), 0.03)
    fits = perf_counter() - began
    began = perf_counter()
    for path in JPEGS:
        decode_jpeg(path)
    findings.figure(f"the fit of the blades / {decoding}", fits / (perf_counter() - began), None)


def bench_heic(benchmark: Any, findings: Findings) -> None:
    ratio = in_turns(
        benchmark, one_after_the_other(measure, HEICS), one_after_the_other(decode_heic, HEICS), rounds=10
    )
    findings.figure("`measure` of a 12 MP HEIC / decoding it (libheif)", ratio, 1.15)


def bench_plain_recipe(benchmark: Any, findings: Findings) -> None:
    """How much longer than a plain recipe it takes, and how much less wrong it is."""
    ratio = in_turns(
        benchmark,
        one_after_the_other(measure, JPEGS),
        one_after_the_other(plain_recipe, JPEGS),
        rounds=len(JPEGS),
    )
    truths: dict[str, Any] = {}
    for file in DEMO.rglob("truth.json"):
        truths |= json.loads(file.read_text(encoding="utf-8"))
    ours, plain = [], []
    for photo in JPEGS:
        result, height_mm = measure(photo).geometry, plain_recipe(photo)
        truth_mm = truths[photo.name]["truth"]["feret_min_mm"]
        # where one of them has no number, nothing is compared
        if result is not None and height_mm is not None:
            ours.append(abs(result.height_mm - truth_mm))
            plain.append(abs(height_mm - truth_mm))
    errors = (
        f"median error of the height {statistics.median(ours):.3f} mm against {statistics.median(plain):.3f}"
    )
    findings.figure(
        "`measure` / a plain recipe (one homography, Otsu, `regionprops`)",
        ratio,
        None,
        note=f"{errors}, on the {len(ours)} photos where both have one",
    )
