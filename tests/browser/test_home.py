"""The page to begin with, and what all pages share, in a real browser: light and dark, what was done and is
undone, errors beside their fields, words that open."""

import re

import pytest

from aperture.desk.web import UNDO_SECONDS
from tests.browser.windows import LAPTOP, NOT_NAMED, PAGES, PHONE, Axe, expect, laptop_photo

SIZES = {"laptop": LAPTOP, "phone": PHONE}
MORE = ["/gauge", "/nowhere", "/reed/7/check", "/help/terms"]


def address_of(desk, path):
    """The path with a photo's hash where its place is."""
    if "NOBODY" in path:
        return path.replace("NOBODY", laptop_photo(desk, NOT_NAMED))
    if "ROUND" in path:
        with desk.open_book() as book:
            return path.replace("ROUND", book.history(book.reed(7)).latest("soaked").photo.sha256)
    return path.replace("PHOTO", laptop_photo(desk)) if "PHOTO" in path else path


def clean(window, name):
    """Nothing that axe finds, in both sizes, and nothing wider than the window."""
    for size_name, size in SIZES.items():
        window.page.set_viewport_size(size)
        found = Axe().run(window.page)
        window.shot(f"{name}-{size_name}")
        assert found.violations_count == 0, found.generate_report()
        assert window.page.evaluate("document.documentElement.scrollWidth") <= size["width"]


def background(page):
    """How bright the page's own paper is, 0 to 255."""
    colour = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    return sum(map(int, re.findall(r"\d+", colour)[:3])) / 3


# --- light and dark ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [*PAGES, *MORE])
def test_in_the_dark_axe_finds_nothing(desk, laptop, path):
    """The rules that the story tries in the light: WCAG 2.2, 1.4.3, of contrast, is among them."""
    laptop.page.emulate_media(color_scheme="dark")
    laptop.go(address_of(desk, path))
    assert background(laptop.page) < 60
    clean(laptop, "dark" + re.sub("[^a-z0-9]+", "-", path)[:20])


@pytest.mark.parametrize("path", MORE)
def test_in_the_light_axe_finds_nothing_on_the_others(laptop, path):
    laptop.go(path)
    assert background(laptop.page) > 200
    clean(laptop, "light" + re.sub("[^a-z0-9]+", "-", path)[:20])


def test_on_paper_it_is_light(laptop):
    laptop.page.emulate_media(color_scheme="dark", media="print")
    for path in ("/due", "/reed/7", "/lots"):
        laptop.go(path)
        assert background(laptop.page) > 200
        card = laptop.page.locator(".card").first
        colour = card.evaluate("(one) => getComputedStyle(one).backgroundColor")
        assert colour == "rgb(255, 255, 255)"


# --- where it begins -----------------------------------------------------------------------------------


@pytest.fixture
def empty(chromium, tmp_path, worker):
    """A desk with a new book, in a window."""
    from aperture.desk.security.access import Access
    from aperture.desk.web import Desk
    from aperture.settings import Settings
    from tests.browser.windows import Watch, create_app, listen, serving, uvicorn

    socket = listen("127.0.0.1", 0)
    address = f"127.0.0.1:{socket.getsockname()[1]}"
    desk = Desk(tmp_path / "new.sqlite3", Settings(), Access(), address)
    desk.state.worker = worker
    with serving(uvicorn.Server(uvicorn.Config(create_app(desk), log_level="warning")), socket):
        window = Watch(chromium, desk, LAPTOP, "empty")
        window.go(f"/open/{desk.access.desk_secret}")
        window.page.wait_for_url("**/due")
        yield window
        window.close()
        desk.state.arrivals.close()  # the page of an import waits for its news


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_empty_book_begins_with_three_steps(empty, scheme):
    empty.page.emulate_media(color_scheme=scheme)
    expect(empty.page.get_by_role("heading", level=1)).to_have_text("Three steps to the first reed")
    clean(empty, scheme)
    empty.page.get_by_role("link", name="Bring photos in").click()
    expect(empty.page.get_by_role("heading", level=1)).to_have_text("Import photos")


