"""A folder that is watched while the desk is open: photos that come into it are taken in by themselves."""

import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from aperture.batch.arriving import arriving
from aperture.book.photos.pictures import kept_among
from aperture.book.store.book_file import pictures_folder
from aperture.errors import BookError
from aperture.flags import FLAGS

# So many folders are offered; whoever has more types.
MOST_OFFERED = 40


def offered_folders() -> list[str]:
    """The folders of this user in which photos may come, to choose from."""
    try:
        home = Path.home()
        found = [one for one in home.iterdir() if not one.name.startswith(".") and one.is_dir()]
    except (OSError, RuntimeError):  # there is no home, or nobody may look
        return []
    return [str(one) for one in sorted(found)[:MOST_OFFERED]]


def why_not(folder: Path, book_path: Path) -> str | None:
    """Why a folder cannot be watched; None if it can."""
    if not folder.is_absolute():
        return "Write the whole way to it, as the file manager shows it."
    try:
        if not folder.is_dir():
            return "There is no such folder on this computer."
        whole, home, pictures = folder.resolve(), Path.home(), pictures_folder(book_path).resolve()
    except (OSError, RuntimeError, ValueError) as error:
        return f"It cannot be opened: {error}."
    if whole.parent == whole or whole in (home, *home.parents):
        return "That is too much to watch. Name the folder in it into which the photos come."
    if whole == pictures or pictures in whole.parents:
        return "There the reed book keeps its own pictures. Name the folder into which the photos come."
    return None


class FolderWatch:
    """Watches a folder in a thread of its own, from the beginning until `stop`, or until the folder is gone.

    Parameters
    ----------
    take : is given each photo that came, once it is complete.
    whole : whether a file can be read to its end.
    there : also those that are there already.
    changed : is called when it has begun or ended, or when a photo came.
    """

    def __init__(
        self,
        folder: Path,
        take: Callable[[Path], object],
        whole: Callable[[Path], bool],
        there: bool,
        changed: Callable[[], object],
    ) -> None:
        self.folder, self.began = folder, datetime.now()
        self.came = 0
        self.ended: str | None = None
        self._take, self._whole, self._there, self._changed = take, whole, there, changed
        self._stop = threading.Event()
        self._begun = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True, name="watches a folder")
        self._thread.start()

    def wait_until_begun(self, seconds: float) -> bool:
        """Wait until nothing that comes can be missed, or it has ended; whether that is so."""
        return self._begun.wait(seconds)

    def stop(self) -> None:
        """End it; photos that are on their way go on."""
        self._stop.set()
        self._thread.join(5.0)

    def _watch(self) -> None:
        try:
            for photos in arriving(self.folder, self._stop, self._whole, self._there):
                self._begun.set()
                copies = kept_among(photos)  # that a reed book keeps
                for photo in photos:
                    if photo not in copies:
                        self.came += 1
                        self._take(photo)
        except BookError as error:
            flag = FLAGS[error.code]
            self.ended = f"{flag.sentence} {flag.advice}"
        except OSError as error:
            self.ended = f"It cannot be watched: {error.strerror or error}."
        except Exception as error:  # the desk goes on, and the page says so
            self.ended = f"The program failed, and the fault is the program's. {type(error).__name__}"
        self._begun.set()
        self._changed()
