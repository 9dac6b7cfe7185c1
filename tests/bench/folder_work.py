"""What the workers of `bench_folder` do, where they can import it: pytest names a bench in its own way."""

import os
from pathlib import Path

from aperture.measure import measure


def measured(photo: Path) -> tuple[int, float, float]:
    """Measure a photo; this process, the MB that it holds now, and the most that it ever held."""
    measure(photo)
    # Not getrusage: its peak begins with that of the process that started this one.
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    resident, peak = (float(status[key].split()[0]) * 1024 / 1e6 for key in ("VmRSS", "VmHWM"))
    return os.getpid(), resident, peak


def is_bad(photo: Path) -> bool:
    """Whether this is one of the photos that end their worker."""
    return int(photo.stem) % 20 == 10


def bad(photo: Path) -> str:
    """The photo's name, unless it ends the worker."""
    if is_bad(photo):
        os._exit(9)
    return str(photo)
