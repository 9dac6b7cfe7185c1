"""The desk while somebody makes it hard: a few of the trials that are many in the bench, and each rule."""

import asyncio
import json
import logging
import re
import sqlite3
import sys
import threading
from contextlib import closing, contextmanager
from datetime import datetime, timedelta

import httpx2
import pytest

from aperture.book.store import book_file
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.desk import protocol, web
from aperture.desk.complaints import AGAIN_SECONDS, Complaints, heard
from aperture.desk.pages import importing
from aperture.desk.security.crowd import Crowd
from aperture.desk.security.shield import MOST_OF_ONE, Patience, Shield
from aperture.desk.server import Server, listen
from tests.breaking import disks, pressure
from tests.desk.conftest import ADDRESS, Browser
from tests.desk.security.test_doors import Clock
from tests.desk.security.test_doors import headers as photo_headers

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="addresses and limits as Linux has them")


def all_survive(count, tried):
    assert count.troubles == []
    assert count.survived >= tried


@LINUX
def test_silent_connections_shut_nobody_out_and_say_a_line_at_most(tmp_path):
    all_survive(pressure.silent(tmp_path, 600), 10)


@LINUX
def test_slow_ones_take_no_place_of_others_and_come_to_an_end(tmp_path):
    all_survive(pressure.slow(tmp_path, 45), 30)


def test_a_held_lock_keeps_no_page_away_and_is_said(tmp_path):
    all_survive(pressure.held(tmp_path, 1), 14)


def test_a_full_disk_keeps_no_page_away(tmp_path):
    if not disks.can_mount(tmp_path):
        pytest.skip("a small disk can be mounted by root on Linux only")
    all_survive(disks.pages_of_a_full_disk(tmp_path), 12)


# --- connections ---------------------------------------------------------------------------------------


class Guest:
    def __init__(self, address, asking=False, own=False):
        self.address, self.asking, self.own = address, asking, own


def test_the_oldest_that_asks_nothing_has_to_go():
    crowd = Crowd(most_of_one=3, most_of_all=5)
    own, asking, old, newer = (
        Guest("a", own=True),
        Guest("a", asking=True),
        Guest("a"),
        Guest("a"),
    )
    assert [crowd.enter(one) for one in (own, asking, old, newer)] == [None] * 4
    assert crowd.enter(Guest("a")) is old
    crowd.leave(old)
    assert [crowd.enter(Guest("b")) for _ in range(2)] == [None] * 2
    assert crowd.enter(Guest("c")) is newer  # of the address that has the most


def test_where_all_ask_the_new_one_is_turned_away():
    crowd = Crowd(most_of_one=2)
    for _ in range(2):
        assert crowd.enter(Guest("a", asking=True)) is None
    late = Guest("a")
    assert crowd.enter(late) is late


@contextmanager
def serving(desk, said):
    """The desk at work in a thread; its address."""
    listener = listen("127.0.0.1", 0)
    server = Server(desk, complain=said.append)
    thread = threading.Thread(target=server.run, args=([listener],), daemon=True)
    thread.start()
    yield listener.getsockname()
    server.should_exit = True
    thread.join(60)
    assert not thread.is_alive()


@pytest.mark.parametrize("sent", [b"", b"G", b"GET / HTTP/1.1\r\nHost: x\r\n"])
def test_who_asks_nothing_is_not_waited_for(desk, monkeypatch, sent):
    """Nothing, or half a question; the end of the connection is what is waited for."""
    monkeypatch.setattr(protocol, "ASK_SECONDS", 0.2)
    with serving(desk, []) as address, closing(pressure.socket.create_connection(address, 60)) as one:
        one.sendall(sent)
        assert one.recv(100) == b""


def test_who_goes_on_sending_what_is_not_read_is_not_waited_for(desk, monkeypatch):
    """The answer comes before all is there: RFC 9112, 9.3, leaves the rest of the body to be read."""
    monkeypatch.setattr(protocol, "ASK_SECONDS", 0.2)
    head = b"POST /reeds HTTP/1.1\r\nHost: nobody\r\nContent-Length: 100000\r\n\r\n"
    with serving(desk, []) as address, closing(pressure.socket.create_connection(address, 60)) as one:
        one.sendall(head)
        assert one.recv(65536).startswith(b"HTTP/1.1 421")
        one.sendall(b"a part of it")
        assert list(iter(lambda: one.recv(65536), b"")) is not None  # until the connection is closed


# --- places --------------------------------------------------------------------------------------------


def scope_of(client=None, method="GET", **headers):
    named = [(name.encode(), value.encode()) for name, value in {"host": "desk", **headers}.items()]
    return {"type": "http", "method": method, "headers": named, "client": client and (client, 1)}


async def ask(shield, scope, receive=None):
    sent = []

    async def send(message):
        sent.append(message)

    await shield(scope, receive, send)
    return sent


