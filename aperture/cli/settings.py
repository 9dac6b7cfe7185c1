"""The command that shows the settings, and writes their file."""

from typing import Annotated

import typer

from aperture.cli.options import report_errors


@report_errors
def settings_command(
    write: Annotated[bool, typer.Option("--write", help="Create the file, unless it exists.")] = False,
) -> None:
    """Show where your settings file is, and every setting with its default value and meaning."""
    from aperture.files import write_whole
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
