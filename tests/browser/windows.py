"""The desk in a real browser: one for all files that a process of the tests takes; a new book for each test.

Needs Chromium (Debian's package `chromium`) and the packages of the extra `browser`; without them these
tests are skipped, unless CI is set: then they fail. Set `APERTURE_SHOTS` to a folder to keep a picture of
every page.
"""

# What is imported below is only there if the browser is.
# ruff: noqa: E402

import os
import re
import shutil
import threading
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
if CHROMIUM is None and os.environ.get("CI") != "true":
    pytest.skip("no browser is installed: the pages were not tried in one", allow_module_level=True)
if os.environ.get("CI") != "true":
    pytest.importorskip("playwright", reason="the packages of the extra `browser` are not installed")

import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright

from aperture.book.store.ledger import Book
from aperture.book.store.records import Soaking
from aperture.desk.app import create_app
from aperture.desk.intake.work import Worker
from aperture.desk.security.access import Access
from aperture.desk.server import listen
from aperture.desk.web import Desk
from aperture.settings import Settings, change_settings
from tests.book.conftest import enter  # noqa: F401 (a fixture)

PHONE = {"width": 390, "height": 844}
LAPTOP = {"width": 1280, "height": 800}
DRY = ROOT / "fixtures" / "photos" / "reed-tag.jpg"  # reed 12, dry
NOT_NAMED = ROOT / "fixtures" / "photos" / "open-09.jpg"
SHAKEN = ROOT / "fixtures" / "photos" / "shaken.jpg"
ROUND = {"height_mm": 2.1, "width_mm": 6.4}
PAGES = [
    "/reeds",
    "/reeds?all=1",
    "/reed/7",
    "/due",
    "/lots?need=12&sure=90",
    "/lots?change=26a",
    "/lots?need=many",
    "/review",
    "/review/PHOTO",
    "/review/NOBODY",
    "/review/ROUND",
    "/import",
    "/phone",
    "/snap",
    "/help",
    "/help/flags",
    "/help/how-it-measures",
    "/help/desk",
]


@pytest.fixture(scope="package")
def one_browser():
    """It ends with the tests of this folder: while it runs, its thread can have no other event loop."""
    with sync_playwright() as playwright:
        # Without a sandbox of its own: the tests run as root in CI.
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def chromium(one_browser):
    return one_browser


@pytest.fixture(scope="package")
def one_worker():
    with Worker() as worker:
        yield worker


@pytest.fixture
def worker(one_worker):
    """A process that measures, warm from the test before. It knows no book but the one of its order."""
    return one_worker


@contextmanager
def serving(server, socket):
    """The server at work on a socket, in a thread."""
    thread = threading.Thread(target=server.run, args=([socket],), daemon=True)
    thread.start()
    yield
    server.should_exit = True
    thread.join(20)


@pytest.fixture
def desk(tmp_path, worker, enter):  # noqa: F811
    """A running desk with a lot of two reeds, one of them round."""
    path = tmp_path / "reeds.sqlite3"
    with Book(path, create=True) as book:
        book.add_lot("26a", "north", date(2026, 9, 14), date(2036, 10, 19), 21.0, "medium")
        soaking = Soaking(30.0, "room", "water", "new")
        for number, numbers in ((6, {}), (7, ROUND)):
            reed = book.add_reed(number, "26a")
            enter(book, reed, "dry", datetime(2026, 10, 5, 14, number))
            enter(book, reed, "soaked", datetime(2026, 10, 5, 15, number), soaking, **numbers)
    socket = listen("127.0.0.1", 0)
    address = f"127.0.0.1:{socket.getsockname()[1]}"
    # The phone of the test knows the desk by another of its names.
    lan = address.replace("127.0.0.1", "localhost")
    desk = Desk(path, change_settings(Settings(), {"workers": 1}), Access(), address, lan)
    desk.state.worker = worker
    server = uvicorn.Server(uvicorn.Config(create_app(desk), log_level="warning"))
    with serving(server, socket):
        yield desk
        # Else a page that waits for news of an import holds the server up for as long as that may take.
        desk.state.arrivals.close()


class Watch:
    """A window whose requests and complaints are watched: nothing may go outside."""

    def __init__(self, chromium, desk, size, name):
        self.desk, self.name, self.outside, self.complaints = desk, name, [], []
        self.context = chromium.new_context(viewport=size, has_touch=size is PHONE)
        self.context.route("**/*", self._judge)
        self.page = self.context.new_page()
        self.page.on("console", lambda message: self._hear(message.type, message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _judge(self, route):
        ours = re.match(r"(http://(127\.0\.0\.1|localhost):\d+/|blob:|data:)", route.request.url)
        if ours:
            route.continue_()
        else:
            self.outside.append(route.request.url)
            route.abort()

    def _hear(self, kind, text):
        # A page that answers 404 or 409 is logged by the browser; that is what was asked for.
        if kind == "error" and "status of" not in text:
            self.complaints.append(text)

    def go(self, path):
        self.page.goto(f"http://{self.desk.address}{path}")

    def shot(self, name):
        folder = os.environ.get("APERTURE_SHOTS")
        if folder:
            self.page.screenshot(path=Path(folder) / f"{self.name}-{name}.png", full_page=True)

    def close(self):
        self.context.close()
        assert self.outside == []
        assert self.complaints == []


@pytest.fixture
def laptop(chromium, desk):
    window = Watch(chromium, desk, LAPTOP, "laptop")
    window.go(f"/open/{desk.access.desk_secret}")
    window.page.wait_for_url("**/due")  # the page leads on by itself, later than it is loaded
    yield window
    window.close()


@pytest.fixture
def phone(chromium, desk):
    """A phone that has not scanned the code yet."""
    window = Watch(chromium, desk, PHONE, "phone")
    yield window
    window.close()


def scan(phone, desk):
    phone.page.goto(f"http://{desk.lan_address}/pair/{desk.access.new_pairing()}")
    phone.shot("pair")
    phone.page.get_by_role("button", name="Use this phone").click()
    expect(phone.page.get_by_role("heading", level=1)).to_have_text("Take a photo of the tip")
    phone.page.wait_for_load_state()


def laptop_photo(desk, photo=DRY):
    """A photo that was really measured; if nothing is said, of reed 12."""
    from aperture.book.photos.intake import take_in

    with desk.open_book() as book:
        (arrival,) = take_in(book, [photo], desk.settings)
        return arrival.sha256


def clean(window, name):
    """axe-core finds nothing, and nothing is wider than the window."""
    found = Axe().run(window.page)
    window.shot(name)
    assert found.violations_count == 0, found.generate_report()
    width = window.page.viewport_size["width"]
    assert window.page.evaluate("document.documentElement.scrollWidth") <= width
