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
    """One thing to do with one reed. `until` is the last day for it; None if there is none."""

    kind: str
    reed: int
    what: str
    until: date | None = None


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
    decided = history.decision.action if history.decision else None
    reed, lot = history.reed.number, history.lot
    if history.gone or advised.action == "nothing":
        return None
    if decided == "send back":
        return Task("send back", reed, _SEND, lot.return_by if lot else None)
    if decided == "replace":
        return Task("throw away", reed, _THROW_AWAY)
    if advised.action == "keep":
        return None if decided == "keep" else Task("keep", reed, advised.what)
    return Task(advised.action, reed, advised.what, _until(history, advised))


def _until(history: History, advised: Advised) -> date | None:
    """The lot's date, where the advice speaks of it."""
    until = history.lot.return_by if history.lot else None
    return until if until is not None and until.isoformat() in advised.what else None


_SEND = (
    "It was decided to send it back. `aperture return-sheet` writes the sheet to go with it; then enter that"
    " it was sent back."
)
_THROW_AWAY = "It was decided to replace it. When it is thrown away, enter that."
