"""On the desk, too, a height to which a correction was added says so. The promise is the guide's."""

from datetime import datetime

from aperture.correction import FLAG
from tests.desk.conftest import enter  # noqa: F401 (a fixture)

CORRECTION = {"offset_mm": 0.04, "u_offset_mm": 0.01, "source": "comparison with 12 readings"}


def test_pages_that_show_a_height_name_its_correction(desk, browser, enter):  # noqa: F811
    with desk.open_book() as book:
        reed = book.add_reed(7)
        for minute, state in enumerate(("dry", "soaked")):
            photo = enter(book, reed, state, datetime(2026, 10, 5, 14, minute), height_mm=0.8)
            was = book.entry(photo).reading
            record = {**was.record, "correction": CORRECTION, "flags": [*was.record["flags"], FLAG]}
            book.add_reading(photo, record, book.settings_of(was), 0.001, was.outline_mm)
        sha = photo.sha256
    page = browser.get("/reed/7").text
    assert page.count("(corrected)") >= 3  # both photos, and the plot of heights over time
    page = browser.get(f"/review/{sha}").text
    assert "(corrected)" in page
    assert "A correction was added to the height." in page
