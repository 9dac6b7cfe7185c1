"""The process that takes photos in: whatever a photo does to it, the desk goes on."""

import os
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the desk's packages are not installed: pip install 'aperture[desk]'")

from aperture.book.ledger import Book
from aperture.desk import work
from aperture.desk.work import Order, Worker
from aperture.settings import Settings, change_settings

PHOTO = Path(__file__).parents[2] / "fixtures" / "photos" / "reed-tag.jpg"


@pytest.fixture(scope="module")
def worker():
    with Worker() as worker:
        yield worker


@pytest.fixture
def order(tmp_path):
    one = change_settings(Settings(), {"workers": 1})
    return Order(tmp_path / "reeds.sqlite3", PHOTO, "IMG_1.jpg", one)


def test_a_photo_that_kills_the_process_is_said_and_the_next_is_taken(worker, order):
    worker._pool.submit(os.abort)
    assert worker.take(order).what == "failed"
    done = worker.take(order)
    assert (done.what, done.why) == ("filed", None)
    with Book(order.book_path) as book:
        assert book.photo(done.sha256).name == "IMG_1.jpg"


def test_a_photo_that_takes_for_ever_is_given_up(worker, order, monkeypatch):
    with monkeypatch.context() as hurry:
        hurry.setattr(work, "PATIENCE_SECONDS", 0.05)
        assert worker.take(order).why == "It took too long."
    assert worker.take(order).what == "filed"


def test_a_book_that_cannot_be_written_is_said(worker, order, tmp_path):
    (tmp_path / "file").write_text("")
    done = worker.take(Order(tmp_path / "file" / "x.sqlite3", PHOTO, "x.jpg", order.settings))
    assert done.what == "failed"
    assert "cannot be read or written" in done.why
