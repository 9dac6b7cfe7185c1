"""Results on a terminal: a table of photos, a table of reeds, and remarks in plain words."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from aperture.flags import FLAGS
from aperture.present.report import (
    NAMES,
    NO_VALUE,
    RESULT_CAUTIONS,
    change_words,
    class_words,
    flag_sentence,
    next_steps,
    printable,
    probability_words,
    quantity,
    remarks,
)
from aperture.scale import all_scale_words

# A list of reeds is shown without what measures.
if TYPE_CHECKING:
    from rich.progress import ProgressColumn, Task

    from aperture.batch.pairs import Pair
    from aperture.measure import Measurement

# Without a terminal nobody's window limits the width: wide enough for a table without broken cells.
WIDTH_WITHOUT_TERMINAL = 160
# In a narrower window the codes of the flags make room; the sentences below the table stay.
WIDTH_FOR_CODES = 110
# Rows that rich lays out before anybody notices.
FEW_ROWS = 200


def make_console(stderr: bool = False) -> Console:
    """A console on standard output, or on standard error."""
    console = Console(stderr=stderr, highlight=False, emoji=False)
    if not console.is_terminal:
        console = Console(stderr=stderr, highlight=False, emoji=False, width=WIDTH_WITHOUT_TERMINAL)
    return console


def show(console: Console, measurements: Sequence[Measurement], pairs: Sequence[Pair]) -> None:
    """Print everything there is to say about some photos."""
    codes = console.width >= WIDTH_FOR_CODES
    if len(measurements) > FEW_ROWS:
        show_rows(console, _photo_rows(measurements, codes), _gap(codes))
    else:
        console.print(photo_table(measurements, codes, console.width))
    console.print(Text("± is the expanded uncertainty; lengths in mm, areas in mm².", style="dim"))
    for words in all_scale_words(each.scale for each in measurements if each.outcome == "measured"):
        console.print(Text(printable(f"Printed scale: {words}."), style="dim"))
    if pairs:
        console.print()
        console.print(change_table(pairs, console.width))
    _show_remarks(console, measurements)
    _show_next_steps(console, measurements, pairs)
    console.print()
    for caution in RESULT_CAUTIONS:
        console.print(Text(caution, style="dim"))


def photo_table(
    measurements: Sequence[Measurement], codes: bool = True, width: int = WIDTH_WITHOUT_TERMINAL
) -> Table:
    """One row per photo; `codes` adds the codes of its flags to what they do to it."""
    return fitted_table(_photo_rows(measurements, codes), width, _gap(codes))


def _gap(codes: bool) -> int:
    return 2 if codes else 1


def _photo_rows(measurements: Sequence[Measurement], codes: bool) -> list[Sequence[str]]:
    """The headings, and one row per photo."""
    rows: list[Sequence[str]] = [
        ("photo", "reed", "state", "class", "height", "width", "area", "ratio", "remarks")
    ]
    for measurement, name in zip(measurements, short_names(measurements), strict=True):
        numbers = [quantity(measurement, field) for field in NAMES]
        if not codes:  # in a narrow window a value and its uncertainty stand on two lines
            numbers = [number.replace(" ±", "\n±") for number in numbers]
        rows.append(
            (
                name,
                NO_VALUE if measurement.reed is None else str(measurement.reed),
                measurement.state or NO_VALUE,
                NO_VALUE if measurement.verdict is None else measurement.verdict.shape,
                *numbers,
                _remark_words(measurement, codes),
            )
        )
    return rows


def change_table(pairs: Sequence[Pair], width: int) -> Table:
    """One row per reed, `width` characters wide: what soaking changed."""
    rows: list[tuple[str, ...]] = [("reed", "class, dry → soaked", "height", "area", "ratio")]
    for pair in pairs:
        classes = [class_words(m.verdict) if m.verdict else NO_VALUE for m in (pair.dry, pair.soaked)]
        changes = (pair.change.height_mm, pair.change.area_mm2, pair.change.ellipse_ratio)
        rows.append((str(pair.reed), " → ".join(classes), *map(change_words, changes)))
    return fitted_table(rows, width)


def short_names(measurements: Sequence[Measurement]) -> list[str]:
    """Names of the photos' files, with as much of the path as tells two of the same name apart."""
    paths = [Path(measurement.photo) for measurement in measurements]
    names = [path.name or str(path) for path in paths]
    for depth in (2, 3):
        repeated = {name for name, count in Counter(names).items() if count > 1}
        names = [
            str(Path(*path.parts[-depth:])) if name in repeated else name
            for path, name in zip(paths, names, strict=True)
        ]
    return [printable(name) for name in names]


