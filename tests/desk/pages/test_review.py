"""The review: which photos wait and in what order, what settles one, and who may say so."""

import re
from datetime import datetime

import pytest

from aperture.book.store.records import Filing, Soaking
from aperture.desk.pages import review
from aperture.desk.pages.outlines import handles
from aperture.desk.pages.waiting import DOUBTFUL, WHICH, _kind, listed, queue
from aperture.flags import FLAGS
from aperture.settings import Settings
from tests.conftest import ellipse_points_mm
from tests.desk.conftest import enter  # noqa: F401

SOAKED = Soaking(30.0, "room", "water", "new")
WINDOW = (36.4, -0.9, 49.2, 9.9, 78.125)
ROUND = {"height_mm": 2.1, "width_mm": 6.4}
SHUT = {"height_mm": 0.05}
NEAR = {"height_mm": 1.75}  # a ratio of 0.25: the limit between elliptical and round
OUTLINE = str(handles(ellipse_points_mm(6.8, 1.0)))


@pytest.fixture
def review_refused(refused):
    """review_refused(book, name, reed) enters a photo that could not be measured, and returns it."""

    def enter_one(book, name, reed=None, state=None, reason=None, code="too-dark"):
        result = refused(photo=name, code=code, state=state)
        digest = f"{len(book.photos()):064x}"
        when = datetime(2026, 10, 6, 9, 0, len(book.photos()))
        photo = book.add_photo(digest, name, when, when)
        book.add_filing(photo, Filing(reed.id if reed else None, state, Soaking(), reason, None))
        book.add_reading(photo, result.record(), Settings(), 0.0, None)
        return photo

    return enter_one


@pytest.fixture
def review_desk(desk, enter, review_refused):  # noqa: F811
    """A desk with one photo for each reason to look, in no useful order, and some that are well."""
    with desk.open_book() as book:
        reeds = [book.add_reed(number) for number in range(1, 8)]
        review_refused(book, "dark.jpg", reeds[0], "dry")
        enter(book, reeds[1], "dry", soaking=SOAKED, flags=("self-check-off",))
        enter(book, reeds[2], "dry", **SHUT)
        enter(book, reeds[3], "soaked", soaking=SOAKED, **ROUND)
        enter(book, reeds[4], "soaked", soaking=SOAKED, **NEAR)
        enter(book, reeds[5], "dry", flags=("edge-weak",))
        enter(book, reeds[6], "dry")
        enter(book, reeds[6], "soaked", soaking=SOAKED)
        review_refused(book, "<img src=x onerror=alert(1)>.jpg", reason="Neither a tag nor a name.")
    return desk


def waiting(desk):
    with desk.open_book() as book:
        return listed(book, queue(desk, book))


def path_of(desk, number, state):
    with desk.open_book() as book:
        return f"/review/{book.history(book.reed(number)).photos(state)[-1].photo.sha256}"


def readings(desk, number, state):
    with desk.open_book() as book:
        return book.history(book.reed(number)).photos(state)[-1].readings


# --- the queue -----------------------------------------------------------------------------------------


def test_the_most_useful_comes_first_and_what_is_well_does_not_come(review_desk, browser):
    text = browser.get("/review").text
    headings = re.findall("<h2>(.*?) \\(1\\)</h2>", text)
    assert headings == [
        "Which reed, or which state?",
        "Close to a limit",
        "Round",
        "Shut",
        "Hard to see",
        "The card does not measure itself right",
        "Could not be measured",
    ]
    links = re.findall('<li><a href="/review/[0-9a-f]{64}">(.*?)</a>', text)
    assert links[1:] == [
        "Reed 5, soaked",
        "Reed 4, soaked",
        "Reed 3, dry",
        "Reed 6, dry",
        "Reed 2, dry",
        "Reed 1, dry",
    ]
    assert "Begin: 7 to look at" in text
    assert "Reed 7" not in text


def test_a_file_s_name_is_shown_as_text(review_desk, browser):
    sha = waiting(review_desk)[0][0].photo.sha256
    for path in ("/review", f"/review/{sha}"):
        text = browser.get(path).text
        assert "&lt;img src=x onerror=alert(1)&gt;.jpg" in text
        assert "<img src=x" not in text


