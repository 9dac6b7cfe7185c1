"""Measures the truth photos and remembers the results, so that a second run is quick.

A result is kept under the hash of its photo and a hash of the program's sources and of the libraries that do
the arithmetic: when one of them changes, the photo is measured again.
"""

import hashlib
import importlib.metadata
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import aperture
from aperture.batch.measuring import failed
from aperture.batch.workers import run_in_order
from aperture.measure import Measurement, measure
from aperture.settings import Settings
from tests.accuracy.figures import QUANTITIES, Case, class_of
from tests.accuracy.truth_photos import TruthPhoto

ARITHMETIC = ("numpy", "scipy", "scikit-image", "opencv-python-headless", "Pillow", "pi-heif", "simplejpeg")
# Rooms that keep results, or ask for them, and make none.
KEEPING = {"book", "desk", "cli"}
# Results are recorded to this many decimals of a mm, mm² or ratio: far finer than any figure that is shown.
DECIMALS = 6
Record = dict[str, Any]


def sources_hash() -> str:
    """A fingerprint of everything that could change a result: sources, networks, libraries."""
    digest = hashlib.sha256()
    package = Path(aperture.__file__).parent
    for path in sorted([*package.rglob("*.py"), *package.rglob("*.onnx")]):
        place = path.relative_to(package)
        if place.parts[0] not in KEEPING:
            digest.update(place.as_posix().encode() + b"\0" + path.read_bytes())
    for name in ARITHMETIC:
        digest.update(f"{name} {importlib.metadata.version(name)}\n".encode())
    return digest.hexdigest()[:16]


def photo_hash(photo: TruthPhoto) -> str:
    """A fingerprint of the photo's file, of its truth and of what its user would tell."""
    # The habit of soaking is the reed book's, patience is no part of a result, and nothing is corrected.
    told = asdict(photo.settings)
    del told["soaking"], told["photo_seconds"], told["correction"]
    facts = json.dumps([told, dict(photo.true)]).encode()
    return hashlib.sha256(photo.path.read_bytes() + facts).hexdigest()[:16]


def case_of(photo: TruthPhoto, result: Measurement) -> Case:
    """A result beside its truth. The class is that of the default limits."""
    numbers = result.geometry  # the height, too, where no user is told one
    return Case(
        name=photo.name,
        block=photo.block,
        careful=photo.careful,
        obstructed=photo.obstructed,
        review=result.review,
        flags=result.flags,
        true_class=class_of(photo.true["height_mm"], photo.true["ellipse_ratio"], Settings().limits),
        got_class=result.verdict.shape if result.verdict else None,
        true=photo.true,
        got={name: getattr(numbers, name) for name in QUANTITIES} if numbers else None,
        u=dict(result.u) if result.u else None,
    )


def to_record(case: Case, hash_of_photo: str) -> Record:
    """A case as plain values for a JSON file; numbers in the order of `QUANTITIES`."""

    def numbers(values: Mapping[str, float] | None) -> list[float] | None:
        return [round(values[name], DECIMALS) for name in QUANTITIES] if values else None

    return {
        "name": case.name,
        "block": case.block,
        "photo": hash_of_photo,
        "careful": case.careful,
        "obstructed": case.obstructed,
        "review": case.review,
        "flags": list(case.flags),
        "true_class": case.true_class,
        "got_class": case.got_class,
        "true": numbers(case.true),
        "got": numbers(case.got),
        "u": numbers(case.u),
    }


def from_record(record: Record) -> Case:
    """The case of a record."""
    plain = {key: value for key, value in record.items() if key != "photo"}
    for key in ("true", "got", "u"):
        if plain[key] is not None:
            plain[key] = dict(zip(QUANTITIES, plain[key], strict=True))
    return Case(**{**plain, "flags": tuple(plain["flags"])})


def measure_photos(
    photos: Sequence[TruthPhoto],
    workers: int,
    kept: Path | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> list[Record]:
    """Measure photos, each with what its user would tell the program.

    Parameters
    ----------
    photos : with their truth.
    workers : processes.
    kept : the folder in which results are remembered; None to measure afresh and remember nothing.
    tell : is given a line for each photo that is measured now.

    Returns
    -------
    One record a photo, in their order.
    """
    memory = kept / f"results-{sources_hash()}.jsonl" if kept else None
    known = _remembered(memory)
    hashes = {photo.name: photo_hash(photo) for photo in photos}
    missing = [photo for photo in photos if hashes[photo.name] not in known]
    for photo, result in _measured(missing, workers):
        record = to_record(case_of(photo, result), hashes[photo.name])
        known[hashes[photo.name]] = record
        tell(f"{photo.name}: {result.outcome}{', to review' if result.review else ''}")
        if memory:
            # A line at once: a run that is stopped loses no photo.
            memory.parent.mkdir(parents=True, exist_ok=True)
            with memory.open("a", encoding="utf-8") as file:
                file.write(json.dumps(record, ensure_ascii=False) + "\n")
    # What a photo is called, or which block it is in, may have changed since; its numbers have not.
    now = {
        photo.name: {
            "name": photo.name,
            "block": photo.block,
            "careful": photo.careful,
            "obstructed": photo.obstructed,
        }
        for photo in photos
    }
    return [known[hashes[photo.name]] | now[photo.name] for photo in photos]


def _measured(photos: Sequence[TruthPhoto], workers: int) -> Iterator[tuple[TruthPhoto, Measurement]]:
    task = partial(_measure_one, told={photo.path: photo.settings for photo in photos})
    results = run_in_order(task, [photo.path for photo in photos], workers, failed)
    return zip(photos, results, strict=True)


def _measure_one(path: Path, told: Mapping[Path, Settings]) -> Measurement:
    return measure(path, told[path])


def _remembered(memory: Path | None) -> dict[str, Record]:
    """Records by the hash of their photo; a line that was cut off when a run was stopped is left out."""
    known: dict[str, Record] = {}
    if memory and memory.exists():
        for line in memory.read_text(encoding="utf-8").splitlines():
            try:
                record = json.loads(line)
            except json.JSONDecodeError:
                continue
            known[record["photo"]] = record
    return known
