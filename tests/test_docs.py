"""The documentation keeps up with the program: commands, options, flags, settings, keys, modules.

Tables in README.md and DEVELOPERS.md stand between markers and are made from the code. After a change,
`python tests/test_docs.py` writes them anew.
"""

import ast
import dataclasses
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer

import aperture
from aperture.cli.app import app
from aperture.flags import FLAGS
from aperture.measure import measure
from aperture.settings import Settings
from tests.bench import figures

ROOT = Path(__file__).parents[1]
README, DEVELOPERS = ROOT / "README.md", ROOT / "DEVELOPERS.md"
EFFECTS = {
    "refuse": "Refused: there is no number",
    "review": "Have a look before you use the number",
    "note": "Good to know",
    "book": "The reed book",
}
TOP: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
# "measure", and "enter lot" for a command in a group of commands.
COMMANDS: dict[str, Any] = {
    name: command for name, command in TOP.items() if not hasattr(command, "commands")
}
COMMANDS |= {
    f"{name} {inner}": command
    for name, group in TOP.items()
    for inner, command in getattr(group, "commands", {}).items()
}


def flag_table() -> str:
    """Every flag: what it means and what to do, the gravest first."""
    lines: list[str] = []
    for effect, heading in EFFECTS.items():
        lines += [f"**{heading}**", "", "| Flag | It means | What to do |", "|---|---|---|"]
        chosen = (flag for flag in FLAGS.values() if flag.effect == effect)
        lines += [f"| `{flag.code}` | {flag.sentence} | {flag.advice} |" for flag in chosen]
        lines.append("")
    return "\n".join(lines).rstrip()


def settings_table() -> str:
    """Every setting with its default and meaning; a group stands for a part of the file, [limits]."""
    lines = ["| Setting | Default | Meaning |", "|---|---|---|"]

    def add(group: Any, prefix: str) -> None:
        for info in dataclasses.fields(group):
            value = getattr(group, info.name)
            if dataclasses.is_dataclass(value):
                add(value, f"{info.name}.")
            else:
                meaning = info.metadata["description"]
                lines.append(f"| `{prefix}{info.name}` | {str(value).lower()} | {meaning} |")

    add(Settings(), "")
    return "\n".join(lines)


def module_table() -> str:
    """Every room of the house with its modules, from the bottom up: the first line of each docstring."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    layers = {room: contract["layers"] for contract in contracts for room in contract["containers"]}
    lines = ["| Module | What it does |", "|---|---|"]

    def add(module: str) -> None:
        place = ROOT / module.replace(".", "/")
        file = place / "__init__.py" if module in layers else place.with_suffix(".py")
        first = (ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))) or "").splitlines()[0]
        name = place.relative_to(ROOT / "aperture").as_posix()
        lines.append(f"| **`{name}/`** | **{first}** |" if module in layers else f"| `{name}.py` | {first} |")
        for inner in reversed(layers.get(module, [])):
            add(f"{module}.{inner}")

    for module in reversed(layers["aperture"]):
        add(f"aperture.{module}")
    return "\n".join(lines)


def bench_tables() -> str:
    """The benchmarks' recorded figures."""
    return figures.tables(figures.recorded())


TABLES = {
    (README, "flags"): flag_table,
    (README, "bench"): bench_tables,
    (README, "settings"): settings_table,
    (DEVELOPERS, "modules"): module_table,
}


def between_markers(page: Path, name: str) -> re.Match[str]:
    """The part of a page between two markers; groups: opening marker, content, closing marker."""
    text = page.read_text(encoding="utf-8")
    found = re.search(rf"(<!-- {name}: [^>]*-->\n)(.*?)(<!-- end of {name} -->)", text, re.DOTALL)
    assert found is not None, f"{page.name} has no markers for {name}"
    return found


def _both() -> str:
    return README.read_text(encoding="utf-8") + DEVELOPERS.read_text(encoding="utf-8")


@pytest.mark.parametrize(("page", "name"), TABLES, ids=[name for _, name in TABLES])
def test_table_is_not_stale(page: Path, name: str) -> None:
    assert between_markers(page, name)[2].strip() == TABLES[page, name](), "run python tests/test_docs.py"


@pytest.mark.parametrize("name", COMMANDS)
def test_command_and_its_options_are_in_the_readme(name: str) -> None:
    readme = README.read_text(encoding="utf-8")
    assert f"aperture {name}" in readme
    for parameter in COMMANDS[name].params:
        if parameter.param_type_name == "option":
            assert re.search(rf"[` ]{parameter.opts[0]}\b", readme) or any(
                re.search(rf"[` ]{option}\b", readme) for option in parameter.secondary_opts
            ), parameter.opts