def test_of_a_kind_the_first_ones_are_listed_and_the_rest_counted(review_desk, browser, monkeypatch):
    monkeypatch.setattr("aperture.desk.pages.waiting._kind", lambda _: DOUBTFUL)
    monkeypatch.setattr(review, "PHOTOS_LISTED", 4)
    text = browser.get("/review").text
    assert re.findall("<h2>(.*?)</h2>", text) == [f"{WHICH} (1)", f"{DOUBTFUL} (6)"]
    assert text.count('<li><a href="/review/') == 5
    assert "Begin: 7 to look at" in text
    assert "And 2 more" in text


def test_an_empty_queue_says_so(desk, browser):
    assert "Nothing waits for you" in browser.get("/review").text


def test_next_leads_past_every_photo_and_round_again(review_desk, browser):
    shas = [entry.photo.sha256 for entry, _ in waiting(review_desk)]
    seen, sha = [], shas[0]
    for _ in shas:
        seen.append(sha)
        sha = re.search('href="/review/([0-9a-f]+)" data-key="n"', browser.get(f"/review/{sha}").text)[1]
    assert seen == shas
    assert sha == shas[0]


def test_who_passed_one_over_goes_on_from_where_he_is(review_desk, browser):
    shas = [entry.photo.sha256 for entry, _ in waiting(review_desk)]
    answer = browser.post(f"/review/{shas[2]}", {"say": "confirm", "by": "MB"})
    assert answer.url.path == f"/review/{shas[3]}"


def test_a_corrected_photo_is_looked_at_again_and_the_place_is_kept(review_desk, browser):
    shas = [entry.photo.sha256 for entry, _ in waiting(review_desk)]
    with review_desk.open_book() as book:
        photo = book.photo(shas[2])
        was = book.entry(photo).reading
        book.add_reading(photo, was.record, Settings(), 0.001, was.outline_mm, tip="aa/x", tip_window=WINDOW)
    answer = browser.post(f"/review/{shas[2]}", {"say": "outline", "points": OUTLINE, "by": "MB"})
    assert answer.url.path == f"/review/{shas[2]}"
    assert "outline corrected by hand" in answer.text
    assert f'href="/review/{shas[3]}" data-key="n"' in answer.text


def test_a_decision_made_after_the_photo_settles_it(review_desk):
    before = len(waiting(review_desk))
    with review_desk.open_book() as book:
        book.add_decision(book.reed(4), datetime(2026, 10, 9), "keep", "it plays", "MB", None, None, None)
    assert len(waiting(review_desk)) == before - 1


def test_a_refused_photo_waits_no_more_when_a_later_one_was_measured(review_desk, enter):  # noqa: F811
    before = len(waiting(review_desk))
    with review_desk.open_book() as book:
        enter(book, book.reed(1), "dry", datetime(2026, 10, 7))
    assert len(waiting(review_desk)) == before - 1


# --- what is said of a photo ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "form",
    [
        {"say": "confirm"},
        {"say": "retake"},
        {"say": "override", "shape": "elliptical", "reason": "seen by eye"},
    ],
    ids=lambda form: form["say"],
)
def test_it_is_off_the_list_and_the_program_s_reading_is_as_it_was(review_desk, browser, form):
    path, before = path_of(review_desk, 4, "soaked"), readings(review_desk, 4, "soaked")
    browser.post(path, {**form, "by": "MB"})
    assert path not in [f"/review/{entry.photo.sha256}" for entry, _ in waiting(review_desk)]
    after = readings(review_desk, 4, "soaked")
    assert after[: len(before)] == before
    assert [(reading.origin, reading.by) for reading in after[len(before) :]] == [("person", "MB")]


@pytest.mark.parametrize("reason", ["", "   "])
def test_an_override_without_a_reason_writes_nothing(review_desk, browser, reason):
    form = {"say": "override", "shape": "elliptical", "reason": reason, "by": "MB"}
    answer = browser.post(path_of(review_desk, 4, "soaked"), form)
    assert answer.status_code == 409
    assert "say which class it is, and why" in answer.text
    assert len(readings(review_desk, 4, "soaked")) == 1


@pytest.mark.parametrize("shape", ["", "square", "<b>", "wide"])
def test_only_the_three_classes(review_desk, browser, shape):
    form = {"say": "override", "shape": shape, "reason": "why", "by": "MB"}
    assert browser.post(path_of(review_desk, 4, "soaked"), form).status_code == 409


