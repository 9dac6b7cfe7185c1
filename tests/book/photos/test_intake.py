"""Photos into the book: known by their content, filed or listed, and safe whenever the run is stopped."""

import multiprocessing
import os
import shutil
from datetime import datetime
from functools import partial
from pathlib import Path, PurePosixPath

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from skimage.draw import polygon2mask

from aperture.batch.photo_files import photos_in
from aperture.book.photos import intake
from aperture.book.photos.intake import take_in
from aperture.book.photos.pictures import all_kept, place_of
from aperture.book.store.ledger import Book
from aperture.book.store.records import Soaking
from aperture.errors import BookError
from aperture.flags import FLAGS
from aperture.measure import Measurement
from aperture.photo import read_photo
from aperture.present.canvas import Window
from aperture.settings import Settings, change_settings
from tests.conftest import _measured, _refused

ROOT = Path(__file__).parents[3]
ALONE = change_settings(Settings(), {"workers": 1})


def picture(path, seed, taken="2026:10:05 14:10:20"):
    """A small JPEG or HEIC that nothing else equals."""
    noise = np.random.default_rng(seed).integers(0, 255, (12, 16), dtype=np.uint8)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = taken  # DateTimeOriginal
    path.parent.mkdir(parents=True, exist_ok=True)
    image = Image.fromarray(noise).resize((640, 480))
    if path.suffix == ".heic":
        pillow_heif.from_pillow(image).save(path, exif=exif.tobytes())
    else:
        image.save(path, exif=exif)
    return path


def pretend(path, settings, reed=None, state=None, flags=(), name=None, photo=None):
    """In place of measuring, which is not what is tested here: reed and state from the name."""
    photo = read_photo(path)
    stem = path.stem.split("_")
    facts = {"sha256": photo.sha256, "taken": photo.taken, "flags": flags}
    if stem[0].startswith("R"):
        facts["reed"] = int(stem[0][1:])
    else:
        facts["reed"] = reed
    facts["state"] = stem[1] if len(stem) > 1 and stem[1] in ("dry", "soaked") else state
    return _measured(photo=path, **facts)


@pytest.fixture
def pretended(monkeypatch):
    """Nothing is measured; `pretended(flags=…)` says what each photo is flagged with."""

    def with_flags(**flags):
        monkeypatch.setattr(intake, "measure_or_fail", partial(pretend, **flags))

    with_flags()
    return with_flags


def box(folder, reeds=3):
    """Photos of some reeds, dry and soaked."""
    return [
        picture(
            folder / f"R{reed:02d}_{state}.jpg", 10 * reed + soaked, f"2026:10:05 1{4 + soaked}:{reed:02d}:00"
        )
        for reed in range(1, reeds + 1)
        for soaked, state in enumerate(("dry", "soaked"))
    ]


def rows(book, *tables):
    return {table: len(list(book.table(table))) for table in tables}


FILED = ("photos", "filings", "readings", "reeds")


def test_what_is_new_is_filed_and_a_second_time_changes_nothing(book, tmp_path, pretended):
    photos = box(tmp_path / "box")
    arrivals = list(take_in(book, photos, ALONE))
    assert [(arrival.what, arrival.reed.number, arrival.state) for arrival in arrivals] == [
        ("filed", reed, state) for reed in (1, 2, 3) for state in ("dry", "soaked")
    ]
    assert [arrival.new_reed for arrival in arrivals] == [True, False] * 3
    content = {table: list(book.table(table)) for table in FILED}
    kept = list(all_kept(book.pictures))
    assert len(kept) == 6
    again = list(take_in(book, photos, ALONE))
    assert {arrival.what for arrival in again} == {"known"}
    assert [arrival.reed.number for arrival in again] == [1, 1, 2, 2, 3, 3]
    assert {table: list(book.table(table)) for table in FILED} == content
    assert list(all_kept(book.pictures)) == kept


def test_a_photo_is_known_by_its_content(book, tmp_path, pretended):
    first = picture(tmp_path / "R01_dry.jpg", 1)
    copy = tmp_path / "elsewhere" / "IMG_7.jpg"
    copy.parent.mkdir()
    shutil.copy(first, copy)
    assert [arrival.what for arrival in take_in(book, [first, copy], ALONE)] == ["filed", "known"]
    # The same name with another content is another photo.
    picture(tmp_path / "R01_dry.jpg", 2)
    assert [arrival.what for arrival in take_in(book, [first], ALONE)] == ["filed"]
    assert rows(book, *FILED) == {"photos": 2, "filings": 2, "readings": 2, "reeds": 1}