@pytest.mark.parametrize("code", FLAGS)
def test_flag_is_in_the_readme(code: str) -> None:
    assert f"`{code}`" in README.read_text(encoding="utf-8")


def test_flags_that_are_named_exist() -> None:
    """In the flags' table, and nowhere a flag that is gone."""
    named = re.findall(r"^\| `([a-z-]+)` \|", between_markers(README, "flags")[2], re.MULTILINE)
    assert named.count("no-card") == 1
    assert sorted(named) == sorted(FLAGS)


def test_keys_of_the_json_output_are_in_the_readme(tmp_path: Path) -> None:
    readme = README.read_text(encoding="utf-8")
    assert [key for key in measure(tmp_path / "none.jpg").record() if f"`{key}`" not in readme] == []


def _code_lines() -> list[str]:
    blocks = re.findall(r"^```[a-z]*\n(.*?)^```", _both(), re.DOTALL | re.MULTILINE)
    return [line.strip() for block in blocks for line in block.splitlines()]


def test_commands_that_are_shown_would_run() -> None:
    """Each line of code that calls the program names a command and options that exist."""
    shown = [line for line in _code_lines() if line.startswith("aperture ")]
    assert len(shown) >= 5
    for line in shown:
        words = line.split("#")[0].split()
        name = words[1] if words[1] in COMMANDS else " ".join(words[1:3])
        options = [parameter for parameter in COMMANDS[name].params if parameter.param_type_name == "option"]
        known = {option for parameter in options for option in (*parameter.opts, *parameter.secondary_opts)}
        assert {word.split("=")[0] for word in words if word.startswith("--")} <= known, line


def test_ci_runs_the_command_that_the_readme_gives_for_the_tests() -> None:
    given = [line for line in _code_lines() if line.endswith("pytest -q") and line.startswith("python3")]
    assert len(set(given)) == 1
    last = (ROOT / ".ci" / "run").read_text(encoding="utf-8").rstrip().splitlines()[-1]
    assert last == given[0]


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    headings = {
        re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")
        for heading in re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    }
    for target in re.findall(r"\]\(([^)]+)\)", text):
        if target.startswith("#"):
            assert target[1:] in headings, target
        elif "://" not in target:
            assert (ROOT / target.split("#")[0]).exists(), target


def test_readme_says_what_must_not_be_missed() -> None:
    readme = re.sub(r"\s+", " ", README.read_text(encoding="utf-8"))
    for words in ("rendered", "NOT validated", "no published range", "never touch the tip", "never shared"):
        assert words in readme, words
    assert f"**{aperture.__version__}**" in readme, "the changelog names this version"


def _project_files() -> list[Path]:
    """What a person wrote: no pictures, nothing that tools leave behind."""
    skipped = {".git", "__pycache__", "build", "dist", "venv", "aperture-demo", "node_modules"}
    kinds = {".py", ".md", ".toml", ".json", ".txt", ".cfg", ".yml", ".yaml", ""}
    files = []
    for path in sorted(ROOT.rglob("*")):
        parts = path.relative_to(ROOT).parts
        hidden = any(part.startswith(".") and part != ".ci" for part in parts[:-1])
        if path.is_file() and not hidden and not skipped & set(parts) and path.suffix in kinds:
            files.append(path)
    return files


def test_no_file_mentions_the_machine_it_was_written_on() -> None:
    # Written in pieces, so that this file does not find itself.
    pattern = re.compile("/" + "work/|/" + r"root/|/" + r"home/\w|[A-Z]:\\" + "Users|/" + r"tmp/\w")
    files = _project_files()
    assert README in files
    assert ROOT / ".ci" / "run" in files
    found = [
        f"{path.relative_to(ROOT)}: {match[0]}"
        for path in files
        if (match := pattern.search(path.read_text(encoding="utf-8")))
    ]
    assert found == []


def rewrite() -> None:
    """Write all tables anew."""
    for (page, name), table in TABLES.items():
        found = between_markers(page, name)
        text = found.string
        page.write_text(
            f"{text[: found.start(2)]}{table()}\n{text[found.end(2) :]}", encoding="utf-8", newline="\n"
        )


if __name__ == "__main__":
    rewrite()
