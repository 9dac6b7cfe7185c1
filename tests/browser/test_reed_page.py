"""The page of one reed in a real browser: how much of it is seen, how few clicks it takes."""

import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from aperture.book.photos.intake import take_in
from aperture.book.store.ledger import Book
from aperture.book.store.records import FAULTS, Soaking
from aperture.settings import Settings, change_settings
from tests.browser.windows import LAPTOP, PHONE, expect, faults, too_wide

DEMO = Path(__file__).parents[2] / "demo_images"
TAKEN = [DEMO / "R07_dry.jpg", DEMO / "R07_soaked.jpg", DEMO / "later" / "R07_soaked_squeezed.jpg"]
MINUTE = timedelta(minutes=1)


@pytest.fixture(scope="module")
def usual(tmp_path_factory):
    """A folder with a book of one reed as there are many: dry, soaked, squeezed, checked, kept."""
    folder = tmp_path_factory.mktemp("usual")
    settings = change_settings(Settings(), {"workers": 1})
    with Book(folder / "reeds.sqlite3", create=True) as book:
        book.add_lot("26a", "north")
        list(take_in(book, TAKEN, settings, Soaking(seconds=30.0), "26a"))
        reed = book.reed(7)
        last = book.history(reed).entries[-1].photo.when
        book.add_squeeze(reed, last - MINUTE, by="MB")
        book.add_check(reed, last + 3 * MINUTE, dict.fromkeys(FAULTS, False), "good", -8.0, by="MB")
        book.add_decision(reed, last + 5 * MINUTE, "keep", "It is as it should be.", "MB", "keep", "keep")
    return folder


@pytest.fixture
def kept(desk, laptop, usual):
    """The page of that reed."""
    shutil.copytree(usual, desk.book_path.parent, dirs_exist_ok=True)
    laptop.go("/reed/7")
    return laptop


def history_of(desk, number):
    with desk.open_book() as book:
        return book.history(book.reed(number))


# --- at a glance ---------------------------------------------------------------------------------------


def test_a_usual_reed_fits_two_screens(kept):
    """Name, what to do, pictures with millimetres, plots, history; the forms are closed."""
    page = kept.page
    assert page.evaluate("document.documentElement.scrollHeight") <= 2 * LAPTOP["height"]
    kept.shot("usual")
    for words in ("What to do", "Soaking changed", "Over time", "History"):
        expect(page.get_by_role("heading", name=words)).to_be_visible()
    assert not any(form.is_visible() for form in page.locator(".enter form").all())
    # What to do and both pictures are on the first screen.
    for one in page.locator("#todo, .pictures svg.tip").all():
        box = one.bounding_box()
        assert box["y"] + box["height"] < LAPTOP["height"]


def test_limits_and_what_was_done_are_in_the_plots(kept):
    """Those of the settings: working values, not validated."""
    page, limits = kept.page, kept.desk.settings.limits
    ratio, height = page.locator(".plots figure").all()
    expect(ratio.locator(".limit-words").first).to_have_text(f"wide from {limits.wide_from_ratio:g}")
    expect(ratio.locator(".limit-words").nth(1)).to_have_text(f"round from {limits.round_from_ratio:g}")
    expect(height.locator(".limit-words")).to_have_text(f"shut below {limits.shut_below_height_mm:g} mm")
    for plot in (ratio, height):
        expect(plot.locator(".squeezed")).to_have_count(1)
        expect(plot.locator(".decided")).to_have_count(1)
        expect(plot.locator("figcaption")).to_contain_text("▼ squeezed, ◆ decided")
    # The round photo lies above the line, the others below: y grows downwards.
    line = float(ratio.locator("line.limit").nth(1).get_attribute("y1"))
    above = [float(dot.get_attribute("cy")) < line for dot in ratio.locator("circle").all()]
    assert above == [True, False]


def test_axe_finds_nothing_in_the_open_forms_either(kept):
    page = kept.page
    for wanted in ("", "-open"):
        if wanted:
            page.locator("details").evaluate_all("(all) => all.forEach((one) => (one.open = true))")
        for size in (LAPTOP, PHONE):
            page.set_viewport_size(size)
            kept.shot(f"usual-{size['width']}{wanted}")
            assert faults(page) == "", (wanted, size)
            assert too_wide(page) <= 0, (wanted, size)


