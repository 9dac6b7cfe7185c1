"""The timer's seconds: used for the reed that was soaked alone, told on the result, corrected there."""

from itertools import count

import pytest

from aperture.book.photos import intake
from aperture.book.store.records import Filing
from tests.book.photos.test_intake import picture
from tests.desk.conftest import InThisProcess, new_camera
from tests.desk.pages.test_snap import headers


@pytest.fixture
def take(desk, measured, refused, monkeypatch):
    """take(browser, reed, …) sends a photo that would be measured as said; what was told of its soak."""
    made = []

    def pretend(path, settings, reed=None, state=None, name=None, photo=None):
        return made.pop()(photo)

    monkeypatch.setattr(intake, "measure_or_fail", pretend)
    desk.state.worker = InThisProcess()

    numbers = count(1)

    def take_one(browser, reed, seconds="47", soak="1700000000000", state="soaked", code=None):
        number = next(numbers)
        content = picture(desk.book_path.parent / f"{number}.jpg", number).read_bytes()

        def make(photo):
            facts = {"reed": reed, "state": state, "sha256": photo.sha256}
            return refused(code=code, **facts) if code else measured(**facts)

        made.append(make)
        told = headers(browser, **{"x-seconds": seconds, "x-soak": soak})
        answer = browser.post("/snap", content=content, headers=told).json()
        return answer["result"].removesuffix("?part=1")

    return take_one


def seconds(desk, address):
    with desk.open_book() as book:
        return book.entry(book.photo(address.rpartition("/")[2])).filing.soaking.seconds


def test_the_seconds_are_of_the_reed_that_was_soaked_and_of_no_other(desk, camera, take):
    """The photo after it shows another reed: for ten minutes it once got the same seconds."""
    first, other = take(camera, 1), take(camera, 2)
    assert seconds(desk, first) == 47.0
    assert seconds(desk, other) == desk.settings.soaking.new_seconds
    # Once more of the first one, in the same soak; and the next soak is free again.
    assert seconds(desk, take(camera, 1)) == 47.0
    assert seconds(desk, take(camera, 2, "20", "1700000099999")) == 20.0


def test_a_photo_without_a_number_uses_them_only_if_it_shows_which_reed_it_is(desk, camera, take):
    """Blurred, no card seen: the photo is taken again, and the seconds are still there."""
    take(camera, None, state=None, code="too-blurred")
    assert seconds(desk, take(camera, 1)) == 47.0
    take(camera, 2, soak="2", code="too-dark")
    assert seconds(desk, take(camera, 1, soak="2")) == desk.settings.soaking.new_seconds
    assert seconds(desk, take(camera, 2, soak="2")) == 47.0


def test_a_reed_that_nobody_has_named_yet_keeps_them(desk, camera, take):
    nobody = take(camera, None)
    assert seconds(desk, take(camera, 2)) == desk.settings.soaking.new_seconds
    camera.post(f"{nobody}/file", {"reed": "4"})
    assert seconds(desk, nobody) == 47.0


def test_a_dry_photo_does_not_use_them(desk, camera, take):
    take(camera, 2, state="dry")
    assert seconds(desk, take(camera, 1)) == 47.0


def test_soaks_of_two_phones_are_two(app, desk, camera, take):
    other = new_camera(app, desk)
    assert seconds(desk, take(camera, 1)) == 47.0
    assert seconds(desk, take(other, 2)) == 47.0


def test_the_result_says_how_long_and_how_that_is_known(desk, camera, take):
    timed, usual = camera.get(take(camera, 1)).text, camera.get(take(camera, 2)).text
    assert "Soaked 47 s (by the timer)." in timed
    assert f"Soaked {desk.settings.soaking.new_seconds:g} s (the usual time)." in usual
    assert "Soaked" not in camera.get(take(camera, 3, state="dry")).text


def test_it_is_corrected_on_the_result(desk, camera, take):
    result = take(camera, 1)
    answer = camera.post(f"{result}/soaked", {"seconds": "90"})
    assert "Soaked 90 s (as said on the phone)." in answer.text
    with desk.open_book() as book:
        entry = book.entry(book.photo(result.rpartition("/")[2]))
        assert (entry.filing.soaking.seconds, entry.filing.soaking.water) == (90.0, "room")
        assert book.reed_with_id(entry.filing.reed_id).number == 1
        rows = len(list(book.table("filings")))
    camera.post(f"{result}/soaked", {"seconds": "90"})  # said twice, kept once
    with desk.open_book() as book:
        assert len(list(book.table("filings"))) == rows


@pytest.mark.parametrize("typed", ["", "0", "-3", "3601", "soon", "nan"])
def test_a_time_that_is_none_changes_nothing(desk, camera, take, typed):
    result = take(camera, 1)
    assert camera.post(f"{result}/soaked", {"seconds": typed}).status_code == 400
    assert seconds(desk, result) == 47.0


def test_what_was_said_at_the_desk_is_not_corrected_on_a_phone(desk, camera, take):
    result = take(camera, 1)
    with desk.open_book() as book:
        entry = book.entry(book.photo(result.rpartition("/")[2]))
        book.add_filing(entry.photo, Filing(entry.filing.reed_id, "soaked", entry.filing.soaking, None, "MB"))
    assert "Was it another time?" not in camera.get(result).text
    assert camera.post(f"{result}/soaked", {"seconds": "90"}).status_code == 409
    assert seconds(desk, result) == 47.0


def test_a_dry_reed_was_not_soaked_and_another_phone_s_is_not_seen(app, desk, camera, take):
    dry = take(camera, 1, state="dry")
    assert camera.post(f"{dry}/soaked", {"seconds": "90"}).status_code == 409
    soaked = take(camera, 1)
    assert new_camera(app, desk).post(f"{soaked}/soaked", {"seconds": "90"}).status_code == 404
    assert seconds(desk, soaked) == 47.0
