"""Several processes that take photos in: as many as may be, phones first, entered in the photos' order."""

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the desk's packages are not installed: pip install 'aperture[desk]'")

from aperture.book.store.ledger import Book
from aperture.desk.intake.arrivals import MOST_WAITING, Arrivals
from aperture.desk.intake.crew import Crew, at_once
from aperture.desk.intake.work import Done, Order
from aperture.settings import Settings, change_settings
from tests.book.photos.test_intake import picture

LONG_SECONDS = 60


class Held:
    """In place of a worker: a photo is done when the test says so."""

    def __init__(self, made):
        self.made = made
        self.closed = False
        made.workers.append(self)

    def take(self, order, turn=None):
        with self.made.change:
            self.made.begun.append(order.name)
            self.made.change.notify_all()
        assert self.made.may_end(order.name).wait(LONG_SECONDS)
        if turn is not None:
            turn()
        self.made.entered.append(order.name)
        return Done("filed", None, order.name)

    def is_whole(self, photo):
        return True

    def close(self):
        self.closed = True


class Made:
    """What the workers of a crew were given."""

    def __init__(self):
        self.workers, self.begun, self.entered = [], [], []
        self.change = threading.Condition()
        self._ends = {}

    def may_end(self, name):
        return self._ends.setdefault(name, threading.Event())

    def wait_for(self, *names):
        with self.change:
            assert self.change.wait_for(lambda: set(names) <= set(self.begun), LONG_SECONDS)

    def end(self, *names):
        for name in names:
            self.may_end(name).set()


@pytest.fixture
def made():
    return Made()


@pytest.fixture
def order(tmp_path):
    return Order(tmp_path / "reeds.sqlite3", tmp_path / "a.jpg", "a", Settings())


@pytest.fixture
def arrivals(made):
    """Arrivals of a crew of three."""
    crew = Crew(3, lambda: Held(made))
    arrivals = Arrivals(crew.take, 3)
    arrivals.crew = crew
    yield arrivals
    made.end(*"abcdefg")
    arrivals.close()


def test_several_are_measured_at_a_time_and_no_more_than_may_be(arrivals, made, order):
    doing = [arrivals.add(replace(order, name=name)) for name in "abcde"]
    made.wait_for(*"abc")
    assert made.begun == [*"abc"]
    assert len(made.workers) == 3
    made.end(*"abcde")
    assert [one.result(LONG_SECONDS).why for one in doing] == [*"abcde"]


def test_they_are_entered_in_the_order_in_which_they_came(arrivals, made, order):
    """The first one takes longest; those behind it are measured, and wait to be entered."""
    doing = [arrivals.add(replace(order, name=name)) for name in "abcdef"]
    for name in "fedcb":
        made.end(name)
    made.wait_for(*"bcde")
    assert made.entered == []
    assert arrivals.since().done == 0
    made.end("a")
    doing[-1].result(LONG_SECONDS)
    assert made.entered == [*"abcdef"]
    assert [one.name for one in arrivals.since().came] == [*"abcdef"]
    assert [one.number for one in arrivals.since(4).came] == [4, 5]


def test_a_photo_of_a_phone_goes_before_those_of_an_import(made, order):
    crew = Crew(1, lambda: Held(made))
    arrivals = Arrivals(crew.take, 1)
    for name in "abc":
        arrivals.add(replace(order, name=name))
    made.wait_for("a")
    wait, waits = crew._change.wait, threading.Event()

    def wait_and_say_so():
        if crew._hurried:
            waits.set()
        wait()

    crew._change.wait = wait_and_say_so
    with ThreadPoolExecutor(1) as phone:
        sent = phone.submit(crew.take, replace(order, name="phone"))
        assert waits.wait(LONG_SECONDS)
        made.end("a", "phone")
        try:
            assert sent.result(LONG_SECONDS).why == "phone"
        finally:
            made.end("b", "c")
    made.wait_for("c")
    assert made.begun[:2] == ["a", "phone"]
    arrivals.close()


