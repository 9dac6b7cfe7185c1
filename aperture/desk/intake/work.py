"""Taking a photo into the book in a process of its own, so that no photo can stop the desk."""

import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor, TimeoutError
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from hashlib import sha256
from importlib import import_module
from io import BytesIO
from multiprocessing import get_context, parent_process
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, TypeVar

from aperture.card.geometry import Face
from aperture.desk.intake.small import small_picture
from aperture.settings import Settings

if TYPE_CHECKING:
    from aperture.book.photos.intake import Taken
    from aperture.errors import BookError

# What a photo needs on its way into the book is imported in many places, only when it is used. A test looks
# whether the first photo imports anything that is not here.
_NEEDED = (
    "aperture.book.photos.intake",
    "filelock",
    "pi_heif",
    "scipy.fft",
    "scipy.integrate",
    "scipy.ndimage",
    "scipy.optimize",
    "scipy.spatial.distance",
    "scipy.special",
    "skimage.measure.fit",
    "sqlite_utils",
    "threadpoolctl",
)
# A photo takes two seconds on a slow laptop; one that takes this long would take for ever.
PHOTO_TIMEOUT_SECONDS = 60.0


@dataclass(frozen=True)
class Order:
    """A photo to take in: where it lies, what it was called, and what was said of it.

    `name` is its file's name, and before that the folders around it, if they are known, with "/" between.
    `seconds_of` is the number of the only reed whose `seconds` they are; None if they are anyone's.
    `only_with_card`: a photo in which no card is seen is not kept.
    """

    book_path: Path
    photo: Path
    name: str
    settings: Settings
    reed: int | None = None
    state: Face | None = None
    lot: str | None = None
    seconds: float | None = None
    seconds_of: int | None = None
    only_with_card: bool = False


@dataclass(frozen=True)
class GaugeOrder:
    """A photo of a gauge to check with: where it lies, what it was called, what was said of it."""

    book_path: Path
    photo: Path
    name: str
    settings: Settings
    sheets: int
    ream_mm: float


@dataclass(frozen=True)
class Done:
    """What became of a photo: `what` as in `intake.Arrival`, or "failed"; its hash, if the book has it.

    `code` is the flag for which it was not taken in, where there is one. `small` is a small picture of the
    photo, where the book has no outlined tip to know it by.
    """

    what: str
    sha256: str | None
    why: str | None
    code: str | None = None
    small: bytes | None = None


@dataclass(frozen=True)
class Measured:
    """A photo that was measured and is to be entered, with its small picture, as in `Done`.

    `settings` are those it was measured with: the order's, and what the book knows of the printed card.
    """

    taken: "Taken"
    settings: Settings
    small: bytes | None


# Waits until it is a photo's turn.
Turn = Callable[[], object]
Given = TypeVar("Given")
Result = TypeVar("Result")

_CLOSED = Done("failed", None, "The desk was closed. Open it again on the laptop.")


class Worker:
    """One process that is warm and waits for photos. Use it in a `with` block, or call `close`."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._closed = False
        self._pool = self._new_pool()

    def take(self, order: Order | GaugeOrder, turn: Turn | None = None) -> Done:
        """Take a photo in, or check one of a gauge, waiting for those that came before it.

        Parameters
        ----------
        turn : is called once the photo is measured, and waits until it may be entered; None for at once.
        """
        if isinstance(order, GaugeOrder):
            return self._do(_check_one, order)
        measured = self._do(measure_one, order)
        if isinstance(measured, Done):
            return measured
        if turn is not None:
            turn()
        return enter_one(order, measured)

    def is_whole(self, photo: Path) -> bool:
        """Whether a file can be read as a photo from its beginning to its end."""
        whole = self._do(is_whole, photo)
        # Of a file that ends the process, taking it in says so.
        return whole if isinstance(whole, bool) else True

    def _do(self, task: Callable[[Given], Result], given: Given) -> Result | Done:
        """Do something with a photo in the process."""
        with self._lock:
            if self._closed:
                return _CLOSED
            try:
                doing: Future[Result] = self._pool.submit(task, given)
                return doing.result(PHOTO_TIMEOUT_SECONDS)
            except TimeoutError:
                self._begin_again()
                return Done("failed", None, "It took too long. Take the photo again.")
            except (RuntimeError, CancelledError) as error:
                if self._closed:
                    return _CLOSED
                if not isinstance(error, BrokenProcessPool):
                    raise
                self._begin_again()
                return Done("failed", None, "The program failed on this photo. Take it again.")

    def close(self) -> None:
        """End the process, and with it the photo that it may be at."""
        self._closed = True
        self._end()

    def _end(self) -> None:
        for process in list((self._pool._processes or {}).values()):
            with suppress(OSError):
                process.kill()
        self._pool.shutdown(wait=False, cancel_futures=True)

    def __enter__(self) -> "Worker":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _begin_again(self) -> None:
        self._end()
        self._pool = self._new_pool()

    @staticmethod
    def _new_pool() -> ProcessPoolExecutor:
        pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
        with _deaf_to_ctrl_c():
            pool.submit(_warm_up)
        return pool


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """A process that is started meanwhile never hears Ctrl-C, which a terminal sends to all.

    It inherits what its thread does not hear. On Windows, which has no such thing, it hears it until it is
    warm.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def measure_one(order: Order) -> Measured | Done:
    """Measure a photo and keep its picture; writes nothing into the book. Done if that has it already."""
    from aperture.book.photos.card_in_use import with_card
    from aperture.book.photos.intake import known_photo, measure_and_keep
    from aperture.book.photos.pictures import is_called_kept, is_kept_copy
    from aperture.book.store.book_file import report_errors
    from aperture.book.store.ledger import Book
    from aperture.errors import BookError

    name = PurePosixPath(order.name)
    if is_called_kept(name) and is_kept_copy(name, sha256(order.photo.read_bytes()).hexdigest()):
        return Done("known", None, "It is a picture that a reed book keeps, and no new photo.")
    try:
        with Book(order.book_path, create=True) as book:
            if order.lot is not None:
                book.lot(order.lot)  # a lot that does not exist is said before the work, not after it
            known = known_photo(book, order.photo)
            if known is not None:
                reading = book.entry(known).reading
                has_tip = reading.measured and reading.tip is not None
                return Done(
                    "known", known.sha256, None, small=None if has_tip else small_picture(order.photo)
                )
            settings, pictures = with_card(book, order.settings), book.pictures
        with report_errors(pictures):
            taken = measure_and_keep(
                order.photo,
                settings,
                pictures,
                order.reed,
                order.state,
                {order.photo: Path("/", order.name)},
                order.only_with_card,
            )
    except BookError as error:
        return book_refuses(error)
    has_tip = taken.tip is not None and taken.measurement.outcome == "measured"
    return Measured(taken, settings, None if has_tip or taken.kept is None else small_picture(order.photo))