def time_left_column() -> ProgressColumn:
    """The part of a progress bar that says how long it still takes, from the first step on."""
    from rich.progress import ProgressColumn

    class TimeLeft(ProgressColumn):
        """rich's own waits for the second step, and photos take seconds."""

        max_refresh = 0.5

        def render(self, task: Task) -> Text:
            return Text(time_left_words(task.elapsed, task.completed, task.total), style="progress.remaining")

    return TimeLeft()


def time_left_words(elapsed_seconds: float | None, done: float, of: float | None) -> str:
    """For example "about 0:42 left", by the average so far; nothing while nothing is done."""
    if not elapsed_seconds or not done or of is None:
        return ""
    minutes, seconds = divmod(round(elapsed_seconds / done * (of - done)), 60)
    return f"about {minutes}:{seconds:02d} left"


def bare_table(gap: int = 2) -> Table:
    """A table without lines or columns yet, its columns `gap` characters apart."""
    return Table(box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="bold")


def show_rows(console: Console, rows: Sequence[Sequence[str]], gap: int = 2) -> None:
    """Print a table of hundreds of rows, the first of them its headings; it looks like a `bare_table`.

    Where it fits into the window nothing has to be wrapped, and rich would take half a millisecond for each
    row to find that out.
    """
    widths = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    if sum(widths) + gap * (len(widths) - 1) > console.width or any("\n" in cell for cell in rows[0]):
        console.print(fitted_table(rows, console.width, gap))
        return
    headings, *lines = (
        "".join(
            cell + " " * (width + gap - cell_len(cell)) for cell, width in zip(row, widths, strict=True)
        ).rstrip()
        for row in rows
    )
    console.out(headings, style="bold", highlight=False)
    if lines:
        console.out("\n".join(lines), highlight=False)


def fitted_table(rows: Sequence[Sequence[str]], width: int, gap: int = 2) -> Table:
    """A table, the first row its headings, that is at most `width` characters wide and breaks no word.

    Lines end between words, and a ± stays with its number. Where not even the longest words fit, they are
    broken.
    """
    columns = list(zip(*rows, strict=True))
    gap, widths = _fitted(columns, width, gap)
    table = bare_table(gap)
    for column, fits in zip(columns, widths, strict=True):
        table.add_column(_wrapped(column[0], fits), overflow="fold", width=fits)
    for row in rows[1:]:
        table.add_row(*(Text(_wrapped(cell, fits)) for cell, fits in zip(row, widths, strict=True)))
    return table


def _fitted(columns: Sequence[Sequence[str]], width: int, gap: int) -> tuple[int, Sequence[int | None]]:
    """The gap between columns, smaller if need be, and their widths; None for each where words do not fit.

    Each column gets what its longest word needs; what is left goes, a character at a time, to the column
    whose cells have most lines.
    """
    wanted = [max(cell_len(line) for cell in column for line in cell.split("\n")) for column in columns]
    widths = [max(cell_len(word) for cell in column for word in _words(cell)) for column in columns]
    gaps = len(columns) - 1
    if sum(widths) + gap * gaps > width:
        gap = 1
    left = width - sum(widths) - gap * gaps
    if left < 0:
        return gap, [None] * len(columns)
    while left > 0 and widths != wanted:
        lines = [
            max(_wrapped(cell, has).count("\n") for cell in set(column)) if has < needs else -1
            for column, has, needs in zip(columns, widths, wanted, strict=True)
        ]
        widths[lines.index(max(lines))] += 1
        left -= 1
    return gap, widths


