"""Files written whole: at no time is there half of one, and a power cut does not take it back."""

import os
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that at no time there is half of it.

    Raises
    ------
    OSError : it cannot be written; what was there before is still there.
    """
    if path.exists() and not path.is_file():  # a pipe or a device cannot be replaced
        path.write_bytes(content)
        return
    # A link stays a link.
    path = path.resolve()
    # In the same folder, because a file moves in one step only within one file system.
    part = path.with_name(f".{path.name[:100]}.{os.urandom(4).hex()}.part")
    try:
        with part.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        sync_folder(path.parent)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def sync_folder(folder: Path) -> None:
    """Make a new name in a folder survive a power cut, on systems where that can be asked for."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
