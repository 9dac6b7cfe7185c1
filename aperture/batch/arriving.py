"""Photos that come into a folder by themselves, each as soon as all of it is there."""

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from aperture.batch.photo_files import by_name, is_called_like_a_photo, photos_in
from aperture.errors import BookError, PhotoError

# A program that copies a file writes on within this time; so long its size and its time must stand still.
STILL_SECONDS = 1.0
# A file that stands still and still cannot be read may be a copy that waits for the network; after so long it
# is handed on as it is, so that somebody hears of it.
PATIENCE_SECONDS = 60.0
# Drives of a network do not always tell what came: so often the folder is looked through.
LOOK_THROUGH_SECONDS = 60.0
# How long to wait for news of the folder before looking at files that stood still.
TICK_MS = 500
# What a photo of which half is there is taken for.
_UNFINISHED = frozenset({"file-empty", "file-missing", "file-unreadable", "not-a-photo", "photo-damaged"})


def is_whole(photo: Path) -> bool:
    """Whether a file can be read as a photo from its beginning to its end, or never will be one."""
    from aperture.photo import read_photo

    try:
        read_photo(photo)
    except PhotoError as error:
        return error.code not in _UNFINISHED
    return True


# What changes when somebody writes to a file, or puts another one in its place.
_Mark = tuple[int, int, int]


@dataclass
class _Look:
    mark: _Mark
    since: float
    tried: bool = False


class Settling:
    """Files that came and may still grow.

    Parameters
    ----------
    whole : whether a file can be read to its end; it is asked once, and again when the file has changed.
    clock : seconds that only go on.
    """

    def __init__(self, whole: Callable[[Path], bool], clock: Callable[[], float] = time.monotonic) -> None:
        self._whole, self._clock = whole, clock
        self._looks: dict[Path, _Look] = {}
        self._told: dict[Path, _Mark] = {}

    def pass_over(self, photos: Iterable[Path]) -> None:
        """These were there before: only what changes from now on counts."""
        for photo in photos:
            mark = _mark(photo)
            if mark is not None:
                self._told[photo] = mark

    def notice(self, photos: Iterable[Path]) -> None:
        """These are there: what is new of them, or has changed, is waited for."""
        for photo in photos:
            mark = _mark(photo)
            if mark is None or self._told.get(photo) == mark:
                continue
            look = self._looks.get(photo)
            if look is None or look.mark != mark:
                self._looks[photo] = _Look(mark, self._clock())

    def ready(self) -> list[Path]:
        """Those that are complete by now, by their names; each once, and again when it has changed."""
        self.notice(list(self._looks))
        done = [photo for photo, look in list(self._looks.items()) if self._is_ready(photo, look)]
        for photo in done:
            self._told[photo] = self._looks.pop(photo).mark
        return sorted(done, key=by_name)

    def _is_ready(self, photo: Path, look: _Look) -> bool:
        if _mark(photo) is None:  # gone again: a copy that was given up, or another name now
            del self._looks[photo]
            return False
        stood = self._clock() - look.since
        if stood < STILL_SECONDS:
            return False
        if stood >= PATIENCE_SECONDS:
            return True
        if look.tried:
            return False
        look.tried = True
        # Who wrote meanwhile has not finished.
        return self._whole(photo) and _mark(photo) == look.mark


def arriving(
    folder: Path, stop: threading.Event, whole: Callable[[Path], bool] = is_whole, there: bool = False
) -> Iterator[list[Path]]:
    """The photos that come into a folder and the folders in it, a few at a time, until `stop` is set.

    Parameters
    ----------
    stop : ends it.
    whole : whether a file can be read to its end.
    there : also those that are there already, first.

    Yields
    ------
    Photos that are complete, by their names; an empty list first, once nothing that comes can be missed.

    Raises
    ------
    BookError : "folder-gone", the folder is not there, or not any more.
    """
    folder = folder.resolve()  # so that what is told of begins with it
    settling = Settling(whole)
    known = _identity(folder)
    if not there:
        settling.pass_over(photos_in([folder]))
    begun = False
    while not stop.is_set():
        looked = float("-inf")
        for changes in _news(folder, stop):
            if _identity(folder) != known:
                break
            settling.notice(_photos_of(folder, (Path(path) for _, path in changes)))
            if time.monotonic() - looked >= LOOK_THROUGH_SECONDS:
                settling.notice(photos_in([folder]))
                looked = time.monotonic()
            if not begun:
                begun = True
                yield []
            if ready := settling.ready():
                yield ready
        # Another folder has taken its place.
        known = _identity(folder)


def _news(folder: Path, stop: threading.Event) -> Iterator[set[tuple[Any, str]]]:
    """What changed in a folder, again and again; nothing, where nothing did for a while."""
    from watchfiles import watch

    try:
        yield from watch(
            folder,
            watch_filter=None,
            rust_timeout=TICK_MS,
            yield_on_timeout=True,
            stop_event=stop,
            ignore_permission_denied=True,
        )
    except FileNotFoundError as error:
        raise BookError("folder-gone", str(folder)) from error


def _photos_of(folder: Path, changed: Iterable[Path]) -> Iterator[Path]:
    """The photos that changes were about: a folder that was moved here brings all that are in it."""
    for path in changed:
        if any(part.startswith(".") for part in path.relative_to(folder).parts):
            continue  # where programs keep what is not finished, or thrown away
        if path.is_dir():
            yield from photos_in([path])
        elif is_called_like_a_photo(path.name):
            yield path


def _identity(folder: Path) -> tuple[int, int]:
    try:
        found = folder.stat()
    except OSError as error:
        raise BookError("folder-gone", str(folder)) from error
    return found.st_dev, found.st_ino


def _mark(photo: Path) -> _Mark | None:
    try:
        found = photo.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino
