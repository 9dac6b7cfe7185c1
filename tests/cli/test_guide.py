"""The command that shows the guide."""

import subprocess
import sys

import pytest
from typer.testing import CliRunner

from aperture.cli.app import app
from aperture.guide.pages import PAGES, page


def run(*arguments, expect=0):
    result = CliRunner().invoke(app, ["guide", *arguments])
    assert result.exit_code == expect, result.output
    return result


def test_lists_every_page_with_its_first_sentence():
    said = run().stdout
    flat = " ".join(said.split())
    for name in PAGES:
        assert f"{name} {page(name).first}" in flat
    assert max(map(len, said.splitlines())) <= 110


@pytest.mark.parametrize("name", PAGES)
def test_shows_a_page_plainly_where_there_is_no_terminal(name):
    assert run(name).stdout.rstrip() == page(name).text.rstrip()


def test_a_page_that_is_not_there_is_answered_with_those_that_are():
    said = run("flag", expect=2).stderr
    assert "no page 'flag'" in said
    assert "flags" in said


@pytest.mark.skipif(sys.platform == "win32", reason="there is no pty on Windows")
def test_a_terminal_gets_headings_and_commands_in_place_of_links():
    import os
    import pty

    leader, follower = pty.openpty()
    command = [sys.executable, "-m", "aperture", "guide", "measuring"]
    with subprocess.Popen(
        command, stdout=follower, stderr=follower, env={**os.environ, "TERM": "xterm"}
    ) as one:
        os.close(follower)
        said = b""
        try:
            while part := os.read(leader, 4096):
                said += part
        except OSError:  # how Linux says that nobody writes any more
            pass
        os.close(leader)
    assert one.returncode == 0
    assert b"\x1b[" in said
    assert b"# Measuring photos" not in said
    assert b"aperture guide json" in said
    assert b"json.md" not in said


def test_neither_the_list_nor_a_plain_page_waits_for_rich():
    code = (
        "import sys; from typer.testing import CliRunner; from aperture.cli.app import app;"
        "assert CliRunner().invoke(app, ['guide']).exit_code == 0;"
        "assert CliRunner().invoke(app, ['guide', 'flags']).exit_code == 0;"
        "sys.exit(', '.join({'rich', 'numpy', 'cv2'} & set(sys.modules)) or None)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
