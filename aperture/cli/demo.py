"""The command that plays the demo."""

from pathlib import Path
from typing import Annotated

import typer

from aperture.cli.book import show_term
from aperture.cli.desk import open_desk
from aperture.cli.measure import pairs_of, write_files
from aperture.cli.options import report_errors, with_progress


@report_errors
def demo_command(
    out: Annotated[Path, typer.Option(metavar="DIR", help="The folder for the results.")] = Path(
        "aperture-demo"
    ),
    desk: Annotated[bool, typer.Option("--desk", help="Open the filled book as a web page.")] = False,
) -> None:
    """Play a term with eight reeds: measure their photos, keep the reed book, write the return sheets."""
    from aperture import demo
    from aperture.book.store.ledger import Book
    from aperture.present.screen import make_console, show
    from aperture.settings import Settings

    console = make_console()
    photos, later = demo.demo_photos(), demo.later_photos()
    console.print(f"{demo.ABOUT}\nPhotos: {photos[0].parent}\n", markup=False)
    # The story is told with the default limits, whatever the user's own are.
    settings = Settings()
    path = out / "reed-book.sqlite3"
    demo.begin_again(path)
    with Book(path, create=True) as book:
        arrivals = with_progress("Measuring", demo.first_day(book, settings), len(photos))
        measurements = [arrival.measurement for arrival in arrivals if arrival.measurement is not None]
        pairs = pairs_of(measurements, settings)
        show(console, measurements, pairs)
        console.print()
        write_files(measurements, pairs, out / "demo.csv", out)
        console.print("\nThe first day in short", style="bold")
        for sentence in demo.story(measurements, pairs):
            console.print(f"- {sentence}", markup=False)
        for _ in with_progress("Weeks after", demo.rest_of_the_term(book, settings), len(later)):
            pass
        console.print("\nThe weeks after", style="bold")
        for sentence in demo.term_story(book.histories()):
            console.print(f"- {sentence}", markup=False)
        show_term(console, book, settings, demo.TODAY, out)
    console.print(f"\nGo on with it yourself: aperture reeds --book {path}", markup=False)
    if desk:
        open_desk(path, settings)
