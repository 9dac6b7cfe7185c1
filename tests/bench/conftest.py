"""Gives each bench its findings, and hands all of them over at the end."""

from collections.abc import Iterator

import pytest

from tests.bench.figures import Figure, Findings, Trial

FOUND: list[Figure | Trial] = []


@pytest.fixture
def findings(request: pytest.FixtureRequest) -> Iterator[Findings]:
    """What this bench finds, under the name of its file (bench_start.py: "start")."""
    part = Findings(request.path.stem.removeprefix("bench_"))
    yield part
    FOUND.extend(part.found)
