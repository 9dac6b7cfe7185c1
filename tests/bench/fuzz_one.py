"""python -m tests.bench.fuzz_one NAME [options and folders]: fuzzes one of `tests.fuzz_targets` with atheris.

Coverage is counted in what reads: this project's readers, and the libraries' that are written in Python.
"""

import sys

import atheris

READERS = [
    "aperture.photo",
    "aperture.settings",
    "aperture.labels",
    "aperture.book",
    "aperture.desk",
    "PIL",
    "tomllib",
    "python_multipart",
]

with atheris.instrument_imports(include=READERS):
    from tests.fuzz_targets import TARGETS


def main() -> None:
    name = sys.argv[1]
    atheris.Setup([sys.argv[0], *sys.argv[2:]], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
