"""Another way of measuring beside this program's: plain sentences, a table, one JSON object."""

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from aperture.present.report import printable, rounded
from aperture.present.screen import bare_table, indented
from aperture.settings import Correction
from aperture.studies.agreement import Kappa
from aperture.studies.comparison import Comparison, Heights, LeftOut
from aperture.studies.repeatability import Interval

# Fewer readings than this are a first impression, and the sentence says so. A working value.
FEW = 10


def sentences(comparison: Comparison) -> list[str]:
    """What the comparison says, the plain answer first."""
    if comparison.heights is not None:
        return _of_heights(comparison.heights)
    return [_of_kappa(first, second, kappa) for first, second, kappa in kappas(comparison)]


def meaning(comparison: Comparison) -> list[str]:
    """What follows from that, for somebody who has never met such a comparison."""
    if comparison.heights is not None:
        return _meaning_of_heights(comparison, comparison.heights)
    chance = (
        "Kappa takes off what agrees by chance: where nearly all reeds are of one class, two agree on most of"
        " them even if both guess."
    )
    if comparison.people is None:
        return [chance, "Let a second person sort the same reeds: so you see how far people agree at all."]
    return [
        chance,
        "If the two people differ from each other as often as from this program, the limits between the"
        " classes are in doubt, not one of the three: a reed near a limit can be called either way.",
    ]


def _meaning_of_heights(comparison: Comparison, heights: Heights) -> list[str]:
    agreement, line = heights.agreement, heights.line
    limits = (agreement.lower.estimate, agreement.upper.estimate)
    low, high = (f"{value:+.2f}".replace("-", "−") for value in limits)
    within = sum(pairing.within for pairing in comparison.pairings)
    theirs = any(pairing.other.u_mm for pairing in comparison.pairings)
    said = [
        f"Yours minus this program lies between {low} and {high} mm for 19 of 20 reeds. Would you sort a reed"
        " differently if its opening were off by that much? If not, either way will do.",
        f"For {within} of {agreement.count} readings the difference is within the ± of"
        f" {'both' if theirs else 'this program'}. The rest comes from"
        f" {'what neither ± knows' if theirs else 'the other way, or from what the ± does not know'}: a reed"
        " that dried, or was read at another place of its tip.",
        "Which of the two is wrong is not said: the limits hold the errors of both.",
    ]
    if line is not None and not line.is_parallel:
        said.append(
            "A difference that changes with the height is most likely a scale: the printed bar, a tip that"
            " stood before or behind the card’s face, or the unit of the other way. Check these first."
        )
    elif line is not None and agreement.differs:
        said.append(
            "As far as these readings tell, the difference is the same for low and for high openings. Then it"
            " is most likely a different edge: one way takes the inside of the cane, the other its rim."
        )
    return said


def kappas(comparison: Comparison) -> list[tuple[str, str, Kappa]]:
    """Who was compared with whom: the two people first, then each with the program."""
    found = [("person 1", "person 2", comparison.people)] if comparison.people is not None else []
    people = len(comparison.with_program)
    for place, kappa in enumerate(comparison.with_program, start=1):
        found.append((f"person {place}" if people > 1 else "you", "this program", kappa))
    return found


def _of_heights(heights: Heights) -> list[str]:
    agreement = heights.agreement
    size, doubt = rounded(abs(agreement.mean.estimate), agreement.mean.high - agreement.mean.estimate)
    within = f"for 19 of 20 reeds the two differ by less than {_up(agreement.within):.2f} mm."
    if agreement.differs:
        how = "higher" if agreement.mean.estimate > 0.0 else "lower"
        said = [f"Yours reads {size} mm {how} than this program; {within}"]
    else:
        sign = "−" if agreement.mean.estimate < 0.0 and float(size) > 0.0 else ""
        said = [
            f"On average yours and this program read the same, as far as {agreement.count} readings can tell"
            f" (yours minus this program: {sign}{size} ± {doubt} mm); {within}"
        ]
    if agreement.count < FEW:
        worst = max(abs(agreement.lower.low), abs(agreement.upper.high))
        said.append(
            f"{agreement.count} readings are few: it could be as much as {_up(worst):.2f} mm. Compare {FEW}"
            " or more."
        )
    if heights.line is not None and not heights.line.is_parallel:
        grows = "more" if heights.line.slope.estimate > 1.0 else "less"
        said.append(
            f"The difference changes with the height: where this program finds 1 mm more, yours finds {grows}"
            f" ({_interval(heights.line.slope, 2, 'mm')})."
        )
    return said


def _of_kappa(first: str, second: str, kappa: Kappa) -> str:
    who = f"{first.capitalize()} and {second}"
    said = f"{who} gave the same class to {kappa.agreed} of {kappa.count} reeds"
    if kappa.kappa is None:
        return f"{said}. All got one and the same class, so this says nothing of how well classes agree."
    if kappa.kappa.high - kappa.kappa.low < 1e-6:
        return f"{said}; kappa {kappa.kappa.estimate:.2f}. So few cannot say how sure that is."
    return f"{said}; kappa {_interval(kappa.kappa, 2)}, where 1 is full agreement and 0 no more than chance."


def _up(value: float) -> float:
    """Rounded up to 0.01, for "less than" must stay true."""
    return math.ceil(round(100.0 * value, 6)) / 100.0


