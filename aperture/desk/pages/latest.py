"""The latest photo of a reed dry and soaked, as the tray and the reed's page show the two."""

from typing import Any

from aperture.book.present.words import seen_words
from aperture.book.store.records import History
from aperture.card.geometry import FACES
from aperture.desk.pages.tips import tip_view
from aperture.desk.pages.waiting import why_look


def latest_pair(history: History) -> list[dict[str, Any]]:
    """The latest photo dry and soaked, each with its class, what is drawn of it, and why to look at it."""
    latest = [(state, history.latest(state)) for state in FACES]
    return [
        {
            "state": state,
            "entry": entry,
            "seen": seen_words(entry.reading) if entry and entry.reading.measured else None,
            "view": tip_view(entry.reading) if entry else None,
            "look": why_look(history, entry) if entry else None,
        }
        for state, entry in latest
    ]
