"""A phone's camera and the card before it: where a point of the card falls in the photo, and back.

Card millimetres (x right, y up, z out of the face towards the camera) go through a rotation and a translation
into the camera's axes (x right, y down, z forward), through the pinhole and one term of radial distortion,
into pixels (integer = pixel centre). The fit takes what is known beforehand (focal length from EXIF,
principal point near the middle, little distortion) as observations with their own uncertainty, so that what
the photo cannot tell stays near what is known, and the covariance of the result is honest about both.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from aperture.errors import CardError
from aperture.view.fitting import soft_l1

Floats = NDArray[np.float64]

# Eight steps of OpenCV's search for the undistorted point (1: `cv2.TERM_CRITERIA_COUNT`); each gains more
# than two digits at the few per cent of a phone's lens.
STRAIGHTENED = (1, 8, 0.0)
FULL_FRAME_DIAGONAL_MM = 43.267  # of 36 x 24 mm, CIPA DCG-001: equal diagonals define the equivalent


@dataclass(frozen=True)
class Camera:
    """The parameters of one photo; see the module's text for the axes.

    `radial` is the relative shift of an image point half the picture's diagonal from the principal point.
    `ink_mm` is how far printed black reaches beyond its artwork on each side (negative where white spills
    over): ink spread, and what is left of the phone's tone curve.
    """

    rotation_vector: Floats
    translation_mm: Floats
    focal_px: float
    principal_px: Floats
    radial: float
    ink_mm: float
    half_diagonal_px: float

    def vector(self) -> Floats:
        """All as one array (11,): rotation, shift, ln(focal length), principal point, radial term, ink."""
        return np.concatenate(
            [
                self.rotation_vector,
                self.translation_mm,
                [np.log(self.focal_px)],
                self.principal_px,
                [self.radial, self.ink_mm],
            ]
        )

    def with_vector(self, vector: Floats) -> "Camera":
        """The same photo with other parameters (11,)."""
        return replace(
            self,
            rotation_vector=vector[0:3],
            translation_mm=vector[3:6],
            focal_px=float(np.exp(vector[6])),
            principal_px=vector[7:9],
            radial=float(vector[9]),
            ink_mm=float(vector[10]),
        )

    def rotation(self) -> Floats:
        """The rotation matrix (3, 3), card axes to camera axes."""
        import cv2

        return np.asarray(cv2.Rodrigues(self.rotation_vector)[0], np.float64)

    def to_pixel(self, points_mm: Floats, offset_mm: float = 0.0) -> Floats:
        """Where points `offset_mm` in front of the card's face fall; (..., 2) mm to (..., 2) px."""
        # x and y apart: a whole array at a time is many times quicker than its pairs
        x, y = self._flat(points_mm[..., 0], points_mm[..., 1], offset_mm)
        stretch = self.focal_px * (1.0 + self._bend() * (x * x + y * y))
        pixels = np.empty(points_mm.shape)
        pixels[..., 0] = self.principal_px[0] + x * stretch
        pixels[..., 1] = self.principal_px[1] + y * stretch
        return pixels

    def _flat(self, x_mm: Floats, y_mm: Floats, offset_mm: float) -> tuple[Floats, Floats]:
        """Where a pinhole 1 before its picture sees points of the card, x and y apart."""
        rotation = self.rotation()
        shift = rotation[:, 2] * offset_mm + self.translation_mm
        x, y, depth = (
            x_mm * by_x + y_mm * by_y + start
            for by_x, by_y, start in zip(rotation[:, 0], rotation[:, 1], shift, strict=True)
        )
        return x / depth, y / depth

    def _bend(self) -> float:
        """The radial term of distances from the principal point in focal lengths."""
        return self.radial * (self.focal_px / self.half_diagonal_px) ** 2

    def place_along(self, points_mm: Floats, outward_mm: Floats, across_px: Floats) -> tuple[Floats, Floats]:
        """How far along a direction in the photo points of the face fall, and how that changes.

        Parameters
        ----------
        points_mm, outward_mm : (n, 2) the points as drawn, and the unit vectors along which ink moves them.
        across_px : (n, 2) unit vectors in the photo.

        Returns
        -------
        The pixels' part along these vectors (n,), and its derivatives by the parameters (n, 11).
        """
        import cv2

        # x and y apart, and a row for each parameter: that is quicker by half
        rotation, by_vector = cv2.Rodrigues(self.rotation_vector)
        outward_x, outward_y = np.ascontiguousarray(outward_mm.T)
        across_x, across_y = across = np.ascontiguousarray(across_px.T)
        x_mm, y_mm = points_mm.T + self.ink_mm * outward_mm.T
        x, y, depth = (
            x_mm * by_x + y_mm * by_y + shift
            for (by_x, by_y, _), shift in zip(rotation, self.translation_mm, strict=True)
        )
        x, y = x / depth, y / depth
        squared = (x * x + y * y) * (self.focal_px / self.half_diagonal_px) ** 2
        along = self.focal_px * (x * across_x + y * across_y)
        stretch = 1.0 + self.radial * squared
        bent = 2 * self._bend() * along
        rows = np.empty((11, len(x)))
        by_seen = rows[3:6]
        by_seen[0] = (self.focal_px * stretch * across_x + bent * x) / depth
        by_seen[1] = (self.focal_px * stretch * across_y + bent * y) / depth
        by_seen[2] = -(by_seen[0] * x + by_seen[1] * y)
        # of the two columns of the rotation matrix that turn a flat card, by each part of the vector
        turns = by_vector.reshape(3, 3, 3)[:, :, :2].transpose(0, 2, 1).reshape(3, 6)
        rows[0:3] = turns @ np.concatenate([by_seen * x_mm, by_seen * y_mm])
        rows[6] = along * (3 * stretch - 2)
        rows[7:9] = across
        rows[9] = along * squared
        by_ink_x, by_ink_y = rotation[:, :2].T @ by_seen
        rows[10] = by_ink_x * outward_x + by_ink_y * outward_y
        place = self.principal_px[0] * across_x + self.principal_px[1] * across_y + along * stretch
        return place, rows.T

    def to_mm(self, points_px: Floats, offset_mm: float = 0.0) -> Floats:
        """Where lines of sight meet the plane `offset_mm` in front of the face; (n, 2) px to (n, 2) mm."""
        import cv2

        x, y = self.principal_px
        pinhole = np.array([[self.focal_px, 0.0, x], [0.0, self.focal_px, y], [0.0, 0.0, 1.0]])
        distortion = np.array([self._bend(), 0.0, 0.0, 0.0])
        seen = np.asarray(points_px, np.float64)[:, None]
        flat = cv2.undistortPoints(seen, pinhole, distortion, criteria=STRAIGHTENED)[:, 0]
        rays = np.column_stack([flat, np.ones(len(flat))])
        rays_card, centre = rays @ self.rotation(), self.camera_centre_mm()
        reach = (offset_mm - centre[2]) / rays_card[:, 2]
        return np.asarray(centre[:2] + reach[:, None] * rays_card[:, :2])

    def camera_centre_mm(self) -> Floats:
        """The camera's place in card axes, (3,) mm."""
        return np.asarray(-self.rotation().T @ self.translation_mm)


