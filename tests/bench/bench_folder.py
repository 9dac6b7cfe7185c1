"""Many photos: what a second processor is worth, what a worker needs of memory, how soon Ctrl-C has stopped.

APERTURE_BENCH_PHOTOS=20 takes a tenth of the photos, for a first look. Memory is read as Linux tells it.
"""

import os
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import cycle, islice
from pathlib import Path

import pytest
from PIL import Image

from aperture.batch.photo_files import photos_in
from aperture.batch.workers import run_in_order
from tests.bench.figures import Findings
from tests.bench.folder_work import bad, is_bad, measured

ROOT = Path(__file__).parents[2]
PHOTOS = int(os.environ.get("APERTURE_BENCH_PHOTOS", "200"))
# 12 million pixels each, JPEG and HEIC, taken again and again.
DEMO = photos_in([ROOT / "demo_images"])
# The smallest one of those that give a number.
SMALL = ROOT / "fixtures" / "truth_set" / "jpeg-4.jpg"
STOPS = 10

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="processors and memory are told as Linux does"
)


def bench_second_processor(findings: Findings) -> None:
    """The whole command, its start included: held to one processor with one worker, and on two with two."""
    one = _seconds(_command("1", DEMO, PHOTOS), {0})
    two = _seconds(_command("2", DEMO, PHOTOS), {0, 1})
    note = f"{PHOTOS} photos of 12 million pixels"
    findings.figure("2 processors / 1 processor", one / two, 1.85, at_most=False, note=note)


def bench_memory(findings: Findings) -> None:
    """The most that a worker ever held, and what it did not give back from photo to photo."""
    peaks = [peak for _, _, peak in _remembered(DEMO)]
    findings.figure("memory of a worker, photos of 12 million pixels", max(peaks), 350.0, "MB")

    early: dict[int, list[float]] = {}
    late: dict[int, list[float]] = {}
    for number, (process, resident, _) in enumerate(_remembered([SMALL] * (10 * PHOTOS))):
        if PHOTOS // 2 <= number < PHOTOS:
            early.setdefault(process, []).append(resident)
        if number >= 10 * PHOTOS - PHOTOS // 2:
            late.setdefault(process, []).append(resident)
    grown = [statistics.median(late[process]) - statistics.median(early[process]) for process in late]
    what = f"growth of a worker from photo {PHOTOS} to {10 * PHOTOS}"
    findings.figure(what, max(grown), 10.0, "MB")


def bench_large_photo(findings: Findings, tmp_path: Path) -> None:
    """A demo photo drawn at 108 million pixels, as the largest phone cameras have."""
    large = tmp_path / "large.jpg"
    with Image.open(ROOT / "demo_images" / "R08_soaked.jpg") as photo:
        photo.resize((12_000, 9_000)).save(large, quality=90)
    # Three of them: fewer would be measured in this process.
    peaks = [peak for _, _, peak in _remembered([large] * 3)]
    findings.figure("memory of a worker, a photo of 108 million pixels", max(peaks), 1200.0, "MB")


def bench_stop(findings: Findings) -> None:
    """From Ctrl-C until the command has ended, at different moments after its first result."""
    seconds = []
    for turn in range(STOPS):
        with subprocess.Popen(
            _command("2", DEMO, PHOTOS),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            preexec_fn=_hear_ctrl_c,
        ) as program:
            assert program.stdout is not None
            program.stdout.readline()
            time.sleep(turn / STOPS)
            pressed = time.perf_counter()
            os.killpg(program.pid, signal.SIGINT)
            assert program.wait() == 130
            seconds.append(time.perf_counter() - pressed)
    findings.figure("until Ctrl-C has stopped two workers", max(seconds), 1.0, "s", note=f"worst of {STOPS}")


def bench_bad_photos(findings: Findings) -> None:
    """Every twentieth photo ends its worker at once, as a decoder that crashes does."""
    photos = [Path(f"{number}.jpg") for number in range(PHOTOS)]
    results = list(run_in_order(bad, photos, 2, lambda photo, why: f"{photo}: gone"))
    expected = [f"{photo}: gone" if is_bad(photo) else str(photo) for photo in photos]
    gone = [photo for photo in photos if is_bad(photo)]
    lost = sum(got != want for got, want in zip(results, expected, strict=True))
    findings.trial("photos that crash their worker", len(gone), len(gone) if not lost else 0, lost)


def _hear_ctrl_c() -> None:
    """What a shell starts in the background, this bench perhaps, does not hear Ctrl-C."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def _command(workers: str, photos: list[Path], count: int) -> list[str]:
    words = [sys.executable, "-m", "aperture", "measure", "--json", "--workers", workers]
    return [*words, *map(str, islice(cycle(photos), count))]


def _seconds(command: list[str], processors: set[int]) -> float:
    begun = time.perf_counter()
    # Of the bench's own process, and so of those that it starts.
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, processors)
    try:
        subprocess.run(command, stdout=subprocess.DEVNULL, check=False)
    finally:
        os.sched_setaffinity(0, before)
    return time.perf_counter() - begun


def _remembered(photos: list[Path]) -> Iterator[tuple[int, float, float]]:
    """The process that measured each photo, the MB that it held then, and the most that it ever held."""
    return run_in_order(measured, photos, 2, lambda photo, why: (0, float("inf"), float("inf")))
