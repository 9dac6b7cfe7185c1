"""A cluster of two processes on this machine, with Dask's own scheduler: the same numbers, and bad photos."""

import json
import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest
from typer.testing import CliRunner

from aperture import __version__
from aperture.batch import workers
from aperture.batch.measuring import measure_all
from aperture.batch.workers import run_in_order
from aperture.cli.app import app
from aperture.errors import SettingsError
from aperture.settings import Settings

dask = pytest.importorskip("dask", reason="the extra `cluster` is not installed")
distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos"


@pytest.fixture(scope="module")
def cluster():
    """The address of a scheduler with two workers, each a process."""
    # A task that ends its worker is tried on three others; one is enough here.
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=2, processes=True, dashboard_address=":0"
        ) as started,
    ):
        yield started.scheduler_address


def test_a_cluster_gives_the_same_numbers_in_the_same_order(cluster, monkeypatch):
    """By a path from here, where the workers are not at home, and by an address; one is missing."""
    monkeypatch.chdir(PHOTOS)
    address = (PHOTOS / "far.jpg").as_uri()
    photos = [Path("print-097.jpg"), address, PHOTOS / "cut-off.jpg", Path("none.jpg")]
    there = list(measure_all(photos, Settings(), cluster=cluster))
    here = list(measure_all(photos, Settings(), workers=1))
    assert [result.photo for result in there] == [str(photo) for photo in photos]
    assert [result.record() for result in there] == [result.record() for result in here]
    assert there[0].geometry is not None
    assert [result.flags for result in there[1:]] == [("too-far",), ("card-cut-off",), ("file-missing",)]


def test_the_work_is_shared_and_no_process_does_two_photos_at_once(cluster):
    def times(number):
        import time

        begun = time.time()
        time.sleep(0.2)
        return os.getpid(), begun, time.time()

    done = list(run_in_order(times, range(12), 1, lambda number, why: why, 60.0, cluster))
    processes = {process for process, _, _ in done}
    assert len(processes) == 2
    assert os.getpid() not in processes
    for one in processes:
        mine = sorted((begun, ended) for process, begun, ended in done if process == one)
        assert all(earlier[1] <= later[0] for earlier, later in pairwise(mine))


def test_a_photo_that_ends_a_worker_of_the_cluster_is_named_and_the_rest_go_on(cluster):
    def dies(number):
        if number == 1:
            os._exit(9)
        return number, "fine"

    results = list(run_in_order(dies, range(6), 1, lambda number, why: (number, why), 4.0, cluster))
    assert [number for number, _ in results] == list(range(6))
    assert [words for _, words in results] == ["fine", "no answer within 4 seconds", *["fine"] * 4]


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("nonsense", "missing port"),
        ("tcp://127.0.0.1:9", "Timed out"),
        ("http://x:1", "unknown address"),
        ("tls://127.0.0.1:9", "TLS expects"),
    ],
)
def test_a_cluster_that_is_not_there_is_said_in_words(address, words, monkeypatch):
    monkeypatch.setattr(workers, "CLUSTER_SECONDS", 0.5)
    result = CliRunner().invoke(app, ["measure", str(PHOTOS / "far.jpg"), "--cluster", address])
    said = " ".join(result.stderr.split())
    assert result.exit_code == 2
    assert "The cluster cannot be used." in said
    assert words in said


def test_a_scheduler_that_wants_keys_is_said_without_a_trace():
    """A client that was begun in vain waits twenty seconds, and complains when the program ends."""
    words = ["measure", str(PHOTOS / "far.jpg"), "--cluster", "tls://127.0.0.1:9"]
    command = [sys.executable, "-m", "aperture", *words]
    environment = {**os.environ, "PYTHONPATH": str(PHOTOS.parents[1])}
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith("aperture: The cluster cannot be used. tls://127.0.0.1:9: ")
    assert "Traceback" not in done.stderr


def test_a_cluster_without_workers_is_said(monkeypatch):
    monkeypatch.setattr(workers, "CLUSTER_SECONDS", 0.5)
    nobody = distributed.LocalCluster(n_workers=0, processes=True, dashboard_address=":0")
    with nobody, pytest.raises(SettingsError, match="cluster-unusable"):
        list(run_in_order(str, range(3), 1, print, 60.0, nobody.scheduler_address))


def test_workers_with_another_version_measure_nothing(cluster, monkeypatch):
    """Numbers of two versions in one table would be told apart by nobody."""
    monkeypatch.setattr(workers, "__version__", "99")
    with pytest.raises(SettingsError, match=f"here is aperture 99, there {__version__}"):
        list(run_in_order(str, range(3), 1, print, 60.0, cluster))


def test_the_command_measures_on_a_cluster(cluster):
    result = CliRunner().invoke(
        app, ["measure", "--json", (PHOTOS / "far.jpg").as_uri(), "--cluster", cluster]
    )
    assert result.exit_code == 3
    assert json.loads(result.stdout)["flags"] == ["too-far"]
