"""Figures as tables: for FIGURES.md, the worst of them for the README, and what the command prints."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise

from aperture.flags import FLAGS
from tests.accuracy.figures import (
    CLASSES,
    FAR_FROM_U,
    QUANTITIES,
    WRONG_FROM_U,
    Accuracy,
    Case,
    Errors,
    Figures,
    Share,
    Target,
    blocks,
    clopper_pearson,
    figures,
    groups,
    targets,
)

COMMAND = "python -m tests.accuracy"
NAMES = {
    "height_mm": "height, mm",
    "width_mm": "width, mm",
    "area_mm2": "area, mm²",
    "ellipse_ratio": "ratio",
}
HEIGHT_STEPS_MM = (0.0, 0.15, 0.3, 0.6, 1.2, 3.0)
DIGITS = {"height_mm": 4, "width_mm": 3, "area_mm2": 3, "ellipse_ratio": 4}


def number(value: float, digits: int) -> str:
    """A number, or a dash where there is none."""
    return f"{value:.{digits}f}" if math.isfinite(value) else "–"


def percent(value: float, digits: int = 1) -> str:
    """A share as per cent."""
    return f"{100 * value:.{digits}f} %" if math.isfinite(value) else "–"


def with_interval(share: Share) -> str:
    """A share and the ends of its interval, in per cent."""
    return f"{percent(share.value)} ({100 * share.low:.1f}–{100 * share.high:.1f})" if share.count else "–"


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table in Markdown, its columns lined up so that it can be read as plain text too."""
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]

    def line(cells: Sequence[str]) -> str:
        return "| " + " | ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)) + " |"

    ruled = "|" + "|".join("-" * (width + 2) for width in widths) + "|"
    return "\n".join([line(head), ruled, *map(line, rows)])


# --- the tables ---------------------------------------------------------------------------------------


def target_table(cases: Sequence[Case]) -> str:
    """Each aim, its figure, and whether it is met or by how much it is missed."""
    rows = []
    for aim in targets(cases):
        verdict = "met" if aim.met else f"**missed** by {_shown(aim, aim.missed_by)}"
        if not math.isfinite(aim.figure):
            verdict = "not known"
        figure, at_face_value = _shown(aim, aim.figure), _shown(aim, aim.at_face_value)
        rows.append([aim.words, _wanted(aim), figure, at_face_value, verdict])
    return table(["What", "Aim", "Found", "Found, without those to review", ""], rows)


def worst_rows(cases: Sequence[Case]) -> list[list[str]]:
    """What whoever uses the program should know, the missed aims first: what, aim, found, met or missed.

    The last row is the one photo that is furthest off in height, whatever the program said of it.
    """
    rows = [
        [aim.words, _wanted(aim), _shown(aim, aim.figure), "met" if aim.met else "**missed**"]
        for aim in sorted(targets(cases), key=lambda aim: aim.met)
    ]
    measured = [case for case in cases if case.measured]
    if measured:
        worst = max(measured, key=lambda case: abs(case.error("height_mm")))
        said = "sent to review" if worst.review else "**silently**"
        off = f"{abs(worst.error('height_mm')):.3f} mm ({worst.got_class}, truly {worst.true_class})"
        rows.append(["the worst photo of all: height error", "", off, said])
    return rows


def _wanted(aim: Target) -> str:
    if aim.low > 0:
        return f"{_shown(aim, aim.low)} to {_shown(aim, aim.high)}"
    return _shown(aim, aim.high) if aim.high == 0 else f"at most {_shown(aim, aim.high)}"


def _shown(aim: Target, value: float) -> str:
    if not math.isfinite(value):
        return "–"
    return percent(value, aim.digits) if aim.unit == "%" else f"{value:.{aim.digits}f} {aim.unit}".rstrip()


