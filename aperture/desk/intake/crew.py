"""Several processes that take photos in, as many as there are photos and processors."""

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from aperture.desk.intake.work import Done, GaugeOrder, Order, Turn, Worker
from aperture.settings import Settings

# A process holds some 250 MB; so long after the last photo all but one are ended.
IDLE_SECONDS = 60.0


def at_once(settings: Settings) -> int:
    """How many photos are measured at the same time."""
    return settings.workers or os.cpu_count() or 1


class Crew:
    """Processes that take photos in. One is always warm; others are started when photos wait.

    Who waits for one photo, with a phone in the hand, goes before the photos of an import.

    Parameters
    ----------
    most : so many processes at the most.
    """

    def __init__(self, most: int, new_worker: Callable[[], Worker] = Worker) -> None:
        self._most, self._new_worker = most, new_worker
        self._change = threading.Condition()
        self._workers = [new_worker()]
        self._free = list(self._workers)
        self._hurried = 0
        self._closed = False
        self._idle: threading.Timer | None = None

    def take(self, order: Order | GaugeOrder, turn: Turn | None = None) -> Done:
        """Take a photo in, or check one of a gauge, as `Worker.take` does.

        Without `turn` somebody waits for it; with one it is of many.
        """
        with ExitStack() as held:
            worker = held.enter_context(self._one(hurried=turn is None))

            def let_go_and_wait() -> None:
                held.close()  # while this photo waits, another one can be measured
                if turn is not None:
                    turn()

            return worker.take(order, let_go_and_wait)

    def is_whole(self, photo: Path) -> bool:
        """Whether a file can be read as a photo from its beginning to its end."""
        with self._one(hurried=False) as worker:
            return worker.is_whole(photo)

    def close(self) -> None:
        """End all processes, and with them the photos that they may be at."""
        with self._change:
            self._closed = True
            workers = list(self._workers)
            if self._idle is not None:
                self._idle.cancel()
            self._change.notify_all()
        for worker in workers:
            worker.close()

    def rest(self) -> None:
        """End all processes but one, if there is nothing to do."""
        with self._change:
            if len(self._free) < len(self._workers):
                return
            first, *others = self._workers
            self._workers, self._free = [first], [first]
        for worker in others:
            worker.close()

    def __enter__(self) -> "Crew":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _one(self, hurried: bool) -> Iterator[Worker]:
        """A process for one photo."""
        with self._change:
            worker = self._wait_for_one(hurried)
        try:
            yield worker
        finally:
            with self._change:
                self._free.append(worker)
                self._rest_later()
                self._change.notify_all()

    def _wait_for_one(self, hurried: bool) -> Worker:
        self._hurried += hurried
        try:
            while True:
                if self._closed:
                    return self._workers[0]  # which says so
                if self._free and (hurried or not self._hurried):
                    return self._free.pop(0)
                if not self._free and not hurried and len(self._workers) < self._most:
                    self._workers.append(self._new_worker())
                    return self._workers[-1]
                self._change.wait()
        finally:
            self._hurried -= hurried

    def _rest_later(self) -> None:
        if self._idle is not None:
            self._idle.cancel()
        if len(self._workers) > 1 and not self._closed:
            self._idle = threading.Timer(IDLE_SECONDS, self.rest)
            self._idle.daemon = True
            self._idle.start()
