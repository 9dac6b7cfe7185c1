"""Dates that cannot be, on the desk's pages."""

from datetime import date

import pytest

from aperture.flags import FLAGS
from tests.book.photos.test_intake import picture


def test_a_photo_s_page_says_that_its_date_cannot_be_right(desk, browser, tmp_path):
    dates = {"R01": "9999:12:31 23:59:59", "R02": "2026:10:05 10:00:00"}
    for seed, (name, taken) in enumerate(dates.items()):
        photo = picture(tmp_path / f"{name}_dry.jpg", seed, taken)
        headers = {"x-csrf": browser.csrf, "x-name": photo.name}
        done = browser.post("/import/photo", content=photo.read_bytes(), headers=headers).json()
        page = browser.get(f"/review/{done['sha256']}").text
        assert (FLAGS["date-impossible"].sentence.replace("'", "&#39;") in page) == (name == "R01")


@pytest.mark.parametrize("field", ["ordered_on", "return_by"])
@pytest.mark.parametrize("day", ["9999-12-31", "1994-12-31", "2126-01-01"])
def test_a_lot_s_dates_are_refused_in_words(desk, browser, field, day):
    answer = browser.post("/lots", {"code": "26a", "source": "north", field: day})
    assert answer.status_code in (400, 409)
    assert day in answer.text
    assert "--" not in answer.text.partition("<main")[2]
    with desk.open_book() as book:
        assert book.lots() == []
    assert browser.post("/lots", {"code": "26a", "source": "north", field: str(date.today())})
