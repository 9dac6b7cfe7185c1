"""Photos that arrive, in a real browser: what the import says of each of them."""

# The fixtures are those of the story; without a browser it skips, and this with it.
# ruff: noqa: F811

import re

import pytest

from tests.browser.test_story import (  # noqa: F401 (fixtures)
    DRY,
    LAPTOP,
    NOT_NAMED,
    PHONE,
    ROOT,
    SHAKEN,
    Axe,
    chromium,
    desk,
    enter,
    expect,
    laptop,
    worker,
)

FAR = ROOT / "fixtures" / "photos" / "far.jpg"


def no_fault(window, name):
    """At both sizes axe-core finds nothing, and nothing is wider than the window."""
    for size in (LAPTOP, PHONE):
        window.page.set_viewport_size(size)
        window.shot(f"{name}-{size['width']}")
        found = Axe().run(window.page)
        assert found.violations_count == 0, found.generate_report()
        assert window.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    window.page.set_viewport_size(LAPTOP)


def outcome(page, name):
    return page.locator(f'section[data-outcome="{name}"]')


# --- what the import says ------------------------------------------------------------------------------


@pytest.fixture
def a_folder(tmp_path):
    """Photos of every outcome but one: measured, of nobody, shaken, too far, and no photo at all."""
    box = tmp_path / "box"
    box.mkdir()
    for photo in (DRY, NOT_NAMED, SHAKEN, FAR):
        (box / photo.name).write_bytes(photo.read_bytes())
    (box / "spoilt.jpg").write_text("no photo")
    (box / "notes.txt").write_text("no photo")
    return box


def test_an_import_says_by_outcome_what_became_of_each_photo(desk, laptop, a_folder):
    """From any page three clicks: the page, the folder, the button. No refusal is hidden."""
    page = laptop.page
    page.get_by_role("link", name="Import", exact=True).click()
    page.wait_for_load_state()
    page.get_by_label("A folder").set_input_files(a_folder)
    page.get_by_role("button", name="Import").click()
    expect(page.locator("#words")).to_have_text(
        "Done: 1 taken in, 1 to review, 2 to take again, 1 refused, 1 other file passed over, not called like"
        " a photo.",
        timeout=60_000,
    )
    again = outcome(page, "take again")
    expect(again.get_by_role("listitem")).to_have_count(2)
    expect(again).to_contain_text("The card is too small in the picture")
    expect(again).to_contain_text("Move the phone to about 12 to 15 cm")
    expect(again.get_by_role("link", name=re.compile("too small"))).to_have_attribute(
        "href", "/help/flags#too-far"
    )
    expect(outcome(page, "refused").get_by_role("link", name=re.compile("not a photo"))).to_have_attribute(
        "href", "/help/flags#not-a-photo"
    )
    expect(outcome(page, "taken in").get_by_role("link", name="Reed 12")).to_have_attribute(
        "href", "/reed/12"
    )
    expect(outcome(page, "to review").get_by_role("link", name=re.compile("Say which"))).to_be_visible()
    expect(outcome(page, "already there")).to_be_hidden()
    # Of each a small picture, but of what is none.
    for name in ("take again", "to review", "taken in"):
        for one in outcome(page, name).get_by_role("listitem").all():
            picture = one.locator("img, svg image")
            address = picture.get_attribute("src") or picture.get_attribute("href")
            answer = page.request.get(f"http://{desk.address}{address}")
            assert answer.headers["content-type"] == "image/jpeg"
    no_fault(laptop, "import")


def test_what_comes_again_is_there_already_and_says_what_it_was(laptop, a_folder):
    page = laptop.page
    laptop.go("/import")
    page.wait_for_load_state()
    for _ in range(2):
        page.get_by_label("or photos").set_input_files([a_folder / FAR.name])
        page.get_by_role("button", name="Import").click()
        expect(page.locator("#words")).to_contain_text("Done: 1", timeout=60_000)
    expect(page.locator("#words")).to_have_text("Done: 1 already there.")
    expect(outcome(page, "take again")).to_be_hidden()
    # It still gave no number.
    expect(outcome(page, "already there")).to_contain_text("The card is too small in the picture")
    expect(outcome(page, "already there").locator("img")).to_be_visible()
