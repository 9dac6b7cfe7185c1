"""The command line: reads options, calls the library, prints. It decides nothing about a photo."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NoReturn

import typer

from aperture import __version__
from aperture.book.commands import book_app, show_term
from aperture.desk.commands import desk_app, open_desk
from aperture.errors import SettingsError
from aperture.options import (
    SOME_REFUSED,
    STOPPED,
    WRONG_USAGE,
    Cluster,
    Reed,
    Ruler,
    Sections,
    SettingsFile,
    State,
    TipOffset,
    Workers,
    check_csv,
    chosen_settings,
    exit_if_refused,
    give_up,
    in_words,
    measure_with_progress,
    with_progress,
)

# Everything else is imported inside the commands, so that --help does not wait for image libraries.
if TYPE_CHECKING:
    from aperture.batch import Pair
    from aperture.measure import Measurement
    from aperture.settings import Settings


app = typer.Typer(
    help="Measures the opening of an oboe reed's tip from an end-on photo against a printed scale card.",
    cls=Sections,
    rich_markup_mode=None,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

app.add_typer(book_app)
app.add_typer(desk_app)

Files = Annotated[
    list[str],
    typer.Argument(metavar="PATH…", help="Photos, folders of photos, and addresses as in s3://bucket/*.jpg."),
]
CsvFile = Annotated[
    Path | None, typer.Option("--csv", metavar="FILE", help="Also write a table for a spreadsheet.")
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON object a photo and line, and nothing else.")
]
ShowBudget = Annotated[
    bool, typer.Option("--budget", help="Also show where each ± comes from, and what would make it smaller.")
]
AnnotateFolder = Annotated[
    Path | None,
    typer.Option("--annotate", metavar="DIR", help="Draw what was measured, a picture for each photo."),
]


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"aperture {__version__}")
        raise typer.Exit


@app.callback()
def _aperture(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


@app.command("measure")
@in_words
def measure_command(
    paths: Files,
    csv: CsvFile = None,
    json: AsJson = False,
    annotate: AnnotateFolder = None,
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
    from aperture.batch import photos_at
    from aperture.card import CARD

    chosen = chosen_settings(settings, ruler, tip_offset, workers)
    if reed is not None and reed > CARD.reed_tags.count:
        raise typer.BadParameter(f"reed numbers end at {CARD.reed_tags.count}", param_hint="--reed")
    photos = photos_at(paths)
    if not photos:
        raise typer.BadParameter("there is no photo in " + ", ".join(paths), param_hint="PATH…")
    check_csv(csv)
    if annotate is not None:
        annotate.mkdir(parents=True, exist_ok=True)
    measurements: list[Measurement] = []
    stopped = False
    try:
        for measurement in measure_with_progress(photos, chosen, reed, state, json, budget, cluster):
            measurements.append(measurement)
    except KeyboardInterrupt:
        stopped = True
    pairs = _pairs(measurements, chosen)
    if measurements and not json:
        from aperture.screen import make_console, show

        show(make_console(), measurements, pairs)
    if budget and not json:
        from aperture.budget_page import show_budget

        for measurement in measurements:
            show_budget(make_console(), measurement, chosen)
    # Drawing takes as long as measuring: nobody who says stop waits for it.
    _write(measurements, pairs, csv, None if stopped else annotate, say=not json)
    if stopped:
        give_up(STOPPED, f"Stopped: {len(measurements)} of {len(photos)} photos were measured.")
    exit_if_refused(measurements)


@app.command("repeat")
@in_words
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
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object, and nothing else.")] = False,
    include_reviewed: Annotated[
        bool, typer.Option("--include-reviewed", help="Count photos, too, that need a look first.")
    ] = False,
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
    from aperture.batch import photos_in
    from aperture.repeat_report import json_text, repeats_csv
    from aperture.repeat_screen import show_left_out, show_repeats
    from aperture.repeat_study import NO_REPEATS, check_folders, study_repeats
    from aperture.report import write_whole
    from aperture.screen import make_console

    chosen = chosen_settings(settings, ruler, tip_offset, workers)
    photos = photos_in([folder])
    if not photos:
        raise typer.BadParameter(f"there is no photo in {folder}", param_hint="FOLDER")
    check_csv(csv)
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
    if csv is not None:
        write_whole(csv, repeats_csv(study))
        if not json:
            typer.echo(f"Wrote {csv}")
    exit_if_refused(measurements)


@app.command("limits")
@in_words
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
    from aperture.labels import LabelError, labelled_photos
    from aperture.limits_page import show_changes, show_limits, write_limits
    from aperture.own_limits import learn_from
    from aperture.screen import make_console
    from aperture.settings import settings_path

    chosen = chosen_settings(settings, ruler, tip_offset, workers)
    path = settings or settings_path()
    try:
        given = labelled_photos(paths)
        measurements = list(measure_with_progress(list(given.labels), chosen))
        own = learn_from(measurements, given.labels, chosen.limits)
    except LabelError as error:
        raise typer.BadParameter(str(error), param_hint="PATH…") from error
    show_limits(make_console(), own, given, chosen.uncertainty.coverage_factor)
    if write and own.changes:
        write_limits(path, own.changes)
    show_changes(make_console(), own, path, write)
    if not (own.height.learned or own.ratio.learned):
        raise typer.Exit(SOME_REFUSED)


@app.command("card")
@in_words
def card_command(
    paper: Annotated[Literal["a4", "letter"], typer.Option(help="The paper to print on.")] = "a4",
    out: Annotated[Path, typer.Option(metavar="PATH", help="A folder, or the PDF file to write.")] = Path(),
    png: Annotated[bool, typer.Option("--png", help="Also write a picture of it, for looking at.")] = False,
    first_reed: Annotated[int, typer.Option(metavar="N", min=1, help="The number on the first tag.")] = 1,
) -> None:
    """Write the scale card and reed tags to print, as a PDF at true size."""
    from aperture.artwork import sheet_pdf, write_png
    from aperture.instructions import CARE, CHECK
    from aperture.report import write_whole

    is_file = out.suffix.lower() == ".pdf" and not out.is_dir()
    path = out if is_file else out / f"scale-card-{paper}.pdf"
    try:
        pdf = sheet_pdf(paper, first_reed)
    except SettingsError as error:
        raise typer.BadParameter(error.detail) from error
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, pdf)
    typer.echo(f"Wrote {path}")
    if png:
        picture = path.with_suffix(".png")
        write_png(picture, paper, first_reed=first_reed)
        typer.echo(f"Wrote {picture} (for looking at, not for printing)")
    typer.echo("Print it at 100 % (“actual size”), never “fit to page”. Then check the print:")
    for words in (*CHECK, *CARE):
        typer.echo(f"- {words}")


@app.command("demo")
@in_words
def demo_command(
    out: Annotated[Path, typer.Option(metavar="DIR", help="The folder for the results.")] = Path(
        "aperture-demo"
    ),
    desk: Annotated[bool, typer.Option("--desk", help="Open the filled book as a web page.")] = False,
) -> None:
    """Play a term with eight reeds: measure their photos, keep the reed book, write the return sheets."""
    from aperture import demo
    from aperture.book.ledger import Book
    from aperture.screen import make_console, show
    from aperture.settings import Settings

    console = make_console()
    photos, later = demo.demo_photos(), demo.later_photos()
    console.print(f"{demo.ABOUT}\nPhotos: {photos[0].parent}\n", markup=False)
    # The story is told with the default limits, whatever the user's own are.
    settings = Settings()
    path = out / "reed-book.sqlite3"
    demo.begin_anew(path)
    with Book(path, create=True) as book:
        arrivals = with_progress("Measuring", demo.first_day(book, settings), len(photos))
        measurements = [arrival.measurement for arrival in arrivals if arrival.measurement is not None]
        pairs = _pairs(measurements, settings)
        show(console, measurements, pairs)
        console.print()
        _write(measurements, pairs, out / "demo.csv", out)
        console.print("\nThe first day in short", style="bold")
        for sentence in demo.story(measurements, pairs):
            console.print(f"- {sentence}", markup=False)
        for _ in with_progress("Weeks after", demo.rest_of_the_term(book, settings), len(later)):
            pass
        console.print("\nThe weeks after", style="bold")
        for sentence in demo.term_story(book.histories()):
            console.print(f"- {sentence}", markup=False)
        show_term(console, book, settings, demo.TODAY, out)
    console.print(f"\nGo on with it yourself: aperture reeds --book {path}", markup=False)
    if desk:
        open_desk(path, settings)


@app.command("settings")
@in_words
def settings_command(
    write: Annotated[bool, typer.Option("--write", help="Create the file, unless it exists.")] = False,
) -> None:
    """Show where your settings file is, and every setting with its default value and meaning."""
    from aperture.report import write_whole
    from aperture.settings import load_settings, settings_path, settings_template

    path = settings_path()
    exists = path.exists()
    if write and not exists:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, settings_template().encode())
        typer.echo(f"# Created {path}")
    elif write:
        typer.echo(f"# {path} exists and was left as it is.")
    else:
        typer.echo(
            f"# Your settings file: {path}" + ("" if exists else " (not there yet: --write creates it)")
        )
    if exists:
        load_settings()  # says what is wrong with it
    typer.echo(settings_template())


def main() -> NoReturn:
    """The command's entry point: no traceback reaches the user."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a character gets a question mark, not an error.
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    app()
    sys.exit(0)


def _pairs(measurements: "list[Measurement]", settings: "Settings") -> "list[Pair]":
    from aperture.batch import pairs

    return pairs(measurements, settings.uncertainty.coverage_factor)


def _write(
    measurements: "list[Measurement]",
    pairs: "list[Pair]",
    csv: Path | None,
    annotate: Path | None,
    say: bool = True,
) -> None:
    """Write the files that were asked for."""
    if annotate is not None:
        from aperture.annotate import write_annotations

        pictures = write_annotations(measurements, annotate, pairs)
        count = len(list(with_progress("Drawing", pictures, len(measurements) + len(pairs))))
        if say:
            typer.echo(f"Wrote {count} pictures to {annotate}")
    if csv is not None:
        from aperture.report import csv_bytes, write_whole

        write_whole(csv, csv_bytes(measurements))
        if say:
            typer.echo(f"Wrote {csv}")
