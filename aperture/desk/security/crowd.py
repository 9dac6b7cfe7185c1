"""The connections that are open: which is closed so that no address has too many, nor all together."""

from collections import Counter
from typing import Protocol

# A phone's browser opens six at most (common practice, no published source), and all phones of a school may
# come from one address. Together, with those that are just let in or closed, few enough for the fewest files
# that a system lets a program open (256).
CONNECTIONS_OF_ONE, CONNECTIONS_OF_ALL = 64, 112


class Guest(Protocol):
    """A connection."""

    @property
    def address(self) -> str:
        """Where it comes from."""

    @property
    def asking(self) -> bool:
        """Whether something was asked that is not answered yet."""

    @property
    def own(self) -> bool:
        """Whether the desk's own browser is at its other end."""


class Crowd:
    """Who is connected. The desk's own browser does not count, and is never asked to go.

    Whose browser it is a connection tells only with its first question. So a new connection is let in, and an
    older one that asks nothing has to go.
    """

    def __init__(self, most_of_one: int = CONNECTIONS_OF_ONE, most_of_all: int = CONNECTIONS_OF_ALL) -> None:
        self._most_of_one, self._most_of_all = most_of_one, most_of_all
        self._here: dict[Guest, None] = {}  # in the order in which they came

    def enter(self, guest: Guest) -> Guest | None:
        """Somebody came: who has to go for that, if anybody; it may be the one who came."""
        self._here[guest] = None
        others = [one for one in self._here if not one.own]
        counts = Counter(one.address for one in others)
        if counts[guest.address] > self._most_of_one:
            crowded = guest.address
        elif len(others) > self._most_of_all:
            ((crowded, _),) = counts.most_common(1)
        else:
            return None
        return next((one for one in others if one.address == crowded and not one.asking), guest)

    def leave(self, guest: Guest) -> None:
        """Somebody is gone."""
        self._here.pop(guest, None)
