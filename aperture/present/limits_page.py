"""Learned limits as a page for a person, and as lines of the settings file."""

from collections.abc import Mapping
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from aperture.files import write_whole
from aperture.present.report import NO_VALUE, printable, with_uncertainty
from aperture.present.screen import bare_table, indented
from aperture.studies.labels import LabelledPhotos
from aperture.studies.own_limits import MIN_PHOTOS_PER_CLASS, Labelled, LearnedLimit, OwnLimits, Spread
from aperture.verdict import ShapeClass

LIMIT_NAMES = {"shut_below_height_mm": "shut below a height of", "round_from_ratio": "round from a ratio of"}
LIMIT_QUANTITIES = {"shut_below_height_mm": "height, mm", "round_from_ratio": "ratio"}
LIMIT_UNITS = {"shut_below_height_mm": " mm", "round_from_ratio": ""}


def changed_settings(text: str, changes: Mapping[str, float | str], group_name: str = "limits") -> str:
    """A settings file with other limits; everything else in it stays as it is, comments included.

    Parameters
    ----------
    text : TOML that `aperture.settings` can read; empty where there is no file yet.
    changes : settings with their values.
    group_name : the section that they are in.
    """
    import tomlkit

    document = tomlkit.parse(text)
    if group_name not in document:
        document[group_name] = tomlkit.table()
    group = document[group_name]
    for name, value in changes.items():
        group[name] = value
    return tomlkit.dumps(document)


def write_limits(path: Path, changes: Mapping[str, float | str], group_name: str = "limits") -> None:
    """Change limits, or another group, in a settings file, or make one; at no time is there half of it.

    Raises
    ------
    OSError : it cannot be written; what was there before is still there.
    """
    text = path.read_bytes().decode("utf-8-sig") if path.exists() else ""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, changed_settings(text, changes, group_name).encode())


def show_limits(console: Console, own: OwnLimits, given: LabelledPhotos, coverage_factor: float) -> None:
    """Print what was learned and from what.

    Parameters
    ----------
    given : the photos with their labels, as they were found.
    coverage_factor : as in the settings.
    """
    counts = ", ".join(f"{spread.count} {spread.label}" for spread in _spreads(own))
    console.print(Text(f"Limits learned from your {len(own.photos)} photos ({counts})", style="bold"))
    console.print()
    console.print(_limit_table(own, coverage_factor))
    console.print(
        Text("± is the expanded uncertainty. Learned limits are yours; nobody validated them.", "dim")
    )
    console.print()
    console.print(_spread_table(own))
    for limit in (own.height, own.ratio):
        console.print()
        console.print(Text(remark(limit, own, coverage_factor)))
    _show_otherwise(console, own)
    _show_unused(console, own, given)


def remark(limit: LearnedLimit, own: OwnLimits, coverage_factor: float) -> str:
    """What there is to say about one limit."""
    below, above, unit = limit.below, limit.above, LIMIT_UNITS[limit.setting]
    where = f"Between {below.label} and {above.label}"
    if limit.learned is None:
        more = " and ".join(f"{count} more labelled {label}" for label, count in limit.wanting.items())
        return f"{where} the limit is left alone. It needs {MIN_PHOTOS_PER_CLASS} photos of each: {more}."
    gap = limit.gap
    if gap is None:
        words = [
            f"{where} your labels overlap: some photos labelled {above.label} measure no more than some"
            f" labelled {below.label}, so wherever the limit lies, some get another class."
        ]
    else:
        words = [
            f"{where} your photos leave a gap from {gap[0]:.3f} to {gap[1]:.3f}{unit}. Any limit in it agrees"
            f" with your labels; this is its middle."
        ]
        if gap[0] < getattr(own.present, limit.setting) < gap[1]:
            words.append(
                "Your present limit lies in it, too: nothing in your photos speaks against that one."
            )
    if limit.is_wide_open(coverage_factor):
        expanded = coverage_factor * limit.learned.standard_uncertainty
        low = max(limit.learned.value - expanded, below.median or 0.0)
        high = min(limit.learned.value + expanded, above.median or limit.learned.value)
        words.append(
            "Careful: this limit is not well known yet. Photos of openings with a"
            f" {LIMIT_QUANTITIES[limit.setting].split(',')[0]} between {low:.2f} and {high:.2f}{unit}"
            " would narrow it most."
        )
    return " ".join(words)


