"""The page to begin with, and what all pages share, in a real browser: what was done and is undone, errors
beside their fields, words that open."""

import re

import pytest

from aperture.desk.web import UNDO_SECONDS
from tests.browser.windows import LAPTOP, PHONE, clean, expect, faults

# --- where it begins -----------------------------------------------------------------------------------


def test_an_empty_book_begins_with_three_steps(house, windows, tmp_path, worker):
    desk = house.new_desk(tmp_path / "new.sqlite3", worker)
    with windows.lent(desk, LAPTOP, "laptop") as window:
        window.come_in()
        window.go("/")
        expect(window.page.get_by_role("heading", level=1)).to_have_text("Three steps to the first reed")
        clean(window, "empty")
        window.page.get_by_role("link", name="Bring photos in").click()
        expect(window.page.get_by_role("heading", level=1)).to_have_text("Import photos")
    desk.state.arrivals.close()  # the page of an import waits for its news


def test_a_squeeze_is_entered_and_undone_with_one_press_each(desk, laptop):
    page = laptop.page
    laptop.go("/due")
    page.get_by_role("button", name="It was squeezed now").click()
    done = page.get_by_role("status").filter(has_text="Reed 7: squeezed, saved.")
    expect(done).to_be_visible()
    laptop.shot("done")
    assert faults(page) == ""
    done.get_by_role("button", name="Undo").press("Enter")
    expect(page.get_by_role("status").filter(has_text="Undone")).to_be_visible()
    with desk.open_book() as book:
        assert book.history(book.reed(7)).squeezes == ()
    laptop.go("/due")
    expect(page.get_by_text("Undone")).to_have_count(0)


def test_the_button_goes_when_it_is_of_no_use_any_more(laptop):
    """By the page's own style: its time is the desk's. The clock of its animation is set forward."""
    laptop.go("/due")
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


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_the_menu_says_how_much_there_is_to_do(laptop, size):
    laptop.page.set_viewport_size(size)
    laptop.go("/due")
    menu = laptop.page.get_by_role("navigation", name="Pages")
    expect(menu.get_by_role("link", name="Due 2 to do")).to_be_visible()
    expect(menu.get_by_role("link", name="Review 1 to look at")).to_be_visible()


# --- errors beside their fields ------------------------------------------------------------------------


def test_the_field_that_is_wrong_is_where_one_is(laptop):
    """WCAG 2.2, 3.3.1 and 3.3.3; what was typed is still there, and the field has the focus."""
    page = laptop.page
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
    clean(laptop, "wrong")


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


def test_a_word_opens_by_key_and_by_touch_and_leads_to_all_words(laptop):
    page = laptop.page
    laptop.go("/reed/7")
    word = page.get_by_role("columnheader").get_by_text("roundness (ratio)")
    meaning = page.get_by_role("columnheader").get_by_text("0 is a line, 1 a circle")
    expect(meaning).to_be_hidden()
    word.focus()
    page.keyboard.press("Enter")
    expect(meaning).to_be_visible()
    clean(laptop, "word")
    word.click()
    expect(meaning).to_be_hidden()
    word.click()
    meaning.get_by_role("link", name="All words").click()
    expect(page.get_by_role("heading", name="ratio", exact=True)).to_be_in_viewport()
