"""The house: each module of the package imports only from modules above it, so that nothing flows back."""

import ast
from pathlib import Path

import pytest

import aperture

HOUSE = [
    "collecting",
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
    "markers",
    "view",
    "blades",
    "appearance",
    "fitting",
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
    "workers",
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
    "book.records",
    "book.rows",
    "book.seals",
    "book.schema",
    "book.store",
    "book.ledger",
    "book.heic",
    "book.privacy",
    "book.pictures",
    "book.shares",
    "book.order_plan",
    "book.soak_trend",
    "book.facts",
    "book.intake",
    "book.rule_table",
    "book.rules",
    "book.decide",
    "book.due",
    "book.lot_record",
    "book.words",
    "book.archive",
    "book.keeping",
    "book.restoring",
    "book.checking",
    "book.exports",
    "book.sheet_drawing",
    "book.return_sheet",
    "book.book_screen",
    "demo",
    "options",
    "book.enter_commands",
    "book.commands",
    "desk.access",
    "desk.shield",
    "desk.wording",
    "desk.web",
    "desk.work",
    "desk.uploads",
    "desk.tips",
    "desk.plots",
    "desk.outlines",
    "desk.picture",
    "desk.fields",
    "desk.snap",
    "desk.review",
    "desk.importing",
    "desk.book_pages",
    "desk.phone",
    "desk.app",
    "desk.server",
    "desk.commands",
    "cli",
]
FOLDERS = {name.split(".")[0] for name in HOUSE if "." in name}
PACKAGE = Path(aperture.__file__).parent
MODULES = sorted(path for path in PACKAGE.rglob("*.py") if not path.stem.startswith("__"))


def name_of(path):
    """A module's name in the package: "view", "book.ledger"."""
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


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
        for name in names:
            first, *rest = name.split(".")
            if first == "aperture" and rest:
                # A folder of modules counts by its modules, "book.ledger".
                folder = rest[0] in FOLDERS and len(rest) > 1
                found.add(".".join(rest[:2]) if folder else rest[0])
    return found - {"__version__"}


def upward(name, source):
    """What a module imports that does not stand above it."""
    return imported_modules(source) - set(HOUSE[: HOUSE.index(name)])


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_imports_only_from_those_above_it(path):
    assert name_of(path) in HOUSE, "give the new module its place in the list"
    assert upward(name_of(path), path.read_text(encoding="utf-8")) == set()


def test_every_place_in_the_list_is_taken():
    assert sorted(HOUSE) == sorted(map(name_of, MODULES))


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


def test_the_check_looks_into_folders():
    for source in ("from aperture.book.ledger import Book", "from aperture.book import ledger"):
        assert upward("book.records", source) == {"book.ledger"}
        assert upward("book.intake", source) == set()


def test_the_check_minds_only_the_package():
    assert imported_modules("import numpy\nfrom measure import x\nfrom aperture import __version__") == set()
