"""The page of one reed: what it says is true, and what its forms do."""

import re
from datetime import datetime

import pytest

from aperture.book.store.records import FAULTS, Soaking
from aperture.desk.pages import plots
from aperture.desk.pages.reed_story import NO_PAIR, NOT_THE_LATEST
from aperture.settings import Limits, Settings
from tests.desk.conftest import enter  # noqa: F401 (a fixture)


def text_of(browser, path="/reed/7"):
    """The words of a page, without its tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", browser.get(path).text))


# --- what people did to a photo ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"say": "confirm"}, "confirmed by a person"),
        ({"say": "override", "shape": "elliptical", "reason": "seen by eye"}, "class changed by a person"),
        ({"say": "reed", "reed": "7", "state": "dry"}, "reed or state corrected by a person"),
    ],
)
def test_the_page_says_what_a_person_did(filled, browser, form, words):
    with filled.open_book() as book:
        sha = book.history(book.reed(7)).latest("soaked").photo.sha256
    assert "by a person" not in text_of(browser)
    browser.post(f"/review/{sha}", {**form, "by": "MB"})
    assert words in text_of(browser)


# --- what to do ----------------------------------------------------------------------------------------

USUAL = Soaking(30.0, "room", "water", "new")


def test_a_decision_against_the_advice_leads_everywhere(filled, browser):
    """The advice stands beside it, in the tray, on the list of what is due and on the reed's page."""
    browser.post("/reed/7/decision", {"action": "replace", "by": "MB", "reason": "its player has another"})
    for path in ("/reeds", "/due", "/reed/7"):
        text = text_of(browser, path)
        assert "replace" in text
        assert "squeeze" in text  # the advice
        assert "Squeeze it firmly just above the thread" not in text.partition("The advice is")[0]
    assert "its player has another" in text_of(browser)


@pytest.mark.parametrize(
    ("height_mm", "width_mm", "said"),
    [
        # Ratios 0.41 and 0.26. Common practice, no published source: moderately open reeds are squeezed.
        (2.45, 5.98, "Too open to be squeezed: send it back while it can be"),
        (1.56, 6.0, "Squeeze it firmly just above the thread"),
    ],
)
def test_what_is_too_open_is_not_squeezed(desk, browser, enter, height_mm, width_mm, said):  # noqa: F811
    with desk.open_book() as book:
        book.add_lot("26a", "north", return_by=datetime(2036, 10, 19).date())
        reed = book.add_reed(9, "26a")
        enter(
            book, reed, "soaked", datetime(2026, 10, 5, 15, 0), USUAL, height_mm=height_mm, width_mm=width_mm
        )
    assert said in text_of(browser, "/reed/9")


def test_what_was_decided_is_done_with_one_button_and_the_same_reason(filled, browser):
    """Against the advice, too: why was said when it was decided."""
    browser.post("/reed/6/decision", {"action": "send back", "by": "MB", "reason": "not what was ordered"})
    assert 'value="sent back">It was sent back</button>' in browser.get("/reed/6").text
    browser.post("/reed/6/decision", {"action": "sent back", "by": "MB"})
    with filled.open_book() as book:
        decision = book.history(book.reed(6)).decision
    assert (decision.action, decision.override_reason) == ("sent back", "not what was ordered")


@pytest.mark.parametrize(
    ("number", "button"),
    [
        (6, '<summary class="first">Enter a check</summary>'),  # soaked and elliptical
        (7, '<button formaction="/reed/7/squeeze" formnovalidate>It was squeezed now</button>'),
        (9, '<a class="button" href="/phone">Photograph it</a>'),  # dry: to be soaked
        (10, ">Decide: send back, as advised</button>"),  # it leaks
    ],
)
def test_the_one_button_does_what_is_to_be_done(filled, browser, enter, number, button):  # noqa: F811
    with filled.open_book() as book:
        enter(book, book.add_reed(9), "dry")
        book.add_check(book.add_reed(10, "26a"), datetime(2026, 10, 6, 9, 0), {"leak": True})
    assert button in browser.get(f"/reed/{number}").text


# --- a reed that is gone -------------------------------------------------------------------------------

ENTRIES = [
    ("decision", {"action": "keep", "reason": "it is here", "by": "MB"}),
    ("check", {"leak": "no"}),
    ("squeeze", {"by": "MB"}),
]


def entered(desk, number=7):
    with desk.open_book() as book:
        history = book.history(book.reed(number))
    return len(history.decisions), len(history.checks), len(history.squeezes)


@pytest.mark.parametrize(("what", "form"), ENTRIES, ids=[what for what, _ in ENTRIES])
def test_nothing_is_entered_about_a_reed_that_is_gone_unless_it_came_back(filled, browser, what, form):
    browser.post("/reed/7/decision", {"action": "sent back", "by": "MB", "reason": "round"})
    before = entered(filled)
    answer = browser.post(f"/reed/7/{what}", form)
    assert answer.status_code == 409
    assert "It came back" in answer.text
    assert entered(filled) == before
    assert browser.post(f"/reed/7/{what}", {**form, "came_back": "yes"}).status_code == 200
    assert sum(entered(filled)) == sum(before) + 1


def test_the_forms_of_a_reed_that_is_gone_stand_behind_a_question(filled, browser):
    assert "came_back" not in browser.get("/reed/7").text
    browser.post("/reed/7/decision", {"action": "thrown away", "by": "MB", "reason": "it cracked"})
    text = browser.get("/reed/7").text
    before, _, behind = text.partition("<summary>It came back</summary>")
    assert "<form" not in before
    assert behind.count('name="came_back" value="yes"') == len(ENTRIES)
    # Nothing is chosen for them.
    choices = behind.partition('name="action"')[2].partition("</select>")[0]
    assert "selected" not in choices
    assert '<option value="">' in choices.partition("<option>")[0]


