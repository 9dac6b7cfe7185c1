"""A folder that holds a reed book is dropped on the desk: the pictures that the book keeps are left out."""

import json
from urllib.parse import quote

from aperture.book.photos.intake import take_in
from aperture.book.store.ledger import Book
from tests.book.photos.test_intake import ALONE
from tests.book.photos.test_kept_pictures import from_a_phone


def test_the_pictures_of_a_book_in_a_dropped_folder_are_no_new_photos(desk, browser, tmp_path):
    home = tmp_path / "home"
    photos = [from_a_phone(home / f"R0{number}_dry.jpg", number) for number in (1, 2)]
    with Book(home / "reeds.db", create=True) as book:
        list(take_in(book, photos, ALONE))
    files = {path.relative_to(tmp_path).as_posix(): path for path in sorted(home.rglob("*.jpg"))}
    assert len(files) == 4
    headers = {"x-csrf": browser.csrf, "content-type": "application/json"}
    places = browser.post("/import/names", content=json.dumps([*files]), headers=headers).json()
    answers = []
    for name in [[*files][place] for place in places]:
        # As the page's script has it: the file's name, and the two folders around it.
        folders = "/".join(name.split("/")[:-1][-2:])
        told = {"x-csrf": browser.csrf, "x-name": quote(files[name].name), "x-folders": quote(folders)}
        answers.append(browser.post("/import/photo", content=files[name].read_bytes(), headers=told).json())
    kept = [
        one for one in answers if one["why"] == "It is a picture that a reed book keeps, and no new photo."
    ]
    assert len(kept) == 2
    assert all(one["outcome"] == "already there" and one["sha256"] is None for one in kept)
    with desk.open_book() as book:
        assert sorted(photo.name for photo in book.photos()) == ["R01_dry.jpg", "R02_dry.jpg"]
