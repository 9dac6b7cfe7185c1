"""Results as text: numbers with their uncertainty, remarks in plain words, lines of JSON, a CSV file."""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from aperture.card.instructions import CARE
from aperture.correction import FLAG as CORRECTED
from aperture.correction import MARK, correction_words
from aperture.flags import FLAGS, Flag
from aperture.verdict import BORDERLINE, STANDING, Advice, Change, Difference, Verdict, advice

if TYPE_CHECKING:
    from aperture.measure import Measurement

# Where a text, or what follows a separator in it, would be a formula. Source of the signs: OWASP, "CSV
# Injection" (from memory).
_BEGINS_FORMULA = re.compile(
    r"""^(?=[=+\-@\t\r])|^[ "']+(?=[=+\-@])|[;|\t\r\n][ "']*"""
    r"""(?=[=+\-@])(?![+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?\s*(?:[;|\t\r\n\]]|$))|[: ]["']*(?=[=@]\S)"""
)

# Cutting the card is over by the time there is a result.
RESULT_CAUTIONS = (STANDING.what, STANDING.why, *CARE[1:])

NO_VALUE = "–"

# What the four quantities that have an uncertainty are called, and their units.
NAMES = {"height_mm": "height", "width_mm": "width", "area_mm2": "area", "ellipse_ratio": "ratio"}
UNITS = {"height_mm": "mm", "width_mm": "mm", "area_mm2": "mm²", "ellipse_ratio": ""}


@dataclass(frozen=True)
class Remark:
    """One thing to know about a photo, and what to do about it."""

    sentence: str
    advice: str


def rounded(value: float, expanded_uncertainty: float) -> tuple[str, str]:
    """A value and its uncertainty, both to the same decimal.

    The uncertainty keeps two significant figures when it begins with 1, 2 or 3 up to 3.54, otherwise one.

    Sources: GUM 7.2.6 (at most two figures, the value to the same decimal); where two become one, the rule of
    the Particle Data Group's Review of Particle Physics, Introduction, "Rounding".
    """
    decimals = 3
    if expanded_uncertainty > 0.0:
        power = math.floor(math.log10(expanded_uncertainty))
        leading = round(expanded_uncertainty / 10.0**power, 9)  # 0.95 is stored as a little less
        if leading >= 9.5:  # becomes 10, which has a figure more
            power, leading, expanded_uncertainty = power + 1, 1.0, 10.0 ** (power + 1)
        decimals = max(0, (1 if leading < 3.55 else 0) - power)
    return f"{value:.{decimals}f}", f"{expanded_uncertainty:.{decimals}f}"


def with_uncertainty(value: float, expanded_uncertainty: float, unit: str = "") -> str:
    """For example "0.832 ± 0.021 mm"."""
    number, uncertainty = rounded(value, expanded_uncertainty)
    return f"{number} ± {uncertainty} {unit}".rstrip()


def below_words(height_below_mm: float, unit: str = "") -> str:
    """Of a shut opening whose height cannot be told: "below 0.05 mm", rounded up to 0.01 mm."""
    hundredths = math.ceil(round(100.0 * height_below_mm, 6))  # 0.07 is stored as a little more
    return f"below {hundredths / 100.0:.2f} {unit}".rstrip()


def change_words(difference: Difference, unit: str = "") -> str:
    """For example "+0.531 ± 0.022 mm, opened"."""
    number, uncertainty = rounded(difference.difference, difference.expanded_uncertainty)
    sign = "" if number.startswith("-") else "+"
    amount = f"{sign}{number} ± {uncertainty} {unit}".rstrip().replace("-", "−")
    return f"{amount}, {difference.word}"


def change_lines(change: Change) -> list[str]:
    """What changed in height, area and ratio, a line each: "height +0.53 ± 0.02 mm, opened"."""
    names = ("height_mm", "area_mm2", "ellipse_ratio")
    return [f"{NAMES[name]} {change_words(getattr(change, name), UNITS[name])}" for name in names]


def quantity(measurement: Measurement, name: str, unit: str = "") -> str:
    """One of the four quantities that have an uncertainty; a dash where there is none.

    A height that cannot be told: "below 0.05 mm".
    """
    if measurement.geometry is None or measurement.u is None:
        return NO_VALUE
    if name == "height_mm" and (below_mm := measurement.height_below_mm) is not None:
        return f"{below_words(below_mm, unit)} {MARK if measurement.correction.applies else ''}".rstrip()
    words = with_uncertainty(getattr(measurement.geometry, name), measurement.u[name], unit)
    return f"{words} {MARK}" if name == "height_mm" and measurement.correction.applies else words


def class_words(verdict: Verdict) -> str:
    """The class, for example "elliptical, rather wide"."""
    return f"{verdict.shape}, rather wide" if "wide" in verdict.flags else verdict.shape


