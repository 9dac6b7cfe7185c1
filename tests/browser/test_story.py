"""The pages in a real browser: from the code on the screen to the return sheet; by keyboard; for all."""

import re
import threading
import time
from pathlib import Path

from aperture.desk.server import _lead_in
from tests.browser.windows import DRY, NOT_NAMED, SHAKEN, expect, scan


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
    page.get_by_role("button", name="Save this class").click()

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


def test_the_outline_is_corrected_by_keyboard_alone(desk, review):
    """On the page of the review: Tab, arrows, Enter."""
    page, photo = review.page, review.sha
    page.keyboard.press("d")
    handles = page.locator(".handle")
    expect(handles).to_have_count(24)
    handles.nth(6).focus()
    for _ in range(10):
        page.keyboard.press("ArrowUp")
    page.get_by_label("Who reviews").focus()
    page.keyboard.type("MB")
    page.get_by_role("button", name="Measure this outline").focus()
    review.shot("outline")
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text("outline corrected by hand")
    with desk.open_book() as book:
        first, last = book.entry(book.photo(photo)).readings
    assert (first.origin, last.origin) == ("program", "person")
    assert last.record["area_mm2"] != first.record["area_mm2"]


def test_a_folder_is_imported_with_a_bar(desk, laptop):
    laptop.go("/import")
    laptop.page.wait_for_load_state()
    laptop.page.locator("#photos").set_input_files([DRY, NOT_NAMED])
    laptop.page.get_by_role("button", name="Import").click()
    expect(laptop.page.locator("#words")).to_contain_text("Done: 1 taken in, 1 to review.", timeout=60_000)
    assert laptop.page.locator("#bar").get_attribute("value") is not None
    expect(laptop.page.locator("#list")).to_contain_text("open-09.jpg")


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
