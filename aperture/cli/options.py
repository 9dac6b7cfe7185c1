"""What the commands share: options, settings, progress, and errors as sentences."""

import functools
import os
import stat
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn

import typer
from typer.core import TyperGroup

from aperture.card.paper import Paper
from aperture.errors import ApertureError, SettingsError

# Everything else is imported inside the functions, so that --help does not wait for image libraries.
if TYPE_CHECKING:
    from aperture.book.store.ledger import Book
    from aperture.measure import Measurement
    from aperture.settings import Settings

# Characters; what a command does is said in one sentence.
LONGEST_HELP = 200

SOME_REFUSED, WRONG_USAGE, FAILED, STOPPED = 3, 2, 1, 130

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
PaperToPrintOn = Annotated[Paper, typer.Option("--paper", help="The paper to print on.")]
SettingsFile = Annotated[
    Path | None, typer.Option("--settings", metavar="FILE", help="Use this settings file, not your own.")
]
Workers = Annotated[
    int | None,
    typer.Option(
        "--workers", metavar="N", min=0, help="Photos measured at the same time; 0: all processors."
    ),
]
Cluster = Annotated[
    str | None,
    typer.Option(
        "--cluster", metavar="ADDRESS", help="Measure on the Dask cluster whose scheduler is at this address."
    ),
]

BookFile = Annotated[
    Path | None,
    typer.Option(
        "--book", metavar="FILE", help="The reed book; else $APERTURE_BOOK, else one in your data folder."
    ),
]
Replace = Annotated[
    bool, typer.Option("--replace", help="Replace what is there already; else such a file is left.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON object, and nothing else.")]
AsJsonLines = Annotated[
    bool, typer.Option("--json", help="Print one JSON object per photo, one per line, and nothing else.")
]
IncludeReviewed = Annotated[
    bool, typer.Option("--include-reviewed", help="Count photos, too, that need a look first.")
]
ReedNumber = Annotated[int, typer.Argument(metavar="REED", min=1, help="The reed's number.")]

Seconds = Annotated[
    float | None, typer.Option("--seconds", metavar="N", help="How long what was soaked was soaked.")
]
WaterOption = Annotated[
    Literal["cold", "room", "warm"] | None, typer.Option("--water", help="How warm the water was.")
]
WettedOption = Annotated[
    Literal["water", "mouth"] | None, typer.Option("--wetted", help="Where it was wetted.")
]
AgeOption = Annotated[
    Literal["new", "old"] | None, typer.Option("--age", help="Whether it was new or had been played in.")
]


class Sections(TyperGroup):
    """Lists the commands in the help under the headings that they have.

    Typer does so, too, but with rich and all that belongs to it, which takes longer than all the rest.
    """

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        sections: dict[str, list[tuple[str, str]]] = {}
        for name in self.list_commands(ctx):
            command: Any = self.get_command(ctx, name)
            words = command.get_short_help_str(limit=LONGEST_HELP)
            sections.setdefault(command.rich_help_panel or "Commands", []).append((name, words))
        for heading, rows in sections.items():
            with formatter.section(heading):
                formatter.write_dl(rows)


def report_errors(command: Callable[..., None]) -> Callable[..., None]:
    """Whatever goes wrong in the command ends in words and an exit status, never in a traceback."""

    @functools.wraps(command)
    def guarded(*args: Any, **options: Any) -> None:
        _check_text(options)
        try:
            command(*args, **options)
        # How typer ends a command; and who reads the output may have seen enough.
        except (typer.Exit, typer.Abort, typer.BadParameter, BrokenPipeError):
            raise
        except ApertureError as error:
            from aperture.flags import FLAGS

            flag = FLAGS[error.code]
            give_up(WRONG_USAGE, f"{flag.sentence} {error.detail}\n{flag.advice}")
        except KeyboardInterrupt:
            give_up(STOPPED, "Stopped.")
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            give_up(WRONG_USAGE, f"{where}{error.strerror or error}")
        except Exception as error:
            if "book" in options and (trouble := _trouble_with_book(options["book"])):
                from aperture.flags import FLAGS

                flag = FLAGS["book-damaged"]
                give_up(WRONG_USAGE, f"{flag.sentence} {trouble}\n{flag.advice}")
            blame = "The program failed, and the fault is the program's."
            give_up(FAILED, f"{blame} {type(error).__name__}: {error}")

    return guarded


