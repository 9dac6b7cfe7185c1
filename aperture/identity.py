"""Which reed a photo shows, and in which state: from the picture, the names around it, and the options.

What is seen in the picture counts. A name or an option only fills in what the picture does not show, and when
two of them disagree, the photo is flagged and nothing is guessed.
"""

import re
import unicodedata
from collections.abc import Set
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TypeVar

from aperture.card.geometry import FACES, Face

# Folders farther up say where somebody keeps photos, not what one of them shows.
FOLDERS_READ = 2

_COPY_NUMBER = re.compile(r"\s*\(\d+\)$")  # "R07_dry (2)" is the second copy of a file
# One to three digits; longer numbers are a camera's.
_NUMBER = re.compile(r"(?=\d{1,3}$)0*([1-9]\d*)")
_PREFIXED_NUMBER = re.compile(r"(?:r|reed)" + _NUMBER.pattern)

Value = TypeVar("Value")


@dataclass(frozen=True)
class Identity:
    """The reed's number and its state, None where nobody says; `flags` are codes of `aperture.flags`."""

    reed: int | None
    state: Face | None
    flags: tuple[str, ...]


@dataclass(frozen=True)
class Named:
    """What the name of a file or of a folder says."""

    reed: int | None
    state: Face | None


def identify(
    path: str | Path,
    reeds_in_picture: tuple[int, ...],
    face: Face | None,
    reed_option: int | None = None,
    state_option: Face | None = None,
) -> Identity:
    """Find out which reed this is and whether it is dry or soaked.

    Parameters
    ----------
    path : of the photo, or its address; the names of the file and of the two folders around it are read.
    reeds_in_picture : the numbers on the reed tags that were seen.
    face : the face of the card that was seen, None when there was no card.
    reed_option, state_option : what the user said about all photos.

    Returns
    -------
    The picture's word where it has one. Flags: "reed-contradiction" and "state-contradiction" where something
    else is said too, "two-reed-tags" where the picture shows several; then the reed is the one of them that
    name and option agree on, or None.
    """
    # Of s3://bucket/dry/R07.jpg the names after the two slashes count.
    path = Path("/" + str(path).partition("://")[2]) if "://" in str(path) else Path(path).absolute()
    named = [read_file_name(path.stem)]
    folders = path.parents[:FOLDERS_READ]
    named += [read_folder_name(folder.name) for folder in folders]
    reeds = {reed for reed in (*(name.reed for name in named), reed_option) if reed is not None}
    states = {state for state in (*(name.state for name in named), state_option) if state is not None}

    reed, reed_disputed = _settle(set(reeds_in_picture), reeds)
    state, state_disputed = _settle({face} if face else set(), states)
    flags = (
        ("two-reed-tags", len(set(reeds_in_picture)) > 1),
        ("reed-contradiction", reed_disputed),
        ("state-contradiction", state_disputed),
    )
    return Identity(reed, state, tuple(code for code, applies in flags if applies))


def read_file_name(stem: str) -> Named:
    """What a file's name, without its suffix, says of the reed and its state.

    A reed's number has one to three digits and either R or reed before it ("R07", "reed 7"), or it stands at
    the name's beginning beside a state word ("7-soaked", "dry 7"): the numbers that cameras give to their
    photos, and dates, are not taken for reeds.
    """
    words = _words(_COPY_NUMBER.sub("", stem))
    state = _state(words)
    reed = _prefixed_reed(words)
    if reed is None and state is not None:
        reed = _leading_reed(words)
    return Named(reed, state)


def read_folder_name(name: str) -> Named:
    """What a folder's name says: something only if all of it does ("soaked", "reed 7", "R07 dry").

    A folder called "dry cane" or "Anna 7" is about something else.
    """
    words = _words(name)
    known = all(
        word in (*FACES, "r", "reed") or _PREFIXED_NUMBER.fullmatch(word) or _NUMBER.fullmatch(word)
        for word in words
    )
    # _words("") is []: the root of the file system says nothing.
    return read_file_name(name) if words and known else Named(None, None)


def _words(name: str) -> list[str]:
    """The name in lower case, cut at everything that is neither a letter nor a digit."""
    # Some systems store "é" as two characters, the second of which is no letter.
    return re.findall(r"[^\W_]+", unicodedata.normalize("NFKC", name).casefold())


def _state(words: list[str]) -> Face | None:
    """The state that is named; None when both are."""
    found = [face for face in FACES if face in words]
    return found[0] if len(found) == 1 else None


def _prefixed_reed(words: list[str]) -> int | None:
    """The number after R or reed; None when there are two different ones."""
    pairs = [first + second for first, second in pairwise(words) if first in ("r", "reed")]
    found = {int(match[1]) for word in (*words, *pairs) if (match := _PREFIXED_NUMBER.fullmatch(word))}
    return found.pop() if len(found) == 1 else None


def _leading_reed(words: list[str]) -> int | None:
    """The number at the beginning, beside a state word."""
    first, second = words[0], words[1] if len(words) > 1 else ""
    if second in FACES and (match := _NUMBER.fullmatch(first)):
        return int(match[1])
    numbers = [word for word in words if word.isdigit()]
    # "dry 11-02" is a date
    if first in FACES and numbers == [second] and (match := _NUMBER.fullmatch(second)):
        return int(match[1])
    return None


def _settle(seen: Set[Value], told: Set[Value]) -> tuple[Value | None, bool]:
    """The one value that counts, and whether anything was said against it.

    What is seen counts; what was told chooses between several seen values, or fills in for none.
    """
    candidates = seen if len(seen) == 1 else told
    agreed = len(candidates) == 1 and (not seen or candidates <= seen)
    disputed = len(told) > 1 or bool(seen and told - seen)
    return (next(iter(candidates)) if agreed else None), disputed
