"""Checks with a gauge of paper, on a terminal and in words: what it measures, whether that is so, and why."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from aperture.flags import FLAGS
from aperture.present.report import NO_VALUE, printable, with_uncertainty
from aperture.present.screen import bare_table, indented

if TYPE_CHECKING:
    from aperture.studies.gauge import GaugeCheck
    from aperture.studies.gauge_line import GaugeLine

STANDING = "A gauge checks lengths, not whether a reed's own edge is seen right: look at the pictures, too."


def json_lines(checks: Sequence[GaugeCheck], line: GaugeLine | None) -> list[str]:
    """One JSON object per photo and, where there are several heights, a last one with the line, in ASCII."""
    records = [check.record() for check in checks]
    return [
        json.dumps(each, allow_nan=False) for each in [*records, *([{"line": line.record()}] if line else [])]
    ]


def verdict_words(en: float | None) -> str:
    """Whether a gauge agrees, in a few words, from its normalised error."""
    if en is None:
        return "refused"
    if abs(en) <= 1.0:
        return "agrees"
    return "reads too high" if en > 0 else "reads too low"


def line_sentences(line: GaugeLine) -> list[str]:
    """What the line through several heights says, in plain sentences."""
    offset = with_uncertainty(line.offset_mm, line.u_offset_mm, "mm")
    scale = with_uncertainty(100 * line.scale, 100 * line.u_scale, "%")
    first = (
        f"Every gap reads {offset} off, whatever its height: an offset."
        if line.has_offset
        else f"No offset: {offset}, which may be 0."
    )
    second = (
        f"Every length reads {scale} off: a scale error."
        if line.has_scale_error
        else f"No scale error: {scale}, which may be 0."
    )
    return [first, second]


def show_gauge(
    console: Console, checks: Sequence[GaugeCheck], line: GaugeLine | None, explained: Sequence[str]
) -> None:
    """Print the checks, the line through them, and what would explain that they do not agree."""
    table = bare_table()
    for heading in ("photo", "sheets", "measured", "expected", "E_n", ""):
        table.add_column(heading)
    for check in checks:
        gap_mm, u_mm = check.gap_mm, check.u_gap_mm
        table.add_row(
            Text(printable(Path(check.photo).name)),
            str(check.sheets),
            NO_VALUE if gap_mm is None or u_mm is None else with_uncertainty(gap_mm, u_mm),
            with_uncertainty(check.expected.height_mm, check.expected.u_mm),
            f"{check.en:+.2f}" if check.en is not None else NO_VALUE,
            verdict_words(check.en),
        )
    console.print(table)
    console.print(
        Text("Heights in mm, ± is U = 2u; E_n from -1 to 1: they agree (ISO/IEC 17043).", style="dim")
    )
    _show_remarks(console, checks)
    if line is not None:
        console.print()
        console.print(Text(f"The line through {line.heights} heights", style="bold"))
        for sentence in line_sentences(line):
            indented(console, sentence)
    if explained:
        console.print()
        console.print(Text("What would explain it", style="bold"))
        for sentence in explained:
            indented(console, sentence)
    console.print()
    console.print(Text(STANDING, style="dim"))


def _show_remarks(console: Console, checks: Sequence[GaugeCheck]) -> None:
    for check in checks:
        words = [f"{FLAGS[code].sentence} {FLAGS[code].advice}" for code in check.flags]
        if check.outcome == "refused" and check.reason:
            words[0] = f"{check.reason} {check.advice}"
        if words:
            console.print()
            console.print(Text(printable(Path(check.photo).name), style="bold"))
        for sentence in words:
            indented(console, sentence)
