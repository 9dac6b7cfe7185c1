"""What the benchmarks found: ratios with their bounds, and counts of what was tried, survived and lost.

A ratio compares two things timed in turns within one run, so that a busy or slow machine touches both alike.
"""

import json
import os
import platform
import statistics
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

FILE = Path(__file__).with_name("figures.json")


@dataclass(frozen=True)
class Figure:
    """A measured figure, in `unit`, and its bound; `at_most`: whether that is an upper one.

    A figure without a bound is there to compare with.
    """

    part: str
    what: str
    value: float
    bound: float | None
    unit: str
    at_most: bool
    note: str
    date: str
    machine: str

    @property
    def holds(self) -> bool:
        """Whether the value keeps its bound; without one it does."""
        if self.bound is None:
            return True
        return self.value <= self.bound if self.at_most else self.value >= self.bound

    def row(self) -> str:
        """Its line in the table."""
        value = f"{self.value:.3g} {self.unit}".strip()
        if self.bound is None:
            return f"| {self.what} | {value} | | | {self.note} |"
        aim = f"{'at most' if self.at_most else 'at least'} {self.bound:g} {self.unit}".strip()
        return f"| {self.what} | {value} | {aim} | {'holds' if self.holds else 'missed'} | {self.note} |"


@dataclass(frozen=True)
class Trial:
    """Something that was tried to break: how often, how often it survived, how often something was lost."""

    part: str
    what: str
    tried: int
    survived: int
    lost: int
    note: str
    date: str
    machine: str

    def row(self) -> str:
        """Its line in the table."""
        return f"| {self.what} | {self.tried:,} | {self.survived:,} | {self.lost:,} | {self.note} |"


class Findings:
    """Collects what one part of the bench finds."""

    def __init__(self, part: str) -> None:
        self.part = part
        self.found: list[Figure | Trial] = []

    def figure(
        self,
        what: str,
        value: float,
        bound: float | None,
        unit: str = "×",
        at_most: bool = True,
        note: str = "",
    ) -> Figure:
        """Keep a figure: what was measured, its value, and the bound that it should keep."""
        found = Figure(self.part, what, value, bound, unit, at_most, note, _today(), machine())
        self.found.append(found)
        return found

    def trial(self, what: str, tried: int, survived: int, lost: int, note: str = "") -> Trial:
        """Keep a count: `lost` is how often data was lost or a wrong result given."""
        found = Trial(self.part, what, tried, survived, lost, note, _today(), machine())
        self.found.append(found)
        return found


def in_turns(
    benchmark: Any, ours: Callable[[], object], reference: Callable[[], object], rounds: int = 15
) -> float:
    """How many times as long `ours` takes as `reference`: the median over the rounds, after one to warm up.

    In each round the reference is timed right before. `benchmark` is pytest-benchmark's fixture, which does
    the timing and prints its own table.
    """
    seconds: list[float] = []

    def time_the_reference() -> None:
        start = time.perf_counter()
        reference()
        seconds.append(time.perf_counter() - start)

    benchmark.pedantic(ours, setup=time_the_reference, rounds=rounds, warmup_rounds=1)
    # The warming up has a setup, too.
    pairs = zip(benchmark.stats.stats.data, seconds[-rounds:], strict=True)
    return statistics.median(taken / reference_taken for taken, reference_taken in pairs)


def machine() -> str:
    """What kind of machine this is, without its name: system, processors, Python."""
    kind = f"{platform.system()} {platform.machine()}, {os.cpu_count()} processors"
    return f"{kind}, Python {platform.python_version()}"


def recorded(file: Path = FILE) -> list[Figure | Trial]:
    """The findings of the last run that was written down."""
    if not file.exists():
        return []
    rows: list[dict[str, Any]] = json.loads(file.read_text(encoding="utf-8"))
    return [Trial(**row) if "tried" in row else Figure(**row) for row in rows]


def record(parts: set[str], found: list[Figure | Trial], file: Path = FILE) -> None:
    """Write the findings down; those of other parts stay as they were."""
    kept = [row for row in recorded(file) if row.part not in parts] + found
    kept.sort(key=lambda row: row.part)
    file.write_text(json.dumps([asdict(row) for row in kept], indent=1) + "\n", encoding="utf-8")


def tables(found: list[Figure | Trial]) -> str:
    """Both tables as Markdown, and when and on what they were made."""
    if not found:
        return "Nothing is recorded yet."
    figures = [row for row in found if isinstance(row, Figure)]
    trials = [row for row in found if isinstance(row, Trial)]
    lines: list[str] = []
    if figures:
        lines += ["| How fast | Figure | Aim | | |", "|---|---|---|---|---|"]
        lines += [row.row() for row in figures]
    if trials:
        lines += ["", "| How hard to break | Tried | Survived | Lost | |", "|---|---|---|---|---|"]
        lines += [row.row() for row in trials]
    made = sorted({f"{row.date} on {row.machine}" for row in found})
    lines += ["", f"Measured {'; '.join(made)}, by `python -m tests.bench --write`."]
    return "\n".join(lines).strip()


def worst_rows(found: list[Figure | Trial]) -> list[list[str]]:
    """What whoever uses the program should know: each missed bound, and how often something was lost.

    Rows: what, aim, found, met or missed.
    """
    missed = [row for row in found if isinstance(row, Figure) and not row.holds]
    cells = [[cell.strip() for cell in row.row().split("|")[1:4]] for row in missed]
    rows = [[what, aim, value, "**missed**"] for what, value, aim in cells]
    trials = [row for row in found if isinstance(row, Trial)]
    lost = sum(row.lost for row in trials)
    tried = f"records lost or wrong in {sum(row.tried for row in trials):,} trials to break it"
    return [*rows, [tried, "0", str(lost), "**missed**" if lost else "met"]]


def _today() -> str:
    return datetime.now(UTC).date().isoformat()
