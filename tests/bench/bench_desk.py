"""How long a phone waits for what a photo gave: a real desk in a process of its own, asked over HTTP."""

import os
import re
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2

from aperture.demo import demo_photos
from tests.bench.figures import Findings

# So long, at least, a user takes to begin after the desk was opened.
UNTIL_THE_FIRST_PHOTO_SECONDS = 10.0
PHOTOS = 10


@contextmanager
def _running_desk(folder: Path) -> Iterator[httpx2.Client]:
    """The desk's own browser, with a new and empty book."""
    command = [sys.executable, "-m", "aperture", "desk", "--port", "0", "--no-browser"]
    command += ["--book", str(folder / "reeds.sqlite3")]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        url = process.stdout.readline().split()[-1]
        origin = re.match("http://[^/]+", url)
        assert origin is not None
        with httpx2.Client(
            base_url=origin[0], headers={"Origin": origin[0]}, follow_redirects=True, timeout=120
        ) as browser:
            assert browser.get(url).status_code == 200
            secret = re.search('data-csrf="(.*?)"', browser.get("/snap").text)
            assert secret is not None
            browser.headers["X-CSRF"] = secret[1]
            yield browser
    finally:
        os.kill(process.pid, signal.SIGINT)
        process.wait(30)
        process.stdout.close()


def _seconds(browser: httpx2.Client, photo: Path) -> float:
    """From the first byte of the upload to the last of the result, as the phone's script asks for them."""
    content = photo.read_bytes()
    start = time.perf_counter()
    sent = browser.post("/snap", content=content, headers={"X-Name": photo.name})
    part = browser.get(sent.json()["result"])
    taken = time.perf_counter() - start
    assert sent.json()["what"] == "filed"
    assert "<article" in part.text
    return taken


def bench_desk(findings: Findings, tmp_path: Path) -> None:
    """Photos of the demo, in their order: JPEG, one of them HEIC, one refused."""
    first, *others = demo_photos()[: PHOTOS + 1]
    with _running_desk(tmp_path) as browser:
        time.sleep(UNTIL_THE_FIRST_PHOTO_SECONDS)
        cold = _seconds(browser, first)
        warm = [_seconds(browser, photo) for photo in others]
    note = f"{len(warm)} demo photos, one after the other, over HTTP"
    what = "the last result's page part is there within two seconds of the upload"
    findings.figure(f"{what}: median", statistics.median(warm), bound=2.0, unit="s", note=note)
    findings.figure(f"{what}: worst", max(warm), bound=2.0, unit="s", note=note)
    note = f"opened {UNTIL_THE_FIRST_PHOTO_SECONDS:.0f} s before"
    findings.figure(f"{what}: a desk's first photo", cold, bound=2.0, unit="s", note=note)