@dataclass(frozen=True)
class Prior:
    """What is known before the fit: values and standard uncertainties."""

    focal_px: float
    focal_relative_u: float
    principal_px: Floats
    principal_u_px: float
    radial_u: float = 0.015
    ink_u_mm: float = 0.1


@dataclass(frozen=True)
class Fit:
    """A fitted camera, its covariance (11, 11) and the residuals (n,) in px."""

    camera: Camera
    covariance: Floats
    residuals_px: Floats


def start_camera(points_mm: Floats, points_px: Floats, prior: Prior, size_px: tuple[int, int]) -> Camera:
    """A first camera from marker corners.

    Parameters
    ----------
    points_mm, points_px : (n, 2) corners on the card, and where they were seen.
    size_px : width and height of the picture.

    Raises
    ------
    CardError : "card-bent-badly" when no camera sees a flat card like this.
    """
    import cv2

    matrix = np.array(
        [[prior.focal_px, 0, prior.principal_px[0]], [0, prior.focal_px, prior.principal_px[1]], [0, 0, 1]]
    )
    spatial = np.column_stack([points_mm, np.zeros(len(points_mm))])
    # IPPE sorts its two solutions by reprojection error, but fails (NaN) on points of perfect symmetry
    for method in (cv2.SOLVEPNP_IPPE, cv2.SOLVEPNP_SQPNP):
        _, vectors, shifts, _ = cv2.solvePnPGeneric(spatial, points_px, matrix, None, flags=method)
        # a camera behind the card cannot see it, and NaN is not in front of anything
        in_front = [i for i, shift in enumerate(shifts) if shift[2, 0] > 0]
        if in_front:
            break
    else:
        raise CardError("card-bent-badly", "no camera sees a flat card like this")
    best = in_front[0]
    return Camera(
        rotation_vector=np.asarray(vectors[best], dtype=np.float64).ravel(),
        translation_mm=np.asarray(shifts[best], dtype=np.float64).ravel(),
        focal_px=prior.focal_px,
        principal_px=prior.principal_px,
        radial=0.0,
        ink_mm=0.0,
        half_diagonal_px=float(np.hypot(*size_px)) / 2,
    )


