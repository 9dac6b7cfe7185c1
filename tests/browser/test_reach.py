"""Every page, whoever uses it: contrast, small windows, thumbs, headings, the keyboard alone."""

# The fixtures are those of the story; without a browser it skips, and this with it.
# ruff: noqa: F811

from pathlib import Path

import pytest

from tests.browser.test_home import MORE, address_of
from tests.browser.test_story import (  # noqa: F401 (fixtures)
    LAPTOP,
    PAGES,
    PHONE,
    chromium,
    desk,
    enter,
    expect,
    laptop,
    laptop_photo,
    phone,
    scan,
    worker,
)

NARROW = {"width": 320, "height": 640}
ALL = [*PAGES, *MORE, "/cards", "/compare", "/review/ROUND/photo", "/help/photos", "/help/json"]
LOOK = Path(__file__).with_name("reach.js").read_text(encoding="utf-8")


def look(page, what):
    """What the script finds of a kind, a line each, with everything that opens open."""
    page.evaluate("for (const one of document.querySelectorAll('details:not(.term)')) one.open = true")
    return page.evaluate(LOOK, what)


def problems(page):
    """All that is wrong with a page as it stands; each in the window and the light in which it is asked."""
    found = {}
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        found[f"contrast, {scheme}"] = look(page, "contrast")
    page.set_viewport_size(PHONE)
    found["targets"] = look(page, "targets")
    page.set_viewport_size(NARROW)
    found["wider than the window"] = look(page, "wide")
    page.set_viewport_size(LAPTOP)
    found |= {"names": look(page, "names"), "headings": look(page, "headings")}
    return {kind: lines for kind, lines in found.items() if lines}


@pytest.mark.parametrize("path", ALL)
def test_everybody_can_read_and_hit_it(desk, laptop, path):
    """WCAG 2.2: 1.4.3 contrast, 1.4.10 reflow at 320 pixels, 2.5.5 targets of 44 pixels on a phone, 1.1.1
    words for pictures, 1.3.1 an order of headings without gaps."""
    laptop.go(address_of(desk, path))
    laptop.page.wait_for_load_state()
    assert problems(laptop.page) == {}


def test_so_it_is_for_a_phone(desk, phone):
    phone.page.goto(f"http://{desk.lan_address}/pair/{desk.access.new_pairing()}")
    assert problems(phone.page) == {}
    scan(phone, desk)
    assert problems(phone.page) == {}


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
def test_what_has_the_focus_is_seen(desk, laptop, path):
    """WCAG 2.2, 2.4.7 and 2.4.11: there is a line around it, and nothing lies over all of it."""
    page = laptop.page
    laptop.go(address_of(desk, path))
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
