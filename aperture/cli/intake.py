"""What the command `intake` does with photos: take in those that are there, or those that come."""

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import typer

from aperture.cli.options import (
    SOME_REFUSED,
    STOPPED,
    give_up,
    open_book,
    scale_for_book,
    with_progress,
)

# Everything else is imported inside the functions, so that --help does not wait for image libraries.
if TYPE_CHECKING:
    from aperture.book.photos.intake import Arrival
    from aperture.book.store.records import Soaking
    from aperture.scale import Scale
    from aperture.settings import Settings


@dataclass(frozen=True)
class Intake:
    """What was said of photos to take in; the book is the user's own where `book` is None."""

    book: Path | None
    settings: "Settings"
    scale: "Scale"
    soaking: "Soaking"
    lot: str | None
    again: bool
    reed: int | None
    state: Literal["dry", "soaked"] | None

    def take(self, photos: list[Path], only_with_card: bool = False) -> "Iterator[Arrival]":
        """Take photos in; what became of each."""
        from aperture.book.photos.intake import take_in

        with open_book(self.book, create=True) as opened:
            yield from take_in(
                opened,
                photos,
                self.settings,
                self.soaking,
                self.lot,
                self.again,
                self.reed,
                self.state,
                only_with_card=only_with_card,
                scale=self.scale,
            )

    def check(self) -> None:
        """Say which printed scale counts; refuse a lot that the book does not have. Both before any photo."""
        with open_book(self.book, create=True) as opened:
            if self.lot is not None:
                opened.lot(self.lot)  # one that does not exist is said before the work, not after it
            scale_for_book(opened, self.settings, self.scale.ruler_mm, self.scale.tip_offset_mm)


def take_in_all(intake: Intake, photos: list[Path]) -> None:
    """Take in photos that are there; Ctrl-C keeps those that are in."""
    intake.check()
    arrivals: list[Arrival] = []
    stopped = False
    try:
        for arrival in with_progress("Taking in", intake.take(photos), len(photos)):
            arrivals.append(arrival)
    except KeyboardInterrupt:
        stopped = True
    _show(arrivals)
    if stopped:
        give_up(STOPPED, f"Stopped: {len(arrivals)} of {len(photos)} photos. Run it again for the rest.")
    _exit_if_needed(arrivals)


def watch_folder(intake: Intake, folder: Path) -> None:
    """Take in the photos of a folder, then those that come into it, until Ctrl-C or until it is gone."""
    from aperture.batch.arriving import arriving
    from aperture.book.photos.pictures import kept_among
    from aperture.book.present.book_screen import arrival_line
    from aperture.errors import BookError
    from aperture.flags import FLAGS

    intake.check()
    arrivals: list[Arrival] = []
    gone = None
    try:
        for photos in arriving(folder, threading.Event(), there=True):
            if not photos:
                typer.echo(f"Watching {folder}: photos are taken in as they come. Ctrl-C ends it.")
            copies = kept_among(photos)  # that a reed book keeps
            new = [photo for photo in photos if photo not in copies]
            for arrival in intake.take(new, only_with_card=True) if new else ():
                arrivals.append(arrival)
                typer.echo(arrival_line(arrival))
    except KeyboardInterrupt:
        typer.echo("")  # the terminal has written ^C
    except BookError as error:
        if error.code != "folder-gone":
            raise
        gone = f"{FLAGS[error.code].sentence} {error.detail}\n{FLAGS[error.code].advice}"
    if arrivals:
        _show(arrivals)
    else:
        typer.echo("No photo came.")
    if gone is not None:
        give_up(SOME_REFUSED, gone)
    _exit_if_needed(arrivals)


def _show(arrivals: "list[Arrival]") -> None:
    from aperture.book.present.book_screen import show_arrivals
    from aperture.present.screen import make_console

    show_arrivals(make_console(), arrivals)


def _exit_if_needed(arrivals: "list[Arrival]") -> None:
    if any(arrival.needs_attention for arrival in arrivals):
        raise typer.Exit(SOME_REFUSED)
