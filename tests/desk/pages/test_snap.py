"""The phone's pages: what was typed, what a photo gave, what is still asked, how the reed was soaked."""

import re
from datetime import datetime, timedelta
from hashlib import sha256
from pathlib import Path

import pytest

from aperture.book.store.records import Filing, Soaking
from aperture.card.geometry import CARD
from aperture.desk.intake.work import Done
from aperture.desk.pages.snap import RECENT
from aperture.settings import Settings
from tests.desk.conftest import enter, new_camera  # noqa: F401

ROOT = Path(__file__).parents[3]
DRY = ROOT / "fixtures" / "photos" / "reed-tag.jpg"  # reed 12, dry: the tag and the card say it
NOON = datetime(2026, 10, 5, 12, 0)
NONSENSE = ["abc", "0", "-1", "1.5", "1e3", "²", str(CARD.reed_tags.count + 1), "9" * 400, "1 2", "<b>"]


@pytest.fixture
def arrive(desk, measured, refused):
    """arrive(state, …) puts a photo into the book of which the reed is not known; its hash."""

    def arrive_one(state=None, taken=NOON, code=None):
        sha = sha256(f"{state} {taken} {code}".encode()).hexdigest()
        made = refused(reed=None, state=state, code=code) if code else measured(reed=None, state=state)
        with desk.open_book() as book, book.writing():
            photo = book.add_photo(sha, "IMG_1.jpg", taken, taken)
            book.add_filing(photo, Filing(None, state, Soaking(), None, None))
            book.add_reading(photo, made.record(), Settings(), 0.001, None)
        return sha

    return arrive_one


def headers(browser, **more):
    return {"x-csrf": browser.csrf, "x-name": "a.jpg", "content-type": "application/octet-stream", **more}


def filing(desk, sha):
    with desk.open_book() as book:
        return book.entry(book.photo(sha)).filing


@pytest.mark.parametrize("typed", NONSENSE)
def test_a_number_that_is_none_is_said_in_words_and_nothing_is_entered(desk, browser, arrive, typed):
    sha = arrive("dry")
    photo = {"photo": ("x.jpg", b"x", "image/jpeg")}
    answers = [
        browser.post(f"/result/{sha}/file", {"reed": typed}),
        browser.post("/snap", {"reed": typed}, files=photo),
        browser.post("/snap", {"state": typed}, files=photo),
    ]
    if typed.isascii():
        answers.append(browser.post("/snap", content=b"x", headers=headers(browser, **{"x-reed": typed})))
    for answer in answers:
        assert answer.status_code == 400
        assert "That did not work" in answer.text
    assert "from 1 to" in answers[0].text
    assert filing(desk, sha).reed_id is None


@pytest.mark.parametrize("typed", ["abc", "0", "-1", "3601", "nan", "9" * 400])
def test_a_soak_that_is_none_is_said_in_words(desk, browser, typed):
    answer = browser.post("/snap", content=b"x", headers=headers(browser, **{"x-seconds": typed}))
    assert answer.status_code == 400
    assert "That did not work" in answer.text


def test_a_page_that_is_loaded_again_shows_the_last_results(desk, camera):
    sent = camera.post("/snap", content=DRY.read_bytes(), headers=headers(camera)).json()
    for _ in range(RECENT + 2):
        assert camera.post("/snap", content=b"no photo", headers=headers(camera)).json()["result"] is None
        assert "This is not a photo" in camera.get("/snap").text
    text = camera.get("/snap").text
    assert text.count("Not taken in.") == RECENT
    assert "Use a JPEG" in text  # and what to do
    again = camera.post("/snap", content=DRY.read_bytes(), headers=headers(camera)).json()
    assert (again["what"], again["result"]) == ("known", sent["result"])
    text = camera.get("/snap").text
    assert text.index("Reed 12, dry") < text.index("Not taken in.")
    assert text.count("<article") == RECENT
    assert camera.get(sent["result"]).text.strip().startswith("<article")


def test_another_phone_does_not_see_them(app, desk, camera):
    camera.post("/snap", content=b"no photo", headers=headers(camera))
    assert "Not taken in." not in new_camera(app, desk).get("/snap").text


def test_a_number_whose_reed_is_gone_begins_a_new_reed(desk, browser, arrive):
    with desk.open_book() as book:
        old = book.add_reed(4)
        book.add_decision(old, NOON - timedelta(days=1), "thrown away", "chipped", "MB")
    before, after = arrive("dry", NOON - timedelta(days=2)), arrive("dry")
    for sha in (before, after):
        assert browser.post(f"/result/{sha}/file", {"reed": "4"}).status_code == 200
    assert filing(desk, before).reed_id == old.id
    with desk.open_book() as book:
        assert filing(desk, after).reed_id == book.reed(4).id != old.id


def test_what_is_known_stays(desk, browser, arrive):
    """A form that is sent twice, or from a page that was left open."""
    sha = arrive("dry")
    for reed, state in (("4", "dry"), ("4", "dry"), ("5", "soaked")):
        browser.post(f"/result/{sha}/file", {"reed": reed, "state": state})
    with desk.open_book() as book:
        assert [reed.number for reed in book.reeds()] == [4]
        assert len(list(book.table("filings"))) == 2
    assert filing(desk, sha).state == "dry"


def test_the_habit_of_soaking_goes_by_the_reed_s_age(desk, browser, arrive, enter):  # noqa: F811
    """It was kept on an earlier day, so it had been played in."""
    habit = desk.settings.soaking
    with desk.open_book() as book:
        old = book.add_reed(4)
        enter(book, old, "soaked", NOON - timedelta(days=9), Soaking(30.0, "room", "water", "new"))
        book.add_decision(old, NOON - timedelta(days=8), "keep", "it plays", "MB")
    for number, seconds, age in ((4, habit.old_seconds, "old"), (5, habit.new_seconds, "new")):
        sha = arrive("soaked", NOON + timedelta(seconds=number))
        browser.post(f"/result/{sha}/file", {"reed": str(number)})
        assert filing(desk, sha).soaking == Soaking(seconds, habit.water, habit.wetted, age)


def test_the_timer_s_seconds_go_with_the_photo(desk, camera):
    soaked = ROOT / "demo_images" / "R01_soaked.jpg"
    camera.post("/snap", content=soaked.read_bytes(), headers=headers(camera, **{"x-seconds": "47"}))
    with desk.open_book() as book:
        assert book.entry(book.photos()[0]).filing.soaking.seconds == 47.0


def test_the_timer_s_seconds_are_kept_until_the_state_is_said(desk, browser, arrive):
    sha = arrive(None)
    desk.state.soaks[sha] = 47.0
    browser.post(f"/result/{sha}/file", {"reed": "4", "state": "soaked"})
    assert filing(desk, sha).soaking.seconds == 47.0


def test_a_retake_asks_only_for_the_photo(browser, arrive):
    text = browser.get(f"/result/{arrive(code='card-cut-off')}?part=1").text
    assert "Retake" in text
    assert 'href="/help/flags#card-cut-off"' in text
    assert "Move back" in text
    assert "Which reed" not in text
    assert "<form" not in text


def test_every_question_has_names_of_its_own(browser, desk, arrive):
    """HTML, 3.2.6: an id is there once; labels go by it."""
    session = browser.cookies[desk.cookie]
    desk.state.recent[session] = [
        Done("not assigned", arrive(None, NOON + timedelta(n)), "?") for n in (1, 2)
    ]
    ids = re.findall(r' id="(.*?)"', browser.get("/snap").text)
    assert len([name for name in ids if name.startswith("which-")]) == 2
    assert len(ids) == len(set(ids))
