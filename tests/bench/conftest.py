"""Gives each bench its findings, and hands all of them over at the end."""

import pytest

from tests.bench.figures import Figure, Findings, Trial

FOUND: list[Figure | Trial] = []


@pytest.fixture
def findings(request: pytest.FixtureRequest) -> Findings:
    """What this bench finds, under the name of its file (bench_start.py: "start")."""
    part = Findings(request.path.stem.removeprefix("bench_"))
    request.addfinalizer(lambda: FOUND.extend(part.found))
    return part
