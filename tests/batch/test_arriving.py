"""Photos that come into a folder: each once, and only when all of it is there."""

import os
import queue
import shutil
import threading
from pathlib import Path

import pytest

from aperture.batch import arriving as module
from aperture.batch.arriving import PATIENCE_SECONDS, STILL_SECONDS, Settling, arriving, is_whole
from aperture.errors import BookError
from tests.book.photos.test_intake import picture

# On a machine that is busy with other work.
LONG_SECONDS = 60


class Clock:
    """Time that goes on when a test says so."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def settling(clock):
    return Settling(is_whole, clock)


@pytest.fixture
def whole(tmp_path):
    """The bytes of a photo."""
    return picture(tmp_path / "elsewhere" / "whole.jpg", 1).read_bytes()


def test_a_file_that_grows_in_pieces_is_ready_once_and_when_it_is_whole(settling, clock, tmp_path, whole):
    photo = tmp_path / "R01_dry.jpg"
    third = len(whole) // 3
    for end in (0, third, 2 * third, len(whole)):
        photo.write_bytes(whole[:end])
        settling.notice([photo])
        assert settling.ready() == []
        clock.now += 0.6 * STILL_SECONDS  # each piece comes before the one before it has stood still
        assert settling.ready() == []
    clock.now += STILL_SECONDS
    assert settling.ready() == [photo]
    settling.notice([photo])
    clock.now += PATIENCE_SECONDS
    assert settling.ready() == []


def test_half_a_photo_that_stands_still_is_waited_for_but_not_for_ever(settling, clock, tmp_path, whole):
    """A network that hangs; in the end somebody must hear that the photo is damaged."""
    photo = tmp_path / "R01_dry.jpg"
    photo.write_bytes(whole[: len(whole) // 2])
    settling.notice([photo])
    clock.now += 2 * STILL_SECONDS
    assert settling.ready() == []
    clock.now = 0.9 * PATIENCE_SECONDS
    assert settling.ready() == []
    photo.write_bytes(whole)
    os.utime(photo, ns=(1, 1))  # whatever the clock of the disk is
    assert settling.ready() == []
    clock.now += STILL_SECONDS
    assert settling.ready() == [photo]
    other = tmp_path / "R02_dry.jpg"
    other.write_bytes(whole[:100])
    settling.notice([other])
    clock.now += PATIENCE_SECONDS
    assert settling.ready() == [other]


def test_a_file_that_changes_while_it_is_read_is_not_ready(clock, tmp_path, whole):
    photo = tmp_path / "R01_dry.jpg"
    photo.write_bytes(whole)

    def written_meanwhile(path):
        path.write_bytes(whole + b"more")
        return True

    settling = Settling(written_meanwhile, clock)
    settling.notice([photo])
    clock.now += STILL_SECONDS
    assert settling.ready() == []


def test_a_file_that_is_gone_before_it_was_ready_is_forgotten(settling, clock, tmp_path, whole):
    """As a copy under another name is, until it is renamed."""
    photo = tmp_path / "copy of R01_dry.jpg"
    photo.write_bytes(whole)
    settling.notice([photo])
    photo.rename(tmp_path / "R01_dry.jpg")
    clock.now += PATIENCE_SECONDS
    assert settling.ready() == []


def test_those_that_are_ready_come_by_their_names(settling, clock, tmp_path, whole):
    photos = [tmp_path / f"R{n}_dry.jpg" for n in (10, 2, 1)]
    for photo in photos:
        photo.write_bytes(whole)
    settling.notice(photos)
    clock.now += STILL_SECONDS
    assert [photo.name for photo in settling.ready()] == ["R1_dry.jpg", "R2_dry.jpg", "R10_dry.jpg"]


# --- a real folder -------------------------------------------------------------------------------------


@pytest.fixture
def watch():
    """watch(folder, …) watches it in a thread; what comes, and at last an error or None, is in its queue."""
    ends = []

    def begin(folder, **more):
        came, stop = queue.Queue(), threading.Event()

        def follow():
            try:
                for photos in arriving(folder, stop, **more):
                    came.put([photo.name for photo in photos])
                came.put(None)
            except BookError as error:
                came.put(error)

        thread = threading.Thread(target=follow, daemon=True)
        thread.start()
        ends.append((stop, thread))
        assert came.get(timeout=LONG_SECONDS) == []  # from now on nothing is missed
        came.stop = stop
        return came

    yield begin
    for stop, thread in ends:
        stop.set()
        thread.join(LONG_SECONDS)
        assert not thread.is_alive()


def test_what_comes_is_told_and_what_was_there_is_not(watch, tmp_path, whole):
    folder = tmp_path / "phone"
    picture(folder / "old.jpg", 2)
    came = watch(folder)
    # A file that is only half there, one that is no photo, one that is hidden: nothing is told of them.
    (folder / "half.jpg").write_bytes(whole[: len(whole) // 2])
    (folder / "notes.txt").write_bytes(whole)
    (folder / ".hidden").mkdir()
    (folder / ".hidden" / "R3.jpg").write_bytes(whole)
    (folder / "new.jpg.part").write_bytes(whole)
    (folder / "new.jpg.part").rename(folder / "new.jpg")  # as many programs do
    assert came.get(timeout=LONG_SECONDS) == ["new.jpg"]
    # The second half comes.
    (folder / "half.jpg").write_bytes(whole)
    assert came.get(timeout=LONG_SECONDS) == ["half.jpg"]
    came.stop.set()
    assert came.get(timeout=LONG_SECONDS) is None


def test_a_folder_that_is_moved_there_brings_all_its_photos(watch, tmp_path):
    folder = tmp_path / "phone"
    folder.mkdir()
    came = watch(folder)
    for n in (1, 2):
        picture(tmp_path / "week" / f"R{n}.jpg", n)
    (tmp_path / "week").rename(folder / "week")
    names = []
    while len(names) < 2:
        names += came.get(timeout=LONG_SECONDS)
    assert names == ["R1.jpg", "R2.jpg"]


def test_those_that_are_there_come_first_if_that_is_asked_for(watch, tmp_path):
    picture(tmp_path / "phone" / "old.jpg", 2)
    assert watch(tmp_path / "phone", there=True).get(timeout=LONG_SECONDS) == ["old.jpg"]


def test_a_folder_that_vanishes_is_said(watch, tmp_path):
    folder = tmp_path / "phone"
    folder.mkdir()
    came = watch(folder)
    shutil.rmtree(folder)
    error = came.get(timeout=LONG_SECONDS)
    assert (error.code, error.detail) == ("folder-gone", str(folder))


def test_a_folder_that_is_not_there_is_said(tmp_path):
    with pytest.raises(BookError, match="folder-gone"):
        next(arriving(tmp_path / "none", threading.Event()))


def test_another_folder_in_its_place_is_watched_from_then_on(watch, tmp_path, monkeypatch):
    """As a drive that was taken out and put in again; the system tells nothing of the new one by itself."""
    folder, other = tmp_path / "phone", tmp_path / "other"
    folder.mkdir()
    picture(other / "R1.jpg", 1)
    look, between = module._identity, threading.Lock()

    def not_between(path):
        with between:
            return look(path)

    monkeypatch.setattr(module, "_identity", not_between)
    came = watch(folder)
    with between:
        folder.rename(tmp_path / "away")
        other.rename(folder)
    told = came.get(timeout=LONG_SECONDS)
    assert told == ["R1.jpg"]
    picture(folder / "R2.jpg", 2)
    assert came.get(timeout=LONG_SECONDS) == ["R2.jpg"]


def test_a_drive_that_tells_nothing_is_looked_through(watch, tmp_path, monkeypatch):
    """Many drives of a network do not tell what another computer wrote there."""
    monkeypatch.setattr(module, "LOOK_THROUGH_SECONDS", 0.0)
    monkeypatch.setattr(module, "_photos_of", lambda folder, changed: iter(()))
    folder = tmp_path / "phone"
    folder.mkdir()
    came = watch(folder)
    picture(folder / "R1.jpg", 1)
    assert came.get(timeout=LONG_SECONDS) == ["R1.jpg"]


@pytest.mark.parametrize("ending", ["jpg", "png", "heic"])
@pytest.mark.parametrize("part", [0.0, 0.3, 0.99])
def test_no_part_of_a_photo_is_whole(tmp_path, ending, part):
    photo = picture(tmp_path / f"a.{ending}", 1)
    content = photo.read_bytes()
    assert is_whole(photo)
    photo.write_bytes(content[: int(part * len(content))])
    assert not is_whole(photo)


def test_a_photo_that_will_always_be_refused_is_whole(tmp_path):
    """It has too few pixels; waiting for more of it would be in vain."""
    from PIL import Image

    Image.new("L", (8, 8)).save(tmp_path / "tiny.png")
    assert is_whole(tmp_path / "tiny.png")


def test_a_missing_file_is_not_whole():
    assert not is_whole(Path("none.jpg"))
