"""The whole photo: what is drawn on it lies where the renderer put it; refused ones have it, too."""

import json
import re
import shutil
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from aperture.book.photos.intake import take_in
from aperture.book.store.ledger import Book
from aperture.desk.pages.whole_photo import LONGER_SIDE_PX, found_in, scaled_down
from aperture.photo import read_photo
from aperture.settings import Settings, change_settings

PHOTOS = Path(__file__).parents[3] / "fixtures" / "photos"
NAMES = ("reed-tag", "far", "shaken", "cut-off", "open-09")


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory):
    """A folder with a book of photos that were really measured or refused."""
    folder = tmp_path_factory.mktemp("book")
    with Book(folder / "reeds.sqlite3", create=True) as book:
        photos = [PHOTOS / f"{name}.jpg" for name in NAMES]
        shas = [one.sha256 for one in take_in(book, photos, change_settings(Settings(), {"workers": 1}))]
    return folder, dict(zip(NAMES, shas, strict=True))


@pytest.fixture
def shas(desk, taken_in):
    folder, shas = taken_in
    shutil.copytree(folder, desk.book_path.parent, dirs_exist_ok=True)
    return shas


def truth(name):
    return json.loads((PHOTOS / f"{name}.json").read_text())


def points(mark):
    return np.array([[float(x) for x in one.split(",")] for one in mark.points.split()]) - 0.5


def marks(desk, sha):
    with desk.open_book() as book:
        entry = book.entry(book.photo(sha))
    photo = read_photo(PHOTOS / entry.photo.name)
    return found_in(photo, entry.reading.outline_mm, Settings())


@pytest.mark.parametrize("name", ["reed-tag", "far", "shaken"])
def test_the_card_is_drawn_where_the_renderer_put_it(desk, shas, name):
    """Within what one sees of a photo that is scaled down: a two-hundredth of the card."""
    true = np.array(truth(name)["truth"]["corners_px"])
    (card,) = [mark for mark in marks(desk, shas[name]).marks if mark.kind == "card"]
    drawn = points(card)
    apart = np.linalg.norm(drawn[:, None] - true[None], axis=2).min(axis=1)
    assert apart.max() < np.ptp(true[:, 0]) / 200
    assert card.words == "the card (face DRY, 6 of its 6 markers)"


def test_the_opening_is_drawn_where_the_renderer_put_it(desk, shas):
    true = truth("reed-tag")["truth"]
    whole = marks(desk, shas["reed-tag"])
    (opening,) = [mark for mark in whole.marks if mark.kind == "opening"]
    drawn = points(opening)
    assert np.ptp(drawn[:, 0]) == pytest.approx(true["feret_max_mm"] * true["px_per_mm"], rel=0.02)
    middle = (drawn.min(axis=0) + drawn.max(axis=0)) / 2
    assert middle == pytest.approx(true["tip_px"], abs=0.1 * true["px_per_mm"])
    assert whole.missing == ()


def test_the_tag_is_framed_with_its_number(desk, shas):
    """The number stands below the marker: all ink of the tag lies within the frame, paper around it."""
    whole = marks(desk, shas["reed-tag"])
    (tag,) = [mark for mark in whole.marks if mark.kind == "tag"]
    assert tag.words == "the tag of reed 12"
    low, high = points(tag).min(axis=0), points(tag).max(axis=0)
    # 14 mm wide, 19 mm high (the card's drawing, card.json), at the scale of the photo at the tip.
    size = (high - low) / truth("reed-tag")["truth"]["px_per_mm"]
    assert size == pytest.approx([14.0, 19.0], rel=0.1)


@pytest.mark.parametrize("name", ["far", "shaken", "cut-off"])
def test_a_refused_photo_has_its_picture_and_what_was_found(browser, shas, name):
    text = browser.get(f"/review/{shas[name]}/photo").text
    assert f'<image href="/review/{shas[name]}/photo.jpg"' in text
    assert "Found: the card (face DRY, " in text
    assert "The opening was not outlined." in text
    assert 'class="found opening"' not in text
    picture = Image.open(BytesIO(browser.get(f"/review/{shas[name]}/photo.jpg").content))
    with Image.open(PHOTOS / f"{name}.jpg") as original:
        assert picture.width / picture.height == pytest.approx(original.width / original.height, rel=0.01)


def test_a_photo_without_a_card_has_its_picture_too(desk, browser, tmp_path):
    rng = np.random.default_rng(1)
    Image.fromarray(rng.integers(90, 120, (1200, 1600, 3), dtype=np.uint8)).save(tmp_path / "table.jpg")
    with desk.open_book() as book:
        (arrival,) = take_in(book, [tmp_path / "table.jpg"], desk.settings)
    text = browser.get(f"/review/{arrival.sha256}/photo").text
    assert "The scale card was not found." in text
    assert "<polygon" not in text
    assert browser.get(f"/review/{arrival.sha256}/photo.jpg").headers["content-type"] == "image/jpeg"
    # On its review it is open from the beginning: nobody could say anything of "no picture of the tip".
    link = re.search('<a [^>]*id="photo"[^>]*>', browser.get(f"/review/{arrival.sha256}").text)[0]
    assert " data-open" in link


def test_a_large_photo_is_scaled_down_upright_and_without_notes(tmp_path):
    """Turned by its Exif orientation (CIPA DC-008, tag 0x0112: 6 is to be turned right)."""
    picture = Image.new("RGB", (3000, 2400), "white")
    picture.paste((200, 0, 0), (0, 0, 300, 300))
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "a camera"
    picture.save(tmp_path / "large.jpg", exif=exif)
    small = Image.open(BytesIO(scaled_down(read_photo(tmp_path / "large.jpg"))))
    assert small.size == (LONGER_SIDE_PX * 2400 // 3000, LONGER_SIDE_PX)
    red, green, _ = small.getpixel((small.width - 20, 20))  # the upper left corner went to the upper right
    assert (red > 150, green < 50) == (True, True)
    assert dict(small.getexif()) == {}


def test_a_photo_that_is_not_kept_any_more_says_so(desk, browser, shas):
    with desk.open_book() as book:
        (book.pictures / book.photo(shas["far"]).kept).unlink()
    for path in ("photo", "photo.jpg"):
        answer = browser.get(f"/review/{shas['far']}/{path}")
        assert answer.status_code == 404
        assert "not kept any more" in answer.text


def test_the_whole_photo_is_the_desk_s_alone_and_never_stored_by_a_browser(browser, camera, stranger, shas):
    for path in ("photo", "photo.jpg"):
        address = f"/review/{shas['reed-tag']}/{path}"
        assert browser.get(address).headers["cache-control"] == "no-store"  # as of all pictures of reeds
        assert camera.get(address).status_code == 403
        assert stranger.get(address).status_code == 401
    assert browser.get(f"/review/{'f' * 64}/photo").status_code == 404
    assert browser.get("/review/x/photo.jpg").status_code == 404
