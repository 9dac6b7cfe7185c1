"""Made photos: the printed face seen through a camera that is known exactly.

The camera is the pinhole of OpenCV (tests/view/test_camera.py), the picture is averaged over pixels, blurred,
stored through the curve of IEC 61966-2-1, given noise and rounded to 8 bits. What must come back is put in
here, so it needs no other source.
"""

from functools import cache
from pathlib import Path

import cv2
import numpy as np

from aperture.card import geometry
from aperture.card.geometry import CARD
from aperture.photo import Photo
from aperture.view.camera import FULL_FRAME_DIAGONAL_MM, Camera
from aperture.view.edges import encode

PX_PER_MM_DRAWN = 40


@cache
def printed(face="dry"):
    """The face as (rows, columns) float32, 0 ink and 1 paper."""
    return geometry.face_image(face, PX_PER_MM_DRAWN).astype(np.float32) / 255


def camera_before(px_per_mm=14.0, tilt_deg=3.0, about=0, focal_35mm=36.0, radial=0.0, size_px=None):
    """A camera square to the card's middle, tilted about the card's x (0) or y (1) axis; and its size."""
    size = size_px or (round(102 * px_per_mm), round(74 * px_per_mm))
    diagonal = float(np.hypot(*size))
    focal = focal_35mm / FULL_FRAME_DIAGONAL_MM * diagonal
    tilt = cv2.Rodrigues(np.eye(3)[about] * np.radians(tilt_deg))[0]
    rotation = tilt @ np.diag([1.0, -1.0, -1.0])
    shift = [0, 0, focal / px_per_mm] - rotation @ [CARD.width_mm / 2, CARD.height_mm / 2, 0]
    vector = cv2.Rodrigues(rotation)[0].ravel()
    return Camera(vector, shift, focal, (np.array(size) - 1) / 2, radial, 0.0, diagonal / 2), size


def _between(count):
    """Linear interpolation from every 16th pixel to every half pixel, as a matrix; and those pixels."""
    half_px = (np.arange(2 * count) + 0.5) / 2 - 0.5
    places = (half_px + 1) / 16
    before = np.floor(places).astype(int)
    matrix = np.zeros((2 * count, count // 16 + 3), np.float32)
    matrix[np.arange(2 * count), before] = 1 - (places - before)
    matrix[np.arange(2 * count), before + 1] = places - before
    return matrix, np.arange(count // 16 + 3) * 16 - 1.0


def luma_of(camera, size_px, light, on_card=None, top_mm=CARD.height_mm, blur_px=0.8, white=0.75, black=0.03):
    """What a camera stores of `light`, whose upper left corner is at (0, top_mm); `on_card` is px -> mm."""
    (right, x_px), (down, y_px) = _between(size_px[0]), _between(size_px[1])
    grid = np.stack(np.meshgrid(x_px, y_px), axis=-1)
    mm = (on_card or camera.to_mm)(grid.reshape(-1, 2)).reshape(grid.shape)
    x = down @ (mm[..., 0] * PX_PER_MM_DRAWN - 0.5).astype(np.float32) @ right.T
    y = down @ ((top_mm - mm[..., 1]) * PX_PER_MM_DRAWN - 0.5).astype(np.float32) @ right.T
    fine = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=1.0)
    seen = cv2.GaussianBlur(cv2.resize(fine, size_px, interpolation=cv2.INTER_AREA), (0, 0), blur_px)
    stored = 255 * encode((black + (white - black) * seen).astype(np.float64))
    stored += np.random.default_rng(7).normal(0.0, 1.0, stored.shape)
    return np.clip(np.rint(stored), 0, 255).astype(np.uint8)


def photo_of(luma, focal_35mm=36.0, provenance="camera"):
    return Photo(Path("made.png"), "", "PNG", luma, None, focal_35mm, 1.0, provenance, b"")
