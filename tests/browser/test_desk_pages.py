"""The desk's pages in a real browser: the keys of the review, points of an outline, a folder, paper."""

import json
import re
from base64 import b64encode
from pathlib import Path

import numpy as np
import pytest

from aperture.desk.pages.outlines import smooth
from tests.browser.windows import DRY, LAPTOP, NOT_NAMED, PHONE, background, expect, faults


def readings(desk, sha):
    with desk.open_book() as book:
        return book.entry(book.photo(sha)).readings


# --- keys ----------------------------------------------------------------------------------------------


def test_every_key_on_the_page_does_something(review):
    """Those that are shown are those that the other tests press."""
    shown = set(review.page.locator("main kbd").all_inner_texts())
    assert shown == {*"oezcrnxwd+-paum", "Delete", "Esc", "Enter"}


@pytest.mark.parametrize("key", ["o", "O"])
def test_o_and_e_switch_what_is_drawn(review, key):
    page, outline = review.page, review.page.locator(".this .outline")
    ellipse = page.locator(".this .ellipse")
    expect(outline).to_be_visible()
    expect(ellipse).to_be_hidden()
    page.keyboard.press(key)
    expect(outline).to_be_hidden()
    page.keyboard.press(key)
    expect(outline).to_be_visible()
    page.keyboard.press("e")
    expect(ellipse).to_be_visible()


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_z_makes_both_tips_larger_alike_and_smaller_again(desk, review, enter, size):
    """Side by side or one below the other: their scale is always one."""
    with desk.open_book() as book:
        was = book.entry(book.photo(review.sha)).reading
        soaked = book.entry(enter(book, book.reed(12), "soaked"))
        args = (soaked.reading.record, desk.settings, 0.001, was.outline_mm)
        book.add_reading(soaked.photo, *args, tip=was.tip, tip_window=was.tip_window)
    page = review.page
    page.set_viewport_size(size)
    page.reload()

    def widths():
        boxes = [tip.bounding_box() for tip in page.locator("svg.tip").all()]
        assert len(boxes) == 2
        assert boxes[0]["width"] == pytest.approx(boxes[1]["width"], abs=0.5)
        return boxes[0]["width"]

    small = widths()
    page.keyboard.press("z")
    assert widths() > 1.7 * small
    assert page.locator("#zoom").get_attribute("aria-pressed") == "true"
    # What does not fit is scrolled inside its picture, not with the page.
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.keyboard.press("z")
    assert widths() == pytest.approx(small, abs=0.5)


@pytest.mark.parametrize("width", [760, 1024, 1280])
def test_dry_stands_beside_soaked_on_every_laptop(review, width):
    page = review.page
    page.set_viewport_size({"width": width, "height": 700})
    dry, soaked = (card.bounding_box() for card in page.locator("#tips > section").all())
    assert dry["y"] == soaked["y"]
    assert dry["x"] < soaked["x"]


def test_n_goes_on(review):
    review.page.keyboard.press("n")
    expect(review.page.get_by_role("heading", level=1)).to_have_text("Which reed?")


def test_c_confirms_only_with_who_it_is(desk, review):
    page = review.page
    page.keyboard.press("c")
    # The browser asks for what is missing, and nothing was written.
    expect(page.get_by_label("Who reviews")).to_be_focused()
    assert len(readings(desk, review.sha)) == 1
    page.keyboard.type("c")  # in a field a key is a letter
    expect(page.get_by_label("Who reviews")).to_have_value("c")
    page.keyboard.press("Escape")
    page.keyboard.press("c")
    page.wait_for_url(lambda address: review.sha not in address)
    last = readings(desk, review.sha)[-1]
    assert (last.origin, last.by, last.record["review"]) == ("person", "c", False)


def test_r_asks_for_a_retake(desk, review):
    page = review.page
    page.get_by_label("Who reviews").fill("MB")
    page.keyboard.press("Escape")
    page.keyboard.press("r")
    page.wait_for_url(lambda address: review.sha not in address)
    assert readings(desk, review.sha)[-1].retake_asked


def test_x_and_enter_give_another_class(desk, review):
    page = review.page
    page.get_by_label("Who reviews").fill("MB")
    page.keyboard.press("Escape")
    page.keyboard.press("x")
    expect(page.get_by_label("Class")).to_be_focused()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Tab")
    page.keyboard.type("seen by eye")
    page.keyboard.press("Enter")
    page.wait_for_url(lambda address: review.sha not in address)
    last = readings(desk, review.sha)[-1]
    assert (last.record["shape"], last.record["reason"]) == ("round", "seen by eye")