@pytest.mark.parametrize("say", ["confirm", "override"])
def test_a_refused_photo_has_nothing_to_confirm(review_desk, browser, say):
    form = {"say": say, "shape": "round", "reason": "why", "by": "MB"}
    answer = browser.post(path_of(review_desk, 1, "dry"), form)
    assert answer.status_code == 409
    assert "no number to confirm" in answer.text


@pytest.mark.parametrize("say", ["", "delete", "<script>alert(1)</script>"])
def test_what_cannot_be_said_is_said_so(review_desk, browser, say):
    answer = browser.post(path_of(review_desk, 4, "soaked"), {"say": say, "by": "MB"})
    assert answer.status_code == 409
    assert "cannot be said of a photo" in answer.text
    assert "<script>alert" not in answer.text


def test_a_retake_of_a_photo_that_nobody_can_name_takes_it_off_the_list(review_desk, browser):
    """A picture of the table is of no reed: nothing else would ever settle it."""
    entry = waiting(review_desk)[0][0]
    assert entry.filing.reed_id is None
    browser.post(f"/review/{entry.photo.sha256}", {"say": "retake", "by": "MB"})
    assert entry.photo.id not in [other.photo.id for other, _ in waiting(review_desk)]


def test_an_outline_drawn_twice_is_not_doubted_twice(review_desk, browser):
    """The second ± is that of the program and one drawing, not of two: the same points, the same numbers."""
    with review_desk.open_book() as book:
        entry = book.history(book.reed(4)).photos("soaked")[-1]
        was = entry.reading
        book.add_reading(
            entry.photo, was.record, Settings(), 0.001, was.outline_mm, tip="aa/x", tip_window=WINDOW
        )
    for _ in range(2):
        browser.post(f"/review/{entry.photo.sha256}", {"say": "outline", "points": OUTLINE, "by": "MB"})
    once, twice = readings(review_desk, 4, "soaked")[-2:]
    assert once.origin == twice.origin == "person"
    assert twice.record["u"] == once.record["u"]


@pytest.mark.parametrize("points", ["", "[[NaN, 1]]", "[[1, 2]]", str([[1e9, 4]] * 9), '["a"]'])
def test_an_outline_that_is_none_writes_nothing(review_desk, browser, points):
    answer = browser.post(path_of(review_desk, 4, "soaked"), {"say": "outline", "points": points, "by": "MB"})
    assert answer.status_code == 409
    assert len(readings(review_desk, 4, "soaked")) == 1


# --- which reed, which state ---------------------------------------------------------------------------


def test_a_photo_is_filed_again_and_the_old_filing_stays(review_desk, browser):
    path = path_of(review_desk, 6, "dry")
    form = {"say": "reed", "reed": "7", "state": "soaked", "by": "MB"}
    assert browser.post(path, form).status_code == 200
    with review_desk.open_book() as book:
        entry = book.entry(book.photo(path.rpartition("/")[2]))
        filed = [row for row in book.table("filings") if row["photo_id"] == entry.photo.id]
        assert entry.filing.reed_id == book.reed(7).id
    assert (entry.filing.state, entry.filing.by) == ("soaked", "MB")
    assert [row["state"] for row in filed] == ["dry", "soaked"]


def test_a_contradiction_is_settled_when_a_person_says_which_reed_it_is(review_desk, browser, enter):  # noqa: F811
    """As in the rules (`facts`): after that the number is as good as any."""
    with review_desk.open_book() as book:
        photo = enter(book, book.reed(7), "dry", datetime(2026, 10, 8))
        was = book.entry(photo).reading
        record = {**was.record, "flags": ["reed-contradiction"], "review": True, "reason": "Two reeds."}
        book.add_reading(photo, record, Settings(), 0.001, was.outline_mm)
    entry, why = next(one for one in waiting(review_desk) if one[0].photo.id == photo.id)
    assert _kind(entry) == WHICH
    assert "different reeds" in why
    browser.post(f"/review/{photo.sha256}", {"say": "reed", "reed": "7", "state": "dry", "by": "MB"})
    assert photo.id not in [other.photo.id for other, _ in waiting(review_desk)]


