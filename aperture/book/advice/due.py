"""What is to be done today: the advice for every reed, and what was decided but not yet done."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from aperture.book.advice.rules import Advised
from aperture.book.store.records import History

# What can be due, in the order in which it is best done, and its heading.
HEADINGS = {
    "send back": "Send back",
    "photograph again": "Photograph",
    "look": "Look at the picture and decide",
    "soak": "Soak and photograph",
    "dry and judge again": "Let dry, then soak as usual and photograph",
    "squeeze": "Squeeze while soaked, and photograph",
    "check by hand": "Check by hand",
    "ask the teacher": "Ask the teacher",
    "keep": "Decide whether to keep",
    "do not use": "Take out of use",
    "replace": "Replace",
    "throw away": "Throw away",
}


@dataclass(frozen=True)
class Task:
    """One thing to do with one reed. `until` is the last day for it; None if there is none.

    `beside` is the advice in words, where a person decided otherwise; None where nothing is to be said of it.
    """

    kind: str
    reed: int
    what: str
    until: date | None = None
    beside: str | None = None


def due(told: Sequence[tuple[History, Advised]]) -> list[Task]:
    """What is to be done, in the order of `HEADINGS`, the most pressing and then the lower number first.

    Parameters
    ----------
    told : the reeds with the advice of today. Reeds that are gone, and reeds that were kept and against which
        nothing is said, have nothing due.
    """
    tasks = [task for history, advised in told if (task := _task(history, advised)) is not None]
    order = list(HEADINGS)
    return sorted(tasks, key=lambda task: (order.index(task.kind), task.until or date.max, task.reed))


def _task(history: History, advised: Advised) -> Task | None:
    reed, to_do = history.reed.number, advised.to_do
    if history.gone or to_do.action == "nothing":
        return None
    if to_do.action == "keep" and history.decision is not None and history.decision.action == "keep":
        return None
    if advised.decided is not None and to_do.action == "replace":
        return Task("throw away", reed, to_do.what, None, advised.beside)
    return Task(to_do.action, reed, to_do.what, _until(history, advised), advised.beside)


def _until(history: History, advised: Advised) -> date | None:
    """The lot's date, where it was decided to send the reed back, or where the advice speaks of it."""
    until = history.lot.return_by if history.lot else None
    if until is None or (advised.decided is not None and advised.decided.action == "send back"):
        return until
    return until if advised.decided is None and until.isoformat() in advised.what else None