def test_w_and_enter_give_another_reed(desk, review):
    page = review.page
    page.get_by_label("Who reviews").fill("MB")
    page.keyboard.press("Escape")
    page.keyboard.press("w")
    expect(page.get_by_label("Reed", exact=True)).to_be_focused()
    assert page.get_by_label("Reed", exact=True).input_value() == "12"  # the key was not typed
    page.keyboard.press("Control+a")
    page.keyboard.type("6")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Reed 6, dry")
    assert len(readings(desk, review.sha)) == 1


def test_a_number_that_no_reed_has_is_asked_about(desk, review):
    page = review.page
    page.get_by_label("Who reviews").fill("MB")
    page.get_by_label("Reed", exact=True).fill("17")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("There is no reed 17 yet. Make it?")
    assert faults(page) == ""
    review.shot("make-reed")
    page.get_by_role("button", name=re.compile("Make reed 17")).press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Reed 17, dry")


def test_enter_in_who_reviews_says_nothing(desk, review):
    page = review.page
    page.get_by_label("Who reviews").fill("MB")
    page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    page.keyboard.press("o")  # the page is still the one that it was
    expect(page.locator(".this .outline")).to_be_hidden()
    assert len(readings(desk, review.sha)) == 1


def test_d_shows_the_points_and_keys_move_and_remove_them(review):
    page = review.page
    page.keyboard.press("d")
    handles = page.locator(".handle")
    expect(handles).to_have_count(24)
    expect(handles.first).to_be_focused()

    def points():
        return json.loads(page.locator("#points").input_value())

    (x, y), *rest = points()
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Shift+ArrowRight")
    moved, *others = points()
    assert moved == pytest.approx([x + 0.1, y + 0.02])
    assert others == rest
    page.keyboard.press("Delete")
    assert points() == rest
    expect(handles.first).to_be_focused()
    assert faults(page) == ""
    review.shot("points")
    for _ in range(30):  # fewer than an outline needs cannot be left
        page.keyboard.press("Delete")
    expect(handles).to_have_count(8)


def test_the_curve_that_is_seen_is_the_one_that_is_measured(desk, review):
    """Point for point the spline of SciPy that measures it, after a point was moved, too."""
    page = review.page
    page.keyboard.press("d")
    for _ in range(8):
        page.keyboard.press("Shift+ArrowDown")
    given = np.array(json.loads(page.locator("#points").input_value()))
    text = page.locator(".this .outline").get_attribute("points")
    seen = np.array([[float(x) for x in point.split(",")] for point in text.split()])
    x_min, _, _, y_max, _ = readings(desk, review.sha)[0].tip_window
    # On the card y goes up.
    measured = (smooth(given) - (x_min, y_max)) * (1, -1)
    assert np.abs(seen - measured).max() < 1e-3


@pytest.mark.parametrize("beside_px", [0, 10])
def test_a_point_is_taken_from_beside_it_and_keeps_its_distance(review, beside_px):
    """A finger does not hit what is a few pixels wide."""
    page = review.page
    page.set_viewport_size(PHONE)
    page.keyboard.press("d")
    handle = page.locator(".handle").nth(6)
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2 - beside_px
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 20)
    page.mouse.up()
    after = handle.bounding_box()
    assert after["y"] - box["y"] == pytest.approx(-20, abs=1)
    assert after["x"] == pytest.approx(box["x"], abs=1)
    expect(page.locator(".handle")).to_have_count(24)


# --- a folder ------------------------------------------------------------------------------------------

# What a browser gives of a dropped folder (File and Directory Entries API), from [path, base64].
DROP = """(files) => {
  const file = ([path, bytes]) => ({
    isFile: true, fullPath: path,
    file: (go) => {
      const content = Uint8Array.from(atob(bytes), (one) => one.charCodeAt(0));
      go(new File([content], path.split("/").pop()));
    },
  });
  const folder = (entries) => ({
    isFile: false,
    createReader: () => { let left = [entries, []]; return { readEntries: (go) => go(left.shift() || []) }; },
  });
  const event = new Event("drop", { bubbles: true, cancelable: true });
  event.dataTransfer = { items: [{ webkitGetAsEntry: () => folder(files.map(file)) }] };
  document.body.dispatchEvent(event);
}"""


def test_a_dropped_folder_is_filed_by_its_names(desk, laptop):
    page = laptop.page
    laptop.go("/import")
    page.wait_for_load_state()
    photo = b64encode(NOT_NAMED.read_bytes()).decode()
    others = [["/box/.hidden/R1.jpg", ""], ["/box/a.txt", ""], ["/box/R07_dry-soaked.jpg", ""]]
    page.evaluate(DROP, [["/box/soaked/R07.jpg", photo], *others])
    words = page.locator("#words")
    expect(words).to_contain_text("Done: 1 ", timeout=60_000)
    expect(words).to_contain_text("2 other files passed over, not called like photos")
    expect(words).to_contain_text("1 photo passed over, called like the pictures that this program draws")
    laptop.shot("dropped")
    with desk.open_book() as book:
        entry = next(entry for entry in book.unfiled() if entry.photo.name == "R07.jpg")
        assert book.reed_with_id(entry.filing.reed_id).number == 7
    # The card was seen, and says dry; the folder says otherwise, and that is not passed over.
    assert "state-contradiction" in entry.reading.record["flags"]


