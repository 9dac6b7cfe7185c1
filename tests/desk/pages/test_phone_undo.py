"""What was said on a phone of its photo answers as the laptop's pages do, with *Undo* for a minute."""

import pytest

from aperture.desk.web import UNDO_SECONDS
from tests.desk.conftest import new_camera
from tests.desk.pages.test_answers import KEY, Clock, everything, said, undo
from tests.desk.pages.test_snap import arrive, filing  # noqa: F401 (a fixture)


@pytest.fixture
def clock(desk):
    desk.state.clock = Clock()
    return desk.state.clock


@pytest.fixture
def mine(desk, camera, arrive):  # noqa: F811
    """mine(state) puts a photo into the book that this phone took; its address."""

    def take(state=None):
        sha = arrive(state)
        (session,) = (one for one in camera.cookies.values())
        desk.state.sent[session].add(sha)
        return f"/result/{sha}"

    return take


FORMS = {
    "which reed": ("dry", "file", {"reed": "7"}, "Reed 7, dry: saved."),
    "which state": (None, "file", {"reed": "7", "state": "soaked"}, "Reed 7, soaked: saved."),
    "a new reed": ("dry", "file", {"reed": "88"}, "Reed 88, dry: saved."),
    "another soak": ("soaked", "soaked", {"seconds": "47.5"}, "Soaked for 47.5 s: saved."),
}


@pytest.mark.parametrize("form", FORMS)
def test_what_was_said_answers_once_and_can_be_undone(filled, camera, mine, clock, form):
    state, where, typed, words = FORMS[form]
    page = mine(state)
    before = everything(filled), filing(filled, page.rpartition("/")[2])
    answer = camera.post(f"{page}/{where}", typed)
    assert answer.url.path == page
    assert said(answer) == words
    assert said(camera.get(page)) is None  # once
    clock.now += UNDO_SECONDS - 1
    undone = undo(camera, answer)
    assert undone.url.path == page
    assert said(undone) == f"Undone, and kept on record: “{words}”"
    assert (everything(filled), filing(filled, page.rpartition("/")[2])) == before
    with filled.open_book() as book:
        assert list(book.table("withdrawals"))  # nothing was erased
        assert book.integrity_errors() == []


def test_after_a_minute_it_stays(filled, camera, mine, clock):
    page = mine("dry")
    answer = camera.post(f"{page}/file", {"reed": "7"})
    clock.now += UNDO_SECONDS
    assert "Nothing was undone" in said(undo(camera, answer))
    assert filing(filled, page.rpartition("/")[2]).reed_id is not None


def test_what_the_desk_entered_since_may_rest_on_it(filled, browser, camera, mine):
    answer = camera.post(f"{mine('dry')}/file", {"reed": "88"})
    browser.post("/reed/88/check", {"leak": "no"})
    assert "rests on it" in said(undo(camera, answer))


def test_a_button_that_was_pressed_twice_can_be_undone(filled, camera, mine):
    page = mine("dry")
    camera.post(f"{page}/file", {"reed": "7"}, follow_redirects=False)
    answer = camera.post(f"{page}/file", {"reed": "7"})
    assert said(answer) == "Reed 7, dry: saved."
    undo(camera, answer)
    assert filing(filled, page.rpartition("/")[2]).reed_id is None


def test_nobody_else_can_undo_it_or_reads_of_it(app, filled, browser, camera, mine):
    page = mine("dry")
    camera.post(f"{page}/file", {"reed": "7"}, follow_redirects=False)
    (key,) = (key for undos in filled.state.undos.values() for key in undos)
    for other in (browser, new_camera(app, filled)):
        assert said(other.get("/")) is None
        refused = other.post("/undo", {"key": key})
        assert refused.status_code == 403
        assert "Somebody else entered that" in refused.text
    assert filing(filled, page.rpartition("/")[2]).reed_id is not None
    assert KEY.search(camera.get(page).text)[1] == key  # and it is still to be undone here


def test_a_key_that_is_none_leads_a_phone_back_to_its_camera(camera):
    answer = camera.post("/undo", {"key": "x"})
    assert answer.url.path == "/snap"
    assert "Nothing was undone" in said(answer)


def test_what_was_known_already_is_said_and_stays(filled, camera, mine):
    """The desk was faster, or the page was left open."""
    page = mine("dry")
    camera.post(f"{page}/file", {"reed": "7"})
    before = filing(filled, page.rpartition("/")[2])
    answer = camera.post(f"{page}/file", {"reed": "5", "state": "soaked"})
    assert "that was known already" in said(answer)
    assert KEY.search(answer.text) is None
    assert filing(filled, page.rpartition("/")[2]) == before