def enter_one(order: Order, measured: Measured) -> Done:
    """Enter what was measured into the book; of photos of one import in the order in which they came."""
    from aperture.book.photos.intake import enter
    from aperture.book.store.ledger import Book
    from aperture.book.store.records import Soaking
    from aperture.errors import BookError

    name = PurePosixPath(order.name).name
    soaking = Soaking(seconds=order.seconds)
    try:
        with Book(order.book_path, create=True) as book:
            arrival = enter(
                book,
                order.photo,
                name,
                measured.taken,
                measured.settings,
                soaking,
                order.lot,
                order.seconds_of,
            )
    except BookError as error:
        return book_refuses(error)
    why, code = arrival.why, None
    if arrival.what == "not taken in" and arrival.measurement is not None:
        why = f"{why} {arrival.measurement.advice}"
        code = next(iter(arrival.measurement.flags), None)
    return Done(arrival.what, arrival.sha256, why, code, measured.small)


def is_whole(photo: Path) -> bool:
    """Whether a file can be read as a photo from its beginning to its end."""
    from aperture.batch.arriving import is_whole

    return is_whole(photo)


def book_refuses(error: "BookError") -> Done:
    """A photo that was not taken in, because of what is wrong with the book."""
    from aperture.flags import FLAGS

    flag = FLAGS[error.code]
    return Done("failed", None, f"{flag.sentence} {error.detail}. {flag.advice}", error.code)


def _check_one(order: GaugeOrder) -> Done:
    """Check one photo of a gauge: "agrees", "does not agree", or "refused" with why."""
    from dataclasses import replace

    from aperture.book.photos.card_in_use import with_card
    from aperture.book.store.ledger import Book
    from aperture.studies.gauge import check_gauge

    with Book(order.book_path, create=True) as book:
        settings = with_card(book, order.settings)
    check = replace(check_gauge(order.photo, order.sheets, order.ream_mm, settings), photo=order.name)
    if check.agrees is None:
        return Done("refused", check.sha256, f"{check.reason} {check.advice}", next(iter(check.flags), None))
    with Book(order.book_path, create=True) as book:
        book.add_gauge_check(check.record(), settings)
    return Done("agrees" if check.agrees else "does not agree", check.sha256, None)


def _warm_up() -> None:
    """See to it that the process ends with the desk, and load all that the first photo would wait for."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_desk, daemon=True).start()
    for module in _NEEDED:
        import_module(module)

    import cv2
    import numpy as np
    import simplejpeg
    from PIL import Image

    from aperture.errors import ModelError
    from aperture.opening.networks import load

    cv2.setNumThreads(1)
    with suppress(ModelError):  # the first photo will tell
        load()
    small = simplejpeg.encode_jpeg(np.zeros((16, 16, 3), np.uint8))
    simplejpeg.decode_jpeg(small)
    Image.open(BytesIO(small), formats=["JPEG"]).load()


def _end_with_the_desk() -> None:
    """However the desk ends, even if its window is closed or it is killed, nothing of it stays behind."""
    desk = parent_process()
    if desk is not None:
        desk.join()
        os._exit(1)