def quantity_table(accuracy: Accuracy) -> str:
    """Errors of each quantity over the photos of one group that have a number."""
    rows = []
    for name in QUANTITIES:
        digits = DIGITS[name]
        shown = _errors(accuracy.errors[name], digits)
        usual, covered = number(accuracy.usual_u[name], digits), with_interval(accuracy.covered[name])
        rows.append([NAMES[name], *shown, usual, covered])
        if name == "area_mm2":
            rows.append(["area, % (no shut ones)", *_errors(accuracy.area_share, 2, 100.0), "", ""])
    rows.append(["all four together", *[""] * 7, with_interval(accuracy.covered_together)])
    head = ["Quantity", "photos", "mean error", "spread", "median", "95 %", "largest", "usual ±", "within ±"]
    return table(head, rows)


def _errors(errors: Errors, digits: int, factor: float = 1.0) -> list[str]:
    bias = (
        f"{factor * errors.bias:+.{digits}f} ± {factor * errors.bias_u:.{digits}f}"
        if errors.count > 1
        else "–"
    )
    others = (errors.spread, errors.median, errors.percentile_95, errors.largest)
    return [str(errors.count), bias, *(number(factor * value, digits) for value in others)]


def group_table(parts: Mapping[str, Sequence[Case]]) -> str:
    """One row a group: how many, what became of them, how far off they were, what the program said."""
    rows = [_group_row(name, cases, figures(cases)) for name, cases in parts.items()]
    head = ["Photos", "n", "number", "to review", "refused", "height: mean error", "spread", "95 %"]
    head += ["ratio: 95 %", "area: 95 %", "within ±", "silent wrong", "silent far", "most said"]
    return table(head, rows)


def _group_row(name: str, cases: Sequence[Case], found: Figures) -> list[str]:
    every = found.all_measured
    height = every.errors["height_mm"]
    bias = f"{height.bias:+.3f} ± {height.bias_u:.3f}" if height.count > 1 else number(height.bias, 3)
    said = Counter(
        code for case in cases for code in case.flags if code in FLAGS and FLAGS[code].effect != "note"
    )
    return [
        name,
        str(found.count),
        str(found.measured),
        str(found.review),
        str(found.refused),
        bias,
        number(height.spread, 3),
        number(height.percentile_95, 3),
        number(every.errors["ellipse_ratio"].percentile_95, 4),
        percent(every.area_share.percentile_95),
        percent(every.covered_together.value, 0),
        str(found.silent_wrong.hits),
        str(found.silent_far),
        ", ".join(
            f"`{code}` {count}" for code, count in sorted(said.items(), key=lambda s: (-s[1], s[0]))[:2]
        ),
    ]


def confusion_table(found: Figures) -> str:
    """True classes down, what the program said across."""
    said = (*CLASSES, "refused")
    rows = [[f"truly {true}", *(str(found.confusion[true, got]) for got in said)] for true in CLASSES]
    return table(["", *said], rows)


def suspects(cases: Sequence[Case]) -> str:
    """By name: the photos that were wrong or far off, and the good ones that were refused."""
    far = [case for case in cases if case.measured and (case.wrong or case.worst_in_u() > FAR_FROM_U)]
    far.sort(key=lambda case: (case.review, -case.worst_in_u()))
    lines = [f"- {_far_words(case)}" for case in far]
    lines += [
        f"- `{case.name}`: refused although good: {', '.join(f'`{code}`' for code in case.flags)}"
        for case in cases
        if case.good and not case.measured
    ]
    return "\n".join(lines) or "- none"


def _far_words(case: Case) -> str:
    worst = max(QUANTITIES, key=lambda name: abs(case.error(name)) / _u(case)[name])
    digits = DIGITS[worst]
    words = f"`{case.name}`: {NAMES[worst]}: {case.error(worst):+.{digits}f} ± {_u(case)[worst]:.{digits}f}"
    words += f", {case.worst_in_u():.1f} times its ±"
    if case.got_class != case.true_class:
        words += f"; {case.got_class}, truly {case.true_class}"
    return words + (" (sent to review)" if case.review else ", **silently**")


def _u(case: Case) -> Mapping[str, float]:
    assert case.u is not None
    return case.u


