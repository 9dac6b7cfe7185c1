"""Whether the ± hold on photos that neither training nor tuning has seen: split conformal prediction.

Of n such photos the ± would have to be made larger by the k-th smallest ratio of error to ±, k = 0.95 (n + 1)
rounded up, so that at least 95 of 100 further photos of the same kind lie within it, whatever the errors'
distribution (Vovk, Gammerman & Shafer, Algorithmic Learning in a Random World, 2005, chapter 2; Lei et al.,
Journal of the American Statistical Association 113, 2018, 1094-1111, algorithm 2). A factor near 1 says that
the ± are as large as they must be; of the same kind are rendered photos, not real ones.
"""

import json
import math
from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from tests.accuracy.figures import QUANTITIES, Case
from tests.accuracy.truth_photos import TruthPhoto

SHARE = 0.95
HEIGHTS_MM = (0.0, 0.3, 1.2, math.inf)
SHARP_MM = 0.036  # of blur, standard deviation on the card: about half of the careful photos are sharper


def conformal_factor(ratios: Sequence[float], share: float = SHARE) -> float:
    """By how much a ± must be multiplied; infinite where there are too few photos to say.

    Parameters
    ----------
    ratios : of error to ±, at least 0.
    """
    rank = math.ceil(share * (len(ratios) + 1))
    return sorted(ratios)[rank - 1] if rank <= len(ratios) else math.inf


def blur_mm(photo: TruthPhoto) -> float:
    """The blur of a rendered photo at the tip, standard deviation along its worst direction, mm."""
    used = json.loads(photo.facts.read_text(encoding="utf-8"))["design"]["nuisances"]
    return float(used["total_blur_px"] / used["px_per_mm"])


def table(cases: Sequence[Case], photos: Sequence[TruthPhoto]) -> str:
    """The factors of the careful photos with a number that asks nobody to look, as text: all together, by
    size of opening, by sharpness."""
    blurs = {photo.name: blur_mm(photo) for photo in photos}
    used = [case for case in cases if case.careful and case.at_face_value]

    def higher(low: float, high: float) -> Callable[[Case], bool]:
        return lambda case: low <= case.true["height_mm"] < high

    groups: dict[str, Callable[[Case], bool]] = {"all": lambda case: True}
    for low, high in pairwise(HEIGHTS_MM):
        groups[f"{low:g} mm and more" if high == math.inf else f"{low:g} to {high:g} mm"] = higher(low, high)
    groups[f"blur below {SHARP_MM} mm"] = lambda case: blurs[case.name] < SHARP_MM
    groups[f"blur from {SHARP_MM} mm"] = lambda case: blurs[case.name] >= SHARP_MM
    lines = [
        "Careful photos that nobody is asked about: by how much the ± would have to be larger, so that they",
        f"hold for {SHARE:.0%} of further ones (split conformal), and how often they hold as they are.",
        "",
        f"{'':22}photos" + "".join(f"{name:>20}" for name in QUANTITIES),
    ]
    for words, belongs in groups.items():
        chosen = [case for case in used if belongs(case)]
        row = f"{words:22}{len(chosen):6}"
        for name in QUANTITIES:
            ratios = [abs(case.error(name)) / case.u[name] for case in chosen if case.u is not None]
            within = float(np.mean(np.array(ratios) <= 1.0)) if ratios else math.nan
            row += f"{conformal_factor(ratios):12.2f} {within:6.1%} "
        lines.append(row.rstrip())
    return "\n".join(lines)