@pytest.mark.parametrize("code", ["reed-contradiction", "state-contradiction", "two-reed-tags"])
def test_what_is_contradictory_is_listed_not_guessed(book, tmp_path, pretended, code):
    pretended(flags=(code,))
    (arrival,) = take_in(book, [picture(tmp_path / "R01_dry.jpg", 1)], ALONE)
    assert arrival.what == "not assigned"
    assert arrival.why == FLAGS[code].sentence
    (entry,) = book.unfiled()
    assert entry.photo.name == "R01_dry.jpg"
    assert None in (entry.filing.reed_id, entry.filing.state)


def test_a_photo_without_a_name_is_listed(book, tmp_path, pretended):
    arrivals = list(
        take_in(book, [picture(tmp_path / "IMG.jpg", 1), picture(tmp_path / "R01.jpg", 2)], ALONE)
    )
    assert [arrival.what for arrival in arrivals] == ["not assigned", "not assigned"]
    assert "which reed" in arrivals[0].why
    assert "dry or soaked" in arrivals[1].why
    assert len(book.unfiled()) == 2


def test_what_is_no_picture_stays_outside(book, tmp_path):
    """Measured for real: a text, an empty file, and none at all."""
    text, empty, none = tmp_path / "R01_dry.jpg", tmp_path / "R02_dry.jpg", tmp_path / "R03_dry.jpg"
    text.write_text("not a photo")
    empty.write_bytes(b"")
    arrivals = list(take_in(book, [text, empty, none], ALONE))
    assert {arrival.what for arrival in arrivals} == {"not taken in"}
    assert all(arrival.why for arrival in arrivals)
    assert rows(book, *FILED) == dict.fromkeys(FILED, 0)


def test_a_refused_photo_is_kept_with_its_reason(book, tmp_path):
    """Measured for real: noise without a card."""
    (arrival,) = take_in(book, [picture(tmp_path / "R01_dry.jpg", 1)], ALONE)
    assert (arrival.what, arrival.refused) == ("filed", True)
    entry = book.history(book.reed(1)).entries[0]
    assert entry.reading.record["reason"]
    assert not entry.reading.measured
    assert entry.reading.tip is None
    assert (book.pictures / entry.photo.kept).is_file()


def test_no_folder_of_the_user_comes_into_the_book(book, tmp_path, pretended):
    path = picture(tmp_path / "Anna Example" / "R01_dry.jpg", 1)
    list(take_in(book, [path], ALONE))
    assert b"Anna" not in book.path.read_bytes() + Path(f"{book.path}-wal").read_bytes()


def test_a_file_name_that_is_no_text_is_kept_in_codes(book, tmp_path, pretended):
    name = os.fsdecode(b"R01_dry_\xe9.jpg")
    try:
        path = picture(tmp_path / name, 1)
    except OSError:
        pytest.skip("this file system takes text only")
    assert [arrival.what for arrival in take_in(book, [path], ALONE)] == ["filed"]
    assert book.photos()[0].name == "R01_dry_\\udce9.jpg"


def test_soaking_is_what_was_said_and_else_the_habit(book, tmp_path, pretended):
    """A reed that somebody has kept counts as played in, and is soaked longer by habit."""
    picture(tmp_path / "a" / "R01_soaked.jpg", 1, "2026:10:05 14:00:00")
    picture(tmp_path / "a" / "R01_dry.jpg", 2, "2026:10:05 13:00:00")
    list(take_in(book, photos_in([tmp_path / "a"]), ALONE))
    reed = book.reed(1)
    book.add_decision(reed, datetime(2026, 10, 6), "keep", "fine", "MB")
    later = [
        picture(tmp_path / "b" / f"R01_soaked_{n}.jpg", 10 + n, f"2026:11:0{n} 14:00:00") for n in (1, 2)
    ]
    list(take_in(book, later[:1], ALONE))
    list(take_in(book, later[1:], ALONE, Soaking(seconds=240.0, water="warm")))
    habit = Settings().soaking
    assert [entry.filing.soaking for entry in book.history(reed).entries] == [
        Soaking(),
        Soaking(habit.new_seconds, "room", "water", "new"),
        Soaking(habit.old_seconds, "room", "water", "old"),
        Soaking(240.0, "warm", "water", "old"),
    ]


