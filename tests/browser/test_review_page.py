"""The review of one photo in a real browser: what is in view, the whole photo, numbers while one drags."""

import json

import pytest

from aperture.book.photos.intake import take_in
from tests.browser.test_desk_pages import readings
from tests.browser.windows import LAPTOP, PHONE, SHAKEN, expect, faults, review_of_twelve, too_wide


@pytest.fixture
def held(windows, desk, two_photos):
    """The same review on a computer that is a screen to be touched."""
    with windows.lent(desk, PHONE, "held") as window:
        window.come_in()
        yield review_of_twelve(desk, window, two_photos)


SIZES = pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])


def nobody(desk):
    """A photo of which nobody knows the reed."""
    with desk.open_book() as book:
        return book.unfiled()[0].photo.sha256


def show(window, path, size):
    """A page at a size of the window; that axe finds nothing on it is tried with all pages."""
    window.page.set_viewport_size(size)
    window.go(path)
    window.page.wait_for_load_state()
    assert too_wide(window.page) <= 0


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
    assert in_view(review.page.get_by_role("button", name="Save reed and state"), size)
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


@SIZES
def test_what_is_wrong_is_said_in_view_and_has_the_focus(review, size):
    page = review.page
    show(review, f"/review/{review.sha}", size)
    page.get_by_label("Who reviews").fill("MB")
    page.get_by_label("Class").select_option("shut")
    page.get_by_role("button", name="Save this class").click()
    expect(page.get_by_label("Why")).to_be_focused()
    wrong = page.locator("#wrong")
    expect(wrong).to_contain_text("say which class it is, and why")
    assert in_view(wrong, size)
    assert in_view(page.get_by_label("Why"), size)
    expect(page.get_by_label("Class")).to_have_value("shut")
    assert faults(page) == ""
    review.shot(f"{size['width']}-wrong")


def test_an_outline_that_was_not_kept_is_still_drawn(desk, review):
    """Who reviews was a name, not a code: the points lie where they were."""
    page = review.page
    page.keyboard.press("d")
    drag(page, 6, 0, 12)
    drawn = points(page)
    page.get_by_label("Who reviews").fill("Mary Smith")
    page.get_by_role("button", name="Measure this outline").click()
    expect(page.locator("#wrong")).to_contain_text("short code")
    expect(page.get_by_label("Who reviews")).to_be_focused()
    expect(page.locator(".handle")).to_have_count(24)
    assert points(page) == [pytest.approx(point) for point in drawn]
    page.get_by_label("Who reviews").fill("MS")
    page.get_by_role("button", name="Measure this outline").click()
    expect(page.locator(".this h2")).to_contain_text("outline corrected by hand")


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


@SIZES
def test_an_outline_is_corrected_with_six_clicks(desk, review, size):
    """Three points of it, by whom the browser knows; a drag is a click."""
    page = review.page
    page.get_by_label("Who reviews").fill("MB")
    page.get_by_role("button", name="Ask for a retake").click()
    page.wait_for_url(lambda address: review.sha not in address)
    show(review, f"/review/{review.sha}", size)
    clicks = 0
    page.get_by_role("button", name="Show the points").click()
    clicks += 1
    for place in (4, 6, 8):
        drag(page, place, 0, 6)
        clicks += 1
    page.get_by_role("button", name="Measure this outline").click()
    clicks += 1
    expect(page.locator(".this h2")).to_contain_text("outline corrected by hand")
    assert clicks <= 6
    last = readings(desk, review.sha)[-1]
    assert (last.origin, last.by, last.record["outcome"]) == ("person", "MB", "measured")


# --- the whole photo -----------------------------------------------------------------------------------


@SIZES
def test_p_shows_the_whole_photo_with_what_was_found(review, size):
    page = review.page
    show(review, f"/review/{review.sha}", size)
    whole = page.locator("#photo-place svg")
    expect(whole).to_have_count(0)
    page.keyboard.press("p")
    expect(whole).to_be_visible()
    for kind in ("card", "notch", "tag", "opening"):
        expect(whole.locator(f".found.{kind}")).to_have_count(1)
    expect(page.locator("#photo-place figcaption")).to_contain_text("the tag of reed 12")
    picture = page.evaluate(
        """() => new Promise((go) => { const one = new Image();
        one.onload = () => go([one.width, one.height]);
        one.src = document.querySelector("#photo-place image").getAttribute("href"); })"""
    )
    assert max(picture) == 2000
    assert too_wide(page) <= 0
    assert faults(page) == ""
    review.shot(f"{size['width']}-whole")
    page.keyboard.press("p")
    expect(whole).to_be_hidden()
    page.get_by_role("button", name="Whole photo").click()
    expect(whole).to_be_visible()
    assert page.url.endswith(review.sha)  # the page is still the one that it was


