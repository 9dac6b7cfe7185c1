"""The command line: reads options, calls the library, prints. It decides nothing about a photo."""

import functools
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn

import typer

from aperture import __version__
from aperture.errors import ApertureError, SettingsError

# Everything else is imported inside the commands, so that --help does not wait for image libraries.
if TYPE_CHECKING:
    from aperture.batch import Pair
    from aperture.measure import Measurement
    from aperture.settings import Settings

SOME_REFUSED, WRONG_USAGE, FAILED, STOPPED = 3, 2, 1, 130


def _in_words(command: Callable[..., None]) -> Callable[..., None]:
    """Whatever goes wrong in the command ends in words and an exit status, never in a traceback."""

    @functools.wraps(command)
    def guarded(*args: Any, **options: Any) -> None:
        try:
            command(*args, **options)
        # How typer ends a command; and who reads the output may have seen enough.
        except (typer.Exit, typer.Abort, typer.BadParameter, BrokenPipeError):
            raise
        except ApertureError as error:
            from aperture.flags import FLAGS

            flag = FLAGS[error.code]
            _give_up(WRONG_USAGE, f"{flag.sentence} {error.detail}\n{flag.advice}")
        except KeyboardInterrupt:
            _give_up(STOPPED, "Stopped.")
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            _give_up(WRONG_USAGE, f"{where}{error.strerror or error}")
        except Exception as error:
            blame = "The program failed, and the fault is the program's."
            _give_up(FAILED, f"{blame} {type(error).__name__}: {error}")

    return guarded