def test_reeds_that_are_new_belong_to_the_lot(book, tmp_path, pretended):
    book.add_lot("26a", "post")
    book.add_lot("26b", "post")
    with pytest.raises(BookError, match="lot 99"):
        list(take_in(book, [], ALONE, lot="99"))
    list(take_in(book, box(tmp_path / "a", 2), ALONE, lot="26a"))
    assert {reed.lot for reed in book.reeds()} == {"26a"}
    # Number 1 is still in use: is this a new reed 1, or the old one by mistake? A person must say.
    (arrival,) = take_in(book, [picture(tmp_path / "b" / "R01_dry.jpg", 99)], ALONE, lot="26b")
    assert (arrival.what, "lot 26a" in arrival.why) == ("not assigned", True)


def test_a_number_that_is_free_again_means_a_new_reed(book, tmp_path, pretended):
    list(take_in(book, [picture(tmp_path / "R01_dry.jpg", 1, "2026:10:05 14:00:00")], ALONE))
    first = book.reed(1)
    book.add_decision(first, datetime(2026, 10, 20), "thrown away", "worn", "MB")
    late = picture(tmp_path / "R01_soaked.jpg", 2, "2026:10:06 14:00:00")
    new = picture(tmp_path / "R01_dry_2.jpg", 3, "2026:11:01 14:00:00")
    arrivals = list(take_in(book, [late, new], ALONE))
    assert [arrival.reed.id == first.id for arrival in arrivals] == [True, False]
    assert len(book.reeds()) == 2


def test_measuring_again_adds_a_row_if_the_settings_changed(book, tmp_path, pretended):
    photos = box(tmp_path / "box", 1)
    list(take_in(book, photos, ALONE))
    assert [arrival.what for arrival in take_in(book, photos, ALONE, again=True)] == ["known", "known"]
    changed = change_settings(ALONE, {"ruler_mm": 49.0})
    assert [arrival.what for arrival in take_in(book, photos, changed, again=True)] == ["measured again"] * 2
    assert rows(book, *FILED) == {"photos": 2, "filings": 2, "readings": 4, "reeds": 1}


def test_each_reading_has_the_tip_that_its_millimetres_belong_to(book):
    """Measured for real, then again with another length of the bar: outline and tip fit each time.

    In the picture of the tip the outline must lie round the dark opening: what is inside is darker than the
    rim of bright cane just outside (common practice, no published source: an opening lit from the front).
    """
    photo = ROOT / "fixtures" / "photos" / "open-09.jpg"
    for ruler_mm in (50.0, 48.5):
        list(take_in(book, [photo], change_settings(ALONE, {"ruler_mm": ruler_mm}), again=True, reed=1))
    first, second = book.entry(book.photos()[0]).readings
    assert second.record["width_mm"] == pytest.approx(0.97 * first.record["width_mm"], rel=0.002)
    assert first.tip_window != second.tip_window
    middles_px = []
    for reading in (first, second):
        tip = np.asarray(Image.open(book.pictures / reading.tip).convert("L"), dtype=float)
        outline_px = Window(*reading.tip_window).to_px(np.array(reading.outline_mm))
        middle_px = outline_px.mean(axis=0)
        inside, with_rim = (
            polygon2mask(tip.shape, np.flip((outline_px - middle_px) * size + middle_px, 1))
            for size in ((0.8, 0.8), (1.0, 1.25))
        )
        rim = with_rim & ~polygon2mask(tip.shape, np.flip(outline_px, 1))
        assert tip[inside].mean() < 0.5 * tip[rim].mean()
        middles_px.append(middle_px)
    # The notch is in the middle of either picture; 3 % of its place on the card would be 1.3 mm.
    assert np.abs(middles_px[1] - middles_px[0]).max() < 0.1 * first.tip_window[4]


@pytest.mark.parametrize("ending", ["jpg", "heic"])
def test_a_photo_on_which_the_program_failed_may_come_again(book, tmp_path, monkeypatch, ending):
    photos = [picture(tmp_path / f"R01_dry.{ending}", 1)]
    broken = Measurement(str(photos[0]), "refused", "x", "y", 1, "dry", ("internal-error",), sha256="0" * 64)
    monkeypatch.setattr(intake, "measure_or_fail", lambda *_, **__: broken)
    assert [arrival.what for arrival in take_in(book, photos, ALONE)] == ["not taken in"]
    assert list(all_kept(book.pictures)) == []
    monkeypatch.setattr(intake, "measure_or_fail", pretend)
    assert [arrival.what for arrival in take_in(book, photos, ALONE)] == ["filed"]
    (kept,) = all_kept(book.pictures)
    np.testing.assert_array_equal(
        read_photo(place_of(book.pictures, kept)).colour(), read_photo(photos[0]).colour()
    )


