"""What goes wrong while the desk runs, in the terminal: one line for one kind of trouble, now and then."""

import asyncio
import logging
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

# The same kind again is worth a line after this time.
AGAIN_SECONDS = 60.0
# Kinds come from the program, not from who asks; should they not, there is an end.
_MOST_KINDS = 200


class Complaints(logging.Handler):
    """Says each kind of trouble in one line, and again only after a while.

    It takes what the libraries would print with a traceback.

    Parameters
    ----------
    say : shows a line to the user.
    clock : seconds that only go forward.
    """

    def __init__(self, say: Callable[[str], None], clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__(logging.ERROR)
        self._say, self._clock = say, clock
        self._said: dict[str, float] = {}

    def tell(self, kind: str, line: str) -> None:
        """Say a line, unless one of this kind was said a moment ago."""
        now = self._clock()
        if now - self._said.get(kind, float("-inf")) < AGAIN_SECONDS:
            return
        if len(self._said) >= _MOST_KINDS:
            self._said.clear()
        self._said[kind] = now
        self._say(line)

    def emit(self, record: logging.LogRecord) -> None:
        """Say what error a library reports; the rest is about connections that are given up."""
        error = record.exc_info[1] if record.exc_info else None
        if isinstance(error, OSError):
            self.tell(f"OSError {error.errno}", f"This computer refuses: {error.strerror or error}.")
        elif error is not None and not isinstance(error, asyncio.CancelledError):
            self.tell(*_fault(error))


def _fault(error: BaseException) -> tuple[str, str]:
    """The kind of a fault of the program, and its line: what whoever mends it wants to know."""
    frames = traceback.extract_tb(error.__traceback__)
    where = f"{Path(frames[-1].filename).name}, line {frames[-1].lineno}" if frames else "nowhere"
    name = type(error).__name__
    line = f"The program failed, and the fault is the program's. {name} ({where}): {error}"
    return f"{name} {where}", " ".join(line.split())


@contextmanager
def heard(complaints: Complaints) -> Iterator[None]:
    """What the libraries report meanwhile goes there, and nowhere else."""
    loggers = [logging.getLogger(name) for name in ("uvicorn.error", "asyncio")]
    before = [(logger.propagate, logger.level) for logger in loggers]
    for logger in loggers:
        logger.addHandler(complaints)
        logger.propagate = False
        logger.setLevel(logging.ERROR)
    try:
        yield
    finally:
        for logger, (propagate, level) in zip(loggers, before, strict=True):
            logger.removeHandler(complaints)
            logger.propagate = propagate
            logger.setLevel(level)
