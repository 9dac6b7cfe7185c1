"""The command: exit statuses, what is printed where, files that it writes, and what wrong use looks like.

Measuring itself is tested elsewhere; here most photos' results are made up, and real files are refused.
"""

import csv
import io
import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

import aperture
from aperture import demo
from aperture.batch import measuring, photo_files
from aperture.cli.app import app
from aperture.settings import load_settings

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos"
ENVIRONMENT = {
    **os.environ,
    "PYTHONPATH": str(Path(aperture.__file__).parents[1]),
    "PYTHONWARNINGS": "default",
}


def run(*arguments, expect=0):
    """Run a command in this process; returns what it printed, standard output and standard error."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert "Traceback" not in result.output
    assert result.exit_code == expect, result.output
    return result.stdout, result.stderr


def run_apart(*arguments, **options):
    """Run a command as a program of its own."""
    command = [sys.executable, "-m", "aperture", *map(str, arguments)]
    return subprocess.run(command, env=ENVIRONMENT, capture_output=True, timeout=120, check=False, **options)


def flat(words):
    """Without the line breaks and frames that a narrow terminal needs."""
    return re.sub(r"[\s│╭╮╰╯─]+", " ", words)


@pytest.fixture
def photos(tmp_path, monkeypatch, measured, refused):
    """A folder of photos whose results are known: reed 1 opens, reed 2 is borderline, one is refused."""
    results = {
        "R1_dry.jpg": {"reed": 1, "state": "dry", "height_mm": 0.05},
        "R1_soaked.jpg": {"reed": 1, "state": "soaked", "height_mm": 0.60},
        "R2_dry.jpg": {"reed": 2, "state": "dry", "height_mm": 7 * 0.2495, "flags": ("marker-missing",)},
    }
    asked = []

    def measure(path, settings, *, reed, state, name=None, photo=None):
        asked.append((settings, reed, state))
        if path.name in results:
            return measured(path, **results[path.name])
        return refused(path, "too-blurred", reed=2, state="soaked")

    monkeypatch.setattr(measuring, "measure", measure)
    folder = tmp_path / "photos"
    folder.mkdir()
    for name in [*results, "R2_soaked.jpg"]:
        (folder / name).touch()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(measure, "asked", asked, raising=False)
    return folder


def asked_of(photos):
    """The settings and options that the (made-up) measuring was called with."""
    return measuring.measure.asked


def measure(*arguments, expect=0):
    # One worker: the made-up results are known to this process only.
    return run("measure", *arguments, "--workers", 1, expect=expect)


# --- what is printed ------------------------------------------------------------------------------


def test_tables_reasons_advice_and_cautions(photos):
    output, _ = measure(photos, expect=3)
    lines = output.splitlines()
    rows = [line.split()[:3] for line in lines[1:5]]
    assert rows == [
        ["R1_dry.jpg", "1", "dry"],
        ["R1_soaked.jpg", "1", "soaked"],
        ["R2_dry.jpg", "2", "dry"],
        ["R2_soaked.jpg", "2", "soaked"],
    ]
    assert "shut" in lines[1]
    assert "0.600 ± 0.020" in lines[2]
    assert "look: borderline" in lines[3]
    assert "refused: too-blurred" in lines[4]
    output = flat(output)
    assert "1 shut → elliptical +0.550 ± 0.028, opened" in output
    assert "R2_soaked.jpg: refused The photo is too blurred. Rest the phone on something" in output
    assert "R2_dry.jpg: have a look The uncertainty reaches over a limit" in output
    assert re.search(r"Probabilities: \d\d % elliptical, \d\d % round\.", output)
    assert "reed 1 soaked: Go on to the checks by hand" in output
    assert "reed 2 dry (have a look first): Rather wide for a dry reed." in output
    assert "marker-missing (R2_dry.jpg) Not all six markers could be used." in output
    assert "the player's teacher decides" in output
    assert "Hold the reed by the cork; never touch the tip." in output


def test_what_to_do_with_a_dry_photo_is_not_said_once_it_is_soaked(photos):
    output, _ = measure(photos / "R1_dry.jpg")
    assert "No verdict yet. Soak it" in flat(output)
    output, _ = measure(photos / "R1_dry.jpg", photos / "R1_soaked.jpg")
    assert "No verdict yet. Soak it" not in flat(output)


def test_photos_of_one_name_are_told_apart(photos):
    for folder in ("a", "b"):
        (photos / folder).mkdir()
        (photos / folder / "R1_dry.jpg").touch()
    output, _ = measure(photos / "a", photos / "b")
    assert [line.split()[0] for line in output.splitlines()[1:3]] == ["a/R1_dry.jpg", "b/R1_dry.jpg"]


def test_brackets_and_control_characters_in_names_are_only_characters(photos):
    name = "[bold]R1[red]\x1b[31m.jpg"
    (photos / name).touch()
    output, _ = measure(photos / name, expect=3)
    assert "[bold]R1[red]\ufffd[31m.jpg" in output


# --- JSON -----------------------------------------------------------------------------------------


def test_json_is_all_there_is_on_standard_output_and_in_order(photos):
    given = [photos / "R2_soaked.jpg", photos / "R2_dry.jpg", photos / "R1_dry.jpg"]
    output, errors = measure("--json", *given, "--csv", "t.csv", "--annotate", "pictures", expect=3)
    records = [json.loads(line) for line in output.splitlines()]
    assert [record["photo"] for record in records] == list(map(str, given))
    assert [record["outcome"] for record in records] == ["refused", "measured", "measured"]
    assert records[0]["height_mm"] is None
    assert records[0]["reason"] == "The photo is too blurred."
    assert errors == ""


def test_each_line_of_json_is_written_when_it_is_ready(tmp_path):
    """A program that reads the lines gets the first one while the others are still being measured."""
    script = (
        "import sys, time\n"
        "from aperture.batch import measuring\n"
        "def slow(path, settings, *, reed, state, name=None, photo=None):\n"
        "    time.sleep(3 if path.name == 'b' else 0)\n"
        "    return measuring.failed(path, '')\n"
        "measuring.measure = slow\n"
        "from aperture.cli.app import main\n"
        "sys.argv = ['aperture', 'measure', 'a', 'b', '--json']\n"
        "main()\n"
    )
    command = [sys.executable, "-c", script]
    with subprocess.Popen(command, env=ENVIRONMENT, stdout=subprocess.PIPE, cwd=tmp_path) as process:
        assert json.loads(process.stdout.readline())["photo"] == "a"
        waited_from = time.monotonic()
        assert json.loads(process.stdout.readline())["photo"] == "b"
        assert time.monotonic() - waited_from > 1.5
        assert process.wait(60) == 3


# --- files ----------------------------------------------------------------------------------------


def test_csv_has_a_row_a_photo(photos, tmp_path):
    output, _ = measure(photos, "--csv", tmp_path / "t.csv", expect=3)
    assert f"Wrote {tmp_path / 't.csv'}" in output.replace("\n", "")
    content = (tmp_path / "t.csv").read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(content)))
    assert [row["outcome"] for row in rows] == ["measured", "measured", "measured", "refused"]
    assert [row["shape"] for row in rows] == ["shut", "elliptical", "elliptical", ""]


def test_annotate_draws_photos_and_pairs_and_a_second_run_does_not_measure_them(photos):
    for _ in range(2):
        output, _ = measure(photos, "--annotate", photos, expect=3)
        assert "Wrote 5 pictures" in output
    assert sorted(path.name for path in photos.glob("*_*ed.jpg") if path.stat().st_size) == [
        "R1_dry_annotated.jpg",
        "R1_soaked_annotated.jpg",
        "R2_dry_annotated.jpg",
        "R2_soaked_annotated.jpg",
        "reed-01_dry-soaked.jpg",
    ]


@pytest.mark.parametrize("option", ["--csv", "--annotate"])
def test_where_nothing_can_be_written_is_said_before_measuring(photos, tmp_path, option):
    (tmp_path / "file").touch()
    place = {"--csv": tmp_path / "nowhere" / "t.csv", "--annotate": tmp_path / "file"}[option]
    _, errors = measure(photos, option, place, expect=2)
    assert str(place) in errors.replace("\n", "") or "t.csv" in errors
    assert asked_of(photos) == []


def test_a_disk_that_is_full_is_said_without_a_traceback(photos, monkeypatch):
    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    _, errors = measure(photos, "--csv", "t.csv", expect=2)
    assert "No space left on device" in errors
    assert not Path("t.csv").exists()


# --- options --------------------------------------------------------------------------------------


def test_options_reach_the_measurement(photos):
    measure(photos / "R1_dry.jpg", "--reed", 7, "--state", "soaked", "--ruler", 48.5, "--tip-offset", 2)
    ((settings, reed, state),) = asked_of(photos)
    assert (reed, state) == (7, "soaked")
    assert (settings.ruler_mm, settings.tip_offset_mm, settings.tip_offset_is_measured) == (48.5, 2.0, True)


def test_an_offset_of_0_that_is_given_was_measured(photos):
    measure(photos / "R1_dry.jpg", "--tip-offset", 0)
    measure(photos / "R1_dry.jpg")
    assert [settings.tip_offset_is_measured for settings, *_ in asked_of(photos)] == [True, False]


def test_a_settings_file_counts_and_options_count_more(photos, tmp_path):
    file = tmp_path / "my.toml"
    file.write_text("ruler_mm = 49.0\n[limits]\nround_from_ratio = 0.3\n", encoding="utf-8")
    measure(photos / "R1_dry.jpg", "--settings", file)
    measure(photos / "R1_dry.jpg", "--settings", file, "--ruler", 51)
    first, second = (settings for settings, *_ in asked_of(photos))
    assert (first.ruler_mm, first.limits.round_from_ratio) == (49.0, 0.3)
    assert (second.ruler_mm, second.limits.round_from_ratio) == (51.0, 0.3)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "PATH"),
        (["a.jpg", "--ruler", "20"], "should lie between 45 and 55 mm"),
        (["a.jpg", "--ruler", "nan"], "ruler_mm"),
        (["a.jpg", "--ruler", "long"], "--ruler"),
        (["a.jpg", "--tip-offset", "300"], "tip_offset_mm"),
        (["a.jpg", "--reed", "0"], "--reed"),
        (["a.jpg", "--reed", "481"], "480"),
        (["a.jpg", "--state", "wet"], "--state"),
        (["a.jpg", "--workers", "-1"], "--workers"),
        (["a.jpg", "--settings", "nothing.toml"], "nothing.toml"),
        (["a.jpg", "--no-such-option"], "--no-such-option"),
    ],
)
def test_wrong_usage(photos, arguments, words):
    output, errors = run("measure", *arguments, expect=2)
    assert output == ""
    assert words in flat(errors)
    assert asked_of(photos) == []


def test_settings_that_are_wrong_name_the_value(photos, tmp_path):
    file = tmp_path / "my.toml"
    file.write_text("[limits]\nround_from = 0.3\n", encoding="utf-8")
    _, errors = measure(photos, "--settings", file, expect=2)
    assert "did you mean round_from_ratio?" in flat(errors)
    file.write_text("ruler_mm = 20.0\n", encoding="utf-8")
    _, errors = measure(photos, "--settings", file, expect=2)
    assert "20 mm" in flat(errors)


def test_folders_without_a_photo_are_wrong_usage(tmp_path):
    (tmp_path / "notes.txt").touch()
    _, errors = run("measure", tmp_path, expect=2)
    assert "there is no photo in" in flat(errors)


# --- real files, measured for real ----------------------------------------------------------------


def test_a_photo_goes_the_whole_way(tmp_path):
    """The truth is that of the mesh from which the photo was rendered; the tag beside the card says 12."""
    photo = PHOTOS / "reed-tag.jpg"
    output, _ = run("measure", "--json", photo, "--annotate", tmp_path)
    record = json.loads(output)
    truth = json.loads(photo.with_suffix(".json").read_text(encoding="utf-8"))["truth"]
    assert (record["outcome"], record["reed"], record["state"]) == ("measured", 12, "dry")
    assert record["height_mm"] == pytest.approx(truth["feret_min_mm"], abs=0.03)
    assert record["ellipse_ratio"] == pytest.approx(truth["ellipse_ratio"], abs=0.006)
    assert (tmp_path / "reed-tag_annotated.jpg").stat().st_size > 50_000


def test_several_processes_find_what_one_finds():
    photos = [PHOTOS / name for name in ("open-09.jpg", "reed-tag.jpg", "empty-notch.jpg")]
    outputs = [run("measure", "--json", *photos, "--workers", count, expect=3)[0] for count in (1, 2)]
    assert outputs[0] == outputs[1]
    assert [json.loads(line)["outcome"] for line in outputs[0].splitlines()] == ["measured"] * 2 + ["refused"]


def test_files_that_are_no_photos_are_refused_and_named(tmp_path):
    (tmp_path / "Ä dry.jpg").write_text("just text")
    (tmp_path / "empty.png").touch()
    output, _ = run("measure", tmp_path / "Ä dry.jpg", tmp_path / "empty.png", tmp_path / "no.jpg", expect=3)
    output = flat(output)
    assert "Ä dry.jpg: refused This is not a photo that can be read" in output
    assert "empty.png: refused The file is empty." in output
    assert "no.jpg: refused There is no such file. Check the path." in output


def test_as_a_program_of_its_own(tmp_path):
    (tmp_path / "tëxt.jpg").write_text("just text")
    done = run_apart("measure", "tëxt.jpg", "no.jpg", "--json", cwd=tmp_path)
    records = [json.loads(line) for line in done.stdout.decode("ascii").splitlines()]
    assert [record["photo"] for record in records] == ["tëxt.jpg", "no.jpg"]
    assert [record["flags"] for record in records] == [["not-a-photo"], ["file-missing"]]
    assert (done.returncode, done.stderr) == (3, b"")


def test_a_terminal_that_knows_few_characters_gets_question_marks(tmp_path):
    environment = {**ENVIRONMENT, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    command = [sys.executable, "-m", "aperture", "measure", "no.jpg"]
    done = subprocess.run(command, env=environment, capture_output=True, cwd=tmp_path, check=False)
    assert (done.returncode, done.stderr) == (3, b"")
    assert b"no.jpg" in done.stdout


@pytest.mark.skipif(os.name == "nt", reason="no such pipes there")
def test_a_reader_that_has_seen_enough_ends_it_quietly(tmp_path):
    names = [f"{number}.jpg" for number in range(2)]
    command = [sys.executable, "-m", "aperture", "measure", "--json", *names]
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        command, env=ENVIRONMENT, stdout=write, stderr=subprocess.PIPE, cwd=tmp_path, check=False
    )
    os.close(write)
    assert done.stderr == b""
    assert done.returncode == 1


@pytest.mark.skipif(os.name == "nt", reason="no such terminals there")
def test_a_progress_bar_on_the_terminal_leaves_json_in_a_file_alone(tmp_path):
    import pty

    terminal, errors = pty.openpty()
    command = [sys.executable, "-m", "aperture", "measure", "--json", "a.jpg", "b.jpg"]
    environment = {**ENVIRONMENT, "TERM": "xterm", "COLUMNS": "80"}
    done = subprocess.run(
        command, env=environment, stdout=subprocess.PIPE, stderr=errors, cwd=tmp_path, check=False
    )
    os.close(errors)
    shown = os.read(terminal, 100_000)
    os.close(terminal)
    assert b"Measuring" in shown
    assert b"a.jpg" not in shown
    assert [json.loads(line)["photo"] for line in done.stdout.splitlines()] == ["a.jpg", "b.jpg"]


# --- the other commands ---------------------------------------------------------------------------


def test_version_and_help():
    assert run("--version")[0] == f"aperture {aperture.__version__}\n"
    output, _ = run("--help")
    assert all(name in output for name in ("measure", "card", "demo", "settings"))
    # Under their own heading, and no sentence is cut off.
    commands, _, of_the_book = output.partition("The reed book:")
    assert "measure" in commands
    assert "intake" not in commands
    assert "intake" in of_the_book
    assert "..." not in of_the_book


def test_help_waits_for_nothing_but_the_command_line():
    heavy = {"cv2", "numpy", "scipy", "skimage", "PIL", "pydantic", "sqlite3", "reportlab", "rich", "jinja2"}
    code = (
        "import sys\n"
        "from typer.testing import CliRunner\n"
        "from aperture.cli.app import app\n"
        "assert CliRunner().invoke(app, ['--help']).exit_code == 0\n"
        f"print({heavy} & set(sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=ENVIRONMENT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "set()"


def test_card_into_a_folder_or_a_file(tmp_path):
    output, _ = run("card", "--out", tmp_path / "new folder", "--paper", "letter", "--png")
    assert (tmp_path / "new folder" / "scale-card-letter.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "new folder" / "scale-card-letter.png").read_bytes().startswith(b"\x89PNG")
    assert "Print it at 100 %" in output
    assert "Cut with scissors, away from the hand." in output
    run("card", "--out", tmp_path / "Kärtchen.pdf", "--first-reed", 27)
    assert (tmp_path / "Kärtchen.pdf").read_bytes().startswith(b"%PDF")


def test_card_into_the_working_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    run("card")
    assert [path.name for path in tmp_path.iterdir()] == ["scale-card-a4.pdf"]


@pytest.mark.parametrize("arguments", [["--paper", "a3"], ["--first-reed", "481"], ["--first-reed", "0"]])
def test_card_wrong_usage(tmp_path, arguments):
    run("card", "--out", tmp_path, *arguments, expect=2)
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def own_settings(tmp_path, monkeypatch):
    path = tmp_path / "config" / "settings.toml"
    monkeypatch.setattr("aperture.settings.settings_path", lambda: path)
    return path


def test_settings_are_shown_and_created_once(own_settings):
    output, _ = run("settings")
    assert str(own_settings) in output
    assert "round_from_ratio = 0.25" in output
    assert not own_settings.exists()
    run("settings", "--write")
    assert own_settings.read_text(encoding="utf-8").startswith("# Settings of aperture.")
    own_settings.write_text("workers = 3\n", encoding="utf-8")
    output, _ = run("settings", "--write")
    assert "was left as it is" in output
    assert own_settings.read_text(encoding="utf-8") == "workers = 3\n"


def test_what_settings_prints_is_a_settings_file(own_settings, tmp_path):
    (tmp_path / "copy.toml").write_text(run("settings")[0], encoding="utf-8")
    assert load_settings(tmp_path / "copy.toml") == load_settings()


def test_settings_says_what_is_wrong_with_the_file(own_settings):
    own_settings.parent.mkdir()
    own_settings.write_text("wrokers = 3\n", encoding="utf-8")
    _, errors = run("settings", expect=2)
    assert "did you mean workers?" in flat(errors)


def test_demo_finds_its_photos_in_a_package_and_in_a_checkout(tmp_path, monkeypatch):
    package = tmp_path / "aperture"
    package.mkdir()
    monkeypatch.setattr(aperture, "__file__", str(package / "__init__.py"))
    _, errors = run("demo", "--out", tmp_path / "out", expect=2)
    assert "demo_images" in flat(errors)
    for folder in (tmp_path / "demo_images", package / "demo_images"):
        folder.mkdir()
        (folder / "a.jpg").touch()
        assert demo.demo_photos() == [folder / "a.jpg"]


def test_an_error_of_the_program_is_words_too(photos, monkeypatch):
    def broken(*arguments):
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(photo_files, "photos_in", broken)
    _, errors = run("measure", photos, expect=1)
    assert "the fault is the program's. ZeroDivisionError: by zero" in flat(errors)


def test_ctrl_c_stops(photos, monkeypatch):
    def interrupted(*arguments, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr(measuring, "measure", interrupted)
    output, errors = measure(photos, expect=130)
    assert output == ""
    assert "Stopped: 0 of 4 photos were measured." in errors


def test_what_was_measured_before_ctrl_c_is_kept(photos, monkeypatch, tmp_path):
    known = measuring.measure

    def interrupted_at_the_third(path, *arguments, **options):
        if path.name == "R2_dry.jpg":
            raise KeyboardInterrupt
        return known(path, *arguments, **options)

    monkeypatch.setattr(measuring, "measure", interrupted_at_the_third)
    output, errors = measure(photos, "--csv", "t.csv", "--annotate", "pictures", expect=130)
    assert [line.split()[0] for line in output.splitlines()[1:3]] == ["R1_dry.jpg", "R1_soaked.jpg"]
    assert "Wrote t.csv" in output
    assert len(Path("t.csv").read_text(encoding="utf-8-sig").splitlines()) == 3
    assert "Stopped: 2 of 4 photos were measured." in errors


# --- what a terminal hands over, and what takes no output ---------------------------------------------------


@pytest.mark.parametrize(
    ("words", "name"),
    [
        (["measure", "a.jpg", "--cluster", "\udcff"], "cluster"),
        (["order", "--need", "3", "--source", "\udcff"], "source"),
        (["enter", "lot", "27a", "--source", "caf\udce9"], "source"),
        (["guide", "\udcff"], "name"),
    ],
)
def test_an_option_that_is_no_text_is_named(words, name, tmp_path):
    """Bytes that are no UTF-8 reach Python as surrogates (PEP 383)."""
    book = ["--book", tmp_path / "reeds.sqlite3"] if words[0] in ("order", "enter") else []
    _, errors = run(*words, *book, expect=2)
    assert f"Invalid value for {name}: that is no text in UTF-8" in flat(errors)


def test_a_file_whose_name_is_no_text_is_measured_like_others(tmp_path):
    output, _ = run("measure", "--json", str(tmp_path / "\udcff.jpg"), expect=3)
    assert json.loads(output)["flags"] == ["file-missing"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that takes nothing")
@pytest.mark.parametrize("words", [["--version"], ["--help"], ["guide", "flags"], ["settings"]], ids=" ".join)
def test_output_that_cannot_be_written_is_said(words):
    command = [sys.executable, "-m", "aperture", *words]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(command, env=ENVIRONMENT, stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith("aperture: ")
    assert done.stderr.count("\n") == 1
    assert "No space left on device" in done.stderr


def test_files_that_are_refused_at_a_glance_need_no_processes(tmp_path, monkeypatch):
    """Counted, not timed: no process is started, and libraries of linear algebra are not looked for."""
    for number in range(300):
        (tmp_path / f"{number}.jpg").touch()
    monkeypatch.setattr("aperture.batch.workers._crew", None)
    monkeypatch.setattr("aperture.measure.one_thread", None)
    output, _ = run("measure", "--json", tmp_path, expect=3)
    assert [json.loads(line)["flags"] for line in output.splitlines()] == [["file-empty"]] * 300
