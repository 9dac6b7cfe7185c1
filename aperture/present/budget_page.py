"""An uncertainty budget as a page: tables as in the GUM (JCGM 100:2008, table H.1), and what would help.

A line says what is known of one input quantity (estimate, standard uncertainty, distribution, type A from the
photo's own scatter or type B from anything else, GUM 4.2 and 4.3), by how much the result changes with it
(sensitivity), and the product of the two (contribution). Contributions add in quadrature.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from rich.console import Console
from rich.text import Text

from aperture.budget.contributions import FLATNESS_PER_MM, QUANTITIES, Budget
from aperture.budget.remedies import remedy
from aperture.measure import Measurement
from aperture.present.report import (
    NAMES,
    NO_VALUE,
    UNITS,
    below_words,
    json_line,
    printable,
    with_uncertainty,
)
from aperture.present.screen import bare_table, indented
from aperture.settings import Settings
from aperture.view.view import View

# Besides the largest, a source is worth a word from this share of a variance.
MUCH = 0.10
# In a narrower window a line of the table takes several; that needs 80 columns.
WIDTH_FOR_LINES = 125


@dataclass(frozen=True)
class Input:
    """One input quantity; None where no single number stands behind it, and `remark` says what does.

    `evaluation` is "A" or "B" (GUM 4.2, 4.3), or both.
    """

    source: str
    estimate: float | None
    standard_uncertainty: float | None
    unit: str
    distribution: str
    evaluation: str
    remark: str = ""


@dataclass(frozen=True)
class Line:
    """One input and its effect on the result.

    `sensitivity`: units of the result per unit of the input, without its sign. `contribution`: sensitivity
    times standard uncertainty, in units of the result. `share`: of the combined variance, 0 to 1.
    """

    input: Input
    sensitivity: float | None
    contribution: float
    share: float


@dataclass(frozen=True)
class BudgetTable:
    """The budget of one quantity of `aperture.budget.contributions.QUANTITIES`."""

    quantity: str
    estimate: float
    lines: tuple[Line, ...]
    combined: float
    coverage_factor: float

    @property
    def expanded(self) -> float:
        """The expanded uncertainty, in the quantity's unit."""
        return self.coverage_factor * self.combined


def budget_table(
    budget: Budget, quantity: str, estimate: float, inputs: Sequence[Input], coverage_factor: float
) -> BudgetTable:
    """The budget of one quantity.

    Parameters
    ----------
    budget : the contributions.
    quantity : one of `aperture.budget.contributions.QUANTITIES`.
    estimate : its measured value, in its unit.
    inputs : what is known of each source, in the order of `budget.contributions`.

    Sources: GUM 5.1.2, equations 10 and 11, and the columns of its table H.1.
    """
    place = QUANTITIES.index(quantity)
    combined = budget.standard()[quantity]
    lines = []
    for contribution, known in zip(budget.contributions, inputs, strict=True):
        effect, u = float(contribution.effect[place]), known.standard_uncertainty
        share = effect**2 / combined**2 if combined else 0.0
        lines.append(Line(known, effect / u if u else None, effect, share))
    return BudgetTable(quantity, estimate, tuple(lines), combined, coverage_factor)