def test_the_tag_s_number_is_readable_in_the_whole_photo(review):
    """Made larger, its digits (2.8 mm of its 19 mm, card.json) are taller than the page's own small print."""
    page = review.page
    page.keyboard.press("p")
    tag = page.locator("#photo-place .tag")
    expect(tag).to_be_visible()
    before = tag.bounding_box()["height"]
    for _ in range(2):
        page.keyboard.press("+")
    assert tag.bounding_box()["height"] == pytest.approx(2.25 * before, rel=0.05)
    assert tag.bounding_box()["height"] * 2.8 / 19 > 14


@SIZES
def test_a_photo_that_was_refused_is_seen_without_asking(desk, review, size):
    """Blurred: there is no picture of its tip."""
    with desk.open_book() as book:
        (arrival,) = take_in(book, [SHAKEN], desk.settings)
    show(review, f"/review/{arrival.sha256}", size)
    whole = review.page.locator("#photo-place svg")
    expect(whole).to_be_visible()
    expect(whole.locator(".card")).to_have_count(1)
    expect(review.page.locator("#photo-place figcaption")).to_contain_text("The opening was not outlined.")
    assert faults(review.page) == ""
    review.shot(f"{size['width']}-refused")


@SIZES
def test_the_whole_photo_has_a_page_of_its_own(review, size):
    show(review, f"/review/{review.sha}/photo", size)
    assert faults(review.page) == ""
    expect(review.page.locator("svg.whole .found.card")).to_have_count(1)
    review.shot(f"{size['width']}-photo")
    review.page.get_by_role("link", name="Back to the review").click()
    expect(review.page.get_by_role("heading", level=1)).to_have_text("Reed 12, dry")


def test_a_photo_that_cannot_be_shown_is_said(desk, review):
    with desk.open_book() as book:
        (book.pictures / book.photo(review.sha).kept).unlink()
    review.page.keyboard.press("p")
    expect(review.page.locator("#photo-says")).to_have_text("The photo itself is not kept any more.")


# --- larger and smaller --------------------------------------------------------------------------------


@pytest.fixture
def pair(desk, review, enter):
    """The same with a soaked photo beside it, which has a picture of its tip, too."""
    with desk.open_book() as book:
        was = book.entry(book.photo(review.sha)).reading
        soaked = book.entry(enter(book, book.reed(12), "soaked"))
        args = (soaked.reading.record, desk.settings, 0.001, was.outline_mm)
        book.add_reading(soaked.photo, *args, tip=was.tip, tip_window=was.tip_window)
    review.page.reload()
    return review


def boxes(page):
    """The part that each tip shows, judged first: x, y, width, height in mm."""
    return page.evaluate(
        """() => [...document.querySelectorAll("svg.tip")]
        .sort((one) => (one.closest(".this") ? -1 : 1))
        .map((one) => ["x", "y", "width", "height"].map((name) => one.viewBox.baseVal[name]))"""
    )


def test_plus_and_minus_enlarge_both_tips_alike(pair):
    page = pair.page
    start = boxes(page)
    page.keyboard.press("+")
    page.keyboard.press("=")  # the same key without Shift
    judged, other = boxes(page)
    assert judged[2] == other[2] == pytest.approx(start[0][2] / 2.25)
    page.keyboard.press("-")
    page.get_by_role("button", name="Smaller").click()
    assert boxes(page) == [pytest.approx(one) for one in start]
    page.keyboard.press("-")  # no smaller than all of it
    assert boxes(page) == [pytest.approx(one) for one in start]


def test_z_brings_the_judged_tip_into_view(desk, pair):
    """Enlarged, they stand one below the other, the soaked one last."""
    with desk.open_book() as book:
        soaked = book.history(book.reed(12)).latest("soaked").photo.sha256
    page = pair.page
    show(pair, f"/review/{soaked}", LAPTOP)
    page.keyboard.press("z")
    dry, judged = (tip.bounding_box() for tip in page.locator("svg.tip").all())
    assert judged["y"] > dry["y"]
    assert 0 <= judged["y"] < LAPTOP["height"] / 3


def seen_at(page, x, y):
    """What of the judged tip, mm, lies under a place of the screen."""
    return page.evaluate(
        """([x, y]) => { const svg = document.querySelector(".this svg.tip");
        const at = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM().inverse());
        return [at.x, at.y]; }""",
        [x, y],
    )


