"""The demo: a box of eight reeds, photographed dry and soaked, measured from file to verdict."""

from collections.abc import Sequence
from pathlib import Path

import aperture
from aperture.batch import Pair, photos_in
from aperture.errors import PhotoError
from aperture.measure import Measurement
from aperture.report import change_words, class_words, printable

ABOUT = (
    "The demo's pictures are rendered from meshes, not photographed, and the reeds are invented. Each reed"
    " of a box is seen dry and after two minutes in water."
)


def demo_photos() -> list[Path]:
    """The demo's photos: inside an installed package, or beside it in a checkout.

    Raises
    ------
    PhotoError : "file-missing" where they are in neither place.
    """
    package = Path(aperture.__file__).resolve().parent
    places = (package / "demo_images", package.parent / "demo_images")
    for place in places:
        photos = photos_in([place]) if place.is_dir() else []
        if photos:
            return photos
    looked = " or ".join(map(str, places))
    raise PhotoError("file-missing", f"the demo's photos are not in {looked}")


def story(measurements: Sequence[Measurement], pairs: Sequence[Pair]) -> list[str]:
    """What happened to each reed, a sentence each, and which photos had to be taken again."""
    sentences = []
    for pair in pairs:
        before, after = (class_words(m.verdict) if m.verdict else "?" for m in (pair.dry, pair.soaked))
        then = f"still {after}" if before == after else after
        height = change_words(pair.change.height_mm, "mm")
        ratio = change_words(pair.change.ellipse_ratio)
        sentence = f"Reed {pair.reed} was {before} when dry and is {then} when soaked"
        sentences.append(f"{sentence} (height {height}; ratio {ratio}){_doubt(pair)}.")
    for measurement in measurements:
        if measurement.outcome == "refused":
            name = printable(Path(measurement.photo).name)
            sentences.append(f"{name} was refused: {measurement.reason} {measurement.advice}")
    return sentences


def _doubt(pair: Pair) -> str:
    """Which of the two photos a person should look at."""
    photos = [f"the {m.state} photo" for m in (pair.dry, pair.soaked) if m.review]
    return f"; a person should look at {' and '.join(photos)}" if photos else ""
