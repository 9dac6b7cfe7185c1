"""The photos whose truth is known: those committed, and those rendered on demand into a cache."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from aperture.settings import Settings
from fixtures.truth_design import shots
from tests.accuracy.figures import QUANTITIES

ROOT = Path(__file__).parents[2]
COMMITTED = ROOT / "fixtures" / "truth_set"
RENDER_COMMAND = "python -m fixtures.render truth --cache"
# What the truth files call the four quantities, in the order of QUANTITIES.
TRUE_NAMES = ("feret_min_mm", "feret_max_mm", "area_mm2", "ellipse_ratio")


@dataclass(frozen=True)
class TruthPhoto:
    """A photo, the truth about it, and the settings of a user who tells what can be known.

    `facts` is the truth file; `block`, `careful`, `obstructed` and `true` as in `figures.Case`.
    """

    name: str
    path: Path
    facts: Path
    block: str
    careful: bool
    obstructed: bool
    settings: Settings
    true: Mapping[str, float]


def settings_of(typed: Mapping[str, Any], exact_ruler: bool = False) -> Settings:
    """What a user would tell the program: the bar read with a ruler, the tip's offset where measured.

    Parameters
    ----------
    typed : from the truth file: ruler_mm, ruler_to_half_mm, tip_offset_mm (None: nobody measured it).
    exact_ruler : tell the bar's true length instead of what one reads to half a millimetre.
    """
    told: dict[str, Any] = {"ruler_mm": typed["ruler_mm" if exact_ruler else "ruler_to_half_mm"]}
    if typed["tip_offset_mm"] is not None:
        told |= {"tip_offset_mm": typed["tip_offset_mm"], "tip_offset_is_measured": True}
    return Settings(**told)


def read_truth(path: Path, exact_ruler: bool = False) -> TruthPhoto:
    """The photo that a truth file tells of; it lies beside it."""
    facts = json.loads(path.read_text(encoding="utf-8"))
    design, truth = facts["design"], facts["truth"]
    return TruthPhoto(
        name=design["name"],
        path=path.with_name(facts["photo"]["file"]),
        facts=path,
        block=design["block"],
        careful=design["careful"],
        obstructed=design["obstructed"],
        settings=settings_of(design["typed"], exact_ruler),
        true=dict(zip(QUANTITIES, (truth[name] for name in TRUE_NAMES), strict=True)),
    )


def photos_in(folders: Sequence[Path], exact_ruler: bool = False) -> list[TruthPhoto]:
    """The photos of some folders, by name; of two with one name, that of the earlier folder.

    A truth file without its photo is left out: it is being rendered.
    """
    found: dict[str, TruthPhoto] = {}
    for folder in folders:
        for path in sorted(folder.glob("*.json")):
            photo = read_truth(path, exact_ruler)
            if photo.path.exists():
                found.setdefault(photo.name, photo)
    return [found[name] for name in sorted(found)]


def not_there(photos: Sequence[TruthPhoto], draw: int = 1) -> list[str]:
    """The names of the design's photos that are missing, or were rendered before the design was changed.

    Takes some seconds: the design works out where the camera of every scene can stand.

    Parameters
    ----------
    draw : which drawing of the whole set.
    """
    here = {photo.name: _plan(json.loads(photo.facts.read_text(encoding="utf-8"))) for photo in photos}
    planned = {
        shot.scene["name"]: _plan({"design": shot.design, "scene": shot.scene}) for shot in shots(draw)
    }
    return [name for name, plan in planned.items() if here.get(name) != plan]


def _plan(facts: Mapping[str, Any]) -> Any:
    """What the design says of a photo, as a JSON file would give it back."""
    return json.loads(json.dumps([facts["design"], facts["scene"]]))
