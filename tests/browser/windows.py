"""The desk in a real browser: one browser, with its windows, and one server for all files that a process
of the tests takes; a new desk with a book of its own for each test.

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

from aperture.book.photos.intake import take_in
from aperture.book.store.ledger import Book
from aperture.book.store.records import Soaking
from aperture.desk.app import create_app
from aperture.desk.intake.work import Worker
from aperture.desk.security.access import Access
from aperture.desk.server import listen
from aperture.desk.web import Desk
from aperture.settings import Settings, change_settings
from tests.book.conftest import enter, entering  # noqa: F401 (a fixture)
from tests.conftest import _measured

PHONE = {"width": 390, "height": 844}
LAPTOP = {"width": 1280, "height": 800}
DRY = ROOT / "fixtures" / "photos" / "reed-tag.jpg"  # reed 12, dry
NOT_NAMED = ROOT / "fixtures" / "photos" / "open-09.jpg"
SHAKEN = ROOT / "fixtures" / "photos" / "shaken.jpg"
ROUND = {"height_mm": 2.1, "width_mm": 6.4}
ONE_WORKER = change_settings(Settings(), {"workers": 1})
# Whatever a page asks for, nothing leaves this computer.
NOWHERE = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost"
OURS = re.compile(r"(http://(127\.0\.0\.1|localhost):\d+/|blob:|data:|about:)")


@pytest.fixture(scope="package")
def one_browser():
    """It ends with the tests of this folder: while it runs, its thread can have no other event loop."""
    with sync_playwright() as playwright:
        # Without a sandbox of its own: the tests run as root in CI.
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", NOWHERE])
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


class House:
    """One server for all tests; the desk that is in answers."""

    def __init__(self, port):
        self.address = f"127.0.0.1:{port}"
        # The phone of the test knows the desk by another of its names.
        self.lan_address = f"localhost:{port}"
        self._app = None

    async def __call__(self, scope, receive, send):
        await self._app(scope, receive, send)

    def new_desk(self, book_path, worker, settings=ONE_WORKER):
        desk = Desk(book_path, settings, Access(), self.address, self.lan_address)
        self._app = create_app(desk)
        desk.state.worker = worker
        return desk


@pytest.fixture(scope="package")
def house():
    socket = listen("127.0.0.1", 0)
    house = House(socket.getsockname()[1])
    with serving(uvicorn.Server(uvicorn.Config(house, lifespan="off", log_level="warning")), socket):
        yield house


def two_reeds(book, enter_one):
    """A lot of two reeds, one of them round."""
    book.add_lot("26a", "north", date(2026, 9, 14), date(2036, 10, 19), 21.0, "medium")
    soaking = Soaking(30.0, "room", "water", "new")
    for number, numbers in ((6, {}), (7, ROUND)):
        reed = book.add_reed(number, "26a")
        enter_one(book, reed, "dry", datetime(2026, 10, 5, 14, number))
        enter_one(book, reed, "soaked", datetime(2026, 10, 5, 15, number), soaking, **numbers)


@pytest.fixture(scope="session")
def book_of_two(tmp_path_factory):
    """The file of a book with a lot of two reeds, to be copied."""
    path = tmp_path_factory.mktemp("two") / "reeds.sqlite3"
    with Book(path, create=True) as book:
        two_reeds(book, entering(_measured))
    return path


@pytest.fixture(scope="session")
def two_photos(book_of_two, tmp_path_factory):
    """A folder with that book and two photos really measured, of reed 12 and of nobody; their hashes."""
    folder = tmp_path_factory.mktemp("photos")
    with Book(Path(shutil.copy(book_of_two, folder))) as book:
        nobody, twelve = take_in(book, [NOT_NAMED, DRY], ONE_WORKER)
        return folder, twelve.sha256, nobody.sha256


@pytest.fixture
def desk(tmp_path, house, worker, book_of_two):
    """A running desk with a lot of two reeds, one of them round."""
    desk = house.new_desk(Path(shutil.copy(book_of_two, tmp_path)), worker)
    yield desk
    # Else a page that waits for news of an import waits for as long as that may take.
    desk.state.arrivals.close()


class Watch:
    """A window whose requests and complaints are watched: nothing may go outside.

    It is one of the `Windows`, which lend it.
    """

    def __init__(self, context, page, size, name):
        self.context, self.page, self.size, self.name = context, page, size, name
        self.desk, self.outside, self.complaints, self.failed = None, [], [], []
        self._heard = {
            "request": self._judge,
            "console": self._hear,
            "pageerror": lambda error: self.failed.append(str(error)),
        }

    def _judge(self, request):
        if not OURS.match(request.url):
            self.outside.append(request.url)

    def _hear(self, message):
        # A page that answers 404 or 409 is logged by the browser; that is what was asked for.
        if message.type == "error" and "status of" not in message.text:
            self.complaints.append(message.text)

    def open(self, desk):
        """Begin with this desk: known to nobody, nothing on the page."""
        self.desk = desk
        for event, listener in self._heard.items():
            self.page.on(event, listener)

    def come_in(self):
        """As the desk's own browser; how its address lets one in is tried in `test_story.py`."""
        session = self.desk.access.open_desk(self.desk.access.desk_secret)
        cookie = {"name": self.desk.cookie, "value": session.key, "httpOnly": True, "sameSite": "Strict"}
        self.context.add_cookies([{**cookie, "url": f"http://{self.desk.address}"}])

    def go(self, path):
        self.page.goto(f"http://{self.desk.address}{path}")

    def shot(self, name):
        folder = os.environ.get("APERTURE_SHOTS")
        if folder:
            self.page.screenshot(path=Path(folder) / f"{self.name}-{name}.png", full_page=True)

    def close(self):
        """Leave it as it was opened, for the next test."""
        self.page.unroute_all(behavior="ignoreErrors")
        for event, listener in self._heard.items():
            self.page.remove_listener(event, listener)
        if not self.page.url.startswith("http:"):
            self.go("/static/mark.svg")
        self.page.evaluate("localStorage.clear(); sessionStorage.clear()")
        self.page.goto("about:blank")
        self.page.emulate_media(media="null", color_scheme="light")
        self.page.set_viewport_size(self.size)
        self.context.clear_cookies()
        assert self.outside == [], self.outside
        assert self.complaints == [], self.complaints
        assert self.failed == [], self.failed