app = typer.Typer(
    help="Measures the opening of an oboe reed's tip from an end-on photo against a printed scale card.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

Files = Annotated[list[Path], typer.Argument(metavar="PATH…", help="Photos, and folders of photos.")]
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
Reed = Annotated[
    int | None,
    typer.Option("--reed", metavar="N", min=1, help="The reed's number, if no tag or name says it."),
]
State = Annotated[
    Literal["dry", "soaked"] | None,
    typer.Option("--state", help="The reed's state, if nothing else says it."),
]
Ruler = Annotated[
    float | None,
    typer.Option("--ruler", metavar="MM", help="What the printed 50 mm bar really measures, 45 to 55."),
]
TipOffset = Annotated[
    float | None,
    typer.Option(
        "--tip-offset",
        metavar="MM",
        help="How far the tip was measured to stand in front of the card's face (behind it: negative).",
    ),
]
SettingsFile = Annotated[
    Path | None, typer.Option("--settings", metavar="FILE", help="Use this settings file, not your own.")
]
Workers = Annotated[
    int | None,
    typer.Option(
        "--workers", metavar="N", min=0, help="Photos measured at the same time; 0: all processors."
    ),
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
@_in_words
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
) -> None:
    """Measure photos: height, width, area and class of each opening, and what soaking changed.

    Exit status: 0 all photos were measured, 3 some were refused, 2 wrong usage.
    """
    from aperture.batch import photos_in
    from aperture.card import CARD

    chosen = _settings(settings, ruler, tip_offset, workers)
    if reed is not None and reed > CARD.reed_tags.count:
        raise typer.BadParameter(f"reed numbers end at {CARD.reed_tags.count}", param_hint="--reed")
    photos = photos_in(paths)
    if not photos:
        raise typer.BadParameter("there is no photo in " + ", ".join(map(str, paths)), param_hint="PATH…")
    _check_csv(csv)
    if annotate is not None:
        annotate.mkdir(parents=True, exist_ok=True)
    measurements = _measure_with_progress(photos, chosen, reed, state, json, budget)
    pairs = _pairs(measurements, chosen)
    if not json:
        from aperture.screen import make_console, show

        show(make_console(), measurements, pairs)
    if budget and not json:
        from aperture.budget_page import show_budget

        for measurement in measurements:
            show_budget(make_console(), measurement, chosen)
    _write(measurements, pairs, csv, annotate, say=not json)
    _exit_if_refused(measurements)


@app.command("repeat")
@_in_words
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

    chosen = _settings(settings, ruler, tip_offset, workers)
    photos = photos_in([folder])
    if not photos:
        raise typer.BadParameter(f"there is no photo in {folder}", param_hint="FOLDER")
    _check_csv(csv)
    try:
        check_folders(photos, folder)
    except SettingsError as error:
        raise typer.BadParameter(error.detail, param_hint="FOLDER") from error
    measurements = _measure_with_progress(photos, chosen, reed, state)
    study = study_repeats(measurements, folder, include_reviewed)
    if not study.studies:
        show_left_out(make_console(stderr=True), study)
        _give_up(WRONG_USAGE, NO_REPEATS)
    if json:
        print(json_text(study))
    else:
        show_repeats(make_console(), study)
    if csv is not None:
        write_whole(csv, repeats_csv(study))
        if not json:
            typer.echo(f"Wrote {csv}")
    _exit_if_refused(measurements)


@app.command("limits")
@_in_words
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

    chosen = _settings(settings, ruler, tip_offset, workers)
    path = settings or settings_path()
    try:
        given = labelled_photos(paths)
        measurements = _measure_with_progress(list(given.labels), chosen)
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
@_in_words
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
@_in_words
def demo_command(
    out: Annotated[Path, typer.Option(metavar="DIR", help="The folder for the results.")] = Path(
        "aperture-demo"
    ),
) -> None:
    """Measure the photos that come with the program: eight reeds, dry and soaked."""
    from aperture import demo
    from aperture.screen import make_console, show
    from aperture.settings import Settings

    console = make_console()
    photos = demo.demo_photos()
    console.print(f"{demo.ABOUT}\nPhotos: {photos[0].parent}\n", markup=False)
    # The story is told with the default limits, whatever the user's own are.
    measurements = _measure_with_progress(photos, Settings())
    pairs = _pairs(measurements, Settings())
    show(console, measurements, pairs)
    console.print()
    _write(measurements, pairs, out / "demo.csv", out)
    console.print("\nThe story in short", style="bold")
    for sentence in demo.story(measurements, pairs):
        console.print(f"- {sentence}", markup=False)


@app.command("settings")
@_in_words
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


def _give_up(status: int, words: str) -> NoReturn:
    typer.echo(f"aperture: {words}", err=True)
    raise typer.Exit(status)


def _check_csv(path: Path | None) -> None:
    """Complain of a file that cannot be written before the work is done, not after it."""
    if path is not None and (path.is_dir() or not path.parent.is_dir()):
        raise typer.BadParameter(f"no file can be written at {path}", param_hint="--csv")


def _exit_if_refused(measurements: "Iterable[Measurement]") -> None:
    if any(measurement.outcome == "refused" for measurement in measurements):
        raise typer.Exit(SOME_REFUSED)


def _settings(
    path: Path | None, ruler: float | None, tip_offset: float | None, workers: int | None
) -> "Settings":
    """The settings file with the options laid over it; an impossible option names itself."""
    from aperture.card import printed_scale
    from aperture.settings import change_settings, load_settings

    settings = load_settings(path)
    changes: dict[str, Any] = {}
    if ruler is not None:
        changes["ruler_mm"] = ruler
    if tip_offset is not None:
        # Even a 0 was measured, if somebody says it.
        changes |= {"tip_offset_mm": tip_offset, "tip_offset_is_measured": True}
    if workers is not None:
        changes["workers"] = workers
    try:
        settings = change_settings(settings, changes)
    except SettingsError as error:
        raise typer.BadParameter(error.detail) from error
    printed_scale(settings.ruler_mm)  # refuses once what every photo would be refused for
    return settings


def _measure_with_progress(
    photos: Sequence[Path],
    settings: "Settings",
    reed: int | None = None,
    state: Literal["dry", "soaked"] | None = None,
    json: bool = False,
    budget: bool = False,
) -> "list[Measurement]":
    """Measure photos; with `json` print each result, or result and budget, as soon as it is there."""
    from aperture.batch import measure_all

    bar = not (json and sys.stdout.isatty())
    measurements = []
    results = measure_all(photos, settings, settings.workers, reed, state)
    for measurement in _with_progress("Measuring", results, len(photos), bar):
        if json and budget:
            from aperture.budget_page import json_line_with_budget

            print(json_line_with_budget(measurement, settings), flush=True)
        elif json:
            from aperture.report import json_line

            print(json_line(measurement), flush=True)
        measurements.append(measurement)
    return measurements


def _with_progress(what: str, steps: Iterable[Any], count: int, bar: bool = True) -> Iterator[Any]:
    """The same steps with a progress bar on standard error, if that is a terminal."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from aperture.screen import make_console

    console = make_console(stderr=True)
    progress = Progress(
        TextColumn(what),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        # Lines of JSON are not for the bar to rearrange, and where they are on the screen, no bar is needed.
        redirect_stdout=False,
        redirect_stderr=False,
        disable=not console.is_terminal or not bar,
    )
    with progress:
        yield from progress.track(steps, total=count)


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
        count = len(list(_with_progress("Drawing", pictures, len(measurements) + len(pairs))))
        if say:
            typer.echo(f"Wrote {count} pictures to {annotate}")
    if csv is not None:
        from aperture.report import csv_bytes, write_whole

        write_whole(csv, csv_bytes(measurements))
        if say:
            typer.echo(f"Wrote {csv}")