def test_one_address_does_not_take_the_places_of_another():
    async def story():
        release = asyncio.Event()

        async def slow(scope, receive, send):
            await release.wait()

        shield = Shield(slow, ["desk"])
        tasks = [asyncio.create_task(ask(shield, scope_of("10.0.0.9"))) for _ in range(MOST_OF_ONE)]
        await asyncio.sleep(0)
        (refused, _) = await ask(shield, scope_of("10.0.0.9"))
        other = asyncio.create_task(ask(shield, scope_of("10.0.0.8")))
        await asyncio.sleep(0)
        assert not other.done()  # it was let in
        release.set()
        await asyncio.gather(*tasks, other)
        assert shield._going == {}
        return refused["status"]

    assert asyncio.run(story()) == 503


def test_what_comes_too_slowly_has_an_end_and_what_comes_steadily_has_not():
    patience = Patience(grace_seconds=0.1, bytes_a_second=1000.0, end_seconds=60.0)

    async def story(parts):
        came = iter(parts)
        never = asyncio.Event()

        async def receive():
            part = next(came, None)
            if part is None:
                await never.wait()
            return {"type": "http.request", "body": part, "more_body": part != b"end"}

        async def read(scope, receive, send):
            while (await receive())["more_body"]:
                pass

        headers = {"origin": "http://desk", "content-length": "5000"}
        shield = Shield(read, ["desk"], patience=patience)
        async with asyncio.timeout(60):
            await ask(shield, scope_of(method="POST", **headers), receive)

    asyncio.run(story([b"x" * 50] * 20 + [b"end"]))
    with pytest.raises(web.HTTPException) as told:
        asyncio.run(story([b"x"]))
    assert told.value.status_code == 408
    assert told.value.headers == {"Connection": "close"}


def test_an_upload_that_ends_is_said_in_words(app, desk, monkeypatch):
    """The phone's page tries again; a form shows the words."""

    async def too_slow(self):
        raise web.HTTPException(408, "That came too slowly.", {"Connection": "close"})

    phone = Browser(app, pressure.ADDRESS)
    phone.come_in(f"/open/{desk.access.desk_secret}")
    monkeypatch.setattr("aperture.desk.security.shield._Body.__call__", too_slow)
    answer = phone.post("/snap", content=b"x", headers=photo_headers(phone))
    assert answer.status_code == 408
    assert "too slowly" in answer.text
    assert answer.headers["connection"] == "close"


def test_wrong_codes_cost_the_address_that_sends_them(app, desk):
    from starlette.testclient import TestClient

    def phone(address):
        return TestClient(app, base_url=f"http://{ADDRESS}", client=(address, 1))

    def pair(one, secret):
        return one.post("/pair", data={"secret": secret}, headers={"origin": f"http://{ADDRESS}"})

    guesser, right = phone("10.0.0.9"), phone("10.0.0.7")
    secret = desk.access.new_pairing()
    assert [pair(guesser, f"guess{n}").status_code for n in range(6)] == [401] * 6
    assert pair(guesser, secret).status_code == 401
    assert pair(right, secret).status_code == 200


# --- a held lock ---------------------------------------------------------------------------------------


def in_one_loop(app, browser, story):
    """Several requests of the desk's own browser at the same time, as in a running desk."""

    async def told():
        transport = httpx2.ASGITransport(app=app)
        cookies = dict(browser.cookies)
        base = f"http://{ADDRESS}"
        async with httpx2.AsyncClient(transport=transport, base_url=base, cookies=cookies, timeout=60) as one:
            await story(one)

    asyncio.run(told())


