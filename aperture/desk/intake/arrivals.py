"""Photos on their way into the book: several are measured at a time, and entered in the order of coming."""

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass

from aperture.desk.intake.work import Done, Order, Turn

# Of so many photos it is told what became of them.
MOST_TOLD = 1000
# So many photos wait on this computer at the most: they fill its disk.
MOST_WAITING = 64
_FAILED = Done("failed", None, "The program failed on this photo. Take it again.")


@dataclass(frozen=True)
class Came:
    """A photo that came: its number among all since the desk was opened, its name, what became of it."""

    number: int
    name: str
    done: Done


@dataclass(frozen=True)
class News:
    """What came so far: `came` since a number, `next` the number of the next one.

    Of the present lot of photos, the `lot`-th, `sent` are how many there are, and `done` how many of them are
    in. `seconds_each` is how long one took on an average, None where that is not known. `version` is another
    one after every change.
    """

    came: Sequence[Came]
    next: int
    lot: int
    sent: int
    done: int
    seconds_each: float | None
    version: int


class Arrivals:
    """Takes photos in behind the pages, which look at what came.

    Parameters
    ----------
    take : takes one in; it calls what it is given once the photo is measured, and waits there until it may be
        entered.
    at_once : how many are measured at the same time.
    """

    def __init__(self, take: Callable[[Order, Turn], Done], at_once: int) -> None:
        self._take = take
        self._lock = threading.Lock()
        # Twice as many: who waits for its turn lets another one be measured.
        self._threads = ThreadPoolExecutor(2 * at_once, "arrivals")
        self._last = threading.Event()
        self._last.set()
        self._came: deque[Came] = deque(maxlen=MOST_TOLD)
        self._next, self._done, self._waiting, self._version, self._lot = 0, 0, 0, 0, 0
        self._begun, self._since_begun = 0.0, 0
        self._closed = False
        self._looking: set[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = set()

    @property
    def lot(self) -> int:
        """The how-manieth lot of photos this is."""
        return self._lot

    @property
    def waiting(self) -> int:
        """How many photos are not in the book yet."""
        return self._waiting

    def begin(self) -> None:
        """Forget what came, unless photos are still on their way."""
        with self._lock:
            if not self._waiting:
                self._came.clear()
                self._done = 0
                self._lot += 1
                self._changed()

    def add(self, order: Order, forget: Callable[[], object] = lambda: None) -> Future[Done]:
        """Take a photo in when those before it are in; `forget` is called once its file is not needed."""
        with self._lock:
            before, self._last = self._last, threading.Event()
            if not self._waiting:
                self._begun, self._since_begun = time.monotonic(), 0
            self._waiting += 1
            future = self._threads.submit(self._one, order, before, self._last, forget)
            self._changed()
        future.add_done_callback(lambda one: forget() if one.cancelled() else None)
        return future

    def since(self, number: int = 0) -> News:
        """What came, from a number on."""
        with self._lock:
            took = time.monotonic() - self._begun
            return News(
                [one for one in self._came if one.number >= number],
                self._next,
                self._lot,
                self._done + self._waiting,
                self._done,
                took / self._since_begun if self._since_begun else None,
                self._version,
            )

    async def change(self, version: int, seconds: float) -> None:
        """Wait until there is another version than this, or for so long."""
        looking = asyncio.get_running_loop(), asyncio.Event()
        with self._lock:
            if self._version != version or self._closed:
                return
            self._looking.add(looking)
        try:
            with suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await looking[1].wait()
        finally:
            with self._lock:
                self._looking.discard(looking)

    async def room(self) -> None:
        """Wait until another photo may be sent."""
        while self._waiting >= MOST_WAITING and not self._closed:
            await self.change(self._version, 10.0)

    def tell(self) -> None:
        """Something else has changed that pages show."""
        with self._lock:
            self._changed()

    def close(self) -> int:
        """Take no more in; how many were still on their way."""
        with self._lock:
            self._closed = True
            self._changed()
        self._threads.shutdown(wait=False, cancel_futures=True)
        return self._waiting

    def _one(
        self, order: Order, before: threading.Event, mine: threading.Event, forget: Callable[[], object]
    ) -> Done:
        try:
            done = self._take(order, before.wait)
        except Exception:  # whatever it is, the other photos go on
            done = _FAILED
        before.wait()
        with self._lock:
            if not self._closed:
                self._came.append(Came(self._next, order.name, done))
                self._next += 1
                self._done += 1
                self._since_begun += 1
                self._waiting -= 1
                self._changed()
        forget()
        mine.set()
        return done

    def _changed(self) -> None:
        self._version += 1
        for loop, event in self._looking:
            with suppress(RuntimeError):  # who looked is gone
                loop.call_soon_threadsafe(event.set)
