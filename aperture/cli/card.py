"""The command that writes the scale card to print."""

from pathlib import Path
from typing import Annotated

import typer

from aperture.cli.options import PaperToPrintOn, Replace, check_output, report_errors
from aperture.errors import SettingsError


@report_errors
def card_command(
    paper: PaperToPrintOn = "a4",
    out: Annotated[Path, typer.Option(metavar="PATH", help="A folder, or the PDF file to write.")] = Path(),
    png: Annotated[bool, typer.Option("--png", help="Also write a picture of it, for looking at.")] = False,
    first_reed: Annotated[int, typer.Option(metavar="N", min=1, help="The number on the first tag.")] = 1,
    replace: Replace = False,
) -> None:
    """Write the scale card and reed tags to print, as a PDF at true size."""
    from aperture.card.artwork import sheet_pdf, sheet_png
    from aperture.card.instructions import CARE, CHECK
    from aperture.files import write_whole

    is_file = out.suffix.lower() == ".pdf" and not out.is_dir()
    path = out if is_file else out / f"scale-card-{paper}.pdf"
    try:
        written = {path: sheet_pdf(paper, first_reed)}
        if png:
            written[path.with_suffix(".png")] = sheet_png(paper, first_reed=first_reed)
    except SettingsError as error:
        raise typer.BadParameter(error.detail) from error
    path.parent.mkdir(parents=True, exist_ok=True)
    for file, content in written.items():
        check_output(file, "--out", replace, content)
    for file, content in written.items():
        write_whole(file, content)
        typer.echo(f"Wrote {file}" + (" (for looking at, not for printing)" if file != path else ""))
    typer.echo("Print it at 100 % (“actual size”), never “fit to page”. Then check the print:")
    for words in (*CHECK, *CARE):
        typer.echo(f"- {words}")
