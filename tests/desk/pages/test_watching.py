"""A folder that is watched while the desk is open: what comes into it is taken in, and told on the page."""

import shutil
import threading

import pytest

from aperture.book.photos import intake
from aperture.desk.intake import folder as watched
from aperture.desk.intake.folder import why_not
from tests.book.photos.test_intake import picture, pretend

LONG_SECONDS = 60


@pytest.fixture
def phone_folder(tmp_path):
    folder = tmp_path / "phone"
    folder.mkdir()
    return folder


@pytest.fixture(autouse=True)
def pretended(monkeypatch, desk):
    """Nothing is measured; and whatever is watched is not watched after the test."""
    monkeypatch.setattr(intake, "measure_or_fail", pretend)
    yield
    if desk.state.watch is not None:
        desk.state.watch.stop()


@pytest.fixture
def wait_until(desk, monkeypatch):
    """wait_until(condition) waits for what a page would be told of."""
    change = threading.Event()  # no lock: what tells of a change holds one of its own

    def wait_for_it(condition):
        tell = desk.state.arrivals._changed

        def changed():
            tell()
            change.set()

        desk.state.arrivals._changed = changed
        while not condition():
            assert change.wait(LONG_SECONDS)
            change.clear()

    return wait_for_it


def watch(browser, folder, **more):
    return browser.post("/import/watch", {"folder": str(folder), **more})


def test_what_comes_into_the_folder_is_taken_in_and_told(desk, browser, phone_folder, wait_until):
    picture(phone_folder / "R01_dry.jpg", 1)  # there before: not asked for
    text = watch(browser, phone_folder).text
    assert f"Watching</strong> {phone_folder} since" in text
    assert "No photo came so far." in text
    picture(phone_folder / "soaked" / "R02_soaked.jpg", 2)
    (phone_folder / "R03_dry.jpg.part").write_bytes(picture(phone_folder.parent / "x.jpg", 3).read_bytes())
    (phone_folder / "R03_dry.jpg.part").rename(phone_folder / "R03_dry.jpg")
    wait_until(lambda: desk.state.arrivals.since().done == 2)
    with desk.open_book() as book:
        assert sorted(reed.number for reed in book.reeds()) == [2, 3]
    news = browser.get("/import/news?after=0&version=0").json()
    assert [one["outcome"] for one in news["lines"]] == ["taken in", "taken in"]
    assert "2 photos came so far." in news["watch"]
    assert "2 photos came so far." in browser.get("/import").text
    # They stay where they are.
    assert (phone_folder / "R03_dry.jpg").is_file()


def test_those_that_are_there_come_too_if_that_is_asked_for(desk, browser, phone_folder, wait_until):
    picture(phone_folder / "R01_dry.jpg", 1)
    watch(browser, phone_folder, there="yes")
    wait_until(lambda: desk.state.arrivals.since().done == 1)


def test_a_photo_in_which_no_card_is_seen_is_refused_and_not_kept(
    desk, browser, phone_folder, wait_until, monkeypatch, refused
):
    """Somebody's own pictures lie in the same folder."""

    def no_card(path, *args, **more):
        return refused(path, "no-card", sha256=pretend(path, *args, **more).sha256)

    monkeypatch.setattr(intake, "measure_or_fail", no_card)
    watch(browser, phone_folder)
    picture(phone_folder / "family.jpg", 1)
    wait_until(lambda: desk.state.arrivals.since().done == 1)
    with desk.open_book() as book:
        assert book.photos() == []
        assert not list(book.pictures.rglob("*.jpg"))
    (line,) = browser.get("/import/news?after=0&version=0").json()["lines"]
    assert line["outcome"] == "refused"
    assert "The scale card was not found" in line["line"]


def test_it_ends_when_it_is_switched_off(desk, browser, phone_folder):
    watch(browser, phone_folder)
    thread = desk.state.watch._thread
    assert "Stop watching" in browser.get("/import").text
    text = browser.post("/import/watch/stop", {}).text
    assert not thread.is_alive()
    assert "Watch it" in text
    assert "Watching</strong>" not in text


def test_another_folder_takes_its_place(desk, browser, phone_folder, tmp_path):
    (tmp_path / "other").mkdir()
    watch(browser, phone_folder)
    first = desk.state.watch
    assert str(tmp_path / "other") in watch(browser, tmp_path / "other").text
    assert not first._thread.is_alive()


def test_a_folder_that_vanishes_is_said_on_the_page(desk, browser, phone_folder, wait_until):
    watch(browser, phone_folder)
    shutil.rmtree(phone_folder)
    wait_until(lambda: desk.state.watch.ended is not None)
    text = browser.get("/import").text
    assert f"Not watching any more</strong>: {phone_folder}." in text
    assert "The folder that is to be watched is not there." in text
    assert "Watch it" in text


def test_the_program_s_own_fault_ends_the_watching_in_words(
    desk, browser, phone_folder, monkeypatch, wait_until
):
    def fail(*args):
        raise ValueError("a bug")
        yield

    monkeypatch.setattr(watched, "arriving", fail)
    assert "the fault is the program" in watch(browser, phone_folder).text


@pytest.mark.parametrize(
    "typed", ["", "phone", "../phone", "/no/such/folder", "~nobody-at-all/x", "/", "~", "a\0b"]
)
def test_what_cannot_be_watched_is_said_beside_the_field_with_what_was_typed(
    desk, browser, typed, monkeypatch
):
    monkeypatch.chdir(desk.book_path.parent)
    answer = watch(browser, typed)
    assert answer.status_code == 400
    assert 'id="watch-trouble"' in answer.text
    assert desk.state.watch is None
    if typed.isprintable():
        assert f'value="{typed}"' in answer.text


def test_the_book_s_own_pictures_are_not_watched(desk, tmp_path):
    with desk.open_book() as book:
        book.pictures.mkdir(exist_ok=True)
        (book.pictures / "ab").mkdir()
        assert "its own pictures" in why_not(book.pictures, desk.book_path)
        assert "its own pictures" in why_not(book.pictures / "ab", desk.book_path)
    assert why_not(tmp_path, desk.book_path) is None


@pytest.mark.parametrize("path", ["/import/watch", "/import/watch/stop"])
def test_no_phone_and_no_stranger_names_a_folder(desk, camera, stranger, phone_folder, path):
    assert camera.post(path, {"folder": str(phone_folder)}).status_code == 403
    assert stranger.post(path, {"folder": str(phone_folder)}).status_code == 401
    assert desk.state.watch is None


def test_neither_does_another_page(desk, browser, phone_folder):
    browser.csrf = "guessed"
    assert watch(browser, phone_folder).status_code == 403
    assert desk.state.watch is None


def test_no_phone_reads_what_was_imported(camera):
    assert camera.get("/import/news").status_code == 403
