"""The desk's command: it reads options, opens the desk, prints where it is."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aperture.cli.options import WRONG_USAGE, BookFile, SettingsFile, chosen_settings, give_up, report_errors

if TYPE_CHECKING:
    from aperture.settings import Settings

PORT = 8377

desk_app = typer.Typer()


@desk_app.command("desk", rich_help_panel="The reed book")
@report_errors
def desk_command(
    port: Annotated[
        int, typer.Option("--port", metavar="N", min=0, max=65535, help="Where to listen; 0: any free port.")
    ] = PORT,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Whether to open the page in the browser.")
    ] = True,
    lan: Annotated[
        bool, typer.Option("--lan", help="Also let in a phone of this network that scans the code.")
    ] = False,
    settings: SettingsFile = None,
    book: BookFile = None,
) -> None:
    """Open the reed book as a web page on this computer; with --lan a phone can be the camera."""
    from aperture.book.store.book_file import book_path

    open_desk(book_path(book), chosen_settings(settings, None, None, None), port, lan, browser)


def open_desk(
    book: Path, settings: "Settings", port: int = PORT, lan: bool = False, browser: bool = True
) -> None:
    """Run the desk, or say which packages it needs."""
    try:
        from aperture.desk.server import run
    except ModuleNotFoundError as error:
        give_up(WRONG_USAGE, f"the desk needs {error.name}: .venv/bin/pip install '.[desk]'")
    run(book, settings, port, lan, browser, typer.echo)
