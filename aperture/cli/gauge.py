"""The command that checks the program with a gauge made from a ream of paper."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aperture.cli.options import (
    SOME_REFUSED,
    AsJsonLines,
    BookFile,
    Ruler,
    SettingsFile,
    TipOffset,
    chosen_settings,
    open_book,
    report_errors,
    scale_for_book,
    with_progress,
)

if TYPE_CHECKING:
    from aperture.settings import Settings
    from aperture.studies.gauge import GaugeCheck

DISAGREES = 4


@report_errors
def gauge_command(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO…", help="Photos of the gauge in the notch.")],
    sheets: Annotated[
        list[int],
        typer.Option(
            "--sheets",
            metavar="N",
            help="Sheets on one side of the slit: once, or once for each photo in their order.",
        ),
    ],
    ream: Annotated[
        float,
        typer.Option("--ream", metavar="MM", help="How high a ream of 500 sheets of that paper is."),
    ],
    json: AsJsonLines = False,
    keep: Annotated[
        bool, typer.Option("--keep/--no-keep", help="Keep the checks in the reed book, if there is one.")
    ] = True,
    ruler: Ruler = None,
    tip_offset: TipOffset = None,
    settings: SettingsFile = None,
    book: BookFile = None,
) -> None:
    """Check the program with a slit of known height, made from a ream of paper: `aperture guide believe`.

    Exit status: 0 all agree, 4 some do not, 3 some were refused, 2 wrong usage.
    """
    from aperture.present.gauge_screen import json_lines, show_gauge
    from aperture.present.screen import make_console
    from aperture.studies.gauge import check_gauge, expected_height
    from aperture.studies.gauge_line import line_through, what_explains

    if len(sheets) not in (1, len(photos)):
        raise typer.BadParameter(
            f"give it once, or once for each of the {len(photos)} photos", param_hint="--sheets"
        )
    each = sheets * len(photos) if len(sheets) == 1 else sheets
    for count in each:
        expected_height(count, ream)  # refuses once what every photo would be refused for
    chosen = chosen_settings(settings, ruler, tip_offset, None)
    if _has_book(book):
        with open_book(book) as opened:
            chosen = scale_for_book(opened, chosen, ruler, tip_offset)
    wanted = zip(photos, each, strict=True)
    results = (check_gauge(photo, count, ream, chosen) for photo, count in wanted)
    checks = list(with_progress("Checking", results, len(photos), bar=not json))
    line = line_through(checks, chosen)
    if json:
        for words in json_lines(checks, line):
            print(words)
    else:
        show_gauge(make_console(), checks, line, what_explains(checks, line, chosen, _distance_mm(checks)))
    if keep:
        _keep(checks, chosen, book, say=not json)
    if any(check.outcome == "refused" for check in checks):
        raise typer.Exit(SOME_REFUSED)
    if not all(check.agrees for check in checks):
        raise typer.Exit(DISAGREES)


def _distance_mm(checks: "list[GaugeCheck]") -> float | None:
    """From the lens to the gauge, on average."""
    known = [check.view.distance_mm for check in checks if check.view is not None]
    return sum(known) / len(known) if known else None


def _has_book(book: Path | None) -> bool:
    from aperture.book.store.book_file import book_path

    return book_path(book).exists()


def _keep(checks: "list[GaugeCheck]", settings: "Settings", book: Path | None, say: bool) -> None:
    """Keep what was measured in the book; where there is none, that is said only of one that was named."""
    known = [check for check in checks if check.gap_mm is not None]
    if not known or (book is None and not _has_book(None)):
        return
    with open_book(book) as opened, opened.writing():
        for check in known:
            opened.add_gauge_check(check.record(), settings)
    if say:
        failed = "" if all(check.agrees for check in known) else " The day's photos wait for review."
        typer.echo(f"Kept in the reed book.{failed}")
