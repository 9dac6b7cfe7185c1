"""A million files and requests, made up by atheris where they reach new code of the readers.

APERTURE_BENCH_FUZZ=20000 makes only about so many. What fails is written into the folder that is printed.
"""

import os
import re
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.bench.figures import Findings
from tests.fuzz_targets import CORPUS, TARGETS, seeds

EXECUTIONS = int(os.environ.get("APERTURE_BENCH_FUZZ", "1000000"))
# In percent; a book's file takes a hundred times as long to open as a settings file.
SHARES = {
    "photo": 12,
    "exif": 18,
    "settings": 20,
    "labels": 10,
    "readings": 10,
    "rewriting": 20,
    "ledger": 3,
    "upload": 7,
}
MOST_MB, MOST_SECONDS = 2048, 30
# After that many failures of one reader there is enough to mend.
MOST_FAILURES = 5


def bench_fuzz(findings: Findings) -> None:
    """Each reader in a child process with a limit of memory, and of time for one execution."""
    pytest.importorskip("atheris", reason="atheris is not installed: pip install 'aperture[bench]'")
    assert SHARES.keys() == TARGETS.keys()
    folder = Path(tempfile.mkdtemp(prefix="aperture-fuzz-"))
    print(f"\nwhat fails is in {folder}")
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        done = dict(zip(SHARES, pool.map(lambda name: _fuzz(folder, name), SHARES), strict=True))
    for name, (tried, failures) in done.items():
        about = (TARGETS[name].__doc__ or "").partition(".")[0]
        about = about[:1].lower() + about[1:].partition(":")[0]
        findings.trial(f"fuzzed: {about}", tried, tried - failures, failures)


def _fuzz(folder: Path, name: str) -> tuple[int, int]:
    """How many executions were tried, and how many of them failed."""
    examples = folder / name
    examples.mkdir()
    known = [path.read_bytes() for path in (CORPUS / name).glob("*")]
    for number, content in enumerate([*seeds(name), *known]):
        (examples / f"seed-{number}").write_bytes(content)
    wanted, tried, failures = EXECUTIONS * SHARES[name] // 100, 0, 0
    while tried < wanted and failures < MOST_FAILURES:
        child = subprocess.run(
            [
                sys.executable,
                *("-m", "tests.bench.fuzz_one", name),
                f"-atheris_runs={wanted - tried}",
                f"-rss_limit_mb={MOST_MB}",
                f"-timeout={MOST_SECONDS}",
                "-max_len=8192",
                f"-seed={1 + failures}",
                f"-artifact_prefix={folder}/{name}-",
                str(examples),
            ],
            capture_output=True,
            text=True,
            errors="replace",
        )
        # libFuzzer counts in lines that begin with "#1234", and says at the end "Done 1234 runs".
        counts = [int(count) for count in re.findall(r"^(?:#|Done )(\d+)\b", child.stderr, re.MULTILINE)]
        assert counts, child.stderr[-2000:]
        tried += max(counts)
        # After "Done" every execution has ended by itself, whatever the interpreter says when it ends.
        if child.returncode != 0 and "\nDone " not in child.stderr:
            failures += 1
            seen = re.findall(r"^\w*(?:Error|Exception)\b.*|^SUMMARY.*", child.stderr, re.MULTILINE)
            print(f"{name}: {seen[0] if seen else child.stderr[-300:]}")
    return tried, failures
