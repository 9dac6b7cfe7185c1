"""The command that shows the guide's pages."""

import sys
from typing import Annotated

import typer

from aperture.cli.options import WRONG_USAGE, give_up, report_errors


@report_errors
def guide_command(
    name: Annotated[
        str | None, typer.Argument(metavar="[PAGE]", show_default=False, help="The page; none: list them.")
    ] = None,
) -> None:
    """Show a page of the guide, or list its pages."""
    from aperture.guide.pages import PAGES, page, pages

    if name is None:
        width = max(map(len, PAGES))
        for one in pages():
            _print(f"{one.name:<{width}}  {one.first}", width + 2)
        typer.echo("\nShow one with: aperture guide PAGE")
        return
    if name not in PAGES:
        give_up(WRONG_USAGE, f"the guide has no page {name!r}. Its pages: {', '.join(PAGES)}")
    text = page(name).text
    if not sys.stdout.isatty():
        typer.echo(text)
        return
    from rich.markdown import Markdown

    from aperture.present.screen import make_console

    make_console().print(Markdown(_for_a_terminal(text), hyperlinks=False))


def _for_a_terminal(text: str) -> str:
    """Links to other pages become the command that shows them, a picture what it shows."""
    import re

    text = re.sub(r"!\[([^\]]*)\]\([^)]*\)", r"*Picture: \1.*", text)
    return re.sub(r"\[([^\]]*)\]\(([\w-]+)\.md[^)]*\)", r"\1 (`aperture guide \2`)", text)


def _print(line: str, indent: int) -> None:
    """A line of the list, wrapped under its own text."""
    import shutil
    import textwrap

    width = min(shutil.get_terminal_size().columns, 110)
    typer.echo(textwrap.fill(line, max(width, 50), subsequent_indent=" " * indent))