@pytest.mark.parametrize("number", ["0", "-1", "x", "1e3", "999999", "1.5", "<b>"])
def test_a_reed_s_number_is_a_number(review_desk, browser, number):
    path = path_of(review_desk, 6, "dry")
    answer = browser.post(path, {"say": "reed", "reed": number, "state": "dry", "by": "MB"})
    assert answer.status_code == 400
    assert "<b>" not in answer.text


def filing_of(desk, path):
    with desk.open_book() as book:
        return book.entry(book.photo(path.rpartition("/")[2])).filing


def test_a_number_that_no_reed_has_is_asked_about(review_desk, browser):
    """A typing error makes no reed: only who says so makes one."""
    path, before = path_of(review_desk, 6, "dry"), filing_of(review_desk, path_of(review_desk, 6, "dry"))
    form = {"say": "reed", "reed": "17", "state": "soaked", "by": "MB", "seconds": "45"}
    text = browser.post(path, form).text
    assert "There is no reed 17 yet. Make it?" in text
    assert filing_of(review_desk, path) == before
    assert browser.get("/reed/17").status_code == 404
    # The page's own form sends the same once more, and that it is meant.
    repeated = dict(re.findall('<input type="hidden" name="([^"]+)" value="([^"]*)">', text))
    assert repeated == {**form, "make": "yes", "csrf": browser.csrf}
    assert "Reed 17, soaked" in browser.post(path, repeated).text
    assert filing_of(review_desk, path).soaking.seconds == 45.0


def test_the_number_of_a_reed_that_is_gone_is_free_for_a_photo_taken_since(review_desk, browser, enter):  # noqa: F811
    with review_desk.open_book() as book:
        book.add_decision(book.reed(7), datetime(2026, 10, 7), "thrown away", "worn", "MB", None, None, None)
        later = enter(book, book.reed(6), "dry", datetime(2026, 10, 8))
        old = book.reed(7)
    form = {"say": "reed", "reed": "7", "by": "MB"}
    # Taken while that reed was there: it is that one.
    browser.post(path_of(review_desk, 5, "soaked"), form)
    assert "Make it?" in browser.post(f"/review/{later.sha256}", form).text
    browser.post(f"/review/{later.sha256}", {**form, "make": "yes"})
    with review_desk.open_book() as book:
        assert len(book.history(old).entries) == 3
        assert book.reed(7).id != old.id
        assert [entry.photo.id for entry in book.history(book.reed(7)).entries] == [later.id]


def test_a_photo_that_turns_out_soaked_was_soaked_as_usual(review_desk, browser):
    """As by intake: the habit counts where nothing is said, and what is said counts more."""
    path, habit = path_of(review_desk, 6, "dry"), review_desk.settings.soaking
    browser.post(path, {"say": "reed", "reed": "6", "state": "soaked", "by": "MB"})
    assert filing_of(review_desk, path).soaking == Soaking(
        habit.new_seconds, habit.water, habit.wetted, "new"
    )
    browser.post(path, {"say": "reed", "reed": "6", "state": "soaked", "seconds": "90", "by": "MB"})
    assert filing_of(review_desk, path).soaking == Soaking(90.0, habit.water, habit.wetted, "new")
    browser.post(path, {"say": "reed", "reed": "6", "state": "dry", "by": "MB"})
    assert filing_of(review_desk, path).soaking == Soaking()


@pytest.mark.parametrize("more", [{"seconds": "long"}, {"seconds": "-1"}, {"water": "beer"}, {"age": "<b>"}])
def test_a_soak_that_cannot_be_is_said(review_desk, browser, more):
    path = path_of(review_desk, 4, "soaked")
    before = filing_of(review_desk, path)
    answer = browser.post(path, {"say": "reed", "reed": "4", "state": "soaked", "by": "MB", **more})
    assert answer.status_code in (400, 409)
    assert "<b>" not in answer.text
    assert filing_of(review_desk, path) == before


def test_nothing_said_is_no_filing(review_desk, browser):
    sha = waiting(review_desk)[0][0].photo.sha256
    answer = browser.post(f"/review/{sha}", {"say": "reed", "reed": "", "state": "", "by": "MB"})
    assert answer.status_code == 409
    assert "say which reed it is" in answer.text