def test_the_wheel_enlarges_the_judged_tip_where_the_pointer_is(pair):
    page = pair.page
    box = page.locator(".this svg.tip").bounding_box()
    x, y = box["x"] + 0.3 * box["width"], box["y"] + 0.6 * box["height"]
    before = seen_at(page, x, y)
    page.mouse.move(x, y)
    page.mouse.wheel(0, -400)
    page.wait_for_function("document.querySelector('.this svg.tip').classList.contains('zoomed')")
    assert seen_at(page, x, y) == pytest.approx(before, abs=0.02)
    judged, other = boxes(page)
    assert judged[2] == other[2] < 10.4
    # What is larger is moved with the pointer.
    page.mouse.down()
    page.mouse.move(x + 40, y + 10)
    page.mouse.up()
    assert seen_at(page, x + 40, y + 10) == pytest.approx(before, abs=0.02)
    page.mouse.wheel(0, 4000)
    page.wait_for_function("!document.querySelector('.this svg.tip').classList.contains('zoomed')")
    assert page.evaluate("scrollY") == 0


def fingers(window):
    """touch(kind, *places) on the phone's screen, as a driver of the screen sends it."""
    wire = window.context.new_cdp_session(window.page)

    def touch(kind, *places):
        points = [{"x": x, "y": y, "id": place} for place, (x, y) in enumerate(places)]
        wire.send("Input.dispatchTouchEvent", {"type": f"touch{kind}", "touchPoints": points})

    return touch


@pytest.mark.parametrize("along", [(1, 0), (0, 1)], ids=["level", "upright"])
def test_two_fingers_enlarge_the_judged_tip(held, along):
    page, touch = held.page, fingers(held)
    tip = page.locator(".this svg.tip")
    tip.scroll_into_view_if_needed()
    box = tip.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before, scrolled = seen_at(page, x, y), page.evaluate("scrollY")

    def apart(px):
        return [(x + sign * px * along[0], y + sign * px * along[1]) for sign in (-1, 1)]

    touch("Start", *apart(20))
    for px in (30, 40, 50, 60):
        touch("Move", *apart(px))
    touch("End")
    assert boxes(page)[0][2] == pytest.approx(10.4 / 3, rel=0.1)
    assert page.evaluate("scrollY") == scrolled
    assert seen_at(page, x, y) == pytest.approx(before, abs=0.1)


# --- the outline ---------------------------------------------------------------------------------------


def middle(box):
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag(page, place, right, down):
    """Drag a point by so many pixels."""
    handle = page.locator(".handle").nth(place)
    handle.scroll_into_view_if_needed()
    x, y = middle(handle.bounding_box())
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + right, y + down, steps=3)
    page.mouse.up()


def settled(page):
    """The page's numbers, once they are those of the points as they lie."""
    page.wait_for_selector('.this[aria-busy="false"]')
    return page.locator(".this dd").all_inner_texts()


def points(page):
    return json.loads(page.locator("#points").input_value())


@SIZES
def test_numbers_follow_the_point_and_are_those_that_are_kept(desk, review, size):
    """To the printed digit: before it is measured and after."""
    page = review.page
    show(review, f"/review/{review.sha}", size)
    page.keyboard.press("d")
    first = settled(page)
    for place in (4, 6, 8):  # of the lower edge
        drag(page, place, 0, 12)
    then = settled(page)
    assert float(then[0].split()[0]) > float(first[0].split()[0])  # higher
    assert float(then[2].split()[0]) > float(first[2].split()[0])  # larger
    assert faults(page) == ""
    review.shot(f"{size['width']}-outline")
    page.get_by_label("Who reviews").fill("MB")
    page.keyboard.press("Escape")
    page.keyboard.press("m")
    expect(page.locator(".this h2")).to_contain_text("outline corrected by hand")
    assert page.locator(".this dd").all_inner_texts() == then


def test_the_class_follows_the_point(review):
    page = review.page
    page.keyboard.press("d")
    settled(page)
    seen = page.locator(".this .seen")
    expect(seen).to_have_text("Dry: elliptical")
    for place in range(2, 11):
        page.locator(".handle").nth(place).focus()
        for _ in range(14):
            page.keyboard.press("Shift+ArrowDown")
    settled(page)
    expect(seen).to_have_text("Dry: round")


def test_u_and_ctrl_z_undo_and_begin_again_can_be_undone_too(review):
    page = review.page
    page.keyboard.press("d")
    expect(page.get_by_role("button", name="Undo")).to_be_disabled()
    start = points(page)
    drag(page, 6, 0, -10)
    one = points(page)
    assert one != start
    page.locator(".handle").nth(3).focus()
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("u")  # steps of one point are one change
    assert points(page) == one
    page.keyboard.press("Delete")
    assert len(points(page)) == len(start) - 1
    page.keyboard.press("Control+z")
    assert points(page) == one
    page.get_by_role("button", name="Begin again").click()
    assert points(page) == start
    page.keyboard.press("u")
    assert points(page) == one
    page.keyboard.press("u")
    assert points(page) == start
    expect(page.get_by_role("button", name="Undo")).to_be_disabled()


