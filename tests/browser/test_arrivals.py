"""Photos that arrive, in a real browser: what the import says of each of them."""

import re
import shutil
import threading

import pytest

from tests.browser.windows import DRY, NOT_NAMED, ROOT, SHAKEN, clean, expect

FAR = ROOT / "fixtures" / "photos" / "far.jpg"


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
    laptop.go("/due")
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
    clean(laptop, "import")


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


# --- on their way --------------------------------------------------------------------------------------


def begin(page, *photos):
    page.get_by_label("or photos").set_input_files(photos)
    page.get_by_role("button", name="Import").click()


def test_what_was_sent_goes_on_when_one_leaves_and_is_told_when_one_comes_back(desk, laptop, a_folder):
    page = laptop.page
    laptop.go("/import")
    page.wait_for_load_state()
    let_go, take = threading.Event(), desk.state.arrivals._take

    def held(order, turn):
        assert let_go.wait(60)
        return take(order, turn)

    desk.state.arrivals._take = held
    begin(page, a_folder / DRY.name, a_folder / FAR.name, a_folder / NOT_NAMED.name)
    words = page.locator("#words")
    expect(words).to_have_text("0 of 3 photos done. You can leave this page: it goes on.")
    laptop.shot("import-going")
    asked = []

    def hear(dialog):
        asked.append(dialog.type)
        dialog.accept()

    page.on("dialog", hear)
    laptop.go("/reeds")
    page.remove_listener("dialog", hear)
    assert asked == []
    laptop.go("/import")
    expect(words).to_have_text("0 of 3 photos done. You can leave this page: it goes on.")
    let_go.set()
    expect(words).to_have_text("Done: 1 taken in, 1 to review, 1 to take again.", timeout=60_000)
    page.reload()
    expect(words).to_have_text("Done: 1 taken in, 1 to review, 1 to take again.")
    expect(outcome(page, "take again")).to_contain_text("far.jpg")


def test_whoever_leaves_while_photos_are_being_sent_is_asked(desk, laptop, a_folder):
    page = laptop.page
    laptop.go("/import")
    page.wait_for_load_state()
    held, let_go = [], []
    page.route("**/import/photo", lambda route: route.continue_() if let_go else held.append(route))
    with page.expect_request("**/import/photo"):
        begin(page, a_folder / DRY.name, a_folder / FAR.name)
    expect(page.locator("#words")).to_contain_text("Sending: 0 of 2 photos sent")
    expect(page.locator("#words")).to_contain_text("Keep this page open until all are sent.")
    with page.expect_event("dialog") as asked:
        page.close(run_before_unload=True)
    assert asked.value.type == "beforeunload"
    asked.value.dismiss()
    let_go.append("all")
    for route in held:
        route.continue_()
    expect(page.locator("#words")).to_have_text("Done: 1 taken in, 1 to take again.", timeout=60_000)


def test_the_time_that_is_left_is_told_once_it_is_known(laptop):
    """The desk says how long a photo takes; made up here: 7 s each, 2 of 8 done, so 40 s to the next five."""
    page = laptop.page
    news = {
        "next": 2,
        "version": 9,
        "lot": 0,
        "sent": 8,
        "done": 2,
        "secondsEach": 7.0,
        "lines": [],
        "watch": "",
    }
    answers, held = [news], []

    def answer(route):
        if answers:
            return route.fulfill(json=answers.pop())
        return held.append(route)  # there is nothing new

    page.route("**/import/news*", answer)
    laptop.go("/import")
    expect(page.locator("#words")).to_have_text(
        "2 of 8 photos done; about 40 s left. You can leave this page: it goes on."
    )
    bar = page.locator("#bar")
    assert (bar.get_attribute("max"), bar.evaluate("(one) => one.value")) == ("8", 2)
    page.goto("about:blank")
    for route in held:
        route.abort()


# --- a folder that is watched --------------------------------------------------------------------------


def test_a_folder_is_watched_and_what_comes_is_told(desk, laptop, tmp_path):
    page = laptop.page
    folder = tmp_path / "phone"
    folder.mkdir()
    laptop.go("/import")
    page.get_by_text("Watch a folder into which photos come").click()
    page.get_by_label("Folder on this computer").fill("phone")
    page.get_by_role("button", name="Watch it").click()
    named = page.get_by_label("Folder on this computer")
    expect(named).to_be_focused()
    expect(named).to_have_accessible_description("Write the whole way to it, as the file manager shows it.")
    expect(named).to_have_value("phone")
    clean(laptop, "watch-trouble")
    page.get_by_label("Folder on this computer").fill(str(folder))
    page.get_by_role("button", name="Watch it").click()
    expect(page.locator("#watched")).to_contain_text(f"Watching {folder} since")
    shutil.copy(DRY, folder / "IMG_1.jpg")
    expect(outcome(page, "taken in")).to_contain_text("IMG_1.jpg", timeout=60_000)
    expect(page.locator("#watched")).to_contain_text("1 photo came so far.")
    clean(laptop, "watching")
    shutil.rmtree(folder)
    expect(page.locator("#watched")).to_contain_text("Not watching any more", timeout=60_000)
    page.get_by_role("button", name="Stop watching").click()
    expect(page.get_by_role("button", name="Stop watching")).to_have_count(0)
    expect(page.locator("#watched")).to_be_hidden()
    page.get_by_text("Watch a folder into which photos come").click()
    expect(page.get_by_role("button", name="Watch it")).to_be_visible()
