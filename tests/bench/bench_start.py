"""How long the program takes to start, beside a bare Python that imports the library of its command line."""

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.bench.figures import Findings, in_turns

BARE = [sys.executable, "-c", "import typer"]


@pytest.mark.parametrize("words", ["--help", "reeds"])
def bench_start(words: str, benchmark: Any, findings: Findings, tmp_path: Path) -> None:
    """`aperture --help` and `aperture reeds` as whole processes; the book is new and empty."""
    # As after an installation, all modules are compiled before they are timed.
    compiled = {"PYTHONPYCACHEPREFIX": str(tmp_path / "compiled"), "PYTHONDONTWRITEBYTECODE": ""}
    environment = {**os.environ, **compiled, "APERTURE_BOOK": str(tmp_path / "book.sqlite")}

    def run(command: list[str]) -> None:
        subprocess.run(command, env=environment, capture_output=True, check=True)

    run([sys.executable, "-m", "aperture", "enter", "lot", "26a", "--source", "north"])
    ours = [sys.executable, "-m", "aperture", *words.split()]
    ratio = in_turns(benchmark, lambda: run(ours), lambda: run(BARE))
    findings.figure(f"`aperture {words}` / bare Python that imports typer", ratio, 2.0)
