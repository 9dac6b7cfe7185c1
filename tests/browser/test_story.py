"""The desk in a real browser: from the code on the screen to the return sheet; offline; by keyboard; for all.

Needs Chromium (Debian's package `chromium`) and the packages of the extra `browser`; without them it is
skipped, unless CI is set: then it fails. Set `APERTURE_SHOTS` to a folder to keep a picture of every page.
"""

# What is imported below is only there if the browser is.
# ruff: noqa: E402

import os
import re
import shutil
import threading
import time
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
from aperture.desk.server import _lead_in, listen
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


@pytest.fixture(scope="module")
def chromium():
    with sync_playwright() as playwright:
        # Without a sandbox of its own: the tests run as root in CI.
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


@contextmanager
def serving(server, socket):
    """The server at work on a socket, in a thread."""
    thread = threading.Thread(target=server.run, args=([socket],), daemon=True)
    thread.start()
    yield
    server.should_exit = True
    thread.join(20)


@pytest.fixture(scope="module")
def worker():
    with Worker() as worker:
        yield worker


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


def test_the_file_of_the_owner_leads_the_browser_in(chromium, desk, tmp_path, monkeypatch):
    """What comes from a file has no site: a strict cookie would not go along (RFC 6265bis, 5.2)."""
    opened, shown = threading.Event(), []
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    monkeypatch.setattr("webbrowser.open", lambda address: (shown.append(address), opened.set()))
    _lead_in(desk, f"http://{desk.address}/open/{desk.access.desk_secret}", print)
    assert opened.wait(60)
    context = chromium.new_context()
    page = context.new_page()
    page.goto(shown[0])
    expect(page.get_by_role("heading", level=1)).to_contain_text("What is due")
    assert list(tmp_path.glob("*.html")) == []
    context.close()


def scan(phone, desk):
    phone.page.goto(f"http://{desk.lan_address}/pair/{desk.access.new_pairing()}")
    phone.shot("pair")
    phone.page.get_by_role("button", name="Use this phone").click()
    expect(phone.page.get_by_role("heading", level=1)).to_have_text("Take a photo of the tip")
    phone.page.wait_for_load_state()


def test_the_whole_story(desk, laptop, phone):
    page = laptop.page
    laptop.go("/phone")
    expect(page.get_by_alt_text("Code to scan")).to_be_visible()
    laptop.shot("phone")

    scan(phone, desk)
    phone.shot("snap")
    phone.page.locator("#photo").set_input_files(DRY)
    result = phone.page.locator("#result")
    expect(result).to_contain_text("Reed 12, dry", timeout=30_000)
    expect(result).to_contain_text("elliptical")
    expect(result).to_contain_text("Soak it")
    expect(result.locator("svg polygon")).to_be_visible()
    phone.shot("result")

    phone.page.locator("#photo").set_input_files(SHAKEN)
    expect(result).to_contain_text("Retake", timeout=30_000)
    phone.shot("retake")

    # It does not say which reed it is, so the phone asks.
    phone.page.locator("#photo").set_input_files(NOT_NAMED)
    expect(result).to_contain_text("Which reed?", timeout=30_000)
    result.get_by_label("Reed number").fill("3")
    result.get_by_role("button", name="Say so").click()
    expect(phone.page.get_by_role("heading", level=1)).to_have_text("What the photo gave")
    expect(phone.page.locator("main")).to_contain_text("Reed 3, dry")

    laptop.go("/reeds")
    for number in (3, 6, 7, 12):
        expect(page.get_by_role("link", name=f"Reed {number}", exact=True)).to_be_visible()
    laptop.shot("reeds")

    laptop.go("/review")
    page.get_by_role("link", name=re.compile("Begin")).click()
    for _ in range(6):  # the round one comes after those without a name
        if "Reed 7" in page.get_by_role("heading", level=1).inner_text():
            break
        page.keyboard.press("n")
        page.wait_for_load_state()
    laptop.shot("review")
    page.get_by_label("Who reviews").fill("MB")
    page.get_by_label("Class").select_option("round")
    page.get_by_label("Why").fill("seen by eye")
    page.get_by_role("button", name="Override").click()

    laptop.go("/reed/7")
    page.get_by_text("Decide otherwise").click()
    page.get_by_label("What is decided").select_option("send back")
    page.get_by_label("Why (needed").fill("too round for its player")
    page.get_by_label("Who decides").fill("MB")
    page.get_by_role("button", name="Decide", exact=True).click()
    expect(page.locator("main")).to_contain_text("too round for its player")
    laptop.shot("reed")
    sheet = page.request.get(f"http://{desk.address}/lot/26a/return-sheet.pdf")
    assert sheet.body().startswith(b"%PDF")
    with desk.open_book() as book:
        assert book.history(book.reed(7)).decision.action == "send back"
        assert [reading.origin for reading in book.history(book.reed(7)).entries[-1].readings] == [
            "program",
            "person",
        ]


def test_a_broken_connection_is_tried_again(desk, phone):
    scan(phone, desk)
    broken = []

    def cut(route):
        if len(broken) < 2 and route.request.method == "POST":
            broken.append(1)
            route.abort("connectionreset")
        else:
            route.continue_()

    phone.page.route("**/snap", cut)
    phone.page.locator("#photo").set_input_files(DRY)
    expect(phone.page.locator("#progress")).to_contain_text("connection is broken")
    expect(phone.page.locator("#result")).to_contain_text("Reed 12, dry", timeout=30_000)
    assert len(broken) == 2
    phone.complaints.clear()  # the browser complains of the cut connection
    with desk.open_book() as book:
        assert len(book.photos()) == 5