def test_pages_are_answered_while_somebody_waits_to_write(app, desk, browser, monkeypatch):
    monkeypatch.setattr(web, "LOCK_WAIT_SECONDS", 60.0)
    waits, really = threading.Event(), book_file.writing

    def writing(connection):
        waits.set()
        return really(connection)

    async def story(one):
        with closing(sqlite3.connect(desk.book_path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            form = {"csrf": browser.csrf, "number": "7"}
            headers = {"origin": f"http://{ADDRESS}"}
            entered = asyncio.create_task(one.post("/reeds", data=form, headers=headers))
            assert await asyncio.to_thread(waits.wait, 60)
            for path in pressure.PAGES:
                if path != "/reed/1":
                    assert (await one.get(path)).status_code == 200
            assert not entered.done()
            other.execute("COMMIT")
        assert (await entered).headers["location"] == "/reed/7"

    monkeypatch.setattr(book_file, "writing", writing)
    in_one_loop(app, browser, story)


# --- long lists ----------------------------------------------------------------------------------------


@pytest.fixture
def unassigned(desk, measured):
    """A book with 130 photos of which nobody knows the reed."""
    record = measured(reed=None, state=None).record()
    with desk.open_book() as book, book.writing():
        for number in range(130):
            when = datetime(2026, 10, 5) + timedelta(minutes=number)
            photo = book.add_photo(f"{number:064x}", f"IMG_{number}.jpg", when, when)
            book.add_filing(photo, Filing(None, None, Soaking(), None, None))
            book.add_reading(photo, record, desk.settings, 0.001, None)
    return desk


@pytest.mark.parametrize(("path", "last"), [("/due", "?page=3"), ("/review", "?page=3&kind=0")])
def test_unassigned_photos_come_in_pages(unassigned, browser, monkeypatch, path, last):
    """And no page reads more of them than it shows."""
    read, really = [], Book.entries

    def entries(self, hashes):
        read.append(len(hashes))
        return really(self, hashes)

    monkeypatch.setattr(Book, "entries", entries)
    monkeypatch.setattr(Book, "unfiled", None)
    shown = [browser.get(path + leaf).text for leaf in ("", last.replace("3", "2"), last)]
    found = [len(re.findall(r'<li\b(?:(?!</li>).)*?href="/review/', text, re.S)) for text in shown]
    assert found == [60, 60, 10]
    assert "IMG_129.jpg" in shown[2]
    assert 'rel="next"' not in shown[2]
    assert 'rel="prev"' in shown[2]
    assert browser.get(f"/review/{60:064x}").status_code == 200
    assert max(read) <= 60


def names_sent(browser, names):
    headers = {"x-csrf": browser.csrf, "content-type": "application/json"}
    return browser.post("/import/names", content=json.dumps(names), headers=headers)


@pytest.mark.parametrize("name", ["7" * 5000, "box/" + "7" * 5000 + ".jpg", "a/" * 500 + "a.jpg"])
def test_a_name_that_no_file_has_is_refused_in_words(browser, name):
    answer = names_sent(browser, [name])
    assert answer.status_code == 400
    assert "too long for a file" in answer.text


def test_names_that_are_too_long_together_are_refused_in_words(browser):
    answer = names_sent(browser, ["x" * 255] * importing.MOST_NAMES)
    assert answer.status_code == 413
    assert "one folder after the other" in answer.text


def test_pages_are_answered_while_names_are_put_in_order(app, browser, monkeypatch):
    begun, go_on = threading.Event(), threading.Event()

    def those_taken(names):
        begun.set()
        assert go_on.wait(60)
        return [0]

    async def story(one):
        headers = {"origin": f"http://{ADDRESS}", "x-csrf": browser.csrf}
        sent = asyncio.create_task(one.post("/import/names", content=b'["a.jpg"]', headers=headers))
        assert await asyncio.to_thread(begun.wait, 60)
        assert (await one.get("/import")).status_code == 200
        go_on.set()
        assert (await sent).json() == [0]

    monkeypatch.setattr(importing, "those_taken", those_taken)
    in_one_loop(app, browser, story)


# --- the terminal --------------------------------------------------------------------------------------


def test_one_kind_of_trouble_is_one_line_and_again_only_later():
    clock, said = Clock(), []
    complaints = Complaints(said.append, clock)
    log = logging.getLogger("asyncio")
    with heard(complaints):
        for _ in range(1000):
            log.error("socket.accept() out of system resource", exc_info=OSError(24, "Too many open files"))
        log.error("a task", exc_info=asyncio.CancelledError())
        assert said == ["This computer refuses: Too many open files."]
        log.error("something else", exc_info=ZeroDivisionError("x\ny"))
        assert len(said) == 2
        assert "\n" not in said[1]
        clock.now += AGAIN_SECONDS
        log.error("socket.accept() out of system resource", exc_info=OSError(24, "Too many open files"))
    assert said[2:] == said[:1]
    assert complaints not in log.handlers


@pytest.mark.parametrize(
    ("error", "status", "lines"),
    [(OSError(28, "No space left on device"), 507, 0), (ZeroDivisionError(), 500, 1)],
)
def test_no_refusal_is_a_traceback_in_the_terminal(desk, monkeypatch, capfd, error, status, lines):
    def fail(request, form):
        raise error

    said = []
    monkeypatch.setattr("aperture.desk.pages.tray.reed_number", lambda *_: fail(*_))
    own = desk.access.open_desk(desk.access.desk_secret)
    with serving(desk, said) as (host, port):
        address = f"http://{host}:{port}"
        desk_here = {"host": ADDRESS, "origin": f"http://{ADDRESS}", "cookie": f"{desk.cookie}={own.key}"}
        for _ in range(3):
            answer = httpx2.post(
                f"{address}/reeds", data={"csrf": own.csrf, "number": "1"}, headers=desk_here
            )
            assert answer.status_code == status
    assert len(said) == lines
    assert "Traceback" not in "".join((*said, *capfd.readouterr()))
