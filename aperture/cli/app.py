"""The command line put together: all commands, in the order of the help, and what a terminal cannot show."""

import os
import sys
from typing import Annotated, NoReturn

import typer

from aperture import __version__
from aperture.cli.book import book_app
from aperture.cli.card import card_command
from aperture.cli.compare import compare_command
from aperture.cli.demo import demo_command
from aperture.cli.desk import desk_app
from aperture.cli.gauge import gauge_command
from aperture.cli.guide import guide_command
from aperture.cli.measure import measure_command
from aperture.cli.options import WRONG_USAGE, Sections
from aperture.cli.settings import settings_command
from aperture.cli.studies import limits_command, repeat_command

# What a command needs is imported inside it, so that --help does not wait for image libraries.
app = typer.Typer(
    help="Measures the opening of an oboe reed's tip from an end-on photo against a printed scale card.",
    cls=Sections,
    rich_markup_mode=None,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

for name, command in {
    "measure": measure_command,
    "repeat": repeat_command,
    "limits": limits_command,
    "compare": compare_command,
    "gauge": gauge_command,
    "card": card_command,
    "demo": demo_command,
    "settings": settings_command,
    "guide": guide_command,
}.items():
    app.command(name)(command)
app.add_typer(book_app)
app.add_typer(desk_app)


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


def main() -> NoReturn:
    """The command's entry point: no traceback reaches the user."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a character gets a question mark, not an error.
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    try:
        try:
            app()
        finally:
            sys.stdout.flush()  # what cannot be written is said here, not by Python when it has ended
    except OSError as error:
        # Whatever is still to be written has somewhere to go.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if not isinstance(error, BrokenPipeError):  # who reads a pipe may have seen enough
            typer.echo(f"aperture: the output cannot be written: {error.strerror or error}", err=True)
        sys.exit(WRONG_USAGE)
    sys.exit(0)
