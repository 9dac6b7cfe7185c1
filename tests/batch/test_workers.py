"""Work shared among processes: its order, what one bad photo does to it, and how it is stopped."""

import faulthandler
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from aperture.batch import workers
from aperture.batch.workers import run_in_order

ROOT = Path(__file__).parents[2]
# Refused after a glance, because it is blurred: the quickest of the photos that have millions of pixels.
QUICK = ROOT / "fixtures" / "photos" / "shaken.jpg"


def died(number, why):
    return number, why


def results_of(task, count, workers=2, seconds=60.0):
    return list(run_in_order(task, range(count), workers, died, seconds))


@pytest.mark.parametrize("workers", [1, 2])
def test_results_come_in_the_order_of_the_photos(workers):
    def slow_at_first(number):
        time.sleep(0.3 if number == 0 else 0.0)
        return number, os.getpid()

    results = results_of(slow_at_first, 5, workers)
    assert [number for number, _ in results] == [0, 1, 2, 3, 4]
    assert [process == os.getpid() for _, process in results] == [workers == 1] * 5


def test_few_photos_need_no_other_process():
    assert results_of(lambda number: os.getpid(), 2) == [os.getpid()] * 2


def test_no_photo_can_end_the_program_even_on_one_processor(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert os.getpid() not in results_of(lambda number: os.getpid(), 3, workers=0)


def test_a_process_that_dies_takes_only_its_own_photo_with_it():
    def dies_twice(number):
        if number in (2, 8):
            os._exit(9)
        return number, "fine"

    results = results_of(dies_twice, 12)
    assert [number for number, _ in results] == list(range(12))
    assert [number for number, words in results if words != "fine"] == [2, 8]
    assert results[2][1] == "the process ended without a word; is there too little memory?"


def test_a_photo_that_takes_for_ever_is_given_up():
    """Also in a library that never lets Python do anything: `re` holds the interpreter all along."""

    def hangs(number):
        if number == 1:
            re.match(r"(a+)+$", "a" * 60 + "b")
        return number, "fine"

    results = results_of(hangs, 6, seconds=2.0)
    assert [words for _, words in results] == ["fine", "no answer within 2 seconds", *["fine"] * 4]


@pytest.mark.skipif(os.name == "nt", reason="Windows has no signals that stop a process")
def test_a_worker_that_stands_still_is_given_up(monkeypatch):
    """A stopped process does not even notice that its time is over."""
    monkeypatch.setattr(workers, "START_SECONDS", 3.0)

    def stands_still(number):
        if number == 1:
            os.kill(os.getpid(), signal.SIGSTOP)
        return number, "fine"

    results = results_of(stands_still, 4, seconds=2.0)
    assert [words for _, words in results] == ["fine", "no answer within 2 seconds", "fine", "fine"]


def test_no_more_processes_than_photos():
    def processes(number):
        import psutil

        children = psutil.Process(os.getppid()).children()
        return sum("popen_loky" in " ".join(child.cmdline()) for child in children)

    assert max(results_of(processes, 3, workers=32)) <= 3


def test_a_process_that_crashes_prints_no_trace(capfd):
    def crashes(number):
        if number == 1:
            faulthandler._sigsegv()
        return number, "fine"

    results = results_of(crashes, 3)
    assert [words == "fine" for _, words in results] == [True, False, True]
    assert capfd.readouterr() == ("", "")


def test_what_is_done_at_once_is_done_here_and_comes_in_order():
    even = list(run_in_order(lambda n: (n, os.getpid()), range(9), 2, died, at_once=lambda n: n % 2 == 0))
    assert [number for number, _ in even] == list(range(9))
    assert [process == os.getpid() for _, process in even] == [number % 2 == 0 for number in range(9)]


def test_what_a_task_raises_ends_the_work():
    def raises(number):
        if number == 2:
            raise ZeroDivisionError("two")
        return number

    results = run_in_order(raises, range(5), 2, died)
    with pytest.raises(ZeroDivisionError, match="two"):
        list(results)


def test_each_of_several_processes_uses_one_thread():
    def threads(number):
        import cv2
        import numpy as np
        from threadpoolctl import threadpool_info

        np.linalg.inv(np.eye(2))  # its library is there only once it was used
        return cv2.getNumThreads(), {library["num_threads"] for library in threadpool_info()}

    assert results_of(threads, 4) == [(1, {1})] * 4


def test_the_memory_of_a_worker_stays_as_it_is():
    """One photo again and again: what an early photo did not give back, many photos would add up."""

    def resident_mb(number):
        from aperture.measure import measure

        measure(QUICK)
        return os.getpid(), psutil.Process().memory_info().rss / 1e6

    grown = {}
    for process, resident in results_of(resident_mb, 24):
        grown.setdefault(process, []).append(resident)
    # Its picture has 3.8 million pixels, a byte each: 7 of them would be 27 MB.
    growth = [values[-1] - values[4] for values in grown.values() if len(values) >= 12]
    assert growth
    assert max(growth) < 10


def hear_ctrl_c():
    """What a shell starts in the background, these tests perhaps, does not hear Ctrl-C."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def at_work(tmp_path):
    """`aperture measure` in two processes on many photos; its first result is there."""
    command = [sys.executable, "-m", "aperture", "measure", "--json", "--workers", "2", *[str(QUICK)] * 200]
    with subprocess.Popen(
        command,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT), "XDG_CONFIG_HOME": str(tmp_path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=hear_ctrl_c if os.name == "posix" else None,
    ) as program:
        try:
            assert json.loads(program.stdout.readline())["flags"] == ["too-blurred"]
            yield program
        finally:
            program.kill()


def still_running(processes):
    return psutil.wait_procs(processes, timeout=30)[1]


@pytest.mark.skipif(os.name == "nt", reason="Windows has no signals that one process sends to another")
def test_ctrl_c_stops_cleanly_and_keeps_what_is_done(at_work):
    children = psutil.Process(at_work.pid).children(recursive=True)
    # A terminal sends it to all processes of the program.
    os.killpg(at_work.pid, signal.SIGINT)
    # Not `communicate`, which passes over what was read ahead.
    lines, errors = at_work.stdout.readlines(), at_work.stderr.read()
    assert at_work.wait(60) == 130
    # Where a worker was only starting, joblib's process that cleans up may warn; nothing else is said.
    assert "Traceback" not in errors
    words = re.search(r"^aperture: Stopped: (\d+) of 200 photos were measured\.$", errors, re.MULTILINE)
    assert words is not None, errors
    # With the line that was read before. It can stop between a result's line and its being counted.
    assert len(lines) <= int(words[1]) <= len(lines) + 1
    assert all(json.loads(line)["outcome"] == "refused" for line in lines)
    assert len(children) >= 2
    assert still_running(children) == []


@pytest.mark.skipif(os.name == "nt", reason="Windows has no signals that one process sends to another")
def test_workers_do_not_outlive_a_program_that_is_killed(at_work):
    children = psutil.Process(at_work.pid).children(recursive=True)
    at_work.kill()
    assert len(children) >= 2
    assert still_running(children) == []
