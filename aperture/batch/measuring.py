"""Many photos measured on all processors; one on which the program fails is a refused result like others."""

from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from aperture.batch.workers import run_in_order
from aperture.card.geometry import Face
from aperture.errors import PhotoError
from aperture.flags import FLAGS
from aperture.identity import identify
from aperture.measure import Measurement, measure
from aperture.photo import Photo, glance, is_address
from aperture.settings import Settings


def measure_all(
    photos: Sequence[str | Path],
    settings: Settings,
    workers: int = 1,
    reed: int | None = None,
    state: Face | None = None,
    cluster: str | None = None,
) -> Iterator[Measurement]:
    """Measure many photos; the results come in the order of the photos, each as soon as it is ready.

    Parameters
    ----------
    photos : the files, or their addresses (s3://bucket/photo.jpg).
    settings : for all of them.
    workers : how many processes share the work; 0 for one on each processor.
    reed, state : what the user said about all of the photos.
    cluster : address of the scheduler of a Dask cluster whose workers share the work; they read the photos
        from the same paths or addresses.

    A photo on which the program fails is a refused result with the flag "internal-error"; the others go on.
    """
    task = partial(measure_or_fail, settings=settings, reed=reed, state=state)
    # A worker on another machine is at work in another folder.
    whole = [photo if is_address(photo) else Path(photo).absolute() for photo in photos]
    results = run_in_order(task, whole, workers, failed, settings.photo_seconds, cluster, refused_at_a_glance)
    with closing(results):
        for photo, measurement in zip(photos, results, strict=True):
            yield replace(measurement, photo=str(photo))


def refused_at_a_glance(photo: str | Path) -> bool:
    """Whether a look at a photo's file tells that it will be refused; not of what is at an address."""
    try:
        if not is_address(photo):
            glance(Path(photo))
    except PhotoError:
        return True
    return False


def failed(photo: str | Path, detail: str) -> Measurement:
    """The refused result of a photo on which the program failed."""
    flag = FLAGS["internal-error"]
    named = identify(photo, (), None)
    return Measurement(
        photo=str(photo),
        outcome="refused",
        reason=f"{flag.sentence} ({detail})",
        advice=flag.advice,
        reed=named.reed,
        state=named.state,
        flags=(flag.code, *named.flags),
    )


def measure_or_fail(
    path: str | Path,
    settings: Settings,
    reed: int | None = None,
    state: Face | None = None,
    name: Path | None = None,
    photo: Photo | None = None,
) -> Measurement:
    """Measure one photo; if the program fails on it, that is a refused result, too."""
    try:
        return _light(measure(path, settings, reed=reed, state=state, name=name, photo=photo))
    # Whatever it is, the other photos are measured.
    except Exception as error:
        words = " ".join(str(error).split())
        return failed(path, f"{type(error).__name__}: {words}" if words else type(error).__name__)


def _light(measurement: Measurement) -> Measurement:
    """The same without the ways in which its outline may lie, which only the budget needed.

    They are nine tenths of a result, and whoever measures an archive keeps many results.
    """
    outline = measurement.outline
    if outline is None:
        return measurement
    nothing = np.empty((0, *outline.points_mm.shape))
    return replace(measurement, outline=replace(outline, displacements_mm=nothing))
