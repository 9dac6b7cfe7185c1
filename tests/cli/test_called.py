"""What the program says to type: checked by the file system, and by Python's own rules of a shell's words."""

import os
import shlex
import sys
from pathlib import Path

import pytest

from aperture.cli import called

posix_only = pytest.mark.skipif(os.name != "posix", reason="how PowerShell quotes is another matter")


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder "my reeds" in which somebody types, with an environment that has the program in it."""
    folder = tmp_path / "my reeds"
    environment = folder / ".venv" / "bin"
    environment.mkdir(parents=True)
    for name in ("aperture", "pip", "python"):
        (environment / name).write_text("#!/bin/sh\n")
        (environment / name).chmod(0o755)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr(sys, "executable", str(environment / "python"))
    return folder


def typed(monkeypatch, words):
    """What is said to type after the program was called so."""
    monkeypatch.setattr(sys, "argv", [str(words), "demo"])
    return called.program()


@posix_only
@pytest.mark.parametrize("absolute", [False, True])
def test_from_the_folder_of_the_environment(place, monkeypatch, absolute):
    path = Path(".venv/bin/aperture")
    assert typed(monkeypatch, place / path if absolute else path) == ".venv/bin/aperture"
    assert called.installer() == ".venv/bin/pip"


@posix_only
def test_found_by_its_name_alone(place, monkeypatch):
    monkeypatch.setenv("PATH", str(place / ".venv" / "bin"))
    # What a shell hands over for a program that it found itself is the whole path.
    assert typed(monkeypatch, place / ".venv" / "bin" / "aperture") == "aperture"
    assert typed(monkeypatch, "aperture") == "aperture"


@posix_only
def test_another_program_of_that_name_is_not_meant(place, monkeypatch):
    other = place.parent / "other"
    other.mkdir()
    (other / "aperture").write_text("#!/bin/sh\n")
    (other / "aperture").chmod(0o755)
    monkeypatch.setenv("PATH", str(other))
    assert typed(monkeypatch, ".venv/bin/aperture") == ".venv/bin/aperture"


@posix_only
def test_from_elsewhere_all_of_the_path_as_one_word(place, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path.parent)
    path = place / ".venv" / "bin" / "aperture"
    said = typed(monkeypatch, path)
    assert [Path(word).absolute() for word in shlex.split(said)] == [path]
    monkeypatch.chdir(place / ".venv" / "bin")
    assert typed(monkeypatch, "./aperture") == "./aperture"


@posix_only
def test_as_a_module(place, monkeypatch):
    assert typed(monkeypatch, "/x/aperture/__main__.py") == ".venv/bin/python -m aperture"
    (place / ".venv" / "bin" / "pip").unlink()
    assert called.installer() == ".venv/bin/python -m pip"


@posix_only
def test_a_path_is_one_word():
    assert shlex.split(called.argument(Path("my book/reeds.sqlite3"))) == ["my book/reeds.sqlite3"]
