"""The phone's page in a real browser: several photos in a row, refusals, broken connections, the timer.

What the desk would take long for or does not do by itself is put in its place by the test; what a photo gives
is measured in `test_story.py`.
"""

import json
import os
import re
import time
from datetime import datetime
from hashlib import sha256
from pathlib import Path

import pytest

from aperture.book.photos.intake import soaked_as
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.desk.intake.work import Done
from aperture.desk.pages.snap import RECENT
from aperture.desk.security.access import Access
from aperture.desk.server import Server, listen
from aperture.desk.web import Desk
from aperture.settings import Settings
from tests.browser.windows import PHONE, expect, faults, serving, too_wide


class MadeUp:
    """In place of the worker: a photo is text that says what the program would make of it, as JSON."""

    def __init__(self, measured, refused):
        self.made = {"measured": measured, "refused": refused}
        self.orders = []

    def take(self, order):
        content = order.photo.read_bytes()
        told = json.loads(content)
        self.orders.append(order)
        if told.get("failed"):
            return Done("failed", None, told["failed"])
        time.sleep(told.pop("slow", 0))
        sha = sha256(content).hexdigest()
        with Book(order.book_path) as book, book.writing():
            if book.photo(sha) is not None:
                return Done("known", sha, None)
            result = self.made[told.pop("is", "measured")](**told)
            number = order.reed or result.reed
            reed = book.known_or_new(number, datetime.now()) if number else None
            photo = book.add_photo(sha, order.name, None, datetime.now())
            state = order.state or result.state
            seconds = order.seconds if order.seconds_of in (None, number) else None
            soaking = soaked_as(Soaking(seconds), Settings(), book, reed, photo)
            soaking = soaking if state == "soaked" else Soaking()
            book.add_filing(photo, Filing(reed and reed.id, state, soaking, None, None))
            book.add_reading(photo, result.record(), Settings(), 0.001, None)
        return Done("filed", sha, None)

    def close(self):
        pass


def shot(name="a.jpg", **told):
    """A photo for `MadeUp`, as Playwright takes files."""
    return {"name": name, "mimeType": "image/jpeg", "buffer": json.dumps(told).encode()}


@pytest.fixture
def desk(tmp_path, measured, refused):
    socket = listen("127.0.0.1", 0)
    address = f"127.0.0.1:{socket.getsockname()[1]}"
    desk = Desk(tmp_path / "reeds.sqlite3", Settings(), Access(), address, address)
    desk.open_book().close()
    desk.state.worker = MadeUp(measured, refused)
    with serving(Server(desk), socket):
        yield desk


# Pauses between tries are short.
QUICK = "const slow = setTimeout; setTimeout = (go, ms) => slow(go, ms > 60000 ? ms : ms / 100);"


@pytest.fixture
def page(windows, desk):
    """A phone that has scanned the code."""
    with windows.lent(desk, PHONE, "quick phone", QUICK, device_scale_factor=2) as phone:
        page = phone.page
        page.goto(f"http://{desk.lan_address}/pair/{desk.access.new_pairing()}")
        page.get_by_role("button", name="Use this phone").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Take a photo of the tip")
        page.wait_for_load_state()
        yield page
        phone.complaints.clear()  # the browser complains of the connections that are cut here


def keep(page, name):
    folder = os.environ.get("APERTURE_SHOTS")
    if folder:
        page.screenshot(path=Path(folder) / f"phone-{name}.png", full_page=True)


def choose(page, *shots):
    for one in shots:
        page.locator("#photo").set_input_files(one)


def results(page):
    return page.locator("#result article")


def orders(desk):
    return [(order.name, order.reed, order.state, order.seconds) for order in desk.state.worker.orders]


def fail(page, *answers):
    """The next photos that are sent get these answers: a status, or None for no answer at all."""
    left, asked = list(answers), []

    def answer(route):
        if route.request.method != "POST" or not left:
            return route.continue_()
        asked.append(route.request.url)
        status = left.pop(0)
        if status is None:
            return route.abort("connectionreset")
        return route.fulfill(status=status, body="That is what it says.", content_type="text/plain")

    page.route("**/snap", answer)
    return asked


def test_a_refusal_is_said_once_and_the_next_photo_goes(desk, page):
    for place, status in enumerate((400, 401, 403, 404, 409, 413, 500)):
        asked = fail(page, status)
        choose(page, shot(height_mm=0.7 + place / 100))
        expect(results(page).first, f"{status}").to_contain_text("Not taken in.")
        expect(page.locator("#progress")).to_be_hidden()
        choose(page, shot(height_mm=0.8 + place / 100))
        expect(results(page).first, f"{status}").to_contain_text("Reed 7, dry")
        expect(results(page)).to_have_count(min(2 * place + 2, RECENT))
        expect(results(page).nth(1), f"{status}").to_contain_text("Not taken in.")
        if place:  # said once: before it stands the photo of the round before
            expect(results(page).nth(2), f"{status}").to_contain_text("Reed 7, dry")
        assert len(asked) == 1, status