def _interval(interval: Interval, decimals: int, unit: str = "") -> str:
    """For example "0.04 mm (0.01 to 0.07)"."""
    estimate, low, high = (
        f"{value:.{decimals}f}".replace("-", "−")
        for value in (interval.estimate, interval.low, interval.high)
    )
    return f"{f'{estimate} {unit}'.rstrip()} ({low} to {high})"


def show_comparison(console: Console, comparison: Comparison) -> None:
    """Print all that the comparison says."""
    if comparison.heights is not None:
        first, *others = sentences(comparison)
        console.print(Text(first, style="bold"))
        for sentence in others:
            console.print(Text(sentence))
        console.print()
        _show_numbers(console, comparison.heights)
    for place, (first, second, kappa) in enumerate(kappas(comparison)):
        if place:
            console.print()
        console.print(Text(_of_kappa(first, second, kappa), style="bold"))
        _show_classes(console, first, second, kappa)
    _show_left_out(console, comparison.left_out, comparison.empty)


def number_rows(heights: Heights) -> list[tuple[str, str, str]]:
    """What the differences come to: the name of each number, the number in mm, its interval."""
    agreement = heights.agreement
    rows = []
    for name, interval in (
        ("mean difference", agreement.mean),
        ("lower limit of agreement", agreement.lower),
        ("upper limit of agreement", agreement.upper),
    ):
        estimate, within = _interval(interval, 3).split(" ", 1)
        rows.append((name, estimate, within.strip("()")))
    return [*rows, ("standard deviation", f"{agreement.standard_deviation:.3f}", "")]


def line_words(heights: Heights) -> str:
    """The line through both ways, in a sentence."""
    if heights.line is None:
        return "There are too few readings, or too much alike, for a line through them."
    return (
        "Line through both (Deming): yours = slope × this program + offset; slope"
        f" {_interval(heights.line.slope, 2)}, offset {_interval(heights.line.intercept, 3, 'mm')}."
    )


def _show_numbers(console: Console, heights: Heights) -> None:
    table = bare_table()
    for heading in (f"yours minus this program, {heights.agreement.count} readings", "mm", "95 % interval"):
        table.add_column(heading)
    for row in number_rows(heights):
        table.add_row(*row)
    console.print(table)
    console.print(line_words(heights), markup=False)
    words = "Limits of agreement hold 19 of 20 differences (Bland and Altman). Intervals are 95 %."
    console.print(Text(words, style="dim"))


def _show_classes(console: Console, first: str, second: str, kappa: Kappa) -> None:
    """Who gave which class, as a table: rows are the first, columns the second."""
    table = bare_table()
    for heading in ("reeds", *(f"{second}: {name}" for name in kappa.classes)):
        table.add_column(heading)
    for name, row in zip(kappa.classes, kappa.table, strict=True):
        table.add_row(f"{first}: {name}", *map(str, row))
    console.print(table)


def _show_left_out(console: Console, left_out: tuple[LeftOut, ...], empty: int) -> None:
    if left_out:
        console.print()
        console.print("Left out:")
    for one in left_out:
        indented(console, printable(f"reed {one.other.reed} {one.other.state}: {one.why}"))
    if empty:
        console.print(f"Rows without a value that were left out: {empty}")


def show_correction(
    console: Console, correction: Correction | None, why_not: str | None, written_to: Path | None
) -> None:
    """Print which correction could be written, or was; or why there is none."""
    console.print()
    if correction is None:
        console.print(f"Nothing is corrected: {why_not}.", markup=False)
        return
    change = f"{correction.offset_mm:+.3f} mm".replace("-", "−")
    if written_to is None:
        console.print("Nothing is corrected: the difference may be the fault of the other way.")
        console.print(f"If you trust that more, --write adds {change} to every height from now on.")
        return
    console.print(f"Written to {written_to}, below [correction]: {change} on every height.", markup=False)
    console.print(
        "Every result will say so. Width, area and ratio stay as measured. Photos that are in the book"
        " already keep their heights; `aperture intake --again` measures them again."
    )
    console.print("To take it back, delete [correction] from that file.", markup=False)


def json_text(comparison: Comparison, correction: Correction | None, written: bool) -> str:
    """The comparison as one JSON object on one line, in ASCII."""
    heights = comparison.heights
    record: dict[str, Any] = {
        "sentence": sentences(comparison)[0],
        "readings": [
            {
                "reed": pairing.other.reed,
                "state": pairing.other.state,
                "program_mm": pairing.own.height_mm,
                "other_mm": pairing.other.height_mm,
                "program_class": pairing.own.shape,
                "other_classes": list(pairing.other.classes),
            }
            for pairing in comparison.pairings
        ],
        "left_out": [
            {"reed": one.other.reed, "state": one.other.state, "why": one.why} for one in comparison.left_out
        ],
        "mean_difference_mm": asdict(heights.agreement.mean) if heights else None,
        "standard_deviation_mm": heights.agreement.standard_deviation if heights else None,
        "lower_limit_mm": asdict(heights.agreement.lower) if heights else None,
        "upper_limit_mm": asdict(heights.agreement.upper) if heights else None,
        "line": asdict(heights.line) if heights and heights.line else None,
        "kappa": _kappa_record(comparison.people),
        "kappa_with_program": [_kappa_record(kappa) for kappa in comparison.with_program],
        "correction": asdict(correction) if correction else None,
        "correction_written": written,
    }
    return json.dumps(record, allow_nan=False)


def _kappa_record(kappa: Kappa | None) -> dict[str, Any] | None:
    return asdict(kappa) if kappa else None