def fit_camera(
    start: Camera,
    prior: Prior,
    points_mm: Floats,
    outward_mm: Floats,
    seen_px: Floats,
    across_px: Floats,
    sides: NDArray[np.intp],
    noise_px: float,
) -> Fit:
    """Fit the camera to points on the printed markers' sides, by robust least squares with the prior.

    Parameters
    ----------
    points_mm, outward_mm : (n, 2) points on the sides as drawn, and unit vectors from black to white.
    seen_px, across_px : (n, 2) where the step was seen, and the unit vector along which it was located: only
        the distance along it counts.
    sides : (n,) which printed side each point belongs to. The points of one side share what paper and print
        did to it, so a side counts as two independent observations (its place and its angle), however many
        points it has.
    noise_px : a first guess of the residuals' size, px.
    """
    expected = np.array([np.log(prior.focal_px), *prior.principal_px, 0.0, 0.0])
    doubt = np.array(
        [prior.focal_relative_u, prior.principal_u_px, prior.principal_u_px, prior.radial_u, prior.ink_u_mm]
    )
    prior_by_vector = np.hstack([np.zeros((5, 6)), np.diag(1 / doubt)])

    seen_along = seen_px[:, 0] * across_px[:, 0] + seen_px[:, 1] * across_px[:, 1]

    def off(vector: Floats) -> tuple[Floats, Floats]:
        place, moved = start.with_vector(vector).place_along(points_mm, outward_mm, across_px)
        return seen_along - place, -moved

    # one weight for all points, so that a side counts twice in all
    points_a_side = len(points_mm) / max(1, len(np.unique(sides)))
    weight = min(1.0, np.sqrt(2.0 / points_a_side))
    vector, noise = start.vector(), noise_px
    for _ in range(2):

        def problem(v: Floats, share: float = weight / noise) -> tuple[Floats, Floats]:
            residuals, by_vector = off(v)
            return (
                np.concatenate([residuals * share, (v[6:] - expected) / doubt]),
                np.concatenate([by_vector * share, prior_by_vector]),
            )

        solution = soft_l1(problem, vector)
        vector, residuals = solution.values, solution.residuals[: len(seen_px)] * (noise / weight)
        # never better than a fiftieth of a pixel: resampling and interpolation alone cost that
        noise = max(0.02, 1.4826 * float(np.median(np.abs(residuals))), float(np.sqrt(np.mean(residuals**2))))
    return Fit(start.with_vector(vector), solution.covariance, residuals)
