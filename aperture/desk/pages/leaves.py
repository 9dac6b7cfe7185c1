"""Long lists in leaves: so many on one page, and links to those before and after."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import TypeVar

T = TypeVar("T")


@dataclass(frozen=True)
class Leaf:
    """One leaf of a list: which one, of how many, and how many there are on all; `size` are on each."""

    number: int
    leaves: int
    count: int
    size: int

    def of(self, items: Sequence[T], before: int = 0) -> Sequence[T]:
        """What of these is on it, where so many others come before them."""
        first = self.size * (self.number - 1) - before
        return items[max(0, first) : max(0, first + self.size)]


def leaf(asked: str | None, count: int, size: int) -> Leaf:
    """The leaf that is asked for, or the nearest one that is there; the first where nothing sensible is."""
    leaves = max(1, ceil(count / size))
    number = int(asked) if asked is not None and asked.isdecimal() and len(asked) < 6 else 1
    return Leaf(min(max(number, 1), leaves), leaves, count, size)
