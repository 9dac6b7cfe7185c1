"""Risk against coverage of the judge of a height's uncertainty, and the error of the edge alone.

For careful photos: if a person were asked from this standard uncertainty on (of the height, from its two
edges alone), how many photos would pass, and how wrong those would be. The *edge error* is the height of the
outline against that of the true outline, both brought from the photo to the card by the same camera: what
ruler, lean and plane of the tip do to a height is not in it. What those do alone, the true outline brought to
the card against the truth, stands below the table: no finder of edges can come below that.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from aperture.errors import ApertureError
from aperture.opening.find import find_blades, height_u_mm, notch_in
from aperture.photo import read_photo
from aperture.shape import quantities
from aperture.view.view import locate_card
from tests.accuracy.truth_photos import TruthPhoto

LIMITS_MM = (0.006, 0.008, 0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.08, 0.2)


@dataclass(frozen=True)
class Seen:
    """One photo: the standard uncertainty of its height from its edges alone, and that height's error; mm.

    `geometry_error` (2,): how wrong height (mm) and ellipse ratio of the true outline are on the card;
    `height_mm`: the true one.
    """

    u_mm: float
    edge_error_mm: float
    geometry_error: tuple[float, float]
    height_mm: float

    @property
    def is_near(self) -> bool:
        """Whether the whole height is right within 0.02 mm and 1.5 % of it."""
        return abs(self.edge_error_mm + self.geometry_error[0]) <= 0.02 + 0.015 * self.height_mm


def seen_in(photo: TruthPhoto) -> Seen | None:
    """What the finder says of a photo; None where there is no outline."""
    try:
        picture = read_photo(photo.path)
        view = locate_card(picture, photo.settings)
        found = find_blades(notch_in(picture, view))
    except ApertureError:
        return None
    truth = json.loads(photo.facts.read_text(encoding="utf-8"))["truth"]
    height, _, _, ratio = quantities(view.to_mm(np.array(truth["outline_px"])))
    error = float(quantities(found.fit.contour.polygon())[0] - height)
    geometry = (float(height - truth["feret_min_mm"]), float(ratio - truth["ellipse_ratio"]))
    return Seen(height_u_mm(found), error, geometry, truth["feret_min_mm"])


def table(photos: Sequence[TruthPhoto]) -> str:
    """The edge errors of careful photos that pass, by the uncertainty above which a person would be asked."""
    seen = [each for each in map(seen_in, (p for p in photos if p.careful)) if each is not None]
    lines = [
        "| asked from u = | pass | edge error: median | 95 % | largest | within 2 u |",
        "|---|---|---|---|---|---|",
    ]
    for limit in LIMITS_MM:
        passing = [each for each in seen if each.u_mm <= limit]
        if not passing:
            continue
        errors = np.array([abs(each.edge_error_mm) for each in passing])
        within = 100 * np.mean([abs(each.edge_error_mm) <= 2 * each.u_mm for each in passing])
        median, far = np.quantile(errors, [0.5, 0.95])
        share = 100 * len(errors) / len(seen)
        lines.append(
            f"| {limit:.3f} mm | {share:.0f} % | {median:.4f} mm | {far:.4f} mm | {errors.max():.4f} mm"
            f" | {within:.0f} % |"
        )
    (height, ratio), (far_height, far_ratio) = np.quantile(
        np.abs([each.geometry_error for each in seen]), [0.5, 0.95], axis=0
    )
    lines += [
        "",
        f"The true outline, brought to the card by the same camera, is {height:.4f} mm (median) and"
        f" {far_height:.4f} mm (95 %) off in its height, {ratio:.4f} and {far_ratio:.4f} in its ratio.",
        f"Within 0.02 mm + 1.5 % of the height, edges and geometry together:"
        f" {np.mean([each.is_near for each in seen]):.1%}.",
    ]
    return "\n".join(lines)
