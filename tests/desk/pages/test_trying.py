"""The numbers while an outline is dragged: those that it would be kept with, to the last digit."""

import json
import re

import numpy as np
import pytest

from aperture.book.store.records import Soaking
from aperture.desk.pages.outlines import handles
from aperture.settings import Settings
from tests.conftest import ellipse_points_mm
from tests.desk.conftest import enter  # noqa: F401 (a fixture)

WINDOW = (36.4, -0.9, 49.2, 9.9, 78.125)


@pytest.fixture
def path(desk, enter):  # noqa: F811
    """Where a photo with a picture of its tip is reviewed."""
    with desk.open_book() as book:
        photo = enter(book, book.add_reed(4), "soaked", soaking=Soaking(30.0, "room", "water", "new"))
        was = book.entry(photo).reading
        book.add_reading(photo, was.record, Settings(), 0.001, was.outline_mm, tip="aa/x", tip_window=WINDOW)
    return f"/review/{photo.sha256}"


def ellipse(width_mm, height_mm):
    return json.dumps(handles(ellipse_points_mm(width_mm, height_mm)))


def shown(text):
    """The class, the chances and the numbers on the page of the photo."""
    card = re.search('<section class="card this">.*?</section>', text, re.DOTALL)[0]
    close = re.search('<p class="chances"( hidden)?>.*?<span>(.*?)</span>', card)
    return {
        "seen": re.search('<span class="seen"[^>]*>Soaked: (.*?)</span>', card)[1],
        "chances": close[2] or None,
        # The plain word beside "ratio" opens, and says what it means.
        "numbers": [
            ["ratio" if "<summary>roundness (ratio)" in name else name, words]
            for name, words in re.findall("<dt>(.*?)</dt><dd>(.*?)</dd>", card)
        ],
    }


@pytest.mark.parametrize(("width_mm", "height_mm"), [(6.8, 1.0), (6.6, 1.62), (6.4, 2.2), (7.0, 0.2)])
def test_what_is_tried_is_what_is_kept_to_the_last_digit(desk, browser, path, width_mm, height_mm):
    points = ellipse(width_mm, height_mm)
    tried_now = browser.post(f"{path}/outline", {"points": points}).json()
    with desk.open_book() as book:  # nothing was written
        assert len(book.entry(book.photo(path.rpartition("/")[2])).readings) == 2
    browser.post(path, {"say": "outline", "points": points, "by": "MB"})
    assert tried_now == shown(browser.get(path).text)


def test_the_numbers_are_those_of_the_ellipse(browser, path):
    """Area of an ellipse: pi a b; its ratio is that of its axes."""
    found = dict(browser.post(f"{path}/outline", {"points": ellipse(6.4, 2.0)}).json()["numbers"])
    value = {name: float(words.split()[0]) for name, words in found.items()}
    assert value["height"] == pytest.approx(2.0, rel=0.01)
    assert value["width"] == pytest.approx(6.4, rel=0.01)
    assert value["area"] == pytest.approx(np.pi * 6.4 * 2.0 / 4, rel=0.01)
    assert value["ratio"] == pytest.approx(2.0 / 6.4, rel=0.01)


def crossed():
    points = json.loads(ellipse(6.8, 1.0))
    points[6], points[18] = points[18], points[6]
    return json.dumps(points)


@pytest.mark.parametrize(
    ("points", "trouble"),
    [
        (crossed(), "The outline crosses itself."),
        ("[[1, 2]]", "An outline has 8 to 400 points."),
        ("", "The"),
    ],
)
def test_an_outline_that_cannot_be_measured_is_said_at_once(browser, path, points, trouble):
    answer = browser.post(f"{path}/outline", {"points": points})
    assert answer.status_code == 200
    assert answer.json()["trouble"].startswith(trouble)
    assert answer.json()["trouble"].endswith("Move the points, or undo.")


def test_points_that_were_refused_are_still_where_they_were(browser, path):
    answer = browser.post(path, {"say": "outline", "points": crossed(), "by": "MB"})
    assert answer.status_code == 409
    button = re.search('<button [^>]*id="edit"[^>]*>', answer.text)[0]
    assert " data-open" in button
    assert json.loads(re.search('data-handles="(.*?)"', button)[1]) == json.loads(crossed())
    assert re.search('id="wrong"[^>]*>[^<]*the outline crosses itself', answer.text)


def test_points_are_kept_when_something_else_is_wrong(browser, path):
    points = ellipse(6.6, 1.3)
    text = browser.post(path, {"say": "outline", "points": points, "by": "Mary Smith"}).text
    button = re.search('<button [^>]*id="edit"[^>]*>', text)[0]
    assert " data-open" in button
    assert json.loads(re.search('data-handles="(.*?)"', button)[1]) == json.loads(points)


def test_only_the_desk_s_own_page_may_try(browser, camera, path):
    form = {"points": ellipse(6.8, 1.0)}
    assert camera.post(f"{path}/outline", form).status_code == 403
    assert browser.post(f"{path}/outline", {**form, "csrf": "wrong"}).status_code == 403
    assert browser.get(f"{path}/outline").status_code == 405
    assert browser.post(f"/review/{'f' * 64}/outline", form).status_code == 404