def test_the_desk_s_own_words_are_shown(desk, page):
    choose(page, shot(failed="It took too long. Take the photo again."))
    expect(results(page).first).to_have_text("Not taken in. It took too long. Take the photo again.")
    page.locator("summary").click()
    page.get_by_label("Reed number").fill("9999")
    choose(page, shot())
    expect(results(page).first).to_contain_text("they run from 1 to")
    desk.access._sessions.clear()
    choose(page, shot())
    expect(results(page).first).to_contain_text("Scan the code on the laptop")
    keep(page, "refusals")


def test_silence_and_a_busy_desk_are_asked_again_but_not_for_ever(desk, page):
    expect(page.get_by_role("button", name="Send again")).to_be_hidden()
    asked = fail(page, None, 503, None)
    choose(page, shot())
    expect(results(page).first).to_contain_text("Reed 7, dry")
    assert len(asked) == 3
    asked = fail(page, *[None] * 8)
    choose(page, shot(height_mm=0.9), shot(height_mm=0.8))
    expect(page.locator("#progress")).to_contain_text("The laptop does not answer", timeout=20_000)
    expect(page.locator("#progress")).to_contain_text("1 more waits.")
    keep(page, "silence")
    assert len(asked) == 8
    page.wait_for_timeout(500)
    assert len(asked) == 8
    page.get_by_role("button", name="Send again").click()
    expect(results(page)).to_have_count(3)
    expect(page.get_by_role("button", name="Send again")).to_be_hidden()
    expect(page.locator("#progress")).to_be_hidden()


def test_a_result_that_does_not_come_is_asked_again(desk, page):
    left = [None, 503]

    def answer(route):
        if not left:
            return route.continue_()
        status = left.pop()
        return route.fulfill(status=status) if status else route.abort("connectionreset")

    page.route(re.compile("/result/"), answer)
    choose(page, shot())
    expect(results(page).first).to_contain_text("Reed 7, dry")
    assert left == []
    page.route(re.compile("/result/"), lambda route: route.fulfill(status=404, body="{}"))
    choose(page, shot(height_mm=0.9))
    expect(results(page).first).to_contain_text("Not taken in.")
    choose(page, shot(height_mm=0.8))
    expect(results(page)).to_have_count(3)


def test_several_photos_in_a_row_and_what_was_typed_is_of_one(desk, page):
    """The second is chosen while the first is on its way; a file's handle may be dead by then."""
    page.locator("summary").click()
    page.get_by_label("Reed number").fill("3")
    page.get_by_label("State").select_option("soaked")
    choose(page, shot("a.jpg", slow=1, reed=None))
    expect(page.get_by_label("Reed number")).to_have_value("")
    expect(page.get_by_label("State")).to_have_value("")
    choose(page, shot("b.jpg"))
    choose(page, shot("c.jpg", state="soaked"))
    expect(page.locator("#progress")).to_contain_text("2 more wait.")
    expect(results(page)).to_have_count(3)
    assert orders(desk) == [
        ("a.jpg", 3, "soaked", None),
        ("b.jpg", None, None, None),
        ("c.jpg", None, None, None),
    ]
    keep(page, "three")
    page.reload()
    expect(results(page)).to_have_count(3)
    expect(results(page).first).to_contain_text("Reed 7, soaked")


def test_a_file_that_is_gone_when_its_turn_comes_was_read_before(desk, page, tmp_path):
    """A real file: Chromium refuses to read one that changed since it was chosen (File API, 4.1)."""
    first, second = tmp_path / "1.jpg", tmp_path / "2.jpg"
    first.write_text(json.dumps({"slow": 1.0}))
    second.write_text(json.dumps({"height_mm": 0.9}))
    page.locator("#photo").set_input_files(first)
    page.locator("#photo").set_input_files(second)
    page.wait_for_timeout(300)
    second.unlink()
    expect(results(page)).to_have_count(2)
    expect(results(page).first).to_contain_text("Reed 7")
    assert [name for name, *_ in orders(desk)] == ["1.jpg", "2.jpg"]


def test_a_question_stays_until_it_is_answered(desk, page):
    choose(page, shot(reed=None, state=None))
    expect(results(page).first).to_contain_text("Which reed?")
    choose(page, shot())
    expect(results(page)).to_have_count(2)
    asks = results(page).nth(1)
    asks.get_by_label("Reed number").fill("3")
    asks.get_by_label("State").select_option("dry")
    keep(page, "question")
    assert faults(page) == ""
    asks.get_by_role("button", name="Say so").click()
    expect(page.locator("main")).to_contain_text("Reed 3, dry")
    page.get_by_role("link", name="Next photo").click()
    expect(results(page).first).to_contain_text("Reed 3, dry")
    expect(page.locator("#result form")).to_have_count(0)