def test_one_photo_alone_starts_no_process(arrivals, made, order):
    made.end("a", "b")
    for name in "ab":
        arrivals.add(replace(order, name=name)).result(LONG_SECONDS)
    assert len(made.workers) == 1


def test_all_but_one_end_when_nothing_is_to_be_done(arrivals, made, order):
    doing = [arrivals.add(replace(order, name=name)) for name in "abc"]
    made.wait_for(*"abc")
    arrivals.crew.rest()
    assert not any(worker.closed for worker in made.workers)
    made.end(*"abc")
    doing[-1].result(LONG_SECONDS)
    arrivals.crew.rest()
    assert [worker.closed for worker in made.workers] == [False, True, True]
    arrivals.crew.close()
    assert made.workers[0].closed


def test_one_on_which_the_program_fails_holds_up_no_other(order):
    def fail(order, turn):
        turn()
        if order.name == "a":
            raise ValueError("a bug")
        return Done("filed", None, None)

    arrivals = Arrivals(fail, 2)
    first, second = (arrivals.add(replace(order, name=name)) for name in "ab")
    assert (first.result(LONG_SECONDS).what, second.result(LONG_SECONDS).what) == ("failed", "filed")
    assert [one.done.what for one in arrivals.since().came] == ["failed", "filed"]


def test_a_file_is_given_up_once_it_is_taken_in_or_will_not_be(arrivals, made, order):
    forgotten = []
    for name in "abcdefg":
        arrivals.add(replace(order, name=name), lambda name=name: forgotten.append(name))
    made.wait_for(*"abc")
    assert forgotten == []
    assert arrivals.close() == 7
    assert forgotten == ["g"]  # six threads have the others
    made.end(*"abcdef")
    arrivals._threads.shutdown(wait=True)
    assert sorted(forgotten) == [*"abcdefg"]


def test_a_list_begins_again_only_if_nothing_is_on_its_way(arrivals, made, order):
    arrivals.add(replace(order, name="a"))
    made.wait_for("a")
    lot = arrivals.lot
    arrivals.begin()
    assert arrivals.lot == lot
    made.end("a", "b")
    arrivals.add(replace(order, name="b")).result(LONG_SECONDS)
    assert (arrivals.since().sent, arrivals.since().done) == (2, 2)
    arrivals.begin()
    news = arrivals.since()
    assert (news.lot, news.came, news.sent, news.done, news.next) == (lot + 1, [], 0, 0, 2)


def test_how_many_are_sent_ahead_is_bounded(arrivals, order):
    """They fill this computer's disk."""
    import asyncio

    for number in range(MOST_WAITING):
        arrivals.add(replace(order, name=str(number)))

    async def no_room():
        waits = asyncio.create_task(arrivals.room())
        done, _ = await asyncio.wait([waits], timeout=0)
        arrivals.close()
        await waits
        return not done

    assert asyncio.run(no_room())


def test_as_many_as_the_setting_says():
    assert at_once(change_settings(Settings(), {"workers": 3})) == 3
    assert at_once(Settings()) >= 1


def test_real_photos_are_entered_in_their_order_whichever_is_ready_first(tmp_path):
    """A large one first: it takes longer than the small ones. Which is the new reed depends on the order."""
    photos = [Path(__file__).parents[3] / "fixtures" / "photos" / "reed-tag.jpg"]
    photos += [picture(tmp_path / f"{n}.jpg", n) for n in range(4)]
    path = tmp_path / "reeds.sqlite3"
    with Crew(2) as crew:
        arrivals = Arrivals(crew.take, 2)
        doing = [
            arrivals.add(Order(path, photo, f"IMG_{n}.jpg", Settings())) for n, photo in enumerate(photos)
        ]
        assert [one.result(LONG_SECONDS).what for one in doing] == ["filed"] + ["not assigned"] * 4
        assert crew.is_whole(photos[0])
        assert not crew.is_whole(path)
    with Book(path) as book:
        names = [row["name"] for row in sorted(book.table("photos"), key=lambda row: row["id"])]
    assert names == [f"IMG_{n}.jpg" for n in range(5)]
