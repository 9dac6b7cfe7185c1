"""Results on a terminal: a table of photos, a table of reeds, and remarks in plain words."""

from __future__ import annotations

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
        console.print(photo_table(measurements, codes))
    console.print(Text("± is the expanded uncertainty; lengths in mm, areas in mm².", style="dim"))
    for words in all_scale_words(each.scale for each in measurements if each.outcome == "measured"):
        console.print(Text(printable(f"Printed scale: {words}."), style="dim"))
    if pairs:
        console.print()
        console.print(change_table(pairs))
    _show_remarks(console, measurements)
    _show_next_steps(console, measurements, pairs)
    console.print()
    for caution in RESULT_CAUTIONS:
        console.print(Text(caution, style="dim"))


def photo_table(measurements: Sequence[Measurement], codes: bool = True) -> Table:
    """One row per photo; `codes` adds the codes of its flags to what they do to it."""
    headings, *rows = _photo_rows(measurements, codes)
    table = _table(*headings, gap=_gap(codes))
    for row in rows:
        table.add_row(*map(Text, row))
    return table


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


def change_table(pairs: Sequence[Pair]) -> Table:
    """One row per reed: what soaking changed."""
    table = _table("reed", "class, dry → soaked", "height", "area", "ratio")
    for pair in pairs:
        classes = [class_words(m.verdict) if m.verdict else NO_VALUE for m in (pair.dry, pair.soaked)]
        table.add_row(
            str(pair.reed),
            " → ".join(classes),
            change_words(pair.change.height_mm),
            change_words(pair.change.area_mm2),
            change_words(pair.change.ellipse_ratio),
        )
    return table


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


def bare_table(gap: int = 2) -> Table:
    """A table without lines or columns yet, its columns `gap` characters apart."""
    return Table(box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="bold")


def show_rows(console: Console, rows: Sequence[Sequence[str]], gap: int = 2) -> None:
    """Print a table of hundreds of rows, the first of them its headings; it looks like a `bare_table`.

    Where it fits into the window nothing has to be wrapped, and rich would take half a millisecond for each
    row to find that out.
    """
    widths = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    if sum(widths) + gap * (len(widths) - 1) > console.width:
        table = bare_table(gap)
        for heading in rows[0]:
            table.add_column(heading, overflow="fold")
        for row in rows[1:]:
            table.add_row(*map(Text, row))
        console.print(table)
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


def _table(*headings: str, gap: int = 2) -> Table:
    table = bare_table(gap)
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table


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