def inputs_of(budget: Budget, view: View, settings: Settings) -> tuple[Input, ...]:
    """What is known of each source of a photo's budget; a source that is not known here has dashes."""
    assumed = settings.uncertainty
    rectangle = math.sqrt(3.0)  # half-width over standard uncertainty, GUM 4.3.7
    tip_u, tip_a = settings.tip_offset_uncertainty_mm(), assumed.tip_offset_unknown_mm
    known = [
        Input(
            "printed scale",
            settings.ruler_mm,
            assumed.ruler_doubt_mm / rectangle,
            "mm",
            f"rectangular, ± {assumed.ruler_doubt_mm:g} mm",
            "B",
            "the printed 50 mm bar, read with a ruler",
        ),
        Input(
            "camera and card",
            None,
            None,
            "",
            "normal",
            "A, B",
            "no single number: place, direction and lens of the camera, fitted together to the card's markers"
            " (and to what the file says of the lens)",
        ),
        Input(
            "flatness of the card",
            0.0,
            100.0 * FLATNESS_PER_MM * view.side_residual_px / view.px_per_mm,
            "%",
            "normal",
            "B",
            "how much taller things look on a card that is bent, judged by how its markers miss their places",
        ),
        Input(
            "plane of the tip",
            settings.tip_offset_mm,
            tip_u,
            "mm",
            "normal" if settings.knows_tip_offset() else f"rectangular, ± {tip_a:g} mm",
            "B",
            "how far the tip stands in front of the card's face",
        ),
        Input(
            "lean of the reed",
            0.0,
            assumed.reed_lean_deg / rectangle,
            "°",
            f"rectangular, ± {assumed.reed_lean_deg:g}°",
            "B",
            "upwards and sideways, each by so much; the two effects are added in quadrature",
        ),
        Input(
            "model of the edge",
            None,
            None,
            "",
            "normal",
            "B",
            "no single number: how far the program's idea of an edge is trusted, at each blade and corner",
        ),
        Input(
            "correction of the height",
            settings.correction.offset_mm,
            settings.correction.u_offset_mm,
            "mm",
            "normal",
            "A",
            "the mean difference from another way of measuring; it was added to the height",
        ),
        Input(
            "edge",
            None,
            None,
            "",
            "normal",
            "A",
            "no single number: how much each edge and corner depend on where the program began to look",
        ),
    ]
    by_source = {each.source: each for each in known}
    return tuple(
        by_source.get(each.source, Input(each.source, None, None, "", each.distribution, NO_VALUE))
        for each in budget.contributions
    )


def budget_tables(measurement: Measurement, settings: Settings) -> tuple[BudgetTable, ...]:
    """The budget of each quantity of a photo; none of a refused one."""
    numbers, budget, view = measurement.geometry, measurement.budget, measurement.view
    if numbers is None or budget is None or view is None:
        return ()
    inputs, factor = inputs_of(budget, view, settings), settings.uncertainty.coverage_factor
    return tuple(budget_table(budget, name, getattr(numbers, name), inputs, factor) for name in QUANTITIES)


def dominating(tables: Sequence[BudgetTable]) -> dict[str, list[tuple[str, float]]]:
    """Source -> (quantity, share) wherever the source is the largest of all, or holds a share of `MUCH`."""
    found: dict[str, list[tuple[str, float]]] = {}
    for table in tables:
        most = max(line.share for line in table.lines)
        for line in sorted(table.lines, key=lambda line: -line.share):
            if line.share > 0.0 and line.share >= min(most, MUCH):
                found.setdefault(line.input.source, []).append((table.quantity, line.share))
    return found


def record_lines(tables: Sequence[BudgetTable]) -> list[dict[str, Any]]:
    """The budget as plain values: a line for each source of each quantity, in the units of the quantity."""
    return [
        {
            "quantity": table.quantity,
            "source": line.input.source,
            "estimate": line.input.estimate,
            "standard_uncertainty": line.input.standard_uncertainty,
            "unit": line.input.unit,
            "distribution": line.input.distribution,
            "evaluation": line.input.evaluation,
            "sensitivity": line.sensitivity,
            "contribution": line.contribution,
            "share": line.share,
        }
        for table in tables
        for line in table.lines
    ]


def json_line_with_budget(measurement: Measurement, settings: Settings) -> str:
    """The line of `report.json_line` with one more key, "budget": a list, empty where refused."""
    return json_line(measurement, {"budget": record_lines(budget_tables(measurement, settings))})


