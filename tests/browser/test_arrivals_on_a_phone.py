"""What the phone says after a photo, in a real browser: how long it was soaked, what helps, how far it is."""

# The fixtures are those of the phone's page; without a browser it skips, and this with it.
# ruff: noqa: F811

import re
import threading
from dataclasses import replace

from aperture.desk.intake.small import small_picture
from tests.browser.test_phone import choose, desk, keep, page, results, shot  # noqa: F401 (fixtures)
from tests.browser.windows import ROOT, expect, faults, too_wide

# --- the soak ------------------------------------------------------------------------------------------


def test_the_timer_says_whose_seconds_they_were_and_the_result_takes_a_correction(desk, page):
    """Two soaked photos in a row, of two reeds: the seconds are the first one's."""
    page.get_by_label("Seconds").fill("1")
    page.get_by_role("button", name="Start").click()
    timer = page.get_by_role("timer")
    expect(timer).to_contain_text("counts as soaked for 1 s")
    choose(page, shot(reed=7, state="soaked"))
    expect(results(page).first).to_contain_text("Soaked 1 s (by the timer).")
    expect(timer).to_have_text("Soaked for 1 s: kept with reed 7. For another reed, start again.")
    choose(page, shot(reed=8, state="soaked"))
    expect(results(page).first).to_contain_text("Reed 8, soaked")
    expect(results(page).first).to_contain_text("Soaked 30 s (the usual time).")
    results(page).first.get_by_text("Was it another time?").click()
    results(page).first.get_by_label("Soaked for, in seconds").fill("45")
    keep(page, "soaked-result")
    assert faults(page) == ""
    results(page).first.get_by_role("button", name="Save this time").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("What the photo gave")
    expect(page.locator("main")).to_contain_text("Soaked 45 s (as said on the phone).")
    with desk.open_book() as book:
        said = {
            number: book.history(book.reed(number)).latest("soaked").filing.soaking.seconds
            for number in (7, 8)
        }
    assert said == {7: 1.0, 8: 45.0}


# --- sending, measuring, done --------------------------------------------------------------------------


def now(page):
    return page.locator("#steps [aria-current=step]")


def test_sending_measuring_and_done_are_told_apart(desk, page):
    """The desk is held up twice by the test: while the photo is on its way, and while it measures."""
    let_go, arrived = threading.Event(), threading.Event()
    measure = desk.state.worker.take

    def held(order):
        arrived.set()
        assert let_go.wait(60)
        return measure(order)

    desk.state.worker.take = held
    expect(page.locator("#steps")).to_be_hidden()
    page.evaluate(HOLD)
    choose(page, shot())
    expect(now(page)).to_have_text("Sending")
    expect(page.locator("#progress")).to_have_text("Sending …")
    keep(page, "sending")
    page.evaluate("letGo()")
    assert arrived.wait(60)
    expect(now(page)).to_have_text("Measuring")
    expect(page.locator("#progress")).to_have_text("Measuring …")
    keep(page, "measuring")
    let_go.set()
    expect(now(page)).to_have_text("Done")
    expect(results(page).first).to_contain_text("Reed 7, dry")
    expect(page.locator("#progress")).to_be_hidden()
    assert faults(page) == ""


# What a slow network does: the photo does not leave the phone until it is let go.
HOLD = """() => {
  const send = XMLHttpRequest.prototype.send;
  const held = new Promise((go) => { window.letGo = go; });
  XMLHttpRequest.prototype.send = function (body) { held.then(() => send.call(this, body)); };
}"""


def test_a_photo_from_too_far_shows_how_far_to_hold_the_phone_beside_the_photo(desk, page):
    whole = page.locator("#result article").first
    small = small_picture(ROOT / "fixtures" / "photos" / "far.jpg")
    take = desk.state.worker.take
    desk.state.worker.take = lambda order: replace(take(order), small=small)
    choose(page, shot(**{"is": "refused", "code": "too-far", "reed": 7}))
    expect(whole).to_contain_text("Retake. Move the phone to about 12 to 15 cm from the card")
    expect(whole.get_by_role("img", name=re.compile("12 to 15 cm"))).to_be_visible()
    last = whole.get_by_role("img", name="The photo that was refused")
    expect(last).to_be_visible()
    assert last.evaluate("(one) => one.complete && one.naturalWidth") == 320
    # Beside each other, on a phone too.
    hint = whole.locator(".hint .says").bounding_box()
    assert last.bounding_box()["x"] + last.bounding_box()["width"] <= hint["x"]
    expect(now(page)).to_have_text("Done")
    keep(page, "too-far")
    assert faults(page) == ""
    assert too_wide(page) <= 0
    page.reload()
    expect(whole.get_by_role("img", name="The photo that was refused")).to_be_visible()


def test_another_refusal_gives_its_own_advice_and_no_drawing_of_how_far(page):
    choose(page, shot(**{"is": "refused", "code": "too-blurred"}))
    expect(results(page).first).to_contain_text("Retake. Rest the phone on something")
    expect(results(page).first.locator(".far")).to_have_count(0)


def test_what_is_not_taken_in_stands_beside_the_photo_that_the_phone_has(page):
    """It never was in the book: the phone shows what it sent."""
    photo = (ROOT / "fixtures" / "photos" / "far.jpg").read_bytes()
    page.route("**/snap", lambda route: route.fulfill(status=500, body="{}"))
    page.locator("#photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": photo})
    expect(results(page).first).to_contain_text("Not taken in.")
    last = results(page).first.get_by_role("img", name="The photo that was refused")
    expect(last).to_be_visible()
    assert last.evaluate("(one) => one.naturalWidth") == 806
    expect(now(page)).to_have_text("Done")