def show_changes(console: Console, own: OwnLimits, path: Path, written: bool) -> None:
    """Print what changes in the settings file, or would."""
    console.print()
    if not own.changes:
        console.print("Nothing to change in your settings.")
        return
    console.print(f"{'Written to' if written else 'Would change in'} {path}, below [limits]:", markup=False)
    for name, value in own.changes.items():
        console.print(f"  {name}  {getattr(own.present, name):g} → {value:g}", markup=False)
    if "wide_from_ratio" in own.changes:
        indented(console, "wide_from_ratio may not lie above round_from_ratio, so it comes down with it.")
    if not written:
        console.print("Nothing was written. --write does it.")


def _spreads(own: OwnLimits) -> tuple[Spread, Spread, Spread]:
    return own.height.below, own.ratio.below, own.ratio.above


def _limit_table(own: OwnLimits, coverage_factor: float) -> Table:
    table = _table("limit", "now", "learned")
    for limit in (own.height, own.ratio):
        learned = "left alone"
        if limit.learned is not None:
            expanded = coverage_factor * limit.learned.standard_uncertainty
            learned = with_uncertainty(limit.learned.value, expanded, LIMIT_UNITS[limit.setting].strip())
        present = f"{getattr(own.present, limit.setting):g}{LIMIT_UNITS[limit.setting]}"
        table.add_row(LIMIT_NAMES[limit.setting], present, learned)
    return table


def _spread_table(own: OwnLimits) -> Table:
    """How far the classes lie apart."""
    table = _table("your label", "photos", "", "lowest", "median", "highest")
    for limit in (own.height, own.ratio):
        for spread in (limit.below, limit.above):
            values = (spread.lowest, spread.median, spread.highest)
            cells = [NO_VALUE if value is None else f"{value:.3f}" for value in values]
            table.add_row(spread.label, str(spread.count), LIMIT_QUANTITIES[limit.setting], *cells)
    return table


def _table(*headings: str) -> Table:
    table = bare_table()
    for heading in headings:
        table.add_column(heading)
    return table


def _show_otherwise(console: Console, own: OwnLimits) -> None:
    total, wrong = len(own.photos), len(own.otherwise)
    console.print()
    console.print(
        f"With these limits {total - wrong} of {total} photos get the class you gave them;"
        f" with the present ones {total - own.otherwise_now}."
    )
    for photo, shape in own.otherwise:
        indented(console, _otherwise_words(photo, shape))
    if own.otherwise:
        indented(console, "Look at these again: was the label meant, was it the right photo?")


def _otherwise_words(photo: Labelled, shape: ShapeClass) -> str:
    return (
        f"{printable(photo.photo)}: you said {photo.label}, the limits say {shape}"
        f" (height {photo.height_mm:.3f} mm, ratio {photo.ellipse_ratio:.3f})"
    )


def _show_unused(console: Console, own: OwnLimits, given: LabelledPhotos) -> None:
    if own.left_out:
        console.print()
        console.print("Left out, because they were refused or need a look first:")
        for photo, reason in own.left_out:
            indented(console, f"{printable(photo)}: {reason}")
    if given.repeated:
        console.print()
        console.print("Left out, because each is a copy of another photo here:")
        for path in given.repeated:
            indented(console, printable(str(path)))
    if given.unlabelled_rows:
        console.print(f"Rows without a label that were left out: {given.unlabelled_rows}")