class Windows:
    """The browser's windows, one of a kind: to open one takes longer than most of what is done in it."""

    def __init__(self, browser):
        self._browser, self._known = browser, {}

    @contextmanager
    def lent(self, desk, size, name, script=None, **more):
        """A window of this size, a phone's with a screen to be touched; each page begins with the script."""
        kind = self._known.pop(name, None)
        if kind is None:
            context = self._browser.new_context(viewport=size, has_touch=size is PHONE, **more)
            if script is not None:
                context.add_init_script(script)
            kind = context, context.new_page()
        window = Watch(*kind, size, name)
        window.open(desk)
        yield window
        window.close()
        self._known[name] = kind  # one that was not left clean is not lent again


@pytest.fixture(scope="package")
def windows(one_browser):
    return Windows(one_browser)


@pytest.fixture
def laptop(windows, desk):
    """The desk's own browser; no page is open yet."""
    with windows.lent(desk, LAPTOP, "laptop") as window:
        window.come_in()
        yield window


@pytest.fixture
def phone(windows, desk):
    """A phone that has not scanned the code yet."""
    with windows.lent(desk, PHONE, "phone") as window:
        yield window


def scan(phone, desk):
    phone.page.goto(f"http://{desk.lan_address}/pair/{desk.access.new_pairing()}")
    phone.shot("pair")
    phone.page.get_by_role("button", name="Use this phone").click()
    expect(phone.page.get_by_role("heading", level=1)).to_have_text("Take a photo of the tip")
    phone.page.wait_for_load_state()


def review_of_twelve(desk, window, two_photos):
    """A window with the review of a photo that was really measured; another one waits."""
    folder, window.sha, _ = two_photos
    shutil.copytree(folder, desk.book_path.parent, dirs_exist_ok=True)
    window.go(f"/review/{window.sha}")
    return window


@pytest.fixture
def review(desk, laptop, two_photos):
    return review_of_twelve(desk, laptop, two_photos)


def faults(page):
    """What axe-core finds: its rules for WCAG 2.2 A and AA, and its best practices."""
    found = Axe().run(page)
    return found.generate_report() if found.violations_count else ""


def too_wide(page):
    """By how many pixels the page is wider than its window; 0 where it fits."""
    return page.evaluate("document.documentElement.scrollWidth") - page.viewport_size["width"]


def background(page):
    """How bright the page's own paper is, 0 to 255."""
    colour = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    return sum(map(int, re.findall(r"\d+", colour)[:3])) / 3


def clean(window, name):
    """In the light on a phone and in the dark on a laptop axe-core finds nothing; the page fits both.

    The window is left light, and as large as it was.
    """
    page, before = window.page, window.page.viewport_size
    for scheme, size, other in (("light", PHONE, LAPTOP), ("dark", LAPTOP, PHONE)):
        page.emulate_media(color_scheme=scheme)
        for one in (other, size):
            page.set_viewport_size(one)
            window.shot(f"{one['width']}-{scheme}-{name}")
            assert too_wide(page) <= 0, (name, scheme, one)
        assert faults(page) == "", (name, scheme)
    page.emulate_media(color_scheme="light")
    page.set_viewport_size(before)