@pytest.mark.parametrize("disk_full", ["os.fsync", "pathlib.Path.mkdir"])
def test_a_full_disk_stops_with_words_and_nothing_is_lost(book, tmp_path, pretended, monkeypatch, disk_full):
    photos = box(tmp_path / "box")
    list(take_in(book, photos[:2], ALONE))

    def full(*_, **__):
        raise OSError(28, "No space left on device", "there")

    with monkeypatch.context() as today:
        today.setattr(disk_full, full)
        with pytest.raises(BookError, match="book-unwritable"):
            list(take_in(book, photos, ALONE))
    assert rows(book, *FILED) == {"photos": 2, "filings": 2, "readings": 2, "reeds": 1}
    assert [arrival.what for arrival in take_in(book, photos, ALONE)] == ["known"] * 2 + ["filed"] * 4


# --- at the same time -----------------------------------------------------------------------------


def take_in_at_the_gate(path, photos, gate):
    intake.measure_or_fail = pretend
    gate.wait()
    with Book(path, create=True) as book:
        list(take_in(book, photos, ALONE))


def test_two_processes_take_in_the_same_folder(tmp_path):
    photos = box(tmp_path / "box", 8)
    path = tmp_path / "reeds.sqlite3"
    context = multiprocessing.get_context("forkserver")
    gate = context.Barrier(2)
    workers = [
        context.Process(target=take_in_at_the_gate, args=(path, order, gate))
        for order in (photos, photos[::-1])
    ]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert [worker.exitcode for worker in workers] == [0, 0]
    with Book(path) as book:
        assert rows(book, *FILED) == {"photos": 16, "filings": 16, "readings": 16, "reeds": 8}
        assert book.integrity_errors() == []


def test_refused_is_made_up_too():
    """The stand-ins have the fields of real results."""
    assert set(_refused().record()) == set(_measured().record())


def test_what_a_photo_was_called_elsewhere_is_read_as_in_its_own_folder(book, tmp_path):
    """The same photo, once in a folder of such names and once under a name that says nothing."""
    for seed, name in enumerate(["soaked/R07.jpg", "reed 8/dry/a.jpg", "R09_dry.jpg", "soaked/R5_dry.jpg"]):
        there = picture(tmp_path / "there" / name, seed)
        here = tmp_path / "x"
        here.write_bytes(there.read_bytes())
        named = intake.measure_or_fail(there, ALONE)
        told = intake.measure_or_fail(here, ALONE, name=Path("/", name))
        assert (told.reed, told.state, told.flags) == (named.reed, named.state, named.flags)
        (arrival,) = take_in(book, [here], ALONE, names={here: PurePosixPath(name)})
        assert arrival.measurement.reed == named.reed
        assert book.photo(arrival.sha256).name == there.name
    assert named.reed == 5
    assert "state-contradiction" in named.flags


def test_a_number_that_is_free_again_is_given_to_a_new_reed(book):
    old = book.add_reed(4)
    book.add_decision(old, datetime(2026, 10, 6), "thrown away", "worn", "T1")
    assert book.reed_at(4, datetime(2026, 10, 5)) == old
    assert book.reed_at(4, datetime(2026, 10, 7)) is None
    new = book.known_or_new(4, datetime(2026, 10, 7))
    assert new.id != old.id
    assert book.known_or_new(4, datetime(2026, 10, 8)) == new
    assert book.known_or_new(4, datetime(2026, 10, 5)) == old


@pytest.mark.skipif(os.name == "nt", reason="Windows has no pipes and devices in folders")
def test_a_pipe_an_endless_file_and_one_without_end_are_passed_over(tmp_path):
    """A pipe would wait for ever, /dev/zero never ends, ten gigabytes fill the memory: none is read."""
    folder = tmp_path / "box"
    photo = picture(folder / "R01_dry.jpg", 1)
    os.mkfifo(folder / "a.jpg")
    (folder / "b.jpg").symlink_to("/dev/zero")
    (folder / "c.jpg").write_bytes(photo.read_bytes())
    os.truncate(folder / "c.jpg", 10_000_000_000)
    (folder / "d.jpg").touch()
    with Book(tmp_path / "reeds.sqlite3", create=True) as book:
        arrivals = {arrival.path.name: arrival for arrival in take_in(book, photos_in([folder]), ALONE)}
        assert len(book.photos()) == 1
    refused = {name: one.measurement.flags[0] for name, one in arrivals.items() if one.what == "not taken in"}
    assert refused == {
        "a.jpg": "file-unreadable",
        "b.jpg": "file-unreadable",
        "c.jpg": "photo-too-large",
        "d.jpg": "file-empty",
    }