def test_the_soak_is_timed(desk, phone):
    scan(phone, desk)
    phone.page.get_by_label("Seconds").fill("1")
    phone.page.get_by_role("button", name="Start").click()
    expect(phone.page.get_by_role("timer")).to_contain_text("Take it out", timeout=5000)


def test_the_outline_is_corrected_by_keyboard_alone(desk, laptop, enter):  # noqa: F811
    """From the address bar on: Tab, arrows, Enter."""
    photo = laptop_photo(desk)
    page = laptop.page
    laptop.go(f"/review/{photo}")
    page.keyboard.press("d")
    handles = page.locator(".handle")
    expect(handles).to_have_count(24)
    handles.nth(6).focus()
    for _ in range(10):
        page.keyboard.press("ArrowUp")
    page.get_by_label("Who reviews").focus()
    page.keyboard.type("MB")
    page.get_by_role("button", name="Measure this outline").focus()
    laptop.shot("outline")
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text("outline corrected by hand")
    with desk.open_book() as book:
        first, last = book.entry(book.photo(photo)).readings
    assert (first.origin, last.origin) == ("program", "person")
    assert last.record["area_mm2"] != first.record["area_mm2"]


def laptop_photo(desk, photo=DRY):
    """A photo that was really measured; if nothing is said, of reed 12."""
    from aperture.book.photos.intake import take_in

    with desk.open_book() as book:
        (arrival,) = take_in(book, [photo], desk.settings)
        return arrival.sha256


def test_points_are_dragged_and_added_with_the_pointer(desk, laptop):
    photo = laptop_photo(desk)
    page = laptop.page
    laptop.go(f"/review/{photo}")
    page.get_by_role("button", name="Show the points").click()
    handle = page.locator(".handle").nth(18)
    before = page.locator("#points").input_value()
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] - 8)
    page.mouse.up()
    assert page.locator("#points").input_value() != before
    picture = page.locator(".this svg.tip").bounding_box()
    page.mouse.dblclick(picture["x"] + 0.5 * picture["width"], picture["y"] + 0.45 * picture["height"])
    expect(page.locator(".handle")).to_have_count(25)


def test_a_folder_is_imported_with_a_bar(desk, laptop):
    laptop.go("/import")
    laptop.page.wait_for_load_state()
    laptop.page.locator("#photos").set_input_files([DRY, NOT_NAMED])
    laptop.page.get_by_role("button", name="Import").click()
    expect(laptop.page.locator("#words")).to_contain_text("Done: 1 taken in, 1 to review.", timeout=60_000)
    assert laptop.page.locator("#bar").get_attribute("value") is not None
    expect(laptop.page.locator("#list")).to_contain_text("open-09.jpg")


def test_on_paper_there_is_the_list_and_no_buttons(desk, laptop):
    laptop.go("/due")
    laptop.page.emulate_media(media="print")
    expect(laptop.page.get_by_role("heading", level=1)).to_be_visible()
    expect(laptop.page.locator("header")).to_be_hidden()
    laptop.go("/reed/7")
    assert all(not button.is_visible() for button in laptop.page.get_by_role("button").all())


def test_a_page_is_reached_by_keyboard_alone(laptop):
    page = laptop.page
    laptop.go("/reeds")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    names = []
    for _ in range(8):
        page.keyboard.press("Tab")
        names.append(page.evaluate("document.activeElement.textContent.trim()"))
    # "Due 2 to do": how many there are is a part of the link's name.
    assert {"Reeds", "Due", "Review", "Lots", "Import", "Phone"} <= {name.split()[0] for name in names}
    page.get_by_role("link", name="Due").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("due")


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing(desk, laptop, path, size):
    """axe-core's rules for WCAG 2.2 A and AA, and its best practices."""
    laptop.page.set_viewport_size(size)
    if "NOBODY" in path:
        path = path.replace("NOBODY", laptop_photo(desk, NOT_NAMED))
    if "ROUND" in path:
        with desk.open_book() as book:
            path = path.replace("ROUND", book.history(book.reed(7)).latest("soaked").photo.sha256)
    laptop.go(path.replace("PHOTO", laptop_photo(desk)) if "PHOTO" in path else path)
    found = Axe().run(laptop.page)
    laptop.shot(f"{size['width']}{re.sub('[^a-z0-9]+', '-', path)[:20]}")
    assert found.violations_count == 0, found.generate_report()
    # Nothing is wider than the window.
    assert laptop.page.evaluate("document.documentElement.scrollWidth") <= size["width"]


def test_a_second_photo_starts_no_process(desk, phone):
    """No time is asserted, but printed: from choosing a photo to its result, in a warm worker."""
    scan(phone, desk)
    result = phone.page.locator("#result")
    phone.page.locator("#photo").set_input_files(NOT_NAMED)
    expect(result).to_contain_text("Which reed?", timeout=30_000)
    processes = list(desk.state.worker._pool._processes)
    started = time.monotonic()
    phone.page.locator("#photo").set_input_files(DRY)
    expect(result).to_contain_text("Reed 12, dry", timeout=30_000)
    print(f"from choosing the photo to its result: {time.monotonic() - started:.1f} s")
    assert list(desk.state.worker._pool._processes) == processes
