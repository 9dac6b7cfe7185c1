"""The documentation keeps up with the program: commands, options, flags, settings, keys, modules, figures.

Tables in README.md, DEVELOPERS.md, the guide and FIGURES.md stand between markers and are made from the code
and the recorded figures. After a change, `python tests/test_docs.py` writes them again.
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
from aperture.guide.pages import GUIDE_PICTURES, PAGES, anchor, page, pages
from aperture.guide.terms import TERMS
from aperture.measure import measure
from aperture.present.report import NAMES, quantity
from aperture.settings import Settings
from tests.accuracy import recorded
from tests.accuracy.tables import table, worst_rows
from tests.bench import figures

ROOT = Path(__file__).parents[1]
README, DEVELOPERS = ROOT / "README.md", ROOT / "DEVELOPERS.md"
GUIDE = ROOT / "aperture" / "guide"
BENCH = ROOT / "tests" / "bench" / "FIGURES.md"
DOCUMENTS = [README, DEVELOPERS, recorded.TABLES, BENCH, *(GUIDE / f"{name}.md" for name in PAGES)]
# Whose row of the demo's table the README shows.
SAMPLE = "R06_dry_retake.jpg"
# One page that somebody reads to the end.
MOST_LINES, MOST_BYTES, MOST_PICTURE_BYTES = 150, 12_000, 150_000
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


def flag_paragraphs() -> str:
    """Every flag under a heading of its own, to which links lead; the gravest first."""
    parts: list[str] = []
    for effect, heading in EFFECTS.items():
        parts.append(f"## {heading}")
        for flag in FLAGS.values():
            if flag.effect == effect:
                parts += [f"### {flag.code}", f"{flag.sentence} **What to do:** {flag.advice}"]
    return "\n\n".join(parts)


def term_paragraphs() -> str:
    """Every word that needs a plain one, with its meaning."""
    return "\n\n".join(f"## {word}\n\n{meaning}" for word, meaning in TERMS.items())


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


def sample_row() -> str:
    """One row of the demo's table, as `aperture measure` prints it in a wide window, as code."""
    measured = measure(ROOT / "demo_images" / SAMPLE, Settings())
    values = (SAMPLE, str(measured.reed), str(measured.state), str(measured.record()["shape"]))
    rows = (
        ("photo", "reed", "state", "class", *NAMES.values()),
        (*values, *(quantity(measured, name) for name in NAMES)),
    )
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
    return "\n".join(["```text", *lines, "```"])


def worst_table() -> str:
    """What a buyer should know of all recorded figures, the missed aims first."""
    rows = worst_rows(recorded.read().cases()) + figures.worst_rows(figures.recorded())
    return table(["What", "Aim", "Found", ""], sorted(rows, key=lambda row: "missed" not in row[3]))


TABLES = {
    (README, "worst"): worst_table,
    (README, "sample"): sample_row,
    (GUIDE / "flags.md", "flags"): flag_paragraphs,
    (GUIDE / "terms.md", "terms"): term_paragraphs,
    (BENCH, "bench"): bench_tables,
    (GUIDE / "settings.md", "settings"): settings_table,
    (DEVELOPERS, "modules"): module_table,
}


def between_markers(document: Path, name: str) -> re.Match[str]:
    """The part of a page between two markers; groups: opening marker, content, closing marker."""
    text = document.read_text(encoding="utf-8")
    found = re.search(rf"(<!-- {name}: [^>]*-->\n)(.*?)(<!-- end of {name} -->)", text, re.DOTALL)
    assert found is not None, f"{document.name} has no markers for {name}"
    return found


def _guide() -> str:
    return "\n".join(page(name).text for name in PAGES)


def _all() -> str:
    return "\n".join(document.read_text(encoding="utf-8") for document in DOCUMENTS)


# Measured again: on another processor the last digit can be another.
EXACT = {place: make for place, make in TABLES.items() if make is not sample_row}


def test_sample_in_the_readme_is_not_stale() -> None:
    """The same words, and numbers that differ by one in the last digit at most."""
    number = re.compile(r"\d+\.\d+")
    shown, now = between_markers(README, "sample")[2].strip(), sample_row()
    assert number.sub("", shown).split() == number.sub("", now).split(), "run python tests/test_docs.py"
    for one, other in zip(number.findall(shown), number.findall(now), strict=True):
        last_digit = 10.0 ** -min(len(text.partition(".")[2]) for text in (one, other))
        assert abs(float(one) - float(other)) < 1.5 * last_digit, "run python tests/test_docs.py"


@pytest.mark.parametrize(("document", "name"), EXACT, ids=[name for _, name in EXACT])
def test_table_is_not_stale(document: Path, name: str) -> None:
    assert between_markers(document, name)[2].strip() == TABLES[document, name](), (
        "run python tests/test_docs.py"
    )


