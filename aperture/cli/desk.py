"""The desk's command: it reads options, opens the desk, prints where it is."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aperture.cli.called import installer
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


def check_desk() -> None:
    """Say, and end, if packages that the desk needs are not installed."""
    if missing := missing_package():
        give_up(WRONG_USAGE, f"the desk needs {missing}: {installer()} install '.[desk]'")


def missing_package() -> str | None:
    """A package that the desk needs and that is not installed; None if all are there."""
    try:
        import aperture.desk.server  # noqa: F401
    except ModuleNotFoundError as error:
        return error.name
    return None


def open_desk(
    book: Path, settings: "Settings", port: int = PORT, lan: bool = False, browser: bool = True
) -> None:
    """Run the desk, or say which packages it needs."""
    check_desk()
    from aperture.desk.server import run

    run(book, settings, port, lan, browser, typer.echo)
