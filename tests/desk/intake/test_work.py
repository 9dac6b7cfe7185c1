"""The process that takes photos in: whatever a photo does to it, the desk goes on."""

import os
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the desk's packages are not installed: pip install 'aperture[desk]'")

from aperture.book.store.ledger import Book
from aperture.desk.intake import work
from aperture.desk.intake.work import Order, Worker
from aperture.settings import Settings, change_settings

ROOT = Path(__file__).parents[3]
PHOTO = ROOT / "fixtures" / "photos" / "reed-tag.jpg"
CLOSED = "The desk was closed. Open it again on the laptop."
HEIC = ROOT / "demo_images" / "R03_soaked.heic"


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
        hurry.setattr(work, "PHOTO_TIMEOUT_SECONDS", 0.05)
        assert worker.take(order).why == "It took too long. Take the photo again."
    assert worker.take(order).what == "filed"


def test_a_book_that_cannot_be_written_is_said(worker, order, tmp_path):
    (tmp_path / "file").write_text("")
    done = worker.take(Order(tmp_path / "file" / "x.sqlite3", PHOTO, "x.jpg", order.settings))
    assert done.what == "failed"
    assert "cannot be read or written" in done.why


def test_the_first_photo_of_a_process_finds_everything_loaded(order):
    """A JPEG and a HEIC; what they import was imported before, while nobody waited."""
    modules = "set(__import__('sys').modules)"
    with Worker() as worker:
        before = worker._pool.submit(eval, modules).result(60)
        assert worker.take(order).what == "filed"
        assert worker.take(replace(order, photo=HEIC)).what == "filed"
        assert worker._pool.submit(eval, modules).result(60) - before == set()


def test_a_closed_desk_takes_no_photo_and_starts_no_process(order):
    worker = Worker()
    worker._pool.submit(time.sleep, 60)
    with ThreadPoolExecutor(2) as threads:
        waiting = [threads.submit(worker.take, order) for _ in range(2)]
        time.sleep(0.2)
        worker.close()
        assert [one.result(20).why for one in waiting] == [CLOSED] * 2
    assert worker.take(order).why == CLOSED
    assert not any(process.is_alive() for process in (worker._pool._processes or {}).values())
