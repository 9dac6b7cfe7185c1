"""python -m tests.bench.fuzz_one NAME [options and folders]: fuzzes one of `tests.fuzz_targets` with atheris.

Coverage is counted in what reads: this project's readers, and the libraries' that are written in Python.
"""

import importlib
import logging
import sys

import atheris

READERS = [
    "aperture.photo",
    "aperture.settings",
    "aperture.studies.labels",
    "aperture.book",
    "aperture.desk",
    "PIL",
    "tomllib",
    "python_multipart",
    "starlette",
]

with atheris.instrument_imports(include=READERS):
    # Imported late elsewhere, and then not counted.
    for name in ("aperture.desk.app", "python_multipart.multipart", "starlette.formparsers"):
        importlib.import_module(name)
    from tests.fuzz_targets import TARGETS


def main() -> None:
    name = sys.argv[1]
    logging.disable()  # what the readers of forms have to say about each of a million
    atheris.Setup([sys.argv[0], *sys.argv[2:]], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
