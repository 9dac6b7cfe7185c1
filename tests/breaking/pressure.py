"""A desk under pressure: connections that are silent or slow, a write lock that somebody holds."""

import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from unittest.mock import patch

from aperture.desk import web
from aperture.desk.app import create_app
from aperture.desk.security import shield
from aperture.desk.security.access import Access
from aperture.desk.security.shield import Patience
from aperture.desk.server import Server, listen
from aperture.desk.web import Desk
from aperture.settings import Settings
from tests.breaking import Count, a_book, check_whole, everything
from tests.breaking.killing import RealDesk
from tests.breaking.oddities import _held
from tests.desk.conftest import ADDRESS, Browser, InThisProcess

PAGES = ("/reeds", "/reed/1", "/due", "/review", "/lots", "/import", "/snap", "/phone", "/help")
# Fewer files than some system lets a program open.
FEW_FILES = 256
# Who is who, by address. All of 127.0.0.0/8 is this computer (RFC 1122, 3.2.1.3), on Linux as it stands.
STRANGER, SLOW_PHONE, PHONE, NEW_PHONE = (f"127.0.0.{number}" for number in (2, 3, 4, 5))


def silent(folder: Path, connections: int) -> Count:
    """A desk that may open few files, and more connections than that which ask nothing, or half of something.

    Its own browser gets each page, and the terminal at most a line.
    """
    import resource

    count = Count(note=f"{connections} connections, {FEW_FILES} files at most")
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(most, connections + 1000), most))
    complaints = folder / "complaints"
    few = partial(resource.setrlimit, resource.RLIMIT_NOFILE, (FEW_FILES, FEW_FILES))
    with complaints.open("wb") as file:
        desk = RealDesk(a_book(folder / "reeds.sqlite3"), folder, stderr=file, preexec_fn=few)
        host, port = desk.address.removeprefix("http://").split(":")
        with ExitStack() as open_ones:
            try:
                for number in range(connections):
                    one = open_ones.enter_context(socket.create_connection((host, int(port)), 60))
                    if number % 2:
                        one.sendall(b"GET / HTTP/1.1\r\nHo")
                for path in PAGES:
                    with count.trial(path):
                        assert desk.browser.open(desk.address + path, timeout=60).status == 200
                with count.trial("the terminal"):
                    said = complaints.read_text().splitlines()
                    assert len(said) <= 1, said[:5]
                    assert "Traceback" not in "".join(said)
            finally:
                desk.kill()
    return count


@contextmanager
def _serving(folder: Path) -> Iterator[tuple[Desk, list[str]]]:
    """A desk that serves in a thread, and what it says in the terminal."""
    listener = listen("127.0.0.1", 0)
    address = f"127.0.0.1:{listener.getsockname()[1]}"
    said: list[str] = []
    desk = Desk(a_book(folder / "reeds.sqlite3"), Settings(), Access(), address, address)
    desk.state.worker = InThisProcess()
    server = Server(desk, complain=said.append)
    thread = threading.Thread(target=server.run, args=([listener],), daemon=True)
    thread.start()
    try:
        yield desk, said
    finally:
        server.should_exit = True
        thread.join(60)


def _asked(desk: Desk, path: str, key: str = "", source: str = "127.0.0.1", **more: Any) -> tuple[int, bytes]:
    """The status of an answer and what is in it."""
    host, port = desk.address.split(":")
    connection = HTTPConnection(host, int(port), timeout=60, source_address=(source, 0))
    headers = {"Cookie": f"{desk.cookie}={key}", "Origin": f"http://{desk.address}", "Connection": "close"}
    try:
        connection.request(
            more.pop("method", "GET"), path, headers={**headers, **more.pop("headers", {})}, **more
        )
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def _stalled(desk: Desk, path: str, source: str, headers: str = "") -> socket.socket:
    """A request of which only the beginning comes."""
    host, port = desk.address.split(":")
    one = socket.create_connection((host, int(port)), 60, source_address=(source, 0))
    head = f"POST {path} HTTP/1.1\r\nHost: {desk.address}\r\nOrigin: http://{desk.address}\r\n{headers}"
    one.sendall(f"{head}Content-Length: 5000\r\n\r\nhalf".encode())
    return one