@pytest.mark.parametrize("name", COMMANDS)
def test_command_and_its_options_are_in_the_guide(name: str) -> None:
    guide = _guide()
    assert f"aperture {name}" in guide
    for parameter in COMMANDS[name].params:
        if parameter.param_type_name == "option":
            assert re.search(rf"[` ]{parameter.opts[0]}\b", guide) or any(
                re.search(rf"[` ]{option}\b", guide) for option in parameter.secondary_opts
            ), parameter.opts


def test_every_flag_has_a_paragraph_with_its_anchor_and_no_other_has() -> None:
    """What the desk links to."""
    named = re.findall(r"^### (.*)$", page("flags").text, re.MULTILINE)
    assert sorted(named) == sorted(FLAGS)
    assert [anchor(code) for code in named] == named


def test_every_setting_is_in_the_guide() -> None:
    named = re.findall(r"^\| `([a-z_.]+)` \|", page("settings").text, re.MULTILINE)
    assert len(named) == len(set(named)) > 20
    assert {"ruler_mm", "limits.round_from_ratio", "soaking.wetted"} <= set(named)


def test_keys_of_the_json_output_are_in_the_guide(tmp_path: Path) -> None:
    words = page("json").text
    assert [key for key in measure(tmp_path / "none.jpg").record() if f"`{key}`" not in words] == []


def _code_lines() -> list[str]:
    blocks = re.findall(r"^```[a-z]*\n(.*?)^```", _all(), re.DOTALL | re.MULTILINE)
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


def _headings(document: Path) -> set[str]:
    text = document.read_text(encoding="utf-8")
    return {anchor(heading) for heading in re.findall(r"^#+ (.*)$", text, re.MULTILINE)}


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(document: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", document.read_text(encoding="utf-8")):
        if "://" in target:
            continue
        name, _, part = target.partition("#")
        file = document.parent / name if name else document
        assert file.exists(), target
        # What is shipped may not lead out of the guide.
        assert document.parent != GUIDE or file.is_relative_to(GUIDE), target
        if part:
            assert part in _headings(file), target


# --- one page to read, and the rest in the guide --------------------------------------------------------


def test_readme_is_one_page() -> None:
    text = README.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= MOST_LINES
    assert len(text.encode()) <= MOST_BYTES


def test_readme_has_what_must_not_be_missed() -> None:
    readme = re.sub(r"\s+", " ", README.read_text(encoding="utf-8"))
    for words in ("rendered", "NOT validated", "no published range", "never touch the tip", "never shared"):
        assert words in readme, words
    assert "**missed**" in between_markers(README, "worst")[2], "the figures that miss their aims"


def test_changelog_names_this_version() -> None:
    assert f"\n## {aperture.__version__}\n" in page("changelog").text


def test_every_page_is_listed_and_begins_with_a_sentence() -> None:
    assert sorted(PAGES) == sorted(file.stem for file in GUIDE.glob("*.md"))
    readme = README.read_text(encoding="utf-8")
    for one in pages():
        assert one.text.startswith(f"# {one.title}\n\n"), one.name
        assert one.first.endswith("."), one.first
        assert len(one.first) < 200, one.first
        assert "<!--" not in one.text, one.name
        assert f"(aperture/guide/{one.name}.md)" in readme, one.name


def test_pictures_are_small_and_shown() -> None:
    shown = re.findall(r"!\[[^\]]+\]\((?:aperture/guide/)?pictures/([^)]+)\)", _all())
    files = sorted(GUIDE_PICTURES.iterdir())
    assert sorted(set(shown)) == [file.name for file in files]
    assert [file.name for file in files if file.stat().st_size >= MOST_PICTURE_BYTES] == []


def test_ten_likely_changes_name_files_that_exist() -> None:
    text = DEVELOPERS.read_text(encoding="utf-8").split("## Ten likely changes")[1].split("\n## ")[0]
    rows = text.strip().splitlines()[-10:]
    assert all(re.match(r"\| .* \| `[\w/.]+`: ", row) for row in rows)
    named = set(re.findall(r"`([\w/]+(?:/|\.py|\.html))`", text))
    assert len(named) >= 15
    places = (ROOT, ROOT / "aperture")
    assert [name for name in sorted(named) if not any((place / name).exists() for place in places)] == []


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
    """Write all tables again."""
    for (document, name), make in TABLES.items():
        found = between_markers(document, name)
        text = found.string
        document.write_text(
            f"{text[: found.start(2)]}{make()}\n{text[found.end(2) :]}", encoding="utf-8", newline="\n"
        )


if __name__ == "__main__":
    rewrite()