def _check_text(options: dict[str, Any]) -> None:
    """Complain of an option that is no text; the name of a file may be any bytes."""
    for name, value in options.items():
        if isinstance(value, str):
            try:
                value.encode()
            except UnicodeEncodeError as error:
                raise typer.BadParameter("that is no text in UTF-8", param_hint=name) from error


def _trouble_with_book(path: Path | None) -> str | None:
    """What is wrong with the book on which a command failed: then it is not the program's fault."""
    try:
        with open_book(path) as book:
            return next(iter(book.integrity_errors()), None)
    except ApertureError as error:
        return error.detail if error.code == "book-damaged" else None


def give_up(status: int, words: str) -> NoReturn:
    typer.echo(f"aperture: {words}", err=True)
    raise typer.Exit(status)


def chosen_settings(
    path: Path | None, ruler: float | None, tip_offset: float | None, workers: int | None
) -> "Settings":
    """The settings file with the options laid over it; an impossible option names itself."""
    from aperture.card.geometry import printed_scale
    from aperture.scale import Scale
    from aperture.settings import change_settings, load_settings

    settings = load_settings(path)
    changes = {"workers": workers} if workers is not None else {}
    try:
        settings = Scale(ruler, tip_offset).over(change_settings(settings, changes))
    except SettingsError as error:
        raise typer.BadParameter(error.detail) from error
    printed_scale(settings.ruler_mm)  # refuses once what every photo would be refused for
    return settings


def scale_for_book(
    opened: "Book", settings: "Settings", ruler: float | None, tip_offset: float | None
) -> "Settings":
    """The settings with what the book knows of its card and, over that, the options; says which count."""
    from aperture.book.photos.card_in_use import with_card
    from aperture.present.report import printable
    from aperture.scale import Scale, scale_of, scale_words

    cards = opened.cards()
    chosen = Scale(ruler, tip_offset).over(with_card(opened, settings))
    if cards:
        words = f"Printed scale: {scale_words(scale_of(chosen))}."
        if ruler is not None or tip_offset is not None:
            name, since = cards[-1].name, f"{cards[-1].said_at:%Y-%m-%d}"
            words += f" The options count, not what the book says of card {name} since {since}."
        typer.echo(printable(words), err=True)
    return chosen


def name_correction(settings: "Settings") -> None:
    """Say that the heights of a study are corrected, if they are."""
    if settings.correction.applies:
        from dataclasses import asdict

        from aperture.correction import correction_words
        from aperture.present.report import printable

        typer.echo(printable(f"Every height is corrected: {correction_words(asdict(settings.correction))}."))


def measure_with_progress(
    photos: Sequence[str | Path],
    settings: "Settings",
    reed: int | None = None,
    state: Literal["dry", "soaked"] | None = None,
    json: bool = False,
    budget: bool = False,
    cluster: str | None = None,
) -> "Iterator[Measurement]":
    """Measure photos; with `json` print each result, or result and budget, as soon as it is there."""
    from aperture.batch.measuring import measure_all

    bar = not (json and sys.stdout.isatty())
    results = measure_all(photos, settings, settings.workers, reed, state, cluster)
    for measurement in with_progress("Measuring", results, len(photos), bar):
        if json and budget:
            from aperture.present.budget_page import json_line_with_budget

            print(json_line_with_budget(measurement, settings), flush=True)
        elif json:
            from aperture.present.report import json_line

            print(json_line(measurement), flush=True)
        yield measurement


