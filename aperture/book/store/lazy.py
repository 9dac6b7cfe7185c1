"""Values that the book keeps as JSON, read at the first look: few of those that a list fetches get one."""

import json
from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from typing import Any


class LazyRecord(Mapping[str, Any]):
    """An object kept as JSON.

    Parameters
    ----------
    text : the JSON.
    known : values in it that are known without reading it.
    """

    def __init__(self, text: str, **known: Any) -> None:
        self._text = text
        self._known = known
        self._doubts: tuple[str, ...] = ()

    def doubted(self, code: str) -> "LazyRecord":
        """The same with a flag more, for which a person must look."""
        other = LazyRecord(self._text, **{**self._known, "review": True})
        other._doubts = (*self._doubts, code)
        return other

    @cached_property
    def _value(self) -> dict[str, Any]:
        value: dict[str, Any] = json.loads(self._text)
        if self._doubts:
            value["flags"] = [*value["flags"], *self._doubts]
        return value

    def __getitem__(self, name: str) -> Any:
        try:
            return self._known[name]
        except KeyError:
            return self._value[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._value)

    def __len__(self) -> int:
        return len(self._value)


class KeptList(Sequence[Any]):
    """A list kept as JSON."""

    def __init__(self, text: str) -> None:
        self._text = text

    @cached_property
    def _value(self) -> list[Any]:
        value: list[Any] = json.loads(self._text)
        return value

    def __getitem__(self, place: Any) -> Any:
        return self._value[place]

    def __iter__(self) -> Iterator[Any]:
        return iter(self._value)

    def __len__(self) -> int:
        return len(self._value)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and self._value == [*other]

    __hash__ = None  # type: ignore[assignment]


class NotFetched(KeptList):
    """An outline, or what a tip shows, left out of a list. To look at it is a mistake of the program."""

    def __init__(self) -> None:
        super().__init__("")

    @cached_property
    def _value(self) -> list[Any]:
        raise AssertionError("this list was fetched without outlines")
