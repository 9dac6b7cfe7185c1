"""The commands that study many photos: how far repeats scatter, and a user's own limits."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from aperture.cli.options import (
    SOME_REFUSED,
    WRONG_USAGE,
    AsJson,
    IncludeReviewed,
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
    name_correction,
    report_errors,
    without_kept,
)
from aperture.errors import SettingsError


@report_errors
def repeat_command(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER",
            exists=True,
            file_okay=False,
            help="Photos of the same reeds taken again and again; folders person-A, person-B, … in it.",
        ),
    ],
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Also write the photos that count.")
    ] = None,
    replace: Replace = False,
    json: AsJson = False,
    include_reviewed: IncludeReviewed = False,
    reed: Reed = None,
    state: State = None,
    ruler: Ruler = None,
    tip_offset: TipOffset = None,
    settings: SettingsFile = None,
    workers: Workers = None,
) -> None:
    """Study how far photos of the same reeds differ: by photo, session and person.

    Exit status: 0 all photos were measured, 3 some were refused, 2 wrong usage or no repeats.
    """
    from aperture.batch.photo_files import photos_in
    from aperture.files import write_whole
    from aperture.present.repeat_report import json_text, repeats_csv
    from aperture.present.repeat_screen import show_left_out, show_repeats
    from aperture.present.screen import make_console
    from aperture.studies.repeat_study import NO_REPEATS, check_folders, study_repeats

    chosen = chosen_settings(settings, ruler, tip_offset, workers)
    photos = without_kept(photos_in([folder]), [])
    if not photos:
        raise typer.BadParameter(f"there is no photo in {folder}", param_hint="FOLDER")
    check_output(csv, "--csv", replace)
    try:
        check_folders(photos, folder)
    except SettingsError as error:
        raise typer.BadParameter(error.detail, param_hint="FOLDER") from error
    measurements = list(measure_with_progress(photos, chosen, reed, state))
    study = study_repeats(measurements, folder, include_reviewed)
    if not study.studies:
        show_left_out(make_console(stderr=True), study)
        give_up(WRONG_USAGE, NO_REPEATS)
    if json:
        print(json_text(study))
    else:
        show_repeats(make_console(), study)
        name_correction(chosen)
    if csv is not None:
        write_whole(csv, repeats_csv(study))
        if not json:
            typer.echo(f"Wrote {csv}")
    exit_if_refused(measurements)


@report_errors
def limits_command(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="PATH…",
            help="Folders with photos in folders called shut, elliptical and round, or CSV files with the"
            " columns photo and label.",
        ),
    ],
    write: Annotated[bool, typer.Option("--write", help="Change the settings file.")] = False,
    ruler: Ruler = None,
    tip_offset: TipOffset = None,
    settings: SettingsFile = None,
    workers: Workers = None,
) -> None:
    """Learn your own limits between shut, elliptical and round from photos that you labelled.

    Exit status: 0 a limit was learned, 3 there were too few photos for any, 2 wrong usage.
    """
    from aperture.present.limits_page import show_changes, show_limits, write_limits
    from aperture.present.screen import make_console
    from aperture.settings import settings_path
    from aperture.studies.labels import LabelError, labelled_photos
    from aperture.studies.own_limits import learn_from

    chosen = chosen_settings(settings, ruler, tip_offset, workers)
    path = settings or settings_path()
    try:
        given = labelled_photos(paths)
        mine = set(without_kept(list(given.labels), paths))
        given = replace(
            given, labels={photo: label for photo, label in given.labels.items() if photo in mine}
        )
        measurements = list(measure_with_progress(list(given.labels), chosen))
        own = learn_from(measurements, given.labels, chosen.limits)
    except LabelError as error:
        raise typer.BadParameter(str(error), param_hint="PATH…") from error
    show_limits(make_console(), own, given, chosen.uncertainty.coverage_factor)
    name_correction(chosen)
    if write and own.changes:
        write_limits(path, own.changes)
    show_changes(make_console(), own, path, write)
    if not (own.height.learned or own.ratio.learned):
        raise typer.Exit(SOME_REFUSED)
