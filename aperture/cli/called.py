"""How this program was called, so that what it says to type can be typed just so."""

import os
import shlex
import shutil
import sys
from pathlib import Path

NAME = "aperture"


def program() -> str:
    """What to type for this program here: `aperture`, or with the folder that it was called from.

    A program that the terminal finds by its name alone needs no folder; one in the folder below is named from
    there, as `.venv/bin/aperture`; `python -m aperture` is said in full.
    """
    called = Path(sys.argv[0])
    if _bare(called.name) != NAME:
        return f"{_typed(Path(sys.executable))} -m {NAME}"
    by_name = called.name == sys.argv[0]  # typed without a folder, so the terminal found it
    found = shutil.which(NAME)
    if by_name or (found is not None and _same(Path(found), called)):
        return NAME
    return _typed(called)


def installer() -> str:
    """What to type to install a package where this program's own are."""
    pip = Path(sys.executable).with_name("pip.exe" if os.name == "nt" else "pip")
    return _typed(pip) if pip.exists() else f"{_typed(Path(sys.executable))} -m pip"


def argument(path: Path) -> str:
    """A path as it is typed after a command."""
    return _quoted(str(path))


def _typed(path: Path) -> str:
    """The path of a program from the folder in which one types, if it lies below that."""
    absolute = path.absolute()  # not resolved: an environment's link stands for the environment
    if absolute.is_relative_to(Path.cwd()):
        inside = absolute.relative_to(Path.cwd())
        return _quoted(str(inside) if len(inside.parts) > 1 else f".{os.sep}{inside}")
    return _quoted(str(absolute))


def _quoted(words: str) -> str:
    if os.name == "nt":
        return f'"{words}"' if " " in words else words
    return shlex.quote(words)


def _bare(name: str) -> str:
    """The name of a program without what Windows adds."""
    return name.lower().removesuffix(".exe")


def _same(found: Path, called: Path) -> bool:
    return _bare(str(found.absolute())) == _bare(str(called.absolute()))