def test_a_photo_of_nobody_says_what_is_missing_and_where_to_say_it(review_desk, browser):
    sha = waiting(review_desk)[0][0].photo.sha256
    assert "Neither a tag nor a name. Say it below" in browser.get(f"/review/{sha}").text
    browser.post(f"/review/{sha}", {"say": "reed", "reed": "7", "by": "MB"})
    assert "In which state was it?" in browser.get(f"/review/{sha}").text


def test_the_page_says_why_it_asks(review_desk, browser):
    for number, state, why in [
        (4, "soaked", "It is round."),
        (3, "dry", "It is shut."),
        (6, "dry", "Part of the opening&#39;s edge is hard to see."),
        (1, "dry", "too dark"),
    ]:
        assert why in browser.get(path_of(review_desk, number, state)).text


@pytest.mark.parametrize(("number", "state", "code"), [(1, "dry", "too-dark"), (2, "dry", "self-check-off")])
def test_the_reason_leads_to_its_paragraph_in_the_guide(review_desk, browser, number, state, code):
    text = browser.get(path_of(review_desk, number, state)).text
    assert f'<a href="/help/flags#{code}">{FLAGS[code].sentence.removesuffix(".")}' in text


def test_a_refused_photo_offers_nothing_to_confirm(review_desk, browser):
    text = browser.get(path_of(review_desk, 1, "dry")).text
    assert 'value="confirm"' not in text
    assert 'value="override"' not in text
    assert 'value="retake"' in text


# --- who may say it ------------------------------------------------------------------------------------


def test_a_phone_does_not_review(review_desk, camera):
    path = path_of(review_desk, 4, "soaked")
    assert camera.get("/review").status_code == 403
    assert camera.get(path).status_code == 403
    assert camera.post(path, {"say": "confirm", "by": "MB"}).status_code == 403
    assert len(readings(review_desk, 4, "soaked")) == 1


@pytest.mark.parametrize("more", [{"csrf": ""}, {"csrf": "wrong"}])
def test_a_form_of_another_page_is_not_taken(review_desk, browser, more):
    path = path_of(review_desk, 4, "soaked")
    assert browser.post(path, {"say": "confirm", "by": "MB", **more}).status_code == 403
    assert len(readings(review_desk, 4, "soaked")) == 1


@pytest.mark.parametrize("sha", ["x", "f" * 64, "..%2f..%2fetc%2fpasswd", "'%20OR%201=1"])
def test_a_photo_that_is_not_there(review_desk, browser, sha):
    assert browser.get(f"/review/{sha}").status_code == 404
    assert browser.post(f"/review/{sha}", {"say": "confirm", "by": "MB"}).status_code == 404


@pytest.mark.parametrize("then", ["x", "//evil.example", "0" * 64, "<b>"])
def test_the_next_page_is_one_of_ours(review_desk, browser, then):
    path = path_of(review_desk, 4, "soaked")
    answer = browser.get(path, params={"then": then})
    assert answer.status_code == 200
    assert "<b>" not in answer.text.replace("&lt;b&gt;", "")
    done = browser.post(path, {"say": "confirm", "by": "MB", "then": then}, follow_redirects=False)
    assert re.fullmatch("/review/[0-9a-f]{64}", done.headers["location"])


def test_who_reviews_is_asked_once(review_desk, browser):
    browser.post(path_of(review_desk, 4, "soaked"), {"say": "confirm", "by": "MB"})
    assert 'value="MB"' in browser.get(path_of(review_desk, 5, "soaked")).text


def test_enter_in_a_field_confirms_nothing(review_desk, browser):
    """HTML standard, implicit submission: Enter presses the form's first submit button, unless that is
    disabled: then nothing happens."""
    text = browser.get(path_of(review_desk, 4, "soaked")).text
    form = text[text.index('<form id="say"') :]
    first = re.search('<(?:button(?! type="button")|input type="submit")[^>]*>', form)[0]
    assert "disabled" in first


@pytest.mark.parametrize(
    "name", ["aa/x", "aa/../../reeds.sqlite3", "..%2freeds.sqlite3/x", "aa/" + "a" * 64 + ".jpg", "%00/%00"]
)
def test_no_picture_but_those_that_are_kept(review_desk, browser, name):
    assert browser.get(f"/picture/{name}").status_code == 404
