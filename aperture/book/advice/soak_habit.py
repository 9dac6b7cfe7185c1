"""How a reed was soaked, beside its owner's habit; and which soaks tell how long it needs."""

from collections.abc import Mapping
from datetime import date
from typing import Literal

from aperture.book.advice.comparing import LIKE_FACTOR, old_since
from aperture.book.store.records import History, Soaking
from aperture.settings import Soaking as Habit

Compared = Literal["usual", "more", "less", "other", "unknown"]

# How far water opens a reed more than other water does; between room and warm nobody says which does.
_OPENS = {"warm": 0, "room": 0, "cold": 1}
_WETS = {"water": 0, "mouth": 1}


def compared(soaking: Soaking, habit: Habit, is_old: bool) -> Compared:
    """How a soak compares with the habit for a reed of that age; see `Facts.soaking`."""
    usual_seconds = habit.old_seconds if is_old else habit.new_seconds
    found = {
        _compared_seconds(soaking.seconds, usual_seconds),
        _compared_opening(soaking.water, habit.water, _OPENS),
        _compared_opening(soaking.wetted, habit.wetted, _WETS),
    } - {"usual"}
    if not found:
        return "usual"
    return found.pop() if len(found) == 1 else "other"


def soak_times(history: History) -> tuple[tuple[date, float], ...]:
    """Days, and after how many seconds of soaking the reed was seen not to be shut; for `soak_trend`.

    Only soaks in the same water, and wetted in the same way, as the latest. Those of a new reed are left out:
    that it is soaked for less is a habit, not a need.
    """
    since = old_since(history)
    if since is None:
        return ()
    opened = [
        (entry.photo.when.date(), entry.filing.soaking)
        for entry in history.measured("soaked")
        if entry.reading.record["shape"] != "shut" and since <= entry.photo.when.toordinal()
    ]
    return tuple(
        (day, soaking.seconds)
        for day, soaking in opened
        if soaking.seconds is not None
        and (soaking.water, soaking.wetted) == (opened[-1][1].water, opened[-1][1].wetted)
    )


def _compared_seconds(seconds: float | None, usual: float) -> Compared:
    if seconds is None:
        return "unknown"
    if seconds > LIKE_FACTOR * usual:
        return "more"
    return "less" if usual > LIKE_FACTOR * seconds else "usual"


def _compared_opening(found: str | None, usual: str, opens: Mapping[str, int]) -> Compared:
    if found is None:
        return "unknown"
    if found == usual:
        return "usual"
    if opens[found] == opens[usual]:
        return "other"
    return "more" if opens[found] > opens[usual] else "less"
