"""The house: each module of the package imports only from modules below it, so that nothing flows back.

The order of the rooms, and in each room of its modules, stands in pyproject.toml; import-linter holds it.
"""

import ast
import re
import subprocess
import sys
import tomllib
from collections import defaultdict
from contextlib import suppress
from pathlib import Path

import hypothesis

import aperture

ROOT = Path(__file__).parents[1]
PACKAGE = Path(aperture.__file__).parent
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
    "contracts"
]
# Every way in which a module may import another one.
IMPORTS = {
    "from_module": "from made.high import x",
    "one_of_several": "from made import low, high",
    "whole": "import made.high",
    "renamed": "import numpy, made.high as m",
    "relative": "from .high import x",
    "relative_module": "from . import high",
    "in_a_function": "def f():\n    from made.high import x",
    "for_types": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from made.high import x",
    "by_the_room": "from made.room import x",
}


def lint(folder):
    """What import-linter says of the pyproject.toml in a folder, and whether all its contracts are kept."""
    command = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    done = subprocess.run(
        [sys.executable, "-c", command, "--no-cache", "--no-logo"],
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
    )
    return done.stdout + done.stderr, done.returncode == 0


def test_a_module_imports_only_from_those_below_it():
    said, kept = lint(ROOT)
    assert kept, said


def test_every_room_has_its_order_and_is_named_once():
    rooms = {path.parent for path in PACKAGE.rglob("__init__.py")}
    named = [room for contract in CONTRACTS for room in contract["containers"]]
    assert sorted(named) == sorted(".".join(room.relative_to(PACKAGE.parent).parts) for room in rooms)
    assert all(contract["type"] == "layers" and contract["exhaustive"] for contract in CONTRACTS)


def test_the_check_sees_every_kind_of_import(tmp_path):
    made = tmp_path / "made"
    (made / "room").mkdir(parents=True)
    (made / "__init__.py").touch()
    (made / "room" / "__init__.py").write_text("from made.room.high import x\n")
    layers = ["room", "high", *IMPORTS, "low"]
    for name, source in {"high": "x = 1", "low": "", "room/high": "x = 1", **IMPORTS}.items():
        (made / f"{name}.py").write_text(f"{source}\n")
    (tmp_path / "pyproject.toml").write_text(
        '[tool.importlinter]\nroot_package = "made"\n[[tool.importlinter.contracts]]\n'
        f'name = "made"\ntype = "layers"\ncontainers = ["made"]\nlayers = {layers}\nexhaustive = true\n'
    )
    said, kept = lint(tmp_path)
    assert not kept
    assert [name for name in IMPORTS if f"made.{name} " not in said] == []
    assert "made.low " not in said


def test_a_module_without_a_place_is_noticed(tmp_path):
    made = tmp_path / "made"
    made.mkdir()
    for name in ("__init__", "low", "new"):
        (made / f"{name}.py").touch()
    (tmp_path / "pyproject.toml").write_text(
        '[tool.importlinter]\nroot_package = "made"\n[[tool.importlinter.contracts]]\n'
        'name = "made"\ntype = "layers"\ncontainers = ["made"]\nlayers = ["low"]\nexhaustive = true\n'
    )
    said, kept = lint(tmp_path)
    assert not kept
    assert "made.new" in said


def test_no_example_has_a_deadline():
    """Nowhere: not by hypothesis's own default of 200 ms, not by a test's own settings."""
    assert hypothesis.settings.default.deadline is None
    for path in (ROOT / "tests").rglob("*.py"):
        for said in re.findall(r"\bdeadline=(\w+)", path.read_text(encoding="utf-8")):
            assert said == "None", path


def numbers_of(text):
    """The constants of a module that are numbers: name, without a leading underscore, and value."""
    for line in ast.parse(text).body:
        if not isinstance(line, ast.Assign | ast.AnnAssign) or line.value is None:
            continue
        for target in line.targets if isinstance(line, ast.Assign) else [line.target]:
            several = isinstance(target, ast.Tuple) and isinstance(line.value, ast.Tuple)
            pairs = zip(target.elts, line.value.elts, strict=True) if several else [(target, line.value)]
            for name, value in pairs:
                with suppress(ValueError):
                    number = ast.literal_eval(value)
                    if isinstance(name, ast.Name) and name.id.isupper() and isinstance(number, int | float):
                        yield name.id.lstrip("_"), number


def test_a_constant_s_name_means_the_same_number_everywhere():
    values = defaultdict(set)
    for path in PACKAGE.rglob("*.py"):
        for name, number in numbers_of(path.read_text(encoding="utf-8")):
            values[name].add(number)
    assert {name: several for name, several in values.items() if len(several) > 1} == {}
    assert len(values) > 100


def test_two_numbers_of_one_name_are_noticed():
    assert [*numbers_of("A, _B = 1, 2.5\nC: int = 3\nd = 4\nE = 'a'\n")] == [("A", 1), ("B", 2.5), ("C", 3)]
