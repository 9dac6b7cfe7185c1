"""Taking a photo into the book in a process of its own, so that no photo can stop the desk."""

import os
import threading
from concurrent.futures import Future, ProcessPoolExecutor, TimeoutError
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from pathlib import Path, PurePosixPath

from aperture.card import Face
from aperture.settings import Settings

# A photo takes two seconds on a slow laptop; one that takes this long would take for ever.
PATIENCE_SECONDS = 60.0


@dataclass(frozen=True)
class Order:
    """A photo to take in: where it lies, what it was called, and what was said of it.

    `name` is its file's name, and before that the folders around it, if they are known, with "/" between.
    """

    book_path: Path
    photo: Path
    name: str
    settings: Settings
    reed: int | None = None
    state: Face | None = None
    lot: str | None = None
    seconds: float | None = None


@dataclass(frozen=True)
class Done:
    """What became of a photo: `what` as in `intake.Arrival`, or "failed"; its hash, if the book has it."""

    what: str
    sha256: str | None
    why: str | None


class Worker:
    """One process that is warm and waits for photos. Use it in a `with` block, or call `close`."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pool = self._new_pool()

    def take(self, order: Order) -> Done:
        """Take a photo in, waiting for those that came before it."""
        with self._lock:
            try:
                task: Future[Done] = self._pool.submit(take_one, order)
                return task.result(PATIENCE_SECONDS)
            except TimeoutError:
                self._begin_anew()
                return Done("failed", None, "It took too long.")
            except BrokenProcessPool:
                self._begin_anew()
                return Done("failed", None, "The program failed on this photo.")

    def close(self) -> None:
        """End the process."""
        for process in list((self._pool._processes or {}).values()):
            with suppress(OSError):
                process.kill()
        self._pool.shutdown(wait=False, cancel_futures=True)

    def __enter__(self) -> "Worker":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _begin_anew(self) -> None:
        self.close()
        self._pool = self._new_pool()

    @staticmethod
    def _new_pool() -> ProcessPoolExecutor:
        pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
        pool.submit(_warm_up)
        return pool


def take_one(order: Order) -> Done:
    """Take one photo into the book."""
    from aperture.book.intake import take_in
    from aperture.book.ledger import Book
    from aperture.book.records import Soaking
    from aperture.errors import BookError

    try:
        with Book(order.book_path, create=True) as book:
            (arrival,) = take_in(
                book,
                [order.photo],
                order.settings,
                Soaking(seconds=order.seconds),
                order.lot,
                reed=order.reed,
                state=order.state,
                names={order.photo: PurePosixPath(order.name)},
            )
            return Done(arrival.what, arrival.sha256, arrival.why)
    except BookError as error:
        from aperture.flags import FLAGS

        return Done("failed", None, f"{FLAGS[error.code].sentence} {error.detail}")


def _warm_up() -> None:
    """Import what measuring needs, and set the threads; see to it that the process ends with the desk."""
    import signal

    threading.Thread(target=_end_with_the_desk, daemon=True).start()

    import cv2

    import aperture.annotate
    import aperture.book.intake  # noqa: F401

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)


def _end_with_the_desk() -> None:
    """However the desk ends, even if its window is closed or it is killed, nothing of it stays behind."""
    desk = parent_process()
    if desk is not None:
        desk.join()
        os._exit(1)
