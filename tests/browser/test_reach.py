"""Every page, whoever uses it: contrast, small windows, thumbs, headings, the keyboard alone."""

import re
import shutil
from pathlib import Path

import pytest

from tests.browser.windows import LAPTOP, PHONE, background, expect, faults, scan, too_wide

NARROW = {"width": 320, "height": 640}
PAGES = [
    "/reeds",
    "/reeds?all=1",
    "/reed/7",
    "/reed/7/check",
    "/due",
    "/lots?need=12&sure=90",
    "/lots?change=26a",
    "/lots?need=many",
    "/review",
    "/review/PHOTO",
    "/review/NOBODY",
    "/review/ROUND",
    "/review/ROUND/photo",
    "/import",
    "/phone",
    "/snap",
    "/gauge",
    "/cards",
    "/compare",
    "/nowhere",
    "/help",
    "/help/terms",
    "/help/flags",
    "/help/how-it-measures",
    "/help/desk",
    "/help/photos",
    "/help/json",
]
LOOK = Path(__file__).with_name("reach.js").read_text(encoding="utf-8")


@pytest.fixture
def every(desk, laptop, two_photos):
    """The desk's own browser, with a book of which every page has something to show."""
    folder, twelve, nobody = two_photos
    shutil.copytree(folder, desk.book_path.parent, dirs_exist_ok=True)
    with desk.open_book() as book:
        round_one = book.history(book.reed(7)).latest("soaked").photo.sha256
    laptop.hashes = {"PHOTO": twelve, "NOBODY": nobody, "ROUND": round_one}
    return laptop


def go(window, path):
    """To the page with this path, the photos' hashes in their places."""
    window.go(re.sub("PHOTO|NOBODY|ROUND", lambda name: window.hashes[name[0]], path))


def look(page, what):
    """What the script finds of a kind, a line each, with everything that opens open."""
    page.evaluate("for (const one of document.querySelectorAll('details:not(.term)')) one.open = true")
    return page.evaluate(LOOK, what)


def problems(window, name):
    """All that is wrong with a page as it stands, by kind; each in the window and light in which it is asked.

    axe-core is asked twice: in the light, on a phone, as the page comes; in the dark, on a laptop, with
    everything open.
    """
    page, found = window.page, {}
    for scheme, sizes, paper in (
        ("light", (LAPTOP, PHONE), (200, 255)),
        ("dark", (PHONE, LAPTOP), (0, 60)),
    ):
        page.emulate_media(color_scheme=scheme)
        for size in sizes:
            page.set_viewport_size(size)
            window.shot(f"{size['width']}-{scheme}-{name}")
            found[f"wider than {size['width']}, {scheme}"] = [wide] if (wide := too_wide(page)) > 0 else []
        found[f"axe, {scheme}"] = [said] if (said := faults(page)) else []
        found[f"contrast, {scheme}"] = look(page, "contrast")
        found[f"paper, {scheme}"] = [] if paper[0] <= background(page) <= paper[1] else [background(page)]
    page.set_viewport_size(PHONE)
    found["targets"] = look(page, "targets")
    page.set_viewport_size(NARROW)
    found["wider than the window"] = look(page, "wide")
    page.set_viewport_size(LAPTOP)
    found |= {"names": look(page, "names"), "headings": look(page, "headings")}
    return {kind: lines for kind, lines in found.items() if lines}


@pytest.mark.parametrize("path", PAGES)
def test_everybody_can_read_and_hit_it(every, path):
    """WCAG 2.2: 1.4.3 contrast, 1.4.10 reflow at 320 pixels, 2.5.5 targets of 44 pixels on a phone, 1.1.1
    words for pictures, 1.3.1 an order of headings without gaps; and axe-core's rules."""
    go(every, path)
    every.page.wait_for_load_state()
    assert problems(every, re.sub("[^a-z0-9]+", "-", path)[:24]) == {}


def test_so_it_is_for_a_phone(desk, phone):
    phone.page.goto(f"http://{desk.lan_address}/pair/{desk.access.new_pairing()}")
    assert problems(phone, "pair") == {}
    scan(phone, desk)
    assert problems(phone, "snap") == {}


WRONG = """() => {
  const main = document.querySelector("main");
  main.innerHTML = "<h1>A</h1><h4>B</h4><p>grey</p><p><button>x</button></p>" +
    "<img src='/static/mark.svg'><p>wide</p>";
  const [grey, , wide] = main.querySelectorAll("p");
  Object.assign(grey.style, { color: "#777", background: "#fff" });
  Object.assign(main.querySelector("button").style, { minHeight: 0, padding: 0 });
  wide.style.width = "900px";
}"""


def test_the_script_finds_what_is_wrong(laptop):
    """A page made wrong on purpose; of the grays on white, #777 has a contrast of 4.48 and #767676 of 4.54
    (from memory)."""
    page = laptop.page
    laptop.go("/help")
    page.evaluate(WRONG)
    page.set_viewport_size(NARROW)
    found = {what: look(page, what) for what in ("contrast", "targets", "wide", "names", "headings")}
    assert ["4.48" in line for line in found["contrast"]] == [True]
    assert ["button" in line for line in found["targets"]] == [True]
    assert all(found.values())
    page.evaluate("document.querySelector('main p').style.color = '#767676'")
    assert look(page, "contrast") == []


# --- the keyboard alone --------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/due", "/reeds", "/reed/7", "/review/ROUND", "/lots", "/import", "/snap"])
def test_what_has_the_focus_is_seen(every, path):
    """WCAG 2.2, 2.4.7 and 2.4.11: there is a line around it, and nothing lies over all of it."""
    page = every.page
    go(every, path)
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement === document.body"):
            break
        assert look(page, "focus") == []


def press_until(page, key, found):
    """Press a key until what is asked for has the focus."""
    for _ in range(40):
        page.keyboard.press(key)
        if page.evaluate(f"document.activeElement.matches({found!r})"):
            return
    raise AssertionError(f"{key} does not lead to {found}")


def test_a_photo_is_reviewed_without_a_mouse(desk, laptop):
    page = laptop.page
    laptop.go("/due")
    press_until(page, "Tab", "a[href='/review']")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Photos that need eyes")
    press_until(page, "Tab", "main a.button")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Reed 7, soaked")
    page.wait_for_load_state()  # before, its keys do nothing
    page.keyboard.press("o")  # what is drawn
    page.keyboard.press("z")
    page.keyboard.press("z")
    press_until(page, "Tab", "#by")
    page.keyboard.type("MB")
    page.keyboard.press("Escape")
    page.keyboard.press("c")
    expect(page.locator(".done")).to_contain_text("numbers confirmed, saved")
    with desk.open_book() as book:
        assert book.history(book.reed(7)).latest("soaked").reading.by == "MB"
    page.wait_for_load_state()
    press_until(page, "Tab", ".undo button")
    page.keyboard.press("Enter")
    expect(page.locator(".done")).to_contain_text("Undone")
    with desk.open_book() as book:
        assert book.history(book.reed(7)).latest("soaked").reading.origin == "program"