def test_a_retake_asks_for_the_photo_only(desk, page):
    choose(page, shot(**{"is": "refused", "code": "card-cut-off", "reed": None}))
    expect(results(page).first).to_contain_text("Take it again")
    expect(results(page).first).to_contain_text("Move back")
    expect(page.locator("#result form")).to_have_count(0)
    keep(page, "retake")


def test_a_photo_that_waits_is_not_lost_by_answering(desk, page):
    choose(page, shot(reed=None))
    asks = results(page).first
    asks.get_by_label("Reed number").fill("3")
    choose(page, shot("b.jpg", slow=1))
    expect(page.locator("#progress")).to_be_in_viewport()
    results(page).get_by_role("button", name="Say so").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("What the photo gave")
    assert [name for name, *_ in orders(desk)] == ["a.jpg", "b.jpg"]


def test_what_the_book_says_is_text(desk, page):
    choose(page, shot(failed="<img src=x onerror='document.title=1'>"))
    expect(results(page).first).to_contain_text("<img src=x")
    page.reload()
    expect(results(page).first).to_contain_text("<img src=x")


# --- the soak ---


def test_sound_is_unlocked_by_the_finger_on_start(desk, page):
    """HTML, 6.4: sound needs the user's activation; the timer's end has none."""
    other = page.context.new_page()  # a page's script stays for good
    other.add_init_script(
        "AudioContext = class { constructor() { window.sounds = (window.sounds || 0) + 1; } resume() {"
        " window.woken = navigator.userActivation.isActive; } };"
    )
    other.goto(page.url)
    assert other.evaluate("window.sounds") is None
    other.get_by_label("Seconds").fill("60")
    other.get_by_role("button", name="Start").click()
    assert other.evaluate("[window.sounds, window.woken]") == [1, True]
    other.close()


def begun_earlier(page, seconds):
    """Load the page again, so many seconds later in the soak."""
    page.evaluate(
        """(seconds) => { const soak = JSON.parse(sessionStorage.getItem("soak"));
        sessionStorage.setItem("soak", JSON.stringify({ ...soak, begun: soak.begun - 1000 * seconds })); }""",
        seconds,
    )
    page.reload()


def test_the_seconds_of_the_timer_go_with_the_photos_of_that_soak(desk, page):
    left = page.get_by_role("timer")
    choose(page, shot("before.jpg"))
    expect(results(page)).to_have_count(1)
    page.get_by_label("Seconds").fill("500")
    page.get_by_role("button", name="Start").click()
    expect(left).to_contain_text("s left")
    choose(page, shot("meanwhile.jpg", height_mm=0.7))
    expect(results(page)).to_have_count(2)
    begun_earlier(page, 500)  # as after every answer to a question
    expect(left).to_contain_text("counts as soaked for 500 s")
    keep(page, "soaked")
    choose(page, shot("after.jpg", height_mm=0.9))
    expect(results(page)).to_have_count(3)
    page.get_by_label("Seconds").fill("900")
    page.get_by_role("button", name="Start").click()
    begun_earlier(page, 100)
    page.get_by_role("button", name="Stop").click()
    expect(left).to_contain_text("Stopped.")
    choose(page, shot("stopped.jpg", height_mm=0.6))
    expect(results(page)).to_have_count(4)
    seconds = {name: seconds for name, _, _, seconds in orders(desk)}
    stopped = seconds.pop("stopped.jpg")
    assert seconds == {"before.jpg": None, "meanwhile.jpg": None, "after.jpg": 500.0}
    assert 100.0 <= stopped < 900.0


def test_seconds_are_not_of_a_photo_long_after(desk, page):
    page.evaluate(
        "sessionStorage.setItem('soak', JSON.stringify({begun: Date.now() - 7e5, total: 30, ran: 30}))"
    )
    page.reload()
    expect(page.get_by_role("timer")).to_have_text("not started")
    choose(page, shot())
    expect(results(page)).to_have_count(1)
    assert orders(desk)[0][3] is None


def test_axe_finds_nothing_and_nothing_is_wider_than_the_phone(page):
    choose(page, shot(reed=None), shot(height_mm=0.9), shot(failed="No."))
    expect(results(page)).to_have_count(3)
    expect(page.get_by_text("Open the camera")).to_be_in_viewport()
    assert faults(page) == ""
    assert too_wide(page) <= 0
    # A finger's width: WCAG 2.2, 2.5.8 asks for 24 px, 2.5.5 for 44 px.
    for button in page.locator("button:visible, label.button, summary").all():
        assert button.bounding_box()["height"] >= 38
