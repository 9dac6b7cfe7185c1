"""The command that measures photos, and what its results become: shown, drawn, written."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aperture.cli.options import (
    STOPPED,
    AsJsonLines,
    Cluster,
    Reed,
    Replace,
    Ruler,
    SettingsFile,
    State,
    TipOffset,
    Workers,
    check_output,
    chosen_settings,
    exit_if_refused,
    give_up,
    measure_with_progress,
    report_errors,
    with_progress,
    without_kept,
)

# Everything else is imported inside the commands, so that --help does not wait for image libraries.
if TYPE_CHECKING:
    from aperture.batch.pairs import Pair
    from aperture.measure import Measurement
    from aperture.settings import Settings

Files = Annotated[
    list[str],
    typer.Argument(metavar="PATH…", help="Photos, folders of photos, and addresses as in s3://bucket/*.jpg."),
]
CsvFile = Annotated[
    Path | None, typer.Option("--csv", metavar="FILE", help="Also write a table for a spreadsheet.")
]
ShowBudget = Annotated[
    bool, typer.Option("--budget", help="Also show where each ± comes from, and what would make it smaller.")
]
AnnotateFolder = Annotated[
    Path | None,
    typer.Option("--annotate", metavar="DIR", help="Draw what was measured, a picture for each photo."),
]


@report_errors
def measure_command(
    paths: Files,
    csv: CsvFile = None,
    json: AsJsonLines = False,
    annotate: AnnotateFolder = None,
    replace: Replace = False,
    budget: ShowBudget = False,
    reed: Reed = None,
    state: State = None,
    ruler: Ruler = None,
    tip_offset: TipOffset = None,
    settings: SettingsFile = None,
    workers: Workers = None,
    cluster: Cluster = None,
) -> None:
    """Measure photos: height, width, area and class of each opening, and what soaking changed.

    Exit status: 0 all photos were measured, 3 some were refused, 2 wrong usage.
    Stopped with Ctrl-C it shows what it has, and ends with 130.
    """
    from aperture.batch.photo_files import photos_at
    from aperture.card.geometry import CARD

    chosen = chosen_settings(settings, ruler, tip_offset, workers)
    if reed is not None and reed > CARD.reed_tags.count:
        raise typer.BadParameter(f"reed numbers end at {CARD.reed_tags.count}", param_hint="--reed")
    photos = without_kept(photos_at(paths), paths)
    if not photos:
        raise typer.BadParameter("there is no photo in " + ", ".join(paths), param_hint="PATH…")
    check_output(csv, "--csv", replace)
    if annotate is not None:
        annotate.mkdir(parents=True, exist_ok=True)
    measurements: list[Measurement] = []
    stopped = False
    try:
        for measurement in measure_with_progress(photos, chosen, reed, state, json, budget, cluster):
            measurements.append(measurement)
    except KeyboardInterrupt:
        stopped = True
    pairs = pairs_of(measurements, chosen)
    if measurements and not json:
        from aperture.present.screen import make_console, show

        show(make_console(), measurements, pairs)
    if budget and not json:
        from aperture.present.budget_page import show_budget

        for measurement in measurements:
            show_budget(make_console(), measurement, chosen)
    # Drawing takes as long as measuring: nobody who says stop waits for it.
    write_files(measurements, pairs, csv, None if stopped else annotate, replace, say=not json)
    if stopped:
        give_up(STOPPED, f"Stopped: {len(measurements)} of {len(photos)} photos were measured.")
    exit_if_refused(measurements)


def pairs_of(measurements: "list[Measurement]", settings: "Settings") -> "list[Pair]":
    """The reeds of which a photo was measured dry and one soaked."""
    from aperture.batch.pairs import pairs

    return pairs(measurements, settings.uncertainty.coverage_factor)


def write_files(
    measurements: "list[Measurement]",
    pairs: "list[Pair]",
    csv: Path | None,
    annotate: Path | None,
    replace: bool,
    say: bool = True,
) -> None:
    """Write the files that were asked for."""
    if annotate is not None:
        from aperture.present.annotate import write_annotations
        from aperture.present.own_pictures import left_as_they_are

        pictures = write_annotations(measurements, annotate, pairs, replace)
        written = list(with_progress("Drawing", pictures, len(measurements) + len(pairs)))
        if say:
            typer.echo(f"Wrote {len(written)} picture{'s' if len(written) != 1 else ''} to {annotate}")
        for left in left_as_they_are(written):
            why = "is there already and is no picture of an earlier run, so it is left as it is"
            typer.echo(f"{left} {why}; the new picture has a number in its name.", err=True)
    if csv is not None:
        from aperture.files import write_whole
        from aperture.present.report import csv_bytes

        write_whole(csv, csv_bytes(measurements))
        if say:
            typer.echo(f"Wrote {csv}")