def test_a_squeeze_is_entered_and_undone_with_one_press_each(desk, laptop):
    page = laptop.page
    page.get_by_role("button", name="It was squeezed now").click()
    done = page.get_by_role("status").filter(has_text="Reed 7: squeezed, saved.")
    expect(done).to_be_visible()
    laptop.shot("done")
    assert Axe().run(page).violations_count == 0
    done.get_by_role("button", name="Undo").press("Enter")
    expect(page.get_by_role("status").filter(has_text="Undone")).to_be_visible()
    with desk.open_book() as book:
        assert book.history(book.reed(7)).squeezes == ()
    laptop.go("/due")
    expect(page.get_by_text("Undone")).to_have_count(0)


def test_the_button_goes_when_it_is_of_no_use_any_more(laptop):
    """By the page's own style: its time is the desk's. The clock of its animation is set forward."""
    laptop.page.get_by_role("button", name="It was squeezed now").click()
    button = laptop.page.get_by_role("button", name="Undo")
    expect(button).to_be_visible()
    laptop.page.wait_for_load_state()  # before its style is there, nothing moves
    # Stopped, so that no time passes by itself.
    set_to = "(ms) => document.getAnimations().forEach((one) => { one.pause(); one.currentTime = ms; })"
    laptop.page.evaluate(set_to, 1000 * UNDO_SECONDS - 500)
    expect(button).to_be_visible()
    laptop.page.evaluate(set_to, 1000 * UNDO_SECONDS + 1)
    expect(button).to_be_hidden()


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_the_menu_says_how_much_there_is_to_do(laptop, size):
    laptop.page.set_viewport_size(size)
    menu = laptop.page.get_by_role("navigation", name="Pages")
    expect(menu.get_by_role("link", name="Due 2 to do")).to_be_visible()
    expect(menu.get_by_role("link", name="Review 1 to look at")).to_be_visible()


# --- errors beside their fields ------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_field_that_is_wrong_is_where_one_is(laptop, scheme):
    """WCAG 2.2, 3.3.1 and 3.3.3; what was typed is still there, and the field has the focus."""
    page = laptop.page
    page.emulate_media(color_scheme=scheme)
    laptop.go("/reeds")
    page.get_by_label("Number").fill("9")
    page.get_by_label("Player").fill("Anna Example")
    page.get_by_role("button", name="Enter").click()
    player = page.get_by_label("Player")
    expect(player).to_be_focused()
    expect(player).to_be_in_viewport()
    expect(player).to_have_value("Anna Example")
    expect(player).to_have_accessible_description(re.compile("not a name.*Never a player’s name", re.S))
    expect(page.get_by_label("Number")).to_have_value("9")
    clean(laptop, f"wrong-{scheme}")


def test_a_check_that_is_wrong_keeps_its_answers(laptop):
    page = laptop.page
    laptop.go("/reed/7")
    page.get_by_text("Enter a check").click()
    question = page.get_by_role("group", name=re.compile("Air hisses"))
    question.get_by_label("yes").check()
    page.get_by_label("Pitch").fill("flat")
    page.get_by_role("button", name="Enter the check").click()
    expect(page.get_by_label("Pitch")).to_be_focused()
    expect(page.get_by_label("Pitch")).to_be_in_viewport()
    expect(question.get_by_label("yes")).to_be_checked()


# --- words that open -----------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_word_opens_by_key_and_by_touch_and_leads_to_all_words(desk, laptop, scheme):
    page = laptop.page
    page.emulate_media(color_scheme=scheme)
    laptop.go("/reed/7")
    word = page.get_by_role("columnheader").get_by_text("roundness (ratio)")
    meaning = page.get_by_role("columnheader").get_by_text("0 is a line, 1 a circle")
    expect(meaning).to_be_hidden()
    word.focus()
    page.keyboard.press("Enter")
    expect(meaning).to_be_visible()
    clean(laptop, f"word-{scheme}")
    word.click()
    expect(meaning).to_be_hidden()
    word.click()
    meaning.get_by_role("link", name="All words").click()
    expect(page.get_by_role("heading", name="ratio", exact=True)).to_be_in_viewport()
