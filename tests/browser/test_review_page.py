"""The review of one photo in a real browser: what is in view, the whole photo, numbers while one drags."""

# The fixtures are those of the story; without a browser it skips, and this with it.
# ruff: noqa: F811

import pytest

from tests.browser.test_desk_pages import readings, review, two_photos  # noqa: F401 (fixtures)
from tests.browser.test_story import (  # noqa: F401 (fixtures)
    LAPTOP,
    NOT_NAMED,
    PHONE,
    Axe,
    chromium,
    desk,
    enter,
    expect,
    laptop,
    worker,
)

SIZES = pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])


def nobody(desk):
    """A photo of which nobody knows the reed."""
    with desk.open_book() as book:
        return book.unfiled()[0].photo.sha256


def show(window, path, size):
    """A page at a size of the window, without a complaint of axe."""
    window.page.set_viewport_size(size)
    window.go(path)
    window.page.wait_for_load_state()
    found = Axe().run(window.page)
    assert found.violations_count == 0, found.generate_report()
    assert window.page.evaluate("document.documentElement.scrollWidth") <= size["width"]


def in_view(element, size):
    """Whether all of it can be seen, and nothing lies over it."""
    box = element.bounding_box()
    inside = box["y"] >= 0 and box["y"] + box["height"] <= size["height"]
    over = element.evaluate(
        """(one) => { const box = one.getBoundingClientRect();
        const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
        return one.contains(top) || top.contains(one); }"""
    )
    return inside and box["x"] >= 0 and box["x"] + box["width"] <= size["width"] and over


# --- what is in view -----------------------------------------------------------------------------------


@SIZES
def test_the_usual_buttons_are_in_view_wherever_one_scrolls(review, size):
    page = review.page
    show(review, f"/review/{review.sha}", size)
    for end in (0, "document.body.scrollHeight"):
        page.evaluate(f"scrollTo(0, {end})")
        for name in ("Confirm the numbers", "Ask for a retake"):
            assert in_view(page.get_by_role("button", name=name), size), name
        assert in_view(page.get_by_role("link", name="Next"), size)
        assert in_view(page.get_by_label("Who reviews"), size)


@SIZES
def test_which_reed_is_asked_in_view(desk, review, size):
    show(review, f"/review/{nobody(desk)}", size)
    for label in ("Reed", "State"):
        assert in_view(review.page.get_by_label(label, exact=True), size)
    assert in_view(review.page.get_by_role("button", name="Correct"), size)
    review.shot(f"{size['width']}-which")


@SIZES
def test_the_tip_and_its_class_are_in_view(review, size):
    show(review, f"/review/{review.sha}", size)
    tip, bar = review.page.locator(".this svg.tip"), review.page.locator(".bar")
    assert review.page.locator(".this h2").bounding_box()["y"] < bar.bounding_box()["y"]
    # The opening is in the middle of its picture.
    box = tip.bounding_box()
    assert box["y"] + 0.6 * box["height"] < bar.bounding_box()["y"]


@SIZES
def test_what_has_the_focus_is_not_behind_the_bar(review, size):
    """WCAG 2.2, 2.4.11."""
    page = review.page
    show(review, f"/review/{review.sha}", size)
    page.get_by_label("Class").focus()
    for _ in range(8):
        page.keyboard.press("Tab")
        assert in_view(page.locator(":focus"), size)


# --- clicks --------------------------------------------------------------------------------------------


def test_a_photo_is_confirmed_with_one_click_once_it_is_known_who_reviews(desk, review):
    page = review.page
    page.get_by_label("Who reviews").fill("MB")
    page.get_by_role("button", name="Ask for a retake").click()
    page.wait_for_url(lambda address: review.sha not in address)
    other = nobody(desk)
    review.go(f"/review/{other}")
    page.get_by_role("button", name="Confirm the numbers").click()
    page.wait_for_url(lambda address: other not in address)
    last = readings(desk, other)[-1]
    assert (last.origin, last.by, last.record["review"]) == ("person", "MB", False)
