"""The command that compares this program with another way of measuring the same reeds."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aperture.cli.options import (
    SOME_REFUSED,
    AsJson,
    BookFile,
    IncludeReviewed,
    Replace,
    Ruler,
    SettingsFile,
    TipOffset,
    Workers,
    check_output,
    chosen_settings,
    measure_with_progress,
    open_book,
    report_errors,
    without_kept,
)

if TYPE_CHECKING:
    from aperture.settings import Correction, Settings
    from aperture.studies.comparison import Comparison, Key, OwnReading
    from aperture.studies.other_readings import OtherReadings


@report_errors
def compare_command(
    readings: Annotated[
        Path,
        typer.Argument(
            metavar="READINGS",
            help="A CSV file: reed, state, reading_mm (u_mm, its ±, may follow); or reed, state, class.",
        ),
    ],
    photos: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="PHOTOS…",
            help="Photos of the same reeds, or their folders; without them the book counts.",
        ),
    ] = None,
    book: BookFile = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="FILE", help="Also write a picture, as SVG.")
    ] = None,
    replace: Replace = False,
    json: AsJson = False,
    include_reviewed: IncludeReviewed = False,
    write: Annotated[
        bool,
        typer.Option("--write", help="Correct every height from now on by the mean difference (settings)."),
    ] = False,
    ruler: Ruler = None,
    tip_offset: TipOffset = None,
    settings: SettingsFile = None,
    workers: Workers = None,
) -> None:
    """Compare this program with another way of measuring the same reeds, or with people's classes.

    Exit status: 0 compared, 3 compared but --write had nothing to write, 2 wrong usage or too few readings.
    """
    from aperture.files import write_whole
    from aperture.present.agreement_page import json_text, show_comparison, show_correction
    from aperture.present.agreement_plot import agreement_svg
    from aperture.present.screen import make_console
    from aperture.settings import settings_path
    from aperture.studies.comparison import compare, learned_correction
    from aperture.studies.other_readings import read_other_readings
    from aperture.studies.table import TableError

    check_output(plot, "--plot", replace)
    chosen = chosen_settings(settings, ruler, tip_offset, workers)
    try:
        other = read_other_readings(readings)
        own = _own(other, photos, book, chosen, include_reviewed)
        comparison = compare(other, own)
    except TableError as error:
        raise typer.BadParameter(str(error), param_hint="READINGS") from error
    if plot is not None:
        if comparison.heights is None:
            raise typer.BadParameter(
                "there is a picture of heights only, not of classes", param_hint="--plot"
            )
        write_whole(plot, agreement_svg(comparison, comparison.heights))
    correction = learned_correction(comparison, _source(comparison, readings))
    path = settings or settings_path()
    if write and correction is not None:
        _write(path, correction)
    written = write and correction is not None
    if json:
        print(json_text(comparison, correction, written))
    else:
        console = make_console()
        show_comparison(console, comparison)
        show_correction(console, correction, comparison.why_no_correction, path if written else None)
        if plot is not None:
            typer.echo(f"Wrote {plot}")
    if write and not written:
        raise typer.Exit(SOME_REFUSED)


def _own(
    other: "OtherReadings",
    photos: list[Path] | None,
    book: Path | None,
    settings: "Settings",
    include_reviewed: bool,
) -> "dict[Key, OwnReading]":
    """What this program read: in the photos that were named, else in the book."""
    if not photos:
        from aperture.book.present.program_readings import program_readings

        with open_book(book) as opened:
            wanted = [(one.reed, one.state) for one in other.readings]
            return program_readings(opened, wanted, include_reviewed)
    from aperture.batch.photo_files import photos_in
    from aperture.studies.comparison import own_readings

    if book is not None:
        raise typer.BadParameter("name photos or a book, not both", param_hint="--book")
    found = without_kept(photos_in(photos), photos)
    if not found:
        raise typer.BadParameter("there is no photo in " + ", ".join(map(str, photos)), param_hint="PHOTOS…")
    return own_readings(list(measure_with_progress(found, settings)), include_reviewed)


def _source(comparison: "Comparison", readings: Path) -> str:
    from datetime import date

    count = len(comparison.pairings)
    return f"comparison with {count} readings in {readings.name}, {date.today().isoformat()}"


def _write(path: Path, correction: "Correction") -> None:
    from dataclasses import asdict

    from aperture.present.limits_page import write_limits

    write_limits(path, asdict(correction), "correction")
