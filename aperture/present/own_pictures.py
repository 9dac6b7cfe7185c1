"""Pictures that this program drew, told from those of people, so that it replaces its own alone."""

import hashlib
import os
import re
from collections.abc import Iterable
from pathlib import Path

# A JPEG's comment. Source: ITU-T T.81, B.2.4.5: the marker X'FFFE', then two bytes with the length of all
# that follows, themselves too.
_COMMENT_MARKER = b"\xff\xfe"
_SAYS = b"Drawn by aperture. The rest of this file: SHA-256 "
_COMMENT_BYTES = 2 + 2 + len(_SAYS) + 64


def marked(jpeg: bytes) -> bytes:
    """A JPEG file with a comment that says that this program drew it, and what the rest of it is."""
    at = _comments_begin(jpeg)
    return jpeg[:at] + _comment(jpeg) + jpeg[at:]


def is_as_drawn(path: Path) -> bool:
    """Whether a file is a picture of this program's, just as it was drawn.

    One that somebody has changed since is that person's, and so is what cannot be read.
    """
    try:
        with path.open("rb") as file:
            head = file.read(256)
            at = _comments_begin(head)
            if not head[at + 4 :].startswith(_SAYS):
                return False
            content = head + file.read()
    except OSError:
        return False
    rest = content[:at] + content[at + _COMMENT_BYTES :]
    return content[at : at + _COMMENT_BYTES] == _comment(rest)


def may_be_written(path: Path, replace: bool) -> bool:
    """Whether a picture may be written there: to a new file, in place of one of ours, or of any if asked."""
    if not os.path.lexists(path):
        return True
    return path.is_file() and (replace or is_as_drawn(path))


def left_as_they_are(written: Iterable[Path]) -> list[Path]:
    """The files because of which a picture has a number in its name, if they are not pictures themselves."""
    pictures = {str(path).casefold() for path in written}
    unnumbered = {path.with_name(re.sub(r"_\d+\.jpg$", ".jpg", path.name)) for path in written}
    return sorted(one for one in unnumbered if str(one).casefold() not in pictures and os.path.lexists(one))


def _comments_begin(jpeg: bytes) -> int:
    """Where the first comment belongs: behind the file's own header.

    Source: ITU-T T.871 (JFIF), 6.1 and 10.1: the start of the image, then at once X'FFE0' with its length.
    """
    return 4 + int.from_bytes(jpeg[4:6], "big") if jpeg[2:4] == b"\xff\xe0" else 2


def _comment(rest: bytes) -> bytes:
    says = _SAYS + hashlib.sha256(rest).hexdigest().encode("ascii")
    return _COMMENT_MARKER + (2 + len(says)).to_bytes(2, "big") + says
