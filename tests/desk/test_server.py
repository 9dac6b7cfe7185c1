"""A real desk in a process of its own: what it says to strangers, to broken connections and to Ctrl-C."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the desk's packages are not installed: pip install 'aperture[desk]'")

import httpx2

from aperture.desk import server
from aperture.desk.security.shield import HEADERS, MOST_AT_ONCE

ROOT = Path(__file__).parents[2]
PHOTO = ROOT / "fixtures" / "photos" / "reed-tag.jpg"


class Running:
    """A desk that was started as a user does, in a group of processes of its own."""

    def __init__(self, folder, browser=None):
        command = [sys.executable, "-m", "aperture", "desk", "--port", "0"]
        command += ["--book", str(folder / "reeds.sqlite3"), *([] if browser else ["--no-browser"])]
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        if browser:  # as the standard library finds it: documentation of `webbrowser`, BROWSER
            pipes["env"] = {**os.environ, "BROWSER": str(browser), "HOME": str(folder)}
        # As a terminal would start it: Ctrl-C goes to all of the group.
        self.process = subprocess.Popen(command, text=True, cwd=ROOT, start_new_session=True, **pipes)
        self.url = self.process.stdout.readline().split()[-1]
        assert self.process.stdout.readline() == "Ctrl-C closes it.\n"
        self.port = int(re.search(r":(\d+)/", self.url)[1])

    def ask(self, request):
        """What comes back for these bytes, until the connection is closed."""
        with socket.create_connection(("127.0.0.1", self.port), 20) as connection:
            connection.sendall(request)
            return b"".join(iter(lambda: connection.recv(65536), b"")).decode()

    def come_in(self):
        """The head of a request with which the desk's own browser sends a photo."""
        with httpx2.Client(follow_redirects=True) as browser:
            assert browser.get(self.url).status_code == 200
            page = browser.get(f"http://127.0.0.1:{self.port}/snap").text
            cookie = "; ".join(f"{name}={value}" for name, value in browser.cookies.items())
        csrf = re.search('data-csrf="(.*?)"', page)[1]
        head = f"POST /snap HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\n"
        return f"{head}Origin: http://127.0.0.1:{self.port}\r\nCookie: {cookie}\r\nX-CSRF: {csrf}\r\n"

    def close(self):
        """Press Ctrl-C; what was said since, and what was complained of."""
        os.killpg(self.process.pid, signal.SIGINT)
        return self.process.communicate(timeout=30)


@pytest.fixture
def running(tmp_path):
    desk = Running(tmp_path)
    yield desk
    if desk.process.poll() is None:
        desk.close()


NONSENSE = {
    "no HTTP": b"nonsense\r\n\r\n",
    "no header": b"GET / HTTP/1.1\r\nHost: x\r\nbad header\r\n\r\n",
    "too long": b"GET / HTTP/1.1\r\nHost: x\r\nX: " + b"x" * 70_000 + b"\r\n\r\n",
    "a web socket": b"GET / HTTP/1.1\r\nHost: x\r\nConnection: upgrade, close\r\nUpgrade: websocket\r\n\r\n",
    "no length": b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: -1\r\n\r\n",
}


def test_nothing_that_comes_in_is_news_for_the_user_and_ctrl_c_closes_it_in_peace(running):
    """Every answer is strict, also where uvicorn answers; POSIX: status 0 is success."""
    for request in NONSENSE.values():
        answer = running.ask(request)
        assert re.match(r"HTTP/1.1 4\d\d ", answer)
        head = answer.partition("\r\n\r\n")[0].lower().splitlines()
        assert all(head.count(f"{name}: {value}".lower()) == 1 for name, value in HEADERS.items())
    # Connections that ask nothing do not lock the desk's own browser out.
    idle = [socket.create_connection(("127.0.0.1", running.port), 20) for _ in range(MOST_AT_ONCE + 5)]
    head = running.come_in()
    # A photo of which half came: by our script, and in a plain form.
    for kind in ("application/octet-stream", "multipart/form-data; boundary=b"):
        with socket.create_connection(("127.0.0.1", running.port), 20) as connection:
            part = (
                b'--b\r\nContent-Disposition: form-data; name="photo"; filename="x.jpg"\r\n\r\nhalf a photo'
            )
            connection.sendall(f"{head}Content-Type: {kind}\r\nContent-Length: 9000\r\n\r\n".encode() + part)
            time.sleep(0.2)
    for connection in idle:
        connection.close()
    said, complaints = running.close()
    assert complaints == ""
    assert said == "The desk is closed.\n"
    assert running.process.returncode == 0


