"""Whatever command writes to a path that it was given leaves a file that is there, unless told otherwise."""

import inspect
import os
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from aperture.batch import measuring
from aperture.book.store.ledger import Book
from aperture.cli.app import app
from aperture.cli.options import check_output
from tests.conftest import _measured

LETTER = b"a letter of the user's"
# Of each command that writes a file that is named: how it is typed, and what it writes.
NAMED = {
    "measure": (("measure", "R07_dry.jpg", "--csv", "mine.csv"), "mine.csv"),
    "repeat": (("repeat", "photos", "--csv", "mine.csv"), "mine.csv"),
    "compare": (("compare", "readings.csv", "--plot", "mine.svg"), "mine.svg"),
    "card": (("card", "--out", "mine.pdf"), "mine.pdf"),
    "card into a folder": (("card", "--out", "."), "scale-card-a4.pdf"),
    "a picture of the card": (("card", "--out", "other.pdf", "--png"), "other.png"),
    "return-sheet": (("return-sheet", "26a", "--out", "mine.pdf"), "mine.pdf"),
    "a return sheet that is not named": (("return-sheet", "26a"), "return-sheet-26a.pdf"),
    "export of a workbook": (("export", "--out", ".", "--kind", "xlsx"), "reed-book.xlsx"),
    "export of tables": (("export", "--out", ".", "--kind", "csv"), "reed-book-lots.csv"),
    "export of all": (("export", "--out", "."), "reed-book.json"),
}
# Those that never replace anything, so that they need no leave.
NEVER = {
    "backup": (("backup", "--out", "mine.zip"), "mine.zip"),
    "training": (("export", "--kind", "training", "--out", "."), "mine.zip"),
}


@pytest.fixture
def run(tmp_path, monkeypatch, enter):
    """run(…) types a command in a folder where all can be done; no photo is measured."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("APERTURE_BOOK", str(tmp_path / "book" / "reeds.sqlite3"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))

    def pretend(path, settings, reed=None, state=None, **more):
        return _measured(path, int(path.stem[1:3]), "dry", sha256=path.stem)

    monkeypatch.setattr(measuring, "measure_or_fail", pretend)
    monkeypatch.setattr(measuring, "refused_at_a_glance", lambda path: None, raising=False)
    (tmp_path / "photos").mkdir()
    for name in ("R07_dry.jpg", "photos/R07_dry_1.jpg", "photos/R07_dry_2.jpg", "photos/R07_dry_3.jpg"):
        (tmp_path / name).write_bytes(name.encode())
    (tmp_path / "readings.csv").write_text(
        "reed,state,reading_mm\n1,dry,0.8\n2,dry,0.81\n3,dry,0.7\n4,dry,0.9"
    )
    with Book(tmp_path / "book" / "reeds.sqlite3", create=True) as book:
        book.add_lot("26a", "north")
        for number in range(1, 5):
            reed = book.add_reed(number, "26a")
            enter(book, reed, "dry", height_mm=0.7 + 0.03 * number)
            book.add_decision(reed, book.now(reed), "send back", "leaks", "MB")

    def run_one(words, status):
        result = CliRunner().invoke(app, [*map(str, words)])
        assert result.exit_code == status, result.output
        return " ".join(result.output.split())

    return run_one


@pytest.mark.parametrize("kind", NAMED)
def test_a_file_that_is_there_is_replaced_only_if_that_is_said(run, tmp_path, kind):
    words, name = NAMED[kind]
    words = [*words, "--workers", "1"] if words[0] in ("measure", "repeat", "compare") else words
    target = tmp_path / name
    target.write_bytes(LETTER)
    before = {path: path.read_bytes() for path in tmp_path.glob("*.*") if path.is_file()}
    said = run(words, status=2)
    assert name in said
    assert "--replace" in said
    assert {path: path.read_bytes() for path in tmp_path.glob("*.*") if path.is_file()} == before
    run([*words, "--replace"], status=0)
    assert target.read_bytes() != LETTER
    for path in set(tmp_path.glob("*.*")) - before.keys() | {target}:
        if path.is_file():
            path.unlink()
    run(words, status=0)
    assert target.is_file()


@pytest.mark.parametrize("kind", NEVER)
def test_some_never_replace_anything(run, tmp_path, kind):
    words, name = NEVER[kind]
    (tmp_path / name).write_bytes(LETTER)
    run(words, status=2)
    assert (tmp_path / name).read_bytes() == LETTER


def test_the_same_card_can_be_asked_for_twice(run, tmp_path):
    """As the README's commands can."""
    for _ in range(2):
        run(["card", "--png"], status=0)
    assert run(["card", "--first-reed", "9"], status=2)


def test_every_option_that_names_a_file_to_write_is_tried_above():
    """Options of type Path that say neither what is read nor a folder of pictures."""
    read = {"--settings", "--book", "--annotate"}
    tried = {word for words, _ in (*NAMED.values(), *NEVER.values()) for word in words if word[:2] == "--"}
    found = set()
    commands = [command.callback for command in app.registered_commands]
    for group in app.registered_groups:
        commands += [command.callback for command in group.typer_instance.registered_commands]
    for command in commands:
        for name, parameter in inspect.signature(inspect.unwrap(command)).parameters.items():
            kind, *more = getattr(parameter.annotation, "__metadata__", ()), parameter.annotation
            option = next((one for one in kind if type(one).__name__ == "OptionInfo"), None)
            if option is not None and "Path" in str(more):
                found |= {(option.param_decls or (f"--{name}",))[0]}
    assert found >= {"--csv", "--plot", "--out"}
    assert found - read <= tried


@pytest.mark.parametrize(
    ("path", "why"),
    [(".", "is a folder"), ("nowhere/t.csv", "no folder nowhere"), (os.devnull, "is a device")],
)
def test_where_no_file_can_be_written_is_said_in_words_before_the_work(run, path, why):
    if path == os.devnull and os.name != "posix":
        pytest.skip("Windows has no devices among its files")
    for words in (("measure", "R07_dry.jpg", "--csv"), ("compare", "readings.csv", "--plot")):
        said = run([*words, path, "--replace"], status=2)
        assert why in said
        assert "measured" not in said
    if path == ".":  # a sheet can go into a folder that is named by --out of other commands; a PDF cannot
        assert why in run(("return-sheet", "26a", "--out", path, "--replace"), status=2)


@pytest.mark.skipif(not Path("/dev/fd").is_dir(), reason="no names for what is open")
def test_standard_output_can_be_named(monkeypatch, tmp_path):
    with (tmp_path / "out").open("w") as out:
        monkeypatch.setattr("sys.stdout", out)
        check_output(tmp_path / "out", "--csv", replace=False)
    monkeypatch.undo()
    with pytest.raises(typer.BadParameter):
        check_output(tmp_path / "out", "--csv", replace=False)


@pytest.mark.skipif(os.name != "posix", reason="pipes have names on POSIX only")
def test_a_pipe_can_be_named(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    check_output(tmp_path / "pipe", "--csv", replace=False)
