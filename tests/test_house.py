"""The house: each module of the package imports only from modules above it, so that nothing flows back."""

import ast
from pathlib import Path

import pytest

import aperture

HOUSE = [
    "errors",
    "flags",
    "settings",
    "photo",
    "ink",
    "card",
    "pen",
    "instructions",
    "artwork",
    "edges",
    "sharpening",
    "camera",
    "view",
    "blades",
    "appearance",
    "seeds",
    "opening",
    "shape",
    "budget",
    "remedies",
    "verdict",
    "repeatability",
    "identity",
    "control",
    "measure",
    "batch",
    "labels",
    "own_limits",
    "repeat_study",
    "canvas",
    "report",
    "repeat_report",
    "drawing",
    "annotate",
    "screen",
    "budget_page",
    "limits_page",
    "repeat_screen",
    "demo",
    "cli",
]
PACKAGE = Path(aperture.__file__).parent
MODULES = sorted(path for path in PACKAGE.glob("*.py") if not path.stem.startswith("__"))


def imported_modules(source):
    """The modules of the package that a module at its top level imports, anywhere in its text."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(filter(None, ["aperture" if node.level else "", node.module]))
            names = [f"{base}.{name.name}" for name in node.names]
        else:
            continue
        parts = [name.split(".") for name in names]
        found |= {part[1] for part in parts if part[0] == "aperture" and len(part) > 1}
    return found - {"__version__"}


def upward(name, source):
    """What a module imports that does not stand above it."""
    return imported_modules(source) - set(HOUSE[: HOUSE.index(name)])


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_a_module_imports_only_from_those_above_it(path):
    assert path.stem in HOUSE, "give the new module its place in the list"
    assert upward(path.stem, path.read_text(encoding="utf-8")) == set()


@pytest.mark.parametrize(
    "source",
    [
        "from aperture.measure import measure",
        "from aperture import errors, measure",
        "import aperture.measure",
        "import numpy, aperture.measure as m",
        "from .measure import measure",
        "from . import measure",
        "def f():\n    from aperture.measure import measure",
        "if TYPE_CHECKING:\n    from aperture.measure import Measurement",
    ],
)
def test_the_check_sees_every_kind_of_import(source):
    assert upward("shape", source) == {"measure"}
    assert upward("batch", source) == set()


def test_the_check_minds_only_the_package():
    assert imported_modules("import numpy\nfrom measure import x\nfrom aperture import __version__") == set()
