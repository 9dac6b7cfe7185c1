"""Which markers of the card, and which reed tags, can be read in a photo, and roughly where.

Markers are searched on reduced pictures: that is quick, and finds them where a search at full size does not.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from aperture.card import geometry
from aperture.errors import CardError

Floats = NDArray[np.float64]

# Longer side of the reduced pictures on which markers are looked for, in this order. Before that, a quick
# look at a small one, with one threshold, is enough if a whole face and a tag are read, and the shortest side
# of any marker is so long that another one beside it would have been read too.
SEARCH_SIZES_PX = (1400, 2200, 900)
QUICK_SIZE_PX, QUICK_WINDOW_PX, CLEAR_SIDE_PX = 700, 13, 30
# It passes over smaller ones: with 1¼ pixels for each of its 8 cells, not one marker in ten is read.
QUICK_LEAST_SIDE_PX = 10


@dataclass(frozen=True)
class Markers:
    """What was read: marker numbers, and corners (4, 2) px in the order of `geometry.marker_corners_mm`.

    `tag_corners_px` are those of the reed tags' markers, by the number of the reed.
    """

    face_corners_px: dict[int, Floats]
    reeds: tuple[int, ...]
    tag_corners_px: dict[int, Floats] = field(default_factory=dict)


def find_markers(luma: NDArray[np.uint8]) -> Markers:
    """Read the markers of the card and of reed tags.

    Parameters
    ----------
    luma : (rows, columns) stored luma.

    Raises
    ------
    CardError : "no-card" without a single marker of the card, "two-faces" with two or more of each face.
    """
    found, times = _read_markers(luma, QUICK_SIZE_PX, QUICK_WINDOW_PX)
    tagged = any(geometry.reed_of_marker(i) is not None for i in found)
    if not (_complete(found) and tagged and _shortest_side(found) > CLEAR_SIDE_PX * times):
        found = {}
        for size in SEARCH_SIZES_PX:
            more, times = _read_markers(luma, size)
            found = more | found
            if _complete(found) or times == 1:
                break
    faces = {face: [i for i in geometry.face_marker_ids(face) if i in found] for face in geometry.FACES}
    here, there = sorted(geometry.FACES, key=lambda face: len(faces[face]), reverse=True)
    if not faces[here]:
        raise CardError("no-card")
    if len(faces[there]) >= 2:
        raise CardError("two-faces")
    tags = {reed: found[i] for i in sorted(found) if (reed := geometry.reed_of_marker(i)) is not None}
    return Markers({i: found[i] for i in faces[here]}, tuple(tags), tags)


def _read_markers(
    luma: NDArray[np.uint8], size_px: int, window_px: int | None = None
) -> tuple[dict[int, Floats], int]:
    """Corners (4, 2) px of all markers in a picture reduced to this size, and how many times it was reduced.

    `window_px`: the one window of the quick look's threshold; without it, OpenCV's own three are tried.
    """
    import cv2

    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    rows, columns = luma.shape
    times = min(-(-max(rows, columns) // size_px), rows, columns)  # of a strip something must be left
    reduced = _reduced(luma, times)
    if window_px is not None:
        parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = window_px
        parameters.minMarkerPerimeterRate = 4 * QUICK_LEAST_SIDE_PX / max(reduced.shape)
    corners, ids, _ = cv2.aruco.ArucoDetector(geometry.dictionary(), parameters).detectMarkers(reduced)
    found: dict[int, Floats] = {}
    for marker_id, quad in zip([] if ids is None else ids.ravel(), corners, strict=True):
        # a reduced pixel's centre, (i + 1/2) * times, in full-size pixel centres
        corner_px = np.asarray(quad, dtype=np.float64).reshape(4, 2)
        found.setdefault(int(marker_id), (corner_px + 0.5) * times - 0.5)
    return found, times


def _reduced(luma: NDArray[np.uint8], times: int) -> NDArray[np.uint8]:
    """A picture with so many times fewer rows and columns, each pixel the mean of a square of pixels."""
    import cv2

    # whole pixels into one are many times quicker to add up than parts of them, and four quickest of all
    for step in (2, times // 2) if times % 2 == 0 else (times,):
        if step > 1:
            rows, columns = (side // step for side in luma.shape)
            whole = luma[: rows * step, : columns * step]
            luma = np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), np.uint8)
    return luma


def _complete(found: dict[int, Floats]) -> bool:
    return any(all(i in found for i in geometry.face_marker_ids(face)) for face in geometry.FACES)


def _shortest_side(found: dict[int, Floats]) -> float:
    """The shortest side of any marker, px."""
    sides = [corners - np.roll(corners, 1, axis=0) for corners in found.values()]
    return float(np.linalg.norm(sides, axis=2).min())


def ransac_inliers(markers: Markers) -> dict[int, Floats]:
    """Only the markers that lie together as on the card (a misread one does not)."""
    import cv2

    ids = list(markers.face_corners_px)
    if len(ids) < 2:
        return dict(markers.face_corners_px)
    drawn = np.concatenate([geometry.marker_corners_mm(i) for i in ids])
    seen = np.concatenate([markers.face_corners_px[i] for i in ids])
    side_px = float(
        np.median(
            [np.linalg.norm(markers.face_corners_px[i][0] - markers.face_corners_px[i][1]) for i in ids]
        )
    )
    _, inlier = cv2.findHomography(drawn, seen, cv2.RANSAC, max(3.0, 0.06 * side_px))
    if inlier is None:
        return {}
    good = inlier.reshape(len(ids), 4).sum(axis=1) >= 3
    return {i: markers.face_corners_px[i] for i, keep in zip(ids, good, strict=True) if keep}