def test_a_chosen_folder_is_filed_by_its_names(desk, laptop, tmp_path):
    (tmp_path / "reed 9").mkdir()
    (tmp_path / "reed 9" / "IMG_1.jpg").write_bytes(NOT_NAMED.read_bytes())
    laptop.go("/import")
    laptop.page.wait_for_load_state()
    laptop.page.get_by_label("A folder").set_input_files(tmp_path / "reed 9")
    laptop.page.get_by_role("button", name="Import").press("Enter")
    expect(laptop.page.locator("#words")).to_have_text("Done: 1 taken in.", timeout=60_000)
    with desk.open_book() as book:
        assert [entry.photo.name for entry in book.history(book.reed(9)).entries] == ["IMG_1.jpg"]


def test_what_was_not_assigned_leads_to_where_it_is_said(laptop):
    laptop.go("/import")
    laptop.page.wait_for_load_state()
    laptop.page.get_by_label("or photos").set_input_files([NOT_NAMED])
    laptop.page.get_by_role("button", name="Import").click()
    laptop.page.get_by_role("link", name="Say which").click(timeout=60_000)
    expect(laptop.page.get_by_role("heading", level=1)).to_have_text("Which reed?")


def test_a_desk_that_is_closed_is_said(desk, laptop):
    laptop.go("/import")
    laptop.page.wait_for_load_state()
    laptop.page.route("**/import/*", lambda route: route.abort())
    laptop.page.get_by_label("or photos").set_input_files([DRY])
    laptop.page.get_by_role("button", name="Import").click()
    expect(laptop.page.locator("#words")).to_have_text("The desk does not answer. Is it open?")
    expect(laptop.page.get_by_role("button", name="Import")).to_be_enabled()
    laptop.complaints.clear()  # the browser complains of the cut connection


# --- looks ---------------------------------------------------------------------------------------------


def test_what_is_hidden_is_not_seen(laptop):
    """Whatever rule says how it is displayed."""
    laptop.go("/reeds")
    shown = laptop.page.evaluate(
        """() => ["button", "label", "div class=row", "p class=says"].map((kind) => {
            const [tag, name] = kind.split(" class=");
            const one = document.createElement(tag);
            if (name) one.className = name;
            one.hidden = true;
            document.querySelector("main").append(one);
            return getComputedStyle(one).display;
        })"""
    )
    assert set(shown) == {"none"}


@pytest.mark.parametrize("path", ["/reeds", "/reed/7", "/due", "/lots?need=12", "/review/PHOTO"])
def test_on_paper_no_form_and_all_of_the_table_in_the_light(review, path):
    page = review.page
    page.emulate_media(color_scheme="dark", media="print")
    page.set_viewport_size({"width": 718, "height": 1000})  # A4 at 96 px an inch, 10 mm margins
    review.go(path.replace("PHOTO", review.sha))
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    for kind in ("form", "button", "input:not([type=hidden])", "nav", "header"):
        assert all(not one.is_visible() for one in page.locator(kind).all())
    # The caution goes along, and nothing is cut off at the right.
    expect(page.locator("footer")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 718
    wide = "(all) => all.filter((one) => one.scrollWidth > one.clientWidth).length"
    assert page.locator(".scroll").evaluate_all(wide) == 0
    assert background(page) > 200
    colours = "(all) => all.map((one) => getComputedStyle(one).backgroundColor)"
    assert set(page.locator(".card").evaluate_all(colours)) <= {"rgb(255, 255, 255)"}


def test_the_return_sheet_and_the_pages_are_reached_from_the_keyboard(laptop):
    """Every link and field of the lots can have the focus, and shows it."""
    page = laptop.page
    laptop.go("/lots?change=26a")
    page.keyboard.press("Tab")
    seen = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        seen.add(page.evaluate("document.activeElement.name || document.activeElement.textContent.trim()"))
        width = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
        assert width != "0px"
    assert {"need", "sure", "source", "price", "strength", "Change", "Work it out"} <= seen


def test_no_picture_is_missing_from_the_package():
    """The pages name no style, script or picture that is not there."""
    desk_folder = Path(__file__).parents[2] / "aperture" / "desk"
    for template in (desk_folder / "templates").glob("*.html"):
        for name in re.findall('"/static/([^"]+)"', template.read_text(encoding="utf-8")):
            assert (desk_folder / "static" / name).is_file(), name