def _words(line: str) -> list[str]:
    """What of a cell is never broken."""
    return re.split(r"(?<!±) |\n", line)


def _wrapped(cell: str, width: int | None) -> str:
    """A cell with its lines broken between words, each filled as far as it goes."""
    if width is None:
        return cell
    lines: list[str] = []
    for line in cell.split("\n"):
        so_far, *more = _words(line)
        for word in more:
            if cell_len(so_far) + 1 + cell_len(word) <= width:
                so_far += f" {word}"
            else:
                lines.append(so_far)
                so_far = word
        lines.append(so_far)
    return "\n".join(lines)


def _remark_words(measurement: Measurement, codes: bool) -> str:
    """What the flags do to the photo, and their codes."""
    effect = "look" if measurement.review else ""
    if measurement.outcome == "refused":
        effect = "refused"
    words = [effect, ", ".join(measurement.flags) if codes else ""]
    return ": ".join(filter(None, words))


def _show_remarks(console: Console, measurements: Sequence[Measurement]) -> None:
    """Photo by photo what is wrong and what to do; what is only worth knowing comes once for all photos."""
    notes: dict[str, list[str]] = {}
    sentences: dict[str, str] = {}
    for measurement, name in zip(measurements, short_names(measurements), strict=True):
        for code in measurement.flags:
            if FLAGS[code].effect == "note":
                notes.setdefault(code, []).append(name)
                sentences[code] = flag_sentence(measurement, FLAGS[code])
        if not measurement.review:
            continue
        what = "refused" if measurement.outcome == "refused" else "have a look"
        console.print(Text.assemble("\n", (name, "bold"), f": {what}"))
        for remark in remarks(measurement):
            if remark.sentence not in sentences.values():
                indented(console, f"{printable(remark.sentence)} {remark.advice}")
        if measurement.verdict is not None and measurement.verdict.borderline:
            indented(console, f"Probabilities: {probability_words(measurement.verdict)}.")
    if any(measurement.flags for measurement in measurements):
        console.print()
    for code, names in notes.items():
        console.print(Text.assemble((code, "bold"), f" ({', '.join(names)})"))
        indented(console, f"{printable(sentences[code])} {FLAGS[code].advice}")
    if any(measurement.flags for measurement in measurements):
        console.print(Text("More on each of these remarks: aperture guide flags", style="dim"))


def _show_next_steps(console: Console, measurements: Sequence[Measurement], pairs: Sequence[Pair]) -> None:
    """What to do with which reed: the same step for several reeds comes once."""
    paired = {id(measurement): pair for pair in pairs for measurement in (pair.dry, pair.soaked)}
    steps: dict[str, list[str]] = {}
    for measurement, name in zip(measurements, short_names(measurements), strict=True):
        pair = paired.get(id(measurement))
        if pair is not None and measurement is pair.dry:
            continue  # it has been soaked since
        who = (
            name if measurement.reed is None else f"reed {measurement.reed} {measurement.state or ''}".strip()
        )
        if measurement.review:
            who += " (have a look first)"
        for step in next_steps(measurement, pair.dry if pair else None):
            steps.setdefault(step.what, []).append(who)
    if steps:
        console.print()
        console.print(Text("What to do next", style="bold"))
    for what, reeds in steps.items():
        indented(console, f"{', '.join(dict.fromkeys(reeds))}: {what}")


def indented(console: Console, words: str, style: str = "") -> None:
    """Print a paragraph, moved in by two characters."""
    if cell_len(words) <= console.width - 2 and "\n" not in words:
        # Nothing to wrap, which is most of what rich would be busy with.
        console.out(f"  {words}", style=style or None, highlight=False)
    else:
        console.print(Padding(Text(words, style), (0, 0, 0, 2)))