@SIZES
def test_a_crossed_outline_is_said_at_once(desk, review, size):
    page = review.page
    show(review, f"/review/{review.sha}", size)
    page.keyboard.press("d")
    settled(page)
    box = page.locator(".handle").nth(6).bounding_box()
    above = page.locator(".handle").nth(18).bounding_box()
    drag(page, 6, 0, above["y"] - box["y"] - 30)
    says = page.locator("#outline-says")
    expect(says).to_have_text("The outline crosses itself. Move the points, or undo.")
    assert in_view(says, size)
    assert set(settled(page)) == {"–"}
    expect(page.locator(".this .seen")).to_have_text("Dry: –")
    expect(page.get_by_role("button", name="Measure this outline")).to_be_disabled()
    assert faults(page) == ""
    review.shot(f"{size['width']}-crossed")
    page.keyboard.press("u")
    expect(says).to_be_hidden()
    expect(page.get_by_role("button", name="Measure this outline")).to_be_enabled()
    assert "±" in settled(page)[0]


def test_a_adds_a_point_and_so_does_a_double_click_but_not_a_single_one(review):
    page = review.page
    page.keyboard.press("d")
    handles = page.locator(".handle")
    page.keyboard.press("a")
    expect(handles).to_have_count(25)
    expect(handles.nth(1)).to_be_focused()
    a, new, b = points(page)[:3]
    assert new == pytest.approx([(a[0] + b[0]) / 2, (a[1] + b[1]) / 2])
    box = page.locator(".this svg.tip").bounding_box()
    at = box["x"] + 0.5 * box["width"], box["y"] + 0.25 * box["height"]
    page.mouse.click(*at)
    expect(handles).to_have_count(25)
    page.mouse.dblclick(*at)
    expect(handles).to_have_count(26)
    page.get_by_role("button", name="Take it away").click()
    expect(handles).to_have_count(25)


def test_fingers_drag_points_and_add_them(held):
    """Targets of at least 24 px (WCAG 2.2, 2.5.8), and the page does not scroll away under the finger."""
    page, touch = held.page, fingers(held)
    page.get_by_role("button", name="Show the points").click()
    handle = page.locator(".handle").nth(6)
    handle.scroll_into_view_if_needed()
    # Without its line, by which it is wider still.
    line = page.locator(".grip").nth(6).evaluate("(one) => parseFloat(getComputedStyle(one).strokeWidth)")
    assert line >= 24
    before, scrolled = points(page), page.evaluate("scrollY")
    x, y = middle(handle.bounding_box())
    touch("Start", (x + 8, y - 8))  # beside it: a finger hits no nearer
    for down in (4, 8, 12, 16):
        touch("Move", (x + 8, y - 8 + down))
    touch("End")
    after = points(page)
    assert after[:6] + after[7:] == before[:6] + before[7:]
    assert middle(handle.bounding_box())[1] == pytest.approx(y + 16, abs=1)
    assert page.evaluate("scrollY") == scrolled
    box = page.locator(".this svg.tip").bounding_box()
    for _ in range(2):
        page.touchscreen.tap(box["x"] + 0.5 * box["width"], box["y"] + 0.12 * box["height"])
    expect(page.locator(".handle")).to_have_count(25)


@pytest.mark.parametrize("keys", ["d+++", "+++d"])
def test_points_are_as_large_on_the_screen_whatever_the_tip_is(review, keys):
    page = review.page
    for key in keys:
        page.keyboard.press(key)
    handle = page.locator(".handle").nth(6)
    px = "(one) => parseFloat(one.getAttribute('r')) * one.ownerSVGElement.getScreenCTM().a"
    assert handle.evaluate(px) == pytest.approx(4.5, abs=0.1)


def test_a_desk_that_is_closed_is_said_while_one_drags(review):
    page = review.page
    page.wait_for_load_state()
    page.context.set_offline(True)
    try:
        page.keyboard.press("d")
        expect(page.locator("#outline-says")).to_have_text("The desk does not answer. Is it open?")
        expect(page.get_by_role("button", name="Measure this outline")).to_be_disabled()
    finally:
        page.context.set_offline(False)
    review.complaints.clear()  # the browser complains of the cut connection


def test_the_outline_is_left_as_it_was(desk, review):
    page = review.page
    page.get_by_label("Who reviews").fill("MB")
    page.keyboard.press("Escape")
    page.keyboard.press("d")
    drag(page, 6, 0, -10)
    expect(page.get_by_role("button", name="Confirm the numbers")).to_be_hidden()
    page.keyboard.press("c")  # what is not seen is not pressed
    page.get_by_role("link", name="Leave it").click()
    expect(page.get_by_role("button", name="Confirm the numbers")).to_be_visible()
    assert len(readings(desk, review.sha)) == 1