def with_progress(what: str, steps: Iterable[Any], count: int, bar: bool = True) -> Iterator[Any]:
    """The same steps with a progress bar on standard error, if that is a terminal."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from aperture.present.screen import make_console, time_left_column

    console = make_console(stderr=True)
    progress = Progress(
        TextColumn(what),
        BarColumn(),
        MofNCompleteColumn(),
        time_left_column(),
        console=console,
        transient=True,
        # Lines of JSON are not for the bar to rearrange, and where they are on the screen, no bar is needed.
        redirect_stdout=False,
        redirect_stderr=False,
        disable=not console.is_terminal or not bar,
    )
    with progress:
        yield from progress.track(steps, total=count)


def open_book(path: Path | None, create: bool = False) -> "Book":
    """The book that is meant, open; with `create` a new one where there is none."""
    from aperture.book.store.book_file import book_path
    from aperture.book.store.ledger import Book
    from aperture.collecting import collect_rarely

    collect_rarely()
    return Book(book_path(path), create)


def check_csv(path: Path | None) -> None:
    """Complain of a file that cannot be written before the work is done, not after it."""
    if path is not None and (path.is_dir() or not path.parent.is_dir()):
        raise typer.BadParameter(f"no file can be written at {path}", param_hint="--csv")


def check_output(path: Path | None, option: str, replace: bool, content: bytes | None = None) -> None:
    """Complain of a file that cannot or may not be written, before the work is done and not after it.

    Parameters
    ----------
    path : the file that was named; one that is there is somebody's, and may be replaced only with `replace`.
    option : that named it.
    content : what is to be written, if it is known: a file that is the same already may stay.
    """
    if path is None or _is_standard_output(path):
        return
    why = None
    if path.is_dir():
        why = f"no file can be written at {path}: it is a folder; name a file in it"
    elif not path.parent.is_dir():
        why = f"no file can be written at {path}: there is no folder {path.parent}; make it first"
    elif path.exists() and not (path.is_file() or stat.S_ISFIFO(path.stat().st_mode)):
        why = f"no file can be written at {path}: it is a device; name a file"
    elif path.is_file() and not replace and (content is None or path.read_bytes() != content):
        why = f"{path} is there already, and is left as it is; name another file, or add --replace"
    if why is not None:
        raise typer.BadParameter(why, param_hint=option)


def _is_standard_output(path: Path) -> bool:
    """Whether that is where everything is printed, as /dev/stdout is."""
    with suppress(OSError, ValueError):
        return os.path.samestat(path.stat(), os.fstat(sys.stdout.fileno()))
    return False


def without_kept(found: Sequence[Any], named: Iterable[str | Path]) -> list[Any]:
    """Photos that were found, without the pictures that a reed book keeps; says once how many those are.

    Who names such a picture means it; in a folder it is no new photo, but a copy of one. Files that were left
    out because they are called like this program's pictures, and are none, are said, too.
    """
    from aperture.book.photos.pictures import kept_among

    meant = {Path(one) for one in named}
    kept = kept_among(photo for photo in found if isinstance(photo, Path) and photo not in meant)
    if kept:
        pictures = "picture" if len(kept) == 1 else "pictures"
        typer.echo(f"Left out {len(kept)} {pictures} that a reed book keeps.", err=True)
    _say_passed_over(meant)
    return [photo for photo in found if photo not in kept]


def _say_passed_over(paths: Iterable[Path]) -> None:
    """Say which files of these folders were left out for their names, unless this program has drawn them."""
    from aperture.batch.photo_files import ANNOTATED, PAIRED, called_like_drawings
    from aperture.present.own_pictures import is_as_drawn

    for path in called_like_drawings(paths):
        if not is_as_drawn(path):
            typer.echo(
                f"Passed over {path}: names that end in {ANNOTATED} or {PAIRED} are those of the pictures"
                " that this program draws. If it is a photo, give it another name.",
                err=True,
            )


def exit_if_refused(measurements: "Iterable[Measurement]") -> None:
    if any(measurement.outcome == "refused" for measurement in measurements):
        raise typer.Exit(SOME_REFUSED)