def probability_words(verdict: Verdict) -> str:
    """For example "62 % elliptical, 38 % round"; classes below half a per cent are left out."""
    likely = sorted(verdict.shape_probabilities.items(), key=lambda item: -item[1])
    return ", ".join(f"{100 * share:.0f} % {shape}" for shape, share in likely if share >= 0.005)


def identity_words(measurement: Measurement) -> str:
    """For example "reed 7, dry"."""
    reed = "reed not named" if measurement.reed is None else f"reed {measurement.reed}"
    return f"{reed}, {measurement.state or 'state not known'}"


def remarks(measurement: Measurement) -> list[Remark]:
    """Why a photo was refused, and the sentence of each flag with its advice, what is most severe first."""
    order = ("refuse", "review", "note")
    flags = sorted((FLAGS[code] for code in measurement.flags), key=lambda flag: order.index(flag.effect))
    if measurement.outcome == "measured":
        return [Remark(flag_sentence(measurement, flag), flag.advice) for flag in flags]
    reason = measurement.reason or "Refused."
    # The reason is the sentence of one of the flags, with what was seen in this case.
    others = [
        Remark(flag.sentence, flag.advice) for flag in flags if flag.sentence.removesuffix(".") not in reason
    ]
    return [Remark(reason, measurement.advice or ""), *others]


def flag_sentence(measurement: Measurement, flag: Flag) -> str:
    """What a flag says of a measured photo; of a correction also how much it is."""
    if flag.code != CORRECTED:
        return flag.sentence
    return f"{flag.sentence.removesuffix('.')}: {correction_words(asdict(measurement.correction))}."


def next_steps(measurement: Measurement, dry: Measurement | None = None) -> tuple[Advice, ...]:
    """What to do with the reed after a measured photo; nothing after a refused one.

    Parameters
    ----------
    dry : for a soaked reed, its measured dry photo, where there is one.
    """
    if measurement.verdict is None:
        return ()
    before = dry.verdict if dry is not None else None
    state = measurement.state or "unknown"
    steps = advice(measurement.verdict, state, before, measurement.too_open)
    # Both are said elsewhere: among the cautions, and as the advice of the flag "borderline".
    return tuple(step for step in steps if step not in (STANDING, BORDERLINE))


def printable(text: str) -> str:
    """Text without control characters, and without bytes that are no text: file names may hold both."""
    return "".join(character if character.isprintable() else "\ufffd" for character in text)


def json_line(measurement: Measurement, more: Mapping[str, Any] | None = None) -> str:
    """The result as one JSON object on one line, in ASCII; null for what is not a finite number.

    Parameters
    ----------
    more : further keys, with plain and finite values.
    """
    return json.dumps({**_finite(measurement.record()), **(more or {})}, allow_nan=False)


def csv_bytes(measurements: Sequence[Measurement]) -> bytes:
    """A table with one row per photo, for a spreadsheet.

    The fields are those of the JSON output, flat: u_height_mm, probability_shut, control_1_mm and so on.
    UTF-8. Spreadsheet programs recognise that by a mark at the beginning, which is there if any character
    needs it. Text that a spreadsheet would run as a formula gets an apostrophe in front.
    """
    import codecs
    import csv

    rows = [_flat(_finite(measurement.record())) for measurement in measurements]
    fields = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO(newline="")
    table = csv.DictWriter(text, fields, restval="")
    table.writeheader()
    table.writerows({name: escape_formula(value) for name, value in row.items()} for row in rows)
    # A file name that is no text is written with codes in place of its bytes.
    content = text.getvalue().encode("utf-8", "backslashreplace")
    return content if content.isascii() else codecs.BOM_UTF8 + content


def _finite(value: Any) -> Any:
    """The same plain values with None for every number that is not finite."""
    if isinstance(value, Mapping):
        return {name: _finite(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


# What stands in the place of a group that a refused photo does not have, so that all rows have all fields.
_NESTED: dict[str, tuple[str, tuple[str, ...]]] = {
    "u": ("u_{}", tuple(NAMES)),
    "shape_probabilities": ("probability_{}", ("shut", "elliptical", "round")),
    "control": ("control_{}_mm", ("1", "2", "3")),
    "correction": ("correction_{}", ("offset_mm", "u_offset_mm", "source")),
}


def _flat(record: Mapping[str, Any]) -> dict[str, Any]:
    """A record without groups in it."""
    row: dict[str, Any] = {}
    for name, value in record.items():
        if name in _NESTED:
            pattern, members = _NESTED[name]
            if isinstance(value, list):
                value = {str(place): item for place, item in enumerate(value, start=1)}
            row.update({pattern.format(member): (value or {}).get(member) for member in members})
        elif isinstance(value, list):
            row[name] = "; ".join(map(str, value))
        else:
            row[name] = value
    return row


def escape_formula(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula, whichever separator between cells it chooses.

    One that splits at ";", a tab, "|", ":" or spaces does not see that the comma's quotes hold a text
    together: what follows such a separator may begin a cell of its own. Numbers after one stay as they are.
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _BEGINS_FORMULA.sub(lambda found: f"{found[0]}'", value)
    return value
