"""Ten thousand damaged photos: each is refused, or measured within its ±, or asks for a look.

APERTURE_BENCH_DAMAGE=500 tries only about so many.
"""

import json
import os
import subprocess
import sys
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tests import damaged_photos
from tests.bench.figures import Findings

TRIES = int(os.environ.get("APERTURE_BENCH_DAMAGE", "10000"))
# Of a thousand. What leaves pixels changed is measured, which takes a hundred times as long as a refusal.
SHARES = {
    "a byte changed in the header": 180,
    "a byte changed anywhere": 120,
    "cut short": 190,
    "a block lost": 100,
    "a header that lies about the size": 150,
    "the camera's notes damaged": 60,
    "another file inside or before it": 100,
    "JPEG restart markers damaged": 90,
    "a bomb: small, but huge inside": 10,
}
# An honest photo with as many pixels as are allowed takes this much.
MOST_MB = 2048


def bench_damage(findings: Findings, tmp_path: Path) -> None:
    """In child processes with a limit of memory and time; one that dies takes one photo with it."""
    folder = tmp_path / "undamaged"
    folder.mkdir()
    damaged_photos.prepare(folder, measured=True)
    assert SHARES.keys() == damaged_photos.KINDS.keys()
    pieces = []
    for kind, share in SHARES.items():
        count = max(1, TRIES * share // 1000)
        pieces += [(kind, first, min(first + 100, count)) for first in range(0, count, 100)]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        results = [row for rows in pool.map(lambda piece: _piece(folder, *piece), pieces) for row in rows]
    for kind in SHARES:
        rows = [row for row in results if row["kind"] == kind]
        outcomes = Counter(row["outcome"] for row in rows)
        lost = sum(count for outcome, count in outcomes.items() if outcome in damaged_photos.LOST)
        for row in rows:
            if row["outcome"] in damaged_photos.LOST:
                print(f"lost: {kind}, number {row['number']}, {row['base']}: {row['outcome']} {row['why']}")
        worst = max(row["seconds"] for row in rows)
        note = ", ".join(f"{count:,} {outcome}" for outcome, count in outcomes.most_common())
        findings.trial(f"photo: {kind}", len(rows), len(rows) - lost, lost, f"{note}; at most {worst:.1f} s")
    most_mb = max(row["peak_mb"] for row in results)
    findings.figure("memory for any damaged photo", most_mb, MOST_MB, "MB")
    assert len(results) == sum(last - first for _, first, last in pieces)


def _piece(folder: Path, kind: str, first: int, last: int) -> list[dict[str, Any]]:
    """What became of these photos; after a photo that ended the child, another child goes on."""
    rows: list[dict[str, Any]] = []
    while first < last:
        command = [sys.executable, "-m", "tests.damaged_photos", str(folder), kind, str(first), str(last)]
        child = subprocess.run(command, capture_output=True, text=True)
        done = [json.loads(line) for line in child.stdout.splitlines()]
        rows += done
        first += len(done)
        if first < last:
            why = child.stderr.strip().splitlines()[-1:] or [f"ended by signal {-child.returncode}"]
            row = {"kind": kind, "number": first, "base": "?", "outcome": "crash", "why": why[0]}
            rows.append({**row, "seconds": float(damaged_photos.MOST_SECONDS), "peak_mb": 0.0})
            first += 1
    return rows