def test_ctrl_c_gives_up_the_photo_that_is_measured(running):
    head, content = running.come_in(), PHOTO.read_bytes()
    with socket.create_connection(("127.0.0.1", running.port), 20) as connection:
        connection.sendall(f"{head}Content-Length: {len(content)}\r\n\r\n".encode() + content)
        time.sleep(0.3)
        assert running.close() == ("The desk is closed.\n", "")
        answer = connection.recv(65536).decode()
        assert "The desk was closed." in answer or not answer  # where it was too slow to hear of the photo


# In place of a browser that works in the terminal: it comes back only when it was closed. It says what it was
# started with, who may read the file, where that led, and what it got there.
BROWSER = """#!{python}
import json, os, re, signal, stat, sys, urllib.parse, urllib.request
from http.cookiejar import CookieJar
signal.signal(signal.SIGINT, signal.SIG_IGN)
told = dict(words=sys.argv)
try:
    told["file"] = urllib.parse.urlparse(sys.argv[1]).path
    told["mode"] = stat.S_IMODE(os.stat(told["file"]).st_mode)
    address = told["address"] = re.search('url=(http[^"]*)', open(told["file"]).read())[1]
    opener = urllib.request.build_opener(
        urllib.request.ProxyHandler({{}}), urllib.request.HTTPCookieProcessor(CookieJar()))
    told["opened"] = opener.open(address, timeout=30).status
    told["reeds"] = opener.open(address.partition("/open")[0] + "/reeds", timeout=30).status
except OSError as error:
    told["error"] = str(error)
open("{out}", "w").write(json.dumps(told))
"""


@pytest.mark.skipif(os.name != "posix", reason="the browser's stand-in is a script as POSIX starts it")
def test_a_browser_in_the_terminal_is_served_and_the_secret_is_in_no_argument(tmp_path):
    """All users of a computer see the arguments of all programs (proc(5), /proc/pid/cmdline)."""
    script, out = tmp_path / "browser", tmp_path / "told"
    os.mkfifo(out)
    script.write_text(BROWSER.format(python=sys.executable, out=out))
    script.chmod(0o700)
    desk = Running(tmp_path, script)
    told = json.loads(out.read_text())  # waits until it is written
    assert desk.close() == ("The desk is closed.\n", "")
    secret = desk.url.rpartition("/")[2]
    assert not any(secret in word for word in told["words"])
    assert (told.get("opened"), told.get("reeds")) == (200, 200), told
    assert told["address"] == desk.url
    assert told["mode"] == 0o600
    assert not Path(told["file"]).exists()


def test_a_port_is_not_shared_on_windows(monkeypatch):
    """There SO_REUSEADDR lets any program take the port over; SO_EXCLUSIVEADDRUSE is for servers.

    Source: Microsoft, "Using SO_REUSEADDR and SO_EXCLUSIVEADDRUSE" (Winsock documentation). Another option
    stands for the one that only Windows has.
    """
    monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_KEEPALIVE, raising=False)
    for name, options in (("posix", (True, False)), ("nt", (False, True))):
        with monkeypatch.context() as system:
            system.setattr(server.os, "name", name)
            listener = server.listen("127.0.0.1", 0)
        with listener:
            both = (socket.SO_REUSEADDR, socket.SO_KEEPALIVE)
            assert tuple(listener.getsockopt(socket.SOL_SOCKET, one) != 0 for one in both) == options