def show_budget(console: Console, measurement: Measurement, settings: Settings) -> None:
    """Print the page of one photo."""
    console.print()
    console.print(Text(f"Uncertainty budget of {printable(measurement.photo)}", style="bold underline"))
    tables = budget_tables(measurement, settings)
    if not tables or measurement.view is None:
        console.print("Refused: without a number there is no budget.")
        return
    for table in tables:
        console.print()
        below_mm = measurement.height_below_mm if table.quantity == "height_mm" else None
        show_table(console, table, below_words(below_mm, "mm") if below_mm is not None else None)
    console.print()
    console.print(
        Text(
            "Type A: from this photo's own scatter; B: from anything else. Sensitivity: how much the result"
            " changes with the input, without its sign. Contribution: sensitivity times standard uncertainty;"
            " contributions add in quadrature, and the share is that of the squares.",
            style="dim",
        )
    )
    for known in (line.input for line in tables[0].lines):
        if known.remark:
            indented(console, f"{known.source}: {known.remark}", style="dim")
    console.print()
    console.print(Text("What would make it smaller", style="bold"))
    for source, shares in dominating(tables).items():
        parts = ", ".join(f"{100 * share:.0f} % of the {NAMES[name]}" for name, share in shares)
        words = remedy(source, measurement.view, settings) or "Nothing is known that would."
        indented(console, f"{source} ({parts}): {words}")


def show_table(console: Console, table: BudgetTable, value: str | None = None) -> None:
    """Print the budget of one quantity; `value` in place of its estimate with the expanded uncertainty."""
    unit = UNITS[table.quantity]
    value = value or with_uncertainty(table.estimate, table.expanded, unit)
    console.print(Text(f"{NAMES[table.quantity].capitalize()} {value}", style="bold"))
    columns: tuple[tuple[str, Callable[[Line], str]], ...] = (
        ("quantity", lambda line: line.input.source),
        ("estimate", lambda line: estimate_words(line.input)),
        ("standard uncertainty", lambda line: _amount(line.input.standard_uncertainty, line.input.unit)),
        ("distribution", lambda line: line.input.distribution),
        ("type", lambda line: line.input.evaluation),
        ("sensitivity", lambda line: _sensitivity(line, unit)),
        (
            "contribution",
            lambda line: f"{line.contribution:.{_decimals(table.combined) + 1}f} {unit}".strip(),
        ),
        ("share", lambda line: f"{100 * line.share:.0f} %"),
    )
    is_wide = console.width >= WIDTH_FOR_LINES
    grid = bare_table(gap=2 if is_wide else 1)
    for heading, words in columns:
        cells = [heading, *(words(line) for line in table.lines)]
        # Where it is narrow, lines break between words, and a contribution keeps its unit.
        whole = heading in ("estimate", "contribution", "share")
        longest = max(len(part) for cell in cells for part in ([cell] if whole else cell.split()))
        justify: Literal["left", "right"] = "right" if heading == "share" else "left"
        grid.add_column(heading, justify=justify, width=None if is_wide else longest)
    for line in table.lines:
        grid.add_row(*(Text(words(line)) for _, words in columns))
    console.print(grid)
    combined = f"{table.combined:.{_decimals(table.combined) + 1}f} {unit}".strip()
    expanded = f"{table.expanded:.{_decimals(table.expanded)}f} {unit}".strip()
    console.print(
        f"combined standard uncertainty {combined}; coverage factor {table.coverage_factor:g};"
        f" expanded uncertainty {expanded}",
        markup=False,
    )


def estimate_words(known: Input) -> str:
    """The estimate of an input to the decimals of its uncertainty (GUM 7.2.6); a dash where it has none."""
    if known.estimate is None or known.standard_uncertainty is None:
        return NO_VALUE
    if known.estimate == 0.0:
        return _with_unit("0", known.unit)
    return _with_unit(f"{known.estimate:.{_decimals(known.standard_uncertainty)}f}", known.unit)


def _amount(value: float | None, unit: str) -> str:
    return NO_VALUE if value is None else _with_unit(f"{value:.{_decimals(value)}f}", unit)


def _sensitivity(line: Line, unit: str) -> str:
    if line.sensitivity is None:
        return NO_VALUE
    # What is less than rounding can tell is nothing.
    size = line.sensitivity if line.share > 1e-12 else 0.0
    return f"{size:.{_decimals(size)}f} {unit or '1'}/{line.input.unit}"


def _with_unit(number: str, unit: str) -> str:
    return f"{number}{unit}" if unit == "°" else f"{number} {unit}".strip()


def _decimals(value: float) -> int:
    """Decimals that show two significant figures."""
    return 0 if value <= 0.0 else max(0, 1 - math.floor(math.log10(value)))
