"""The command line put together: all commands, in the order of the help, and what a terminal cannot show."""

import sys
from typing import Annotated, NoReturn

import typer

from aperture import __version__
from aperture.cli.book import book_app
from aperture.cli.card import card_command
from aperture.cli.demo import demo_command
from aperture.cli.desk import desk_app
from aperture.cli.gauge import gauge_command
from aperture.cli.guide import guide_command
from aperture.cli.measure import measure_command
from aperture.cli.options import Sections
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
    app()
    sys.exit(0)