# --- which photos are compared -------------------------------------------------------------------------


def test_the_change_names_its_two_photos(filled, browser):
    text = text_of(browser)
    _, _, told = text.partition("Soaking changed")
    assert "height +1.3" in told
    assert "dry, 2026-10-05 14:07" in told
    assert "soaked, 2026-10-05 15:07, 30 s in room-temperature water, new" in told
    assert NOT_THE_LATEST not in text
    assert NO_PAIR not in text


def test_photos_of_different_soaks_are_not_joined_and_that_is_said(filled, browser, enter):  # noqa: F811
    with filled.open_book() as book:
        enter(book, book.reed(7), "soaked", datetime(2026, 10, 9, 15, 0), USUAL, height_mm=0.9)
    text = text_of(browser)
    _, _, told = text.partition("Soaking changed")
    assert "soaked, 2026-10-05 15:07" in told.partition("Over time")[0]
    assert "2026-10-09" not in told.partition("Over time")[0]
    assert NOT_THE_LATEST in text


def test_without_a_pair_the_page_says_why_nothing_is_told(desk, browser, enter):  # noqa: F811
    with desk.open_book() as book:
        reed = book.add_reed(9)
        enter(book, reed, "dry", datetime(2026, 10, 5, 14, 0))
        book.add_squeeze(reed, datetime(2026, 10, 5, 14, 30))
        enter(book, reed, "soaked", datetime(2026, 10, 5, 15, 0), USUAL)
    assert NO_PAIR in text_of(browser, "/reed/9")


# --- forms ---------------------------------------------------------------------------------------------


def last_check(desk, number=7):
    with desk.open_book() as book:
        return book.history(book.reed(number)).checks[-1]


def test_nothing_found_works_without_a_script(filled, browser):
    """As the page sends it: what is left at "not looked at" counts as no, and a yes stays a yes."""
    asked = re.search('name="asked" value="([^"]*)"', browser.get("/reed/7").text).group(1)
    form = {**dict.fromkeys(FAULTS, ""), "chip": "yes", "nothing_found": "yes", "asked": asked}
    browser.post("/reed/7/check", form)
    check = last_check(filled)
    assert (check.chip, check.leak, check.crack) == (True, False, False)
    # It may go back, so it is not played, and nobody heard whether air comes first.
    assert check.air_noise is None


def test_of_a_reed_that_does_not_go_back_all_is_asked(desk, browser, enter):  # noqa: F811
    with desk.open_book() as book:
        enter(book, book.add_reed(9), "dry")
    asked = re.search('name="asked" value="([^"]*)"', browser.get("/reed/9").text).group(1)
    assert asked.split() == [*FAULTS]
    browser.post("/reed/9/check", {"nothing_found": "yes", "asked": f"{asked} <b> reed_id"})
    check = last_check(desk, 9)
    assert {getattr(check, name) for name in FAULTS} == {False}


# --- the plots -----------------------------------------------------------------------------------------


def test_limits_lie_where_dots_of_that_value_would():
    when = datetime(2026, 10, 5)
    points = [plots.Point(when, 0.25, 0.0, "dry"), plots.Point(when, 0.1, 0.0, "soaked")]
    drawn = plots.plot("Ratio", "", points, limits=[(0.25, "round from 0.25"), (0.6, "far above")])
    assert drawn.limits[0] == (drawn.dots[0].y, "round from 0.25")
    # A limit above all dots is in the drawing, too.
    assert drawn.limits[1][0] >= plots.TOP
    assert drawn.levels[-1][0] <= drawn.limits[1][0] < drawn.limits[0][0]


def test_events_lie_on_the_axis_of_the_photos():
    """One in the middle between two photos lies in the middle; one after them moves the end of the axis."""
    first, last = datetime(2026, 10, 1), datetime(2026, 10, 11)
    points = [plots.Point(first, 0.5, 0.1, "dry"), plots.Point(last, 1.0, 0.1, "soaked")]
    events = [plots.Event(datetime(2026, 10, 6), "squeezed", "squeezed")]
    drawn = plots.plot("Height", "mm", points, events=events)
    assert drawn.events[0].x == pytest.approx((drawn.dots[0].x + drawn.dots[1].x) / 2, abs=0.2)
    assert "▼ squeezed" in drawn.legend
    later = [*events, plots.Event(datetime(2026, 10, 21), "decided", "decided, keep")]
    drawn = plots.plot("Height", "mm", points, events=later)
    assert drawn.events[1].x == pytest.approx(2 * drawn.dots[1].x - drawn.dots[0].x, abs=0.3)
    assert drawn.days[-1][1] == "21 Oct"


def test_the_page_names_the_limits_beside_the_numbers(filled, browser):
    text, limits = text_of(browser), filled.settings.limits
    assert f"shut below {limits.shut_below_height_mm:g} mm" in text
    assert f"wide from {limits.wide_from_ratio:g}, round from {limits.round_from_ratio:g}" in text
    assert "some of the photos were judged by other ones" not in text


def test_photos_judged_by_other_limits_are_told(filled, browser, enter):  # noqa: F811
    with filled.open_book() as book:
        ours = Settings(limits=Limits(round_from_ratio=0.3))
        enter(book, book.reed(7), "dry", datetime(2026, 10, 5, 16, 0), settings=ours)
    text = text_of(browser)
    assert "round from 0.3" in text
    assert "some of the photos were judged by other ones" in text
