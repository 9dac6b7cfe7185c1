"""The desk's page of the gauge: a photo checked and kept, when it was last checked, wrong use."""

import re
from datetime import datetime, timedelta
from html import unescape

import pytest

from aperture.desk.pages import review
from aperture.flags import FLAGS
from aperture.settings import Settings
from tests.accuracy.gauge import COMMITTED, gauge_photos
from tests.book.conftest import GAUGE_CHECK as RECORD
from tests.book.store.test_gauge_checks import FAILED
from tests.cli.test_gauge import FIXTURES
from tests.desk.conftest import enter  # noqa: F401

PHOTO = gauge_photos([COMMITTED])[0]


def words(answer):
    return unescape(re.sub(r"\s+", " ", re.sub("<[^>]*>", " ", answer.text)))


def send(browser, sheets, ream, path=PHOTO.path, name="gauge.jpg"):
    with path.open("rb") as file:
        return browser.post("/gauge", {"sheets": sheets, "ream": ream}, files={"photo": (name, file)})


def test_before_any_check(browser):
    answer = browser.get("/gauge")
    assert answer.status_code == 200
    assert "Not checked with a gauge yet" in words(answer)
    assert 'href="/help/believe"' in answer.text
    assert '<a href="/gauge" aria-current="page">Gauge</a>' in answer.text


@pytest.mark.parametrize("comma", [".", ","])
def test_a_photo_is_checked_and_kept(browser, desk, comma):
    answer = send(browser, str(PHOTO.sheets), f"{PHOTO.ream_mm:.1f}".replace(".", comma))
    assert answer.status_code == 200
    assert "No check" not in words(answer)
    with desk.open_book() as book:
        (check,) = book.gauge_checks()
    assert (check.photo, check.sheets, check.ream_mm) == ("gauge.jpg", PHOTO.sheets, PHOTO.ream_mm)
    # The desk's settings say 50 mm; the bar of these photos is 49.3 mm long, which 5 sheets do not show.
    assert check.agrees
    assert "The photo agrees with the gauge." in words(answer)
    assert "2026-11-02" in words(answer)
    # Told once: the next look at the page does not say it again.
    assert "The photo agrees" not in words(browser.get("/gauge"))


def test_a_photo_that_does_not_agree(browser, desk):
    answer = words(send(browser, str(PHOTO.sheets + 2), "52"))
    assert "does not agree with the gauge" in answer
    assert "it did not agree" in answer
    assert "printed bar" in answer
    assert "--ruler" not in answer
    assert "say it on your card’s page" in answer
    assert "reads too low" in answer


@pytest.mark.parametrize(
    ("sheets", "ream", "said"),
    [
        ("0", "52", FLAGS["gauge-sheets"].sentence),
        ("10", "5", FLAGS["gauge-ream"].sentence),
        ("", "52", "Say how many sheets"),
        ("10", "", "how high the ream is"),
        ("10.5", "52", "Sheets are whole"),
        ("ten", "52", "is no number"),
        ("1e300", "52", FLAGS["gauge-sheets"].sentence),
    ],
)
def test_what_cannot_be_is_said(browser, desk, sheets, ream, said):
    answer = send(browser, sheets, ream)
    assert answer.status_code in (400, 409)
    assert said in words(answer)
    with desk.open_book() as book:
        assert book.gauge_checks() == []


def test_no_photo(browser):
    answer = browser.post("/gauge", {"sheets": "10", "ream": "52"}, files={"nothing": b""})
    assert "No photo was chosen" in words(answer)


def test_a_reed_in_the_notch_is_refused_with_a_link(browser, desk):
    answer = send(browser, "10", "52", FIXTURES / "open-09.jpg")
    assert "No check:" in words(answer)
    assert re.search('href="/help/flags#gauge-(curved|no-slit)"', answer.text)
    assert "aperture measure" not in words(answer)
    with desk.open_book() as book:
        assert book.gauge_checks() == []


def test_markup_in_a_name_is_words(browser):
    answer = send(browser, str(PHOTO.sheets), "52", name="<b>gauge</b>.jpg")
    assert "<b>gauge" not in answer.text


def test_only_the_desk_comes_in(stranger, camera):
    assert stranger.get("/gauge").status_code == 401
    assert camera.get("/gauge").status_code == 403
    assert camera.post("/gauge", {"sheets": "10", "ream": "52"}).status_code == 403


def test_a_form_from_elsewhere_is_refused(browser, desk):
    browser.csrf = "wrong"
    assert send(browser, "10", "52").status_code == 403


def test_the_line_is_that_of_one_day_one_ream_and_one_bar(browser, desk):
    with desk.open_book() as book:
        for place, (sheets, ream, day) in enumerate([(5, 52, 5), (20, 52, 5), (10, 50, 5), (15, 52, 4)]):
            gap = sheets * ream / 500
            taken = f"2026-10-{day:02d}T08:{30 - place}:00"
            record = {**RECORD, "sha256": f"{place:064x}", "sheets": sheets, "ream_mm": float(ream)}
            book.add_gauge_check(
                {**record, "gap_mm": gap, "expected_mm": gap, "en": 0.0, "taken": taken}, Settings()
            )
    answer = words(browser.get("/gauge"))
    assert "The line through 2 heights" in answer
    assert "No offset" in answer
    assert "No scale error" in answer


@pytest.mark.parametrize(("ago", "said"), [(0, "today"), (1, "yesterday"), (12, "12 days ago")])
def test_last_checked(browser, desk, ago, said):
    taken = datetime.now().replace(hour=0, minute=1) - timedelta(days=ago)
    with desk.open_book() as book:
        book.add_gauge_check({**RECORD, "taken": taken.isoformat()}, Settings())
    answer = words(browser.get("/gauge"))
    assert f"Last checked on {taken.date()}" in answer.replace("  ", " ")
    assert said in answer


def test_photos_of_a_day_whose_check_failed_wait_in_the_review(browser, desk, enter):  # noqa: F811
    with desk.open_book() as book:
        reed = book.add_reed(3)
        enter(book, reed, "dry", datetime(2026, 10, 5, 14, 0))
        enter(book, reed, "dry", datetime(2026, 10, 7, 14, 0))
        assert review.queue(desk, book) == []
    browser.get("/reeds")
    with desk.open_book() as book:
        book.add_gauge_check(FAILED, Settings())
        (waiting,) = review.queue(desk, book)
    entry, why = waiting.known
    assert entry.photo.when.day == 5
    assert why == FLAGS["gauge-failed"].sentence
    assert why in words(browser.get("/review"))
    assert why in words(browser.get(f"/review/{entry.photo.sha256}"))
