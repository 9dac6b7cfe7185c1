"""Many photos: which files they are, measuring them on all processors, and pairs of dry and soaked."""

import os
import re
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path, PurePath, PurePosixPath

import numpy as np

from aperture.card import FACES, Face
from aperture.errors import PhotoError
from aperture.flags import FLAGS
from aperture.identity import identify
from aperture.measure import Measurement, measure
from aperture.photo import CLUSTER_EXTRA, Photo, is_address
from aperture.settings import Settings
from aperture.verdict import Change, Result, change
from aperture.workers import run_in_order

PHOTO_SUFFIXES = {".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"}
# The ends of the names that `aperture.annotate` gives to its pictures: no photos, wherever they are kept.
ANNOTATED = "_annotated"
PAIRED = "_dry-soaked"


@dataclass(frozen=True)
class Pair:
    """The same reed dry and soaked, and what soaking did to it."""

    reed: int
    dry: Measurement
    soaked: Measurement
    change: Change


def photos_in(paths: Sequence[str | Path]) -> list[Path]:
    """The photos that paths stand for.

    Parameters
    ----------
    paths : files, taken whatever they are called, and folders. Of a folder and the folders in it, files that
        are called like pictures are taken, by name with numbers in their order (R2 before R10); hidden ones
        and pictures that this program has drawn are left out.

    Returns
    -------
    In the order given. What does not exist, or cannot be opened, stays in the list: it becomes a refused
    result, not a silence.
    """
    photos: list[Path] = []
    for path in map(Path, paths):
        # Path.is_dir raises where a folder on the way may not be entered.
        photos += _photos_in_folder(path) if os.path.isdir(path) else [path]  # noqa: PTH112
    return photos


def photos_at(words: Sequence[str]) -> list[str | Path]:
    """The photos that words on a command line stand for: files and folders, as in `photos_in`, and addresses.

    An address with a * stands for the photos that fit, one that ends with / for those in that folder and the
    folders in it, by name as in `photos_in`; any other for one photo.

    Raises
    ------
    PhotoError : "file-unreadable", what is at an address cannot be listed.
    """
    photos: list[str | Path] = []
    for word in words:
        photos += _photos_at_address(word) if is_address(word) else photos_in([word])
    return photos


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
    results = run_in_order(task, whole, workers, failed, settings.photo_seconds, cluster)
    with closing(results):
        for photo, measurement in zip(photos, results, strict=True):
            yield replace(measurement, photo=str(photo))


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


def pairs(measurements: Sequence[Measurement], coverage_factor: float = 2.0) -> list[Pair]:
    """The reeds of which there is a measured photo dry and one soaked, by number.

    Parameters
    ----------
    measurements : of several photos. Of several of the same reed and state the latest counts: by the time
        that the cameras wrote, or the last in the list where one of them wrote none.
    coverage_factor : as in the settings.
    """
    groups: dict[tuple[int, Face], list[Measurement]] = {}
    for measurement in measurements:
        if (
            measurement.outcome == "measured"
            and measurement.reed is not None
            and measurement.state is not None
        ):
            groups.setdefault((measurement.reed, measurement.state), []).append(measurement)
    found = []
    for reed in sorted({reed for reed, _ in groups}):
        if all((reed, state) in groups for state in FACES):
            dry, soaked = (_latest(groups[reed, state]) for state in FACES)
            shared = min(printed_scale_relative(dry), printed_scale_relative(soaked))
            what_changed = change(_result(dry), _result(soaked), shared, coverage_factor)
            found.append(Pair(reed, dry, soaked, what_changed))
    return found


def _photos_in_folder(folder: Path) -> list[Path]:
    found: list[Path] = []
    closed: list[Path] = []

    def note(error: OSError) -> None:
        closed.append(Path(error.filename))

    # Links to folders are not followed: they can lead in a circle.
    for here, folders, files in os.walk(folder, onerror=note):
        folders[:] = [name for name in folders if not name.startswith(".")]
        found += [Path(here, name) for name in files if is_called_like_a_photo(name)]
    return sorted(found + closed, key=_in_parts)


def _photos_at_address(address: str) -> list[str]:
    if "*" not in address and not address.endswith("/"):
        return [address]
    try:
        import fsspec

        system, path = fsspec.url_to_fs(address)
        found = system.glob(path) if "*" in address else system.find(path)
        names = [name for name in found if is_called_like_a_photo(PurePosixPath(name).name)]
        return [system.unstrip_protocol(name) for name in sorted(names, key=_in_parts)]
    except ModuleNotFoundError as error:
        raise PhotoError("file-unreadable", f"{error.name} is missing: {CLUSTER_EXTRA}") from error
    # Each kind of address has a library of its own, with errors of its own.
    except Exception as error:
        raise PhotoError("file-unreadable", f"{address}: {error}") from error


def _in_parts(path: str | Path) -> list[tuple[list[tuple[str, int]], str]]:
    return [natural_order(part) for part in PurePath(path).parts]


def is_called_like_a_photo(name: str) -> bool:
    """Whether a file in a folder is taken for a photo, going by its name."""
    path = Path(name)
    ours = path.stem.endswith((ANNOTATED, PAIRED)) or re.search(rf"{ANNOTATED}_\d+$", path.stem)
    return not name.startswith(".") and path.suffix.lower() in PHOTO_SUFFIXES and not ours


def natural_order(name: str) -> tuple[list[tuple[str, int]], str]:
    """A key that sorts R2 before R10, whatever the case."""
    # Text and numbers alternate: ["r", "10", "_dry"].
    text_and_numbers = re.split(r"([0-9]+)", name.casefold())
    key = [(part, 0) if place % 2 == 0 else ("", int(part)) for place, part in enumerate(text_and_numbers)]
    return key, name


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
    return replace(measurement, outline=replace(outline, displacements_mm=nothing, sources=()))


def _latest(measurements: list[Measurement]) -> Measurement:
    times = [measurement.taken for measurement in measurements]
    if None in times:
        return measurements[-1]
    # The clock on the wall: not every camera writes its time zone.
    walls = [time.replace(tzinfo=None) for time in times if time is not None]
    return max(zip(walls, range(len(walls)), measurements, strict=True), key=lambda entry: entry[:2])[2]


def _result(measurement: Measurement) -> Result:
    """The values of a measured photo with their standard uncertainties."""
    assert measurement.numbers is not None
    assert measurement.budget is not None
    numbers, u = measurement.numbers, measurement.budget.standard()
    return Result(
        height_mm=numbers.height_mm,
        u_height_mm=u["height_mm"],
        area_mm2=numbers.area_mm2,
        u_area_mm2=u["area_mm2"],
        ellipse_ratio=numbers.ellipse_ratio,
        u_ellipse_ratio=u["ellipse_ratio"],
    )


def printed_scale_relative(measurement: Measurement) -> float:
    """Relative standard uncertainty of the printed millimetre, which photos of one card have in common."""
    assert measurement.numbers is not None
    assert measurement.budget is not None
    for contribution in measurement.budget.contributions:
        if contribution.source == "printed scale":
            return float(contribution.effect[0]) / measurement.numbers.height_mm
    return 0.0