def photo_table(cases: Sequence[Case]) -> str:
    """One row per photo, the largest errors of the height first, the refused ones last."""
    head = ["Photo", "true height", "height ± U", "width ± U", "area ± U", "ratio ± U", "in U", "", "flags"]
    rows = []
    for case in sorted(cases, key=lambda case: -abs(case.error("height_mm")) if case.measured else 1.0):
        errors = ["–"] * 4
        if case.measured:
            errors = [f"{case.error(q):+.{DIGITS[q]}f} ± {_u(case)[q]:.{DIGITS[q]}f}" for q in QUANTITIES]
        rows.append(
            [
                case.name,
                number(case.true["height_mm"], 3),
                *errors,
                number(case.worst_in_u(), 1) if case.measured else "–",
                ("review" if case.review else "") if case.measured else "refused",
                ", ".join(case.flags),
            ]
        )
    return table(head, rows)


# --- the section of FIGURES.md ------------------------------------------------------------------------


def section(cases: Sequence[Case], version: str, date: str) -> str:
    """What stands between the markers in FIGURES.md.

    Parameters
    ----------
    cases : of the whole truth set.
    version, date : of the program that was measured, and when.
    """
    parts = groups(cases)
    careful, rest, whole = (figures(parts[name]) for name in ("careful", "the rest", "all"))
    silent = whole.silent_wrong
    return f"""\
Version {version}, {date}: {len(cases)} rendered photos of known truth. {careful.count} of them a careful \
user could have taken (sharp, at most 15° aside, at least 12 pixels a millimetre), \
{careful.good_refused.count} of these with nothing lying across the opening. Made by `{COMMAND} --write`.

{target_table(cases)}

"Found" counts every photo with a number, "without those to review" only those that the program lets pass \
without a remark. *Silent wrong*: a wrong class, or an error of more than {WRONG_FROM_U:g} times the ±, and \
nothing that tells you to look: {silent.hits} of {silent.count} photos. (Even 0 of {silent.count} would \
leave a rate of {percent(clopper_pearson(0, silent.count)[1])} possible.) Per cent of the area leave out \
openings that are truly shut: of next to nothing, a per cent says nothing.

**Careful photos** (a number for {careful.measured} of {careful.count}, {careful.at_face_value.count} \
of them without a remark that asks you to look)

{quantity_table(careful.all_measured)}

**The rest** (a number for {rest.measured} of {rest.count})

{quantity_table(rest.all_measured)}

Errors are measured minus true. The ± of the mean is two standard errors; spread is the standard deviation; \
median, 95 % (percentile, interpolated) and largest are of the error without its sign. "Within ±" is how \
often the truth lies inside what the program states, with a 95 % interval (Wilson, counting photos). The \
95th percentile of a few photos is little more than their largest error.

**Careful photos by the true height of the opening**

{group_table(_by_height(parts["careful"]))}

**By what disturbs the photo**

{group_table({**_in_bold(parts), **_by_nuisance(cases)})}

"Number": measured, with or without a remark. *Silent far*: like silent wrong, but from {FAR_FROM_U:g} \
times the ± (three standard uncertainties). "Most said": the remarks that most of these photos got, and on \
how many.

**Classes, all photos**

{confusion_table(whole)}

**Wrong class, or further off than {FAR_FROM_U:g} times the ±; good photos refused**

{suspects(cases)}"""


def _in_bold(parts: Mapping[str, Sequence[Case]]) -> dict[str, Sequence[Case]]:
    return {f"**{name}**": cases for name, cases in parts.items()}


def _by_height(cases: Sequence[Case]) -> dict[str, Sequence[Case]]:
    return {
        f"{low:g} to {high:g} mm": [case for case in cases if low <= case.true["height_mm"] < high]
        for low, high in pairwise(HEIGHT_STEPS_MM)
    }


def _by_nuisance(cases: Sequence[Case]) -> dict[str, Sequence[Case]]:
    """The blocks of the design; the one named careful has no nuisance of its own."""
    found = blocks(cases)
    plain = {"no special nuisance": found.pop("careful")} if "careful" in found else {}
    return {**plain, **{name: found[name] for name in sorted(found)}}