# --- clicks --------------------------------------------------------------------------------------------


def test_a_check_without_findings_takes_three_clicks(desk, kept):
    page = kept.page
    page.get_by_text("Enter a check").click()
    page.get_by_label("Nothing found").click()
    assert page.locator(".questions input[value=no]:checked").count() == len(FAULTS)
    page.get_by_role("button", name="Enter the check").click()
    expect(page.locator("#check form")).to_be_hidden()
    check = history_of(desk, 7).checks[-1]
    assert {getattr(check, name) for name in FAULTS} == {False}


def test_an_answer_taken_back_is_not_answered_by_the_box(desk, kept):
    page = kept.page
    page.get_by_text("Enter a check").click()
    page.get_by_label("Nothing found").click()
    page.get_by_role("group", name=FAULTS["crack"]).get_by_label("not looked at").click()
    page.get_by_role("group", name=FAULTS["leak"]).get_by_label("yes").click()
    page.get_by_role("button", name="Enter the check").click()
    expect(page.locator("#check form")).to_be_hidden()
    check = history_of(desk, 7).checks[-1]
    assert (check.crack, check.leak, check.wire) == (None, True, False)


def test_a_decision_as_advised_takes_two_clicks_and_then_one(desk, laptop, enter):
    """The code is remembered on this computer, on the page of the next reed, too."""
    page = laptop.page
    laptop.go("/reed/7")
    page.get_by_label("Who, a short code").click()
    page.keyboard.type("MB")
    page.get_by_role("button", name="Decide: squeeze, as advised").click()
    expect(page.locator(".happened")).to_contain_text("Decided (MB): squeeze")
    with desk.open_book() as book:
        enter(book, book.add_reed(8), "soaked", datetime(2026, 10, 5, 15, 30), height_mm=2.1, width_mm=6.4)
    laptop.go("/reed/8")
    page.get_by_role("button", name="Decide: squeeze, as advised").click()
    expect(page.locator(".happened")).to_contain_text("Decided (MB): squeeze")
    assert history_of(desk, 8).decision.by == "MB"


def test_enter_in_the_field_enters_nothing(desk, laptop):
    laptop.go("/reed/7")
    laptop.page.get_by_label("Who, a short code").fill("MB")
    laptop.page.keyboard.press("Enter")
    laptop.go("/reed/7")
    history = history_of(desk, 7)
    assert (history.squeezes, history.decisions) == ((), ())


def test_a_name_is_never_remembered(laptop):
    page = laptop.page
    for name in ("Anna Example", "Anna E.", "<b>"):
        laptop.go("/reed/7")
        page.get_by_label("Who, a short code").fill(name)
        page.get_by_role("button", name="Decide: squeeze, as advised").click()
        expect(page.locator("main")).to_contain_text("not a name")
        assert page.evaluate("Object.values(localStorage)") == [], name


# --- gone ----------------------------------------------------------------------------------------------


def test_a_reed_that_is_gone_comes_back_only_when_that_is_said(desk, laptop):
    page = laptop.page
    with desk.open_book() as book:
        book.add_decision(book.reed(7), datetime(2026, 10, 6, 9, 0), "sent back", "It is round.", "MB")
    laptop.go("/reed/7")
    assert not any(button.is_visible() for button in page.locator("main button").all())
    laptop.shot("gone")
    page.get_by_text("It came back").click()
    expect(page.locator("#back")).to_contain_text("sent back on 2026-10-06. Is it here again?")
    assert page.get_by_label("What is decided").input_value() == ""
    laptop.shot("came-back")
    assert faults(page) == ""
    page.get_by_label("What is decided").select_option("keep")
    page.get_by_label("Why").fill("the seller sent it again")
    page.get_by_label("Who decides").fill("MB")
    page.get_by_role("button", name="Decide", exact=True).click()
    expect(page.get_by_role("heading", name=re.compile("What to do"))).to_be_visible()
    assert not history_of(desk, 7).gone


def test_a_link_to_a_form_opens_it(laptop):
    laptop.go("/reed/7#check")
    expect(laptop.page.get_by_role("button", name="Enter the check")).to_be_visible()
