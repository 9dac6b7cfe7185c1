"""A page left open, in a real browser: two tabs with one photo, a desk that was closed overnight, Back."""

import re

import pytest

from tests.browser.windows import clean, expect


def by(page, code):
    page.get_by_label("Who reviews").fill(code)


# --- one photo in two tabs -----------------------------------------------------------------------------


def test_the_second_tab_is_told_what_the_first_answered_and_may_say_otherwise(desk, review):
    page, other = review.page, review.context.new_page()
    other.goto(page.url)
    by(other, "T1")
    other.get_by_role("button", name="Ask for a retake").click()
    other.wait_for_url(lambda address: review.sha not in address)
    other.close()
    by(page, "T2")
    page.get_by_label("Class").select_option("shut")
    page.get_by_label("Why").fill("the blades touch")
    page.get_by_role("button", name="Save this class").click()
    told = page.locator("#meanwhile")
    expect(told).to_be_focused()
    expect(told).to_be_in_viewport()
    expect(told).to_contain_text(
        re.compile("What counts now.*T1, .*: retake.*What you sent.*T2: it is shut", re.S)
    )
    expect(told).to_contain_text("“the blades touch”")
    clean(review, "meanwhile")
    told.get_by_role("button", name="Let mine count instead").click()
    page.wait_for_url(lambda address: review.sha not in address)
    with desk.open_book() as book:
        last = book.entry(book.photo(review.sha)).reading
    assert (last.by, last.record["shape"], last.record["reason"]) == ("T2", "shut", "the blades touch")


def test_what_the_first_answered_can_be_left(desk, review):
    page = review.page
    with desk.open_book() as book:
        entry = book.entry(book.photo(review.sha))
        record = {**entry.reading.record, "review": False, "reason": None}
        book.add_reading(entry.photo, record, desk.settings, 0.001, None, "person", "T1")
    by(page, "T2")
    page.get_by_role("button", name="Ask for a retake").click()
    page.locator("#meanwhile").get_by_role("link", name="Leave it as it is").click()
    page.wait_for_url(lambda address: review.sha not in address)
    with desk.open_book() as book:
        assert [one.by for one in book.entry(book.photo(review.sha)).readings] == [None, "T1"]


# --- overnight -----------------------------------------------------------------------------------------


def fill_check(page):
    page.get_by_text("Enter a check").click()
    page.get_by_role("group", name=re.compile("Air hisses")).get_by_label("yes").check()
    page.get_by_label("Note").fill("at the tip")
    page.get_by_label("Who checked").fill("T1")


def checks(desk):
    with desk.open_book() as book:
        return [(one.leak, one.note, one.by) for one in book.history(book.reed(7)).checks]


def test_a_check_typed_before_the_desk_was_closed_is_entered_after_it_is_open_again(
    house, desk, worker, laptop
):
    page = laptop.page
    laptop.go("/reed/7")
    fill_check(page)
    # In the night the desk is closed, and opened in the morning; nobody has opened it in this browser yet.
    laptop.desk = house.new_desk(desk.book_path, worker)
    page.get_by_role("button", name="Enter the check").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("The desk was closed meanwhile")
    expect(page.locator("main")).to_contain_text("note: at the tip")
    clean(laptop, "closed")
    laptop.come_in()  # in another tab
    page.get_by_role("button", name="Send it now").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Send it again?")
    clean(laptop, "send-again")
    assert checks(desk) == []
    page.get_by_role("button", name="Send it now").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Reed 7")
    assert checks(desk) == [(True, "at the tip", "T1")]
    laptop.desk.state.arrivals.close()


@pytest.mark.parametrize("path", ["/due", "/reed/7", "/review"])
def test_a_page_of_a_closed_desk_says_what_to_do_and_leads_on(house, desk, worker, laptop, path):
    page = laptop.page
    laptop.desk = house.new_desk(desk.book_path, worker)
    laptop.go(path)
    expect(page.locator("main")).to_contain_text("Open it from the program")
    page.get_by_role("link", name="Go on").click()
    expect(page.locator("main")).to_contain_text("start aperture desk again")
    laptop.come_in()
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_contain_text("What is due")
    laptop.desk.state.arrivals.close()


# --- back ----------------------------------------------------------------------------------------------


def test_who_goes_back_and_sends_the_same_check_again_enters_it_once(desk, laptop, monkeypatch):
    from aperture.desk.pages import one_reed

    monkeypatch.setattr(one_reed, "ONE_PRESS", 0 * one_reed.ONE_PRESS)  # some time has passed
    page = laptop.page
    laptop.go("/reed/7")
    fill_check(page)
    page.get_by_role("button", name="Enter the check").click()
    expect(page.get_by_role("status")).to_contain_text("check by hand, saved")
    page.go_back()
    # What was typed is there, and in view of who looks for it: its form is open.
    expect(page.get_by_label("Note")).to_have_value("at the tip")
    expect(page.get_by_label("Note")).to_be_visible()
    page.get_by_role("button", name="Enter the check").click()
    expect(page.get_by_role("status")).to_contain_text("entered at")
    expect(page.get_by_role("status")).to_contain_text("It stands once.")
    assert len(checks(desk)) == 1


def test_back_leads_to_the_form_that_was_refused_with_what_was_typed(laptop):
    page = laptop.page
    laptop.go("/reed/7")
    fill_check(page)
    page.get_by_label("Pitch").fill("flat")
    page.get_by_role("button", name="Enter the check").click()
    expect(page.get_by_label("Pitch")).to_be_focused()
    page.get_by_role("link", name="Help").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Help")
    page.go_back()
    expect(page.get_by_label("Pitch")).to_have_value("flat")
    expect(page.get_by_label("Note")).to_have_value("at the tip")


def test_what_was_half_typed_stands_in_an_open_form_when_one_comes_back(laptop):
    page = laptop.page
    laptop.go("/reed/7")
    fill_check(page)
    page.get_by_role("link", name="Help").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Help")
    page.go_back()
    expect(page.get_by_label("Note")).to_be_visible()
    expect(page.get_by_label("Note")).to_have_value("at the tip")
    expect(page.get_by_role("button", name="Decide", exact=True)).to_be_hidden()