def _crowd(desk: Desk, many: int) -> list[socket.socket]:
    """A stranger's slow requests, and the stalled uploads of a phone that was let in."""
    phone = desk.access.pair(desk.access.new_pairing())
    assert phone is not None
    headers = f"Cookie: {desk.cookie}={phone.key}\r\nX-CSRF: {phone.csrf}\r\nX-Name: a.jpg\r\n"
    form = "Content-Type: application/x-www-form-urlencoded\r\n"
    found = [_stalled(desk, "/pair", STRANGER, form) for _ in range(many)]
    return found + [_stalled(desk, "/snap", SLOW_PHONE, headers) for _ in range(many)]


def slow(folder: Path, many: int) -> Count:
    """A stranger's slow requests, a phone's stalled uploads and wrong codes: the others are answered.

    After that the same with less patience: each of the slow ones comes to an end.
    """
    count = Count(note=f"{many} of a stranger, {many} of a phone, wrong codes")
    with _serving(folder) as (desk, said), ExitStack() as open_ones:
        own = desk.access.open_desk(desk.access.desk_secret)
        other = desk.access.pair(desk.access.new_pairing())
        assert own is not None
        assert other is not None
        for one in _crowd(desk, many):
            open_ones.enter_context(one)
        form = {"Content-Type": "application/x-www-form-urlencoded"}
        for _ in range(10):
            _asked(desk, "/pair", source=SLOW_PHONE, method="POST", body="secret=wrong", headers=form)
        for path in PAGES:
            with count.trial(f"the desk's own browser: {path}"):
                assert _asked(desk, path, own.key)[0] == 200
        with count.trial("another phone"):
            assert _asked(desk, "/snap", other.key, PHONE)[0] == 200
        with count.trial("a phone with the right code"):
            body = f"secret={desk.access.new_pairing()}"
            assert _asked(desk, "/pair", "", NEW_PHONE, method="POST", body=body, headers=form)[0] == 303
        with count.trial("the terminal"):
            assert len(said) <= 1, said  # that somebody connects very often
            assert "Traceback" not in "".join(said)
    short = partial(Patience, grace_seconds=0.2)
    with patch.object(shield, "Patience", short), _serving(folder / "again") as (desk, said):
        ends = [(one, count.trial("the end of a slow one")) for one in _crowd(desk, shield.MOST_OF_ONE)]
        for one, trial in ends:
            with trial, one:
                answer = b"".join(iter(lambda: one.recv(65536), b""))  # noqa: B023 (used at once)
                assert answer.startswith(b"HTTP/1.1 408"), answer[:40]
    return count


def held(folder: Path, rounds: int) -> Count:
    """A write lock that another process holds: each page can be read, and who writes is told in words."""
    count = Count(note="pages that read, and forms")
    desk = Desk(a_book(folder / "reeds.sqlite3"), Settings(), Access(), ADDRESS, None)
    app = create_app(desk)
    app.app_of_ours = desk
    before = everything(desk.book_path)
    forms = {
        "/reeds": {"number": "77"},
        "/lots": {"code": "27b", "source": "north"},
        "/reed/1/check": {"leak": "no"},
    }
    with Browser(app) as browser, patch.object(web, "LOCK_WAIT_SECONDS", 0.1):
        browser.come_in(f"/open/{desk.access.desk_secret}")
        for _ in range(rounds):
            with _held(desk.book_path, "BEGIN IMMEDIATE"):
                for path in PAGES:
                    with count.trial(path):
                        assert browser.get(path).status_code == 200
                for path, form in forms.items():
                    with count.trial(f"a form: {path}"):
                        answer = browser.post(path, form)
                        assert answer.status_code == 503
                        assert "being written to" in answer.text
            with count.trial("afterwards"):
                assert everything(desk.book_path) == before
                check_whole(desk.book_path)
        with count.trial("in the end"):
            assert browser.post("/reeds", forms["/reeds"]).status_code == 200
    return count
