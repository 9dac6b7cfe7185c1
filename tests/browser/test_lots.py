"""The page of lots in a real browser: it fits, all can read it, and a lot is entered in a few clicks."""

import re
from datetime import datetime

import pytest

from tests.browser.windows import LAPTOP, PHONE, expect, faults

BOTH = pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
CODE = re.compile("^Code")
LONG = "27-a-code-of-24-letters1"  # as long as a code can be
ORDER = "/lots?need=12&sure=90&source=north"


@pytest.fixture
def lots(desk, laptop):
    """The page of lots, in a book with lots of every kind: long names, a high price, nothing judged."""
    with desk.open_book() as book:
        book.add_lot(
            LONG,
            "s" * 24,
            strength="Medium soft / 3½, as printed",
            price_per_reed=123456.78,
        )
        book.add_lot("27b", "west")
        number = 20
        for code, decisions in {
            "26a": ["keep"] * 7 + ["send back"] * 3,
            LONG: ["send back"] * 4,
        }.items():
            for action in decisions:
                reed = book.add_reed(number, code)
                book.add_decision(reed, datetime(2026, 10, 9), action, "so", "T1")
                number += 1
        book.add_reed(number, "27b")
    laptop.go("/lots")
    return laptop


def no_sideways_scrolling(page):
    """Neither the page nor any part of it is wider than what is seen of it."""
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    wider = """() => [...document.querySelectorAll("main *")]
        .filter((one) => one.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5
            && !one.closest(".unseen") && !one.closest("datalist"))
        .map((one) => one.outerHTML.slice(0, 80))"""
    assert page.evaluate(wider) == []


@pytest.mark.parametrize(
    "path", ["/lots", ORDER, "/lots?change=26a", "/lots?need=many", "/lots?need=12&source=west"]
)
def test_the_page_fits_and_is_for_all(lots, path):
    lots.go(path)
    for size in (LAPTOP, PHONE):
        lots.page.set_viewport_size(size)
        no_sideways_scrolling(lots.page)
        assert faults(lots.page) == "", size
        lots.shot(f"lots-{size['width']}-{re.sub('[^a-z0-9]', '-', path)}")


@BOTH
def test_asking_and_refusing_fit_and_are_for_all(lots, size):
    page = lots.page
    page.set_viewport_size(size)
    page.get_by_label(CODE).fill("26A")
    page.get_by_label("Source, a short code").fill("south")
    page.get_by_label("Can go back until").fill("2026-09-01")
    page.get_by_role("button", name="Enter").click()
    wrong = page.get_by_label("Can go back until")
    expect(wrong).to_have_attribute("aria-invalid", "true")
    expect(wrong).to_be_focused()
    expect(wrong).to_have_accessible_description(re.compile("before the day on which it was ordered"))
    expect(page.get_by_label("Source, a short code")).to_have_value("south")
    no_sideways_scrolling(page)
    assert faults(page) == ""
    lots.shot(f"lots-{size['width']}-wrong")
    wrong.fill("2026-12-24")
    page.get_by_role("button", name="Enter").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Lot 26a is in the book already. Change it?")
    no_sideways_scrolling(page)
    assert faults(page) == ""
    lots.shot(f"lots-{size['width']}-ask")
    # One click to go on.
    page.get_by_role("button", name="Change lot 26a").click()
    expect(page.get_by_role("status")).to_contain_text("Lot 26a is in the book.")
    expect(page.get_by_role("row").filter(has_text="26a")).to_contain_text("from south")


def test_a_lot_is_entered_with_five_clicks_at_most(desk, laptop):
    """From the page with which the desk begins, each field counted as a click."""
    page, clicks = laptop.page, 0
    laptop.go("/")

    def click(target):
        nonlocal clicks
        target.click()
        clicks += 1

    click(page.get_by_role("link", name="Lots"))
    click(page.get_by_label(CODE))
    page.keyboard.type("27a")
    click(page.get_by_label("Source, a short code"))
    page.keyboard.type("north")
    click(page.get_by_role("button", name="Enter"))
    expect(page.get_by_role("status")).to_contain_text("Lot 27a is in the book.")
    assert clicks <= 5
    with desk.open_book() as book:
        assert book.lot("27a").source == "north"


