"""The command that plays the demo."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aperture.cli.book import show_term
from aperture.cli.desk import check_desk, missing_package, open_desk
from aperture.cli.measure import pairs_of, write_files
from aperture.cli.options import report_errors, with_progress

if TYPE_CHECKING:
    from rich.console import Console

OUT = Path("aperture-demo")


@report_errors
def demo_command(
    out: Annotated[Path, typer.Option(metavar="DIR", help="The folder for the results.")] = OUT,
    desk: Annotated[
        bool, typer.Option("--desk", help="Open the demo's book as a web page; play the demo if need be.")
    ] = False,
) -> None:
    """Play a term with eight reeds: measure their photos, keep the reed book, write the return sheets."""
    from aperture import demo
    from aperture.book.store.ledger import Book
    from aperture.cli.called import argument, program
    from aperture.present.screen import make_console, show
    from aperture.settings import Settings

    console = make_console()
    # The story is told with the default limits, whatever the user's own are.
    settings = Settings()
    path = out / "reed-book.sqlite3"
    again = "" if out == OUT else f" --out {argument(out)}"
    if desk:
        check_desk()
        if demo.is_whole(path):
            words = f"This is the demo's book, {path}. To begin it again: {program()} demo{again}"
            console.print(words, markup=False, soft_wrap=True)
            open_desk(path, settings)
            return
    photos, later = demo.demo_photos(), demo.later_photos()
    console.print(f"{demo.ABOUT}\nPhotos: {photos[0].parent}\n", markup=False)
    demo.begin_again(path)
    with Book(path, create=True) as book:
        arrivals = with_progress("Measuring", demo.first_day(book, settings), len(photos))
        measurements = [arrival.measurement for arrival in arrivals if arrival.measurement is not None]
        pairs = pairs_of(measurements, settings)
        show(console, measurements, pairs)
        console.print()
        write_files(measurements, pairs, out / "demo.csv", out, replace=True)
        console.print("\nThe first day in short", style="bold")
        for sentence in demo.story(measurements, pairs):
            console.print(f"- {sentence}", markup=False)
        for _ in with_progress("Weeks after", demo.rest_of_the_term(book, settings), len(later)):
            pass
        console.print("\nThe weeks after", style="bold")
        for sentence in demo.term_story(book.histories()):
            console.print(f"- {sentence}", markup=False)
        show_term(console, book, settings, demo.TODAY, out)
    demo.end(path)
    _say_what_next(console, out / demo.PICTURE, path, again)
    if desk:
        open_desk(path, settings)


def _say_what_next(console: "Console", picture: Path, book: Path, again: str) -> None:
    """What can be done with the demo now; each line of it can be typed as it stands."""
    from aperture.cli.called import argument, installer, program

    steps = [("Open a picture:", [str(picture)])]
    desk = [f"{program()} demo --desk{again}"]
    if missing_package():
        desk.insert(0, f"{installer()} install '.[desk]'")
    steps.append(("See the book as pages; under Review photos wait for your eyes:", desk))
    steps.append(("See in the terminal what is due:", [f"{program()} due --book {argument(book)}"]))
    steps.append(("Begin with your own reeds: print the card.", [f"{program()} card"]))
    console.print("\nWhat to do next", style="bold")
    for words, typed in steps:
        console.print(f"  {words}", markup=False)
        for line in typed:
            # However long, on one line: what a terminal breaks is not copied whole.
            console.print(f"    {line}", markup=False, soft_wrap=True)
