"""How wrong the gauge is: rendered photos of a slit of known height, measured as their user would."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from aperture.settings import Settings
from aperture.studies.gauge import GaugeCheck, check_gauge
from aperture.studies.gauge_line import line_through
from fixtures.gauge_design import PHOTOS, SERIES
from fixtures.truth_design import cache_folder, set_name
from tests.accuracy.truth_photos import ROOT

COMMITTED = ROOT / "fixtures" / "gauge_set"
RENDER_COMMAND = "python -m fixtures.render gauge --cache"
# The aims: |error| of 19 of 20 at most this, E_n at most 1 for so many.
MOST_ERROR_MM, LEAST_AGREEING = 0.02, 0.95


@dataclass(frozen=True)
class GaugePhoto:
    """A photo of a gauge: what its user would type, and the truth. `facts` : all that is known of it."""

    path: Path
    sheets: int
    ream_mm: float
    settings: Settings
    true_mm: float
    facts: dict[str, Any]

    @property
    def is_black_inside(self) -> bool:
        """Whether the walls of the slit are darker than a felt pen leaves them."""
        return bool(self.facts["scene"]["gauge"]["walls"][0] < 0.1)

    def check(self) -> GaugeCheck:
        """What the program makes of it."""
        return check_gauge(self.path, self.sheets, self.ream_mm, self.settings)


def folders(draw: int = 1, committed: bool = False) -> list[Path]:
    """Where the photos of a draw are; the first draw's series is committed."""
    kept = [cache_folder(set_name("gauge_set", draw))]
    if draw > 1:
        return kept
    return [COMMITTED] if committed else [COMMITTED, *kept]


def gauge_photos(folders: Sequence[Path], exact_ruler: bool = False) -> list[GaugePhoto]:
    """The photos of some folders, by name; of two with one name, that of the earlier folder.

    Parameters
    ----------
    exact_ruler : tell the program the true length of the bar, and the true height of the ream.
    """
    found: dict[str, GaugePhoto] = {}
    for path in (path for folder in folders for path in sorted(folder.glob("gauge-*.json"))):
        facts = json.loads(path.read_text(encoding="utf-8"))
        photo, typed, scene = path.with_name(facts["photo"]["file"]), facts["design"]["typed"], facts["scene"]
        ruler_mm = 50.0 * scene["card"]["scale"] if exact_ruler else typed["ruler_mm"]
        ream_mm = 500 * scene["gauge"]["sheet_mm"] if exact_ruler else typed["ream_mm"]
        if photo.exists():
            settings = Settings(ruler_mm=ruler_mm)
            true_mm = facts["truth"]["gap_mm"]
            found.setdefault(path.stem, GaugePhoto(photo, typed["sheets"], ream_mm, settings, true_mm, facts))
    return [found[name] for name in sorted(found)]


def table(photos: Sequence[GaugePhoto]) -> str:
    """What the gauges measure beside what they are, in words and numbers, each photo first."""
    pairs = [(photo, photo.check()) for photo in photos]
    lines = [_row(photo, check) for photo, check in pairs]
    known = [(photo, check) for photo, check in pairs if check.gap_mm is not None]
    if known:
        lines += ["", *_figures(known, len(pairs) - len(known))]
    series = [check for photo, check in known if int(photo.path.stem[-2:]) <= SERIES]
    line = line_through(series, known[0][0].settings) if known else None
    if line is not None:
        lines += [
            "",
            f"The line through the series of one ream and one card, {len(series)} photos:",
            f"offset {line.offset_mm:+.4f} ± {line.u_offset_mm:.4f} mm,"
            f" scale error {100 * line.scale:+.2f} ± {100 * line.u_scale:.2f} %",
        ]
    if len(photos) < PHOTOS:
        lines += ["", f"Not the whole set: {PHOTOS - len(photos)} photos are not there. {RENDER_COMMAND}"]
    return "\n".join(lines)


def _row(photo: GaugePhoto, check: GaugeCheck) -> str:
    gauge = photo.facts["scene"]["gauge"]
    inside = "black" if photo.is_black_inside else "as cut"
    said = f"{photo.path.stem}  true {photo.true_mm:.3f}  card {gauge['colour'][0]:.2f}, inside {inside:6}"
    if check.gap_mm is None or check.u_gap_mm is None or check.en is None:
        return f"{said}  refused: {check.reason}"
    error = check.gap_mm - photo.true_mm
    return (
        f"{said}  measured {check.gap_mm:.3f} ± {check.u_gap_mm:.3f}  error {error:+.4f}  E_n {check.en:+.2f}"
    )


def _figures(known: Sequence[tuple[GaugePhoto, GaugeCheck]], refused: int) -> list[str]:
    errors = np.array([(check.gap_mm or 0.0) - photo.true_mm for photo, check in known])
    within = np.mean(np.abs(errors) <= [check.u_gap_mm or 0.0 for _, check in known])
    agreeing = np.mean([bool(check.agrees) for _, check in known])
    worst = float(np.percentile(np.abs(errors), 95))
    met = {True: "met", False: "MISSED"}
    groups = []
    for words, black in (("blackened inside, as the sheet asks", True), ("inside as cut", False)):
        own = [abs(e) for e, (photo, _) in zip(errors, known, strict=True) if photo.is_black_inside == black]
        if own:
            groups.append(f"  {words}: {len(own)} photos, 95th percentile {np.percentile(own, 95):.4f} mm")
    return [
        f"{len(known)} measured, {refused} refused (rendered photos)",
        f"|error|: median {np.median(np.abs(errors)):.4f} mm, 95th percentile {worst:.4f} mm"
        f" (aim {MOST_ERROR_MM:.4f}: {met[worst <= MOST_ERROR_MM]}); mean error {errors.mean():+.4f} mm",
        f"E_n at most 1: {agreeing:.1%} (aim {LEAST_AGREEING:.0%}: {met[bool(agreeing >= LEAST_AGREEING)]});"
        f" truth within ±: {within:.1%}",
        *groups,
    ]