@BOTH
def test_every_row_is_a_row_to_who_cannot_see_it(lots, size):
    """On a narrow page, too, which lays the table out as a list."""
    lots.page.set_viewport_size(size)
    table = lots.page.get_by_role("table", name="Lots")
    rows = table.get_by_role("row")
    expect(rows).to_have_count(4)
    expect(table.get_by_role("rowheader")).to_have_count(3)
    expect(rows.nth(1).get_by_role("cell")).to_have_count(2)
    bar = rows.nth(1).get_by_role("img")
    # 7 of 10: Wilson's interval is 40 to 89 % (statsmodels 0.15, proportion_confint).
    expect(bar).to_have_accessible_name(re.compile("Lot 26a: 7 of 10 .* 70 %.* from 40 to 89 %"))
    expect(rows.nth(3)).to_contain_text("none judged yet")


def relative_luminance(rgb):
    """WCAG 2.2, definition of relative luminance; of 0 to 255."""
    linear = [c / 12.92 if (c := value / 255) <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for value in rgb]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    darker, lighter = sorted((relative_luminance(one), relative_luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


# The colour of a mark, and of what is behind it.
COLOURS = """(one) => {
    const numbers = (colour) => colour.match(/[\\d.]+/g).map(Number);
    const style = getComputedStyle(one);
    let behind = one.closest("svg").parentElement;
    while (numbers(getComputedStyle(behind).backgroundColor)[3] === 0) behind = behind.parentElement;
    return [style.fill === "none" || one.tagName === "line" ? style.stroke : style.fill,
        getComputedStyle(behind).backgroundColor].map((colour) => numbers(colour).slice(0, 3));
}"""


def test_what_is_drawn_can_be_told_from_what_is_behind_it(lots):
    """WCAG 2.2, 1.4.11: 3 : 1 for graphics; 1.4.3: 4.5 : 1 for text, where axe does not look: in drawings."""
    lots.go(ORDER)
    for kind, least in {
        **dict.fromkeys([".bar .whole", ".bar .part", ".bar .interval"], 3.0),
        **dict.fromkeys([".curve .chance", ".curve .wanted", ".curve .dot", ".curve .axis"], 3.0),
        ".curve text": 4.5,
    }.items():
        marks = lots.page.locator(kind)
        assert marks.count() > 0, kind
        for mark in marks.all():
            assert contrast(*mark.evaluate(COLOURS)) >= least, kind


@BOTH
def test_the_words_of_the_curve_can_be_read(lots, size):
    """As large as small print of the page at least, and none over another."""
    lots.page.set_viewport_size(size)
    lots.go(ORDER)
    texts = lots.page.locator(".curve text")
    boxes = [one.bounding_box() for one in texts.all()]
    assert all(box["height"] >= 12 for box in boxes)
    for place, one in enumerate(boxes):
        for other in boxes[place + 1 :]:
            apart_x = one["x"] + one["width"] <= other["x"] or other["x"] + other["width"] <= one["x"]
            apart_y = (
                one["y"] + one["height"] <= other["y"] + 2 or other["y"] + other["height"] <= one["y"] + 2
            )
            assert apart_x or apart_y
    expect(
        lots.page.get_by_role("img", name=re.compile("Chance that at least 12"))
    ).to_have_accessible_description(re.compile(r"\d+ ordered: .*, the answer"))


def test_what_an_order_rests_on_is_folded(lots):
    lots.go(ORDER)
    expect(lots.page.get_by_text("Jeffreys")).to_be_hidden()
    lots.page.get_by_text("What that rests on").click()
    expect(lots.page.get_by_text("Jeffreys")).to_be_visible()


def test_on_paper_the_bars_and_the_curve_stay(lots):
    lots.go(ORDER)
    lots.page.emulate_media(media="print")
    lots.page.set_viewport_size({"width": 718, "height": 1000})
    assert lots.page.evaluate("document.documentElement.scrollWidth") <= 718
    expect(lots.page.locator(".bar").first).to_be_visible()
    expect(lots.page.locator(".curve")).to_be_visible()
