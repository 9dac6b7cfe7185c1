"""The page to begin with: what to do now, each with its button; what comes next; the first three steps."""

import re
from dataclasses import replace
from datetime import date, datetime, timedelta
from html import unescape

import pypdfium2
import pytest

from aperture.book.advice.due import HEADINGS
from aperture.book.advice.rules import SQUEEZE_CAUTION
from aperture.book.present.words import days_left_words
from aperture.book.store.records import Filing, Soaking
from aperture.card.paper import PAPERS
from aperture.desk.app import create_app
from aperture.errors import BookError
from aperture.flags import FLAGS
from aperture.settings import Settings
from tests.desk.conftest import ROUND, Browser, enter  # noqa: F401 (a fixture)

OCTOBER_5 = datetime(2026, 10, 5, 14, 0)
HOUR = timedelta(hours=1)
SOAK = Soaking(30.0, "room", "water", "new")
NO_FAULT = dict.fromkeys(("leak", "wire", "film_wrap", "chip", "crack", "air_noise"), False)


def rows_of(text):
    """The rows of the page: the words of each, and its buttons' addresses by their words."""
    found = []
    for row in re.findall(r'<li class="card task">(.*?)</li>', text, re.S):
        acts = [
            (said, address) for address, said in re.findall(r'class="button.*?" href="(.*?)">(.*?)<', row)
        ]
        acts += [(said, address) for address, said in re.findall(r'action="(.*?)">.*?<button>(.*?)<', row)]
        words = " ".join(unescape(re.sub("<[^>]*>", " ", row)).split())
        found.append((words, {said: unescape(address) for said, address in acts}))
    return found


def row_of_8(browser):
    (row,) = [row for row in rows_of(browser.get("/due").text) if "Reed 8 " in row[0]]
    return row


# --- where it begins -----------------------------------------------------------------------------------


def test_the_desk_begins_with_what_is_due_and_a_phone_with_its_camera(filled, browser, camera):
    assert browser.get("/").url.path == "/due"
    assert camera.get("/").url.path == "/snap"
    assert 'class="mark" href="/"' in browser.get("/reeds").text


def test_an_empty_book_begins_with_three_steps_that_can_be_taken(desk, browser):
    text = browser.get("/").text
    assert re.findall("<h2>(.*?)</h2>", text) == ["Print the card", "Check the print", "Take the first photo"]
    links = re.findall(r'<a[^>]*href="([^#"]*)', text.partition("<main")[2])
    assert {"/print/a4.pdf", "/print/letter.pdf", "/import", "/phone"} <= set(links)
    assert all(browser.get(link).status_code == 200 for link in links)
    assert "is due" not in text
    with desk.open_book() as book:
        book.add_reed(1)
    assert "Three steps" not in browser.get("/").text


@pytest.mark.parametrize("paper", PAPERS)
def test_the_card_is_printed_from_the_desk(browser, camera, paper):
    """Sizes of ISO 216 and of US Letter (ANSI/ASME Y14.1, A), read back from the PDF by another library."""
    answer = browser.get(f"/print/{paper}.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    document = pypdfium2.PdfDocument(answer.content)
    expected = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}[paper]
    assert [points / 72 * 25.4 for points in document[0].get_size()] == pytest.approx(expected, abs=0.05)
    document.close()
    assert camera.get(f"/print/{paper}.pdf").status_code == 403


def test_other_paper_is_said(browser):
    answer = browser.get("/print/a3.pdf")
    assert answer.status_code == 404
    assert "A4 or Letter" in answer.text


# --- a row a task --------------------------------------------------------------------------------------


def nothing_more(book, enter, reed):  # noqa: F811
    pass


def dry(book, enter, reed):  # noqa: F811
    enter(book, reed, "dry", OCTOBER_5)


def round_dry(book, enter, reed):  # noqa: F811
    enter(book, reed, "dry", OCTOBER_5, **ROUND)


def soaked(book, enter, reed):  # noqa: F811
    enter(book, reed, "soaked", OCTOBER_5 + HOUR, SOAK)


def wide_soaked(book, enter, reed):  # noqa: F811
    enter(book, reed, "soaked", OCTOBER_5 + HOUR, SOAK, **ROUND)


def too_long(book, enter, reed):  # noqa: F811
    enter(book, reed, "soaked", OCTOBER_5 + HOUR, Soaking(300.0, "room", "water", "new"), **ROUND)


def doubtful(book, enter, reed):  # noqa: F811
    photo = enter(book, reed, "soaked", OCTOBER_5 + HOUR, SOAK)
    was = book.entry(photo).reading
    record = {**was.record, "flags": ["edge-weak"], "review": True, "reason": FLAGS["edge-weak"].sentence}
    book.add_reading(photo, record, Settings(), 0.001, was.outline_mm)


def checked(book, enter, reed):  # noqa: F811
    soaked(book, enter, reed)
    book.add_check(reed, OCTOBER_5 + 2 * HOUR, NO_FAULT, "good", 0.0)


def slow(book, enter, reed):  # noqa: F811
    soaked(book, enter, reed)
    book.add_check(reed, OCTOBER_5 + 2 * HOUR, NO_FAULT, "slow", 0.0)


def cracked(book, enter, reed):  # noqa: F811
    soaked(book, enter, reed)
    book.add_check(reed, OCTOBER_5 + 2 * HOUR, {**NO_FAULT, "crack": True})


def decided(action):
    def done(book, enter, reed):  # noqa: F811
        soaked(book, enter, reed)
        book.add_decision(reed, OCTOBER_5 + 3 * HOUR, action, "its own reason", "MB")

    return done


# What is known of a reed, under which heading it then stands, and the button that does it.
DOES = {
    "no photo": (nothing_more, "photograph again", "Photograph it", "/phone"),
    "dry": (dry, "soak", "Photograph it", "/phone"),
    "soaked too long": (too_long, "dry and judge again", "Photograph it", "/phone"),
    "in doubt": (doubtful, "look", "Look at it", "/review/"),
    "round": (wide_soaked, "squeeze", "It was squeezed now", "/reed/8/squeeze"),
    "soaked": (soaked, "check by hand", "Enter the check", "/reed/8#check"),
    "checked": (checked, "keep", "Decide", "/reed/8#decide"),
    "slow": (slow, "ask the teacher", "Decide", "/reed/8#decide"),
    "cracked": (cracked, "do not use", "Decide", "/reed/8#decide"),
    "decided back": (decided("send back"), "send back", "It was sent back", "/reed/8#decide"),
    "decided off": (decided("replace"), "throw away", "It was thrown away", "/reed/8#decide"),
}


@pytest.mark.parametrize("known", DOES)
def test_a_row_has_why_and_the_one_button_that_does_it(desk, browser, enter, known):  # noqa: F811
    make, kind, words, address = DOES[known]
    with desk.open_book() as book:
        make(book, enter, book.add_reed(8))
    assert f"<h2>{HEADINGS[kind]}</h2>" in browser.get("/due").text
    row, buttons = row_of_8(browser)
    assert list(buttons) == [words]
    assert buttons[words].startswith(address)
    if buttons[words].endswith("/squeeze"):
        assert SQUEEZE_CAUTION in row
    else:
        page, _, place = buttons[words].partition("#")
        text = browser.get(page).text
        assert not place or f'id="{place}"' in text
    if "decided" in known:
        assert "its own reason" in row


def test_millimetres_with_their_uncertainty_stand_in_the_row(desk, browser, enter):  # noqa: F811
    with desk.open_book() as book:
        enter(book, book.add_reed(8), "soaked", OCTOBER_5, SOAK, height_mm=0.832, width_mm=6.78)
    row, _ = row_of_8(browser)
    assert re.search(r"Soaked: elliptical, height 0\.83\d* ± 0\.\d+ mm, width 6\.78\d* ± 0\.\d+ mm", row)
    assert "2026-10-05" in row


def test_a_refused_photo_has_no_number(desk, browser, enter, refused):  # noqa: F811
    with desk.open_book() as book:
        photo = enter(book, book.add_reed(8), "dry", OCTOBER_5)
        book.add_reading(photo, refused(reed=8, state="dry").record(), Settings(), 0.0, None)
    row, _ = row_of_8(browser)
    assert "could not be measured" in row
    assert "mm," not in row


def test_the_tip_is_drawn_with_its_outline(desk, browser, enter):  # noqa: F811
    with desk.open_book() as book:
        photo = enter(book, book.add_reed(8), "dry", OCTOBER_5)
        was = book.entry(photo).reading
        window = (36.4, -0.9, 49.2, 9.9, 78.125)
        args = (was.record, Settings(), 0.001, was.outline_mm)
        book.add_reading(photo, *args, tip="aa/x", tip_window=window)
    text = browser.get("/due").text
    assert 'aria-label="Tip of reed 8"' in text
    assert '<polygon class="outline" points="' in text


def test_one_press_enters_the_squeeze_and_can_be_undone(desk, browser, enter):  # noqa: F811
    with desk.open_book() as book:
        wide_soaked(book, enter, book.add_reed(8))
    _, buttons = row_of_8(browser)
    answer = browser.post(buttons["It was squeezed now"], {})
    assert "Undo" in answer.text
    with desk.open_book() as book:
        assert len(book.history(book.reed(8)).squeezes) == 1


def test_the_sheet_to_go_with_it_is_one_press_away(desk, browser, enter):  # noqa: F811
    with desk.open_book() as book:
        book.add_lot("26ä", "north", return_by=date(2036, 10, 19))
        decided("send back")(book, enter, book.add_reed(8, "26ä"))
    _, buttons = row_of_8(browser)
    assert list(buttons) == ["Print the sheet", "It was sent back"]
    assert browser.get(buttons["Print the sheet"]).content.startswith(b"%PDF")


def test_where_no_phone_is_let_in_a_photo_is_brought_in(desk, enter):  # noqa: F811
    with desk.open_book() as book:
        dry(book, enter, book.add_reed(8))
    alone = replace(desk, lan_address=None)
    app = create_app(alone)
    app.app_of_ours = alone
    browser = Browser(app)
    browser.come_in(f"/open/{desk.access.desk_secret}")
    assert row_of_8(browser)[1] == {"Bring its photo in": "/import"}


def test_photos_that_are_nobody_s_have_a_row_each(desk, browser, enter):  # noqa: F811
    with desk.open_book() as book:
        photo = enter(book, book.add_reed(8), "dry", OCTOBER_5)
        book.add_filing(photo, Filing(None, None, Soaking(), None, None))
    text = browser.get("/due").text
    row, buttons = next(row for row in rows_of(text) if photo.name in row[0])
    assert "Which reed is it?" in row
    assert buttons == {"Say it": f"/review/{photo.sha256}"}


# --- nothing is due ------------------------------------------------------------------------------------


@pytest.fixture
def kept(desk, enter):  # noqa: F811
    """Two reeds of a lot that were kept."""
    with desk.open_book() as book:
        book.add_lot("26a", "north", return_by=date.today() + timedelta(days=12))
        book.add_lot("25z", "north", return_by=date.today() - timedelta(days=1))
        for number, lot in ((8, "26a"), (9, "26a"), (10, "25z")):
            reed = book.add_reed(number, lot)
            checked(book, enter, reed)
            book.add_decision(reed, OCTOBER_5 + 3 * HOUR, "keep", "good", "MB")
    return desk


def test_nothing_due_says_what_comes_next(kept, browser):
    text = browser.get("/due").text
    assert "Nothing is due for any reed." in text
    words, buttons = zip(*rows_of(text), strict=True)
    assert "Lot 26a can go back: 12 days left" in words[0]
    assert "2 reeds of it are here" in words[0]
    assert "25z" not in text
    assert buttons[-1] == {"Photograph a reed": "/phone"}


def test_photos_that_wait_come_next(kept, browser, enter):  # noqa: F811
    with kept.open_book() as book:
        # Kept, and photographed since: it is shut, which somebody should see.
        enter(book, book.reed(8), "soaked", OCTOBER_5 + 30 * HOUR, SOAK)
        shut = enter(book, book.reed(9), "dry", OCTOBER_5 + 30 * HOUR, height_mm=0.05)
        assert shut
    text = browser.get("/due").text
    assert "Nothing is due" in text
    assert ("1 photo waits for somebody to look. Look", {"Look": "/review"}) in rows_of(text)


# --- the menu ------------------------------------------------------------------------------------------


def menu(text):
    """The names of the menu with their counts, as they are read out."""
    entries = re.findall("<li><a[^>]*>(.*?)</a></li>", re.search("<nav.*?</nav>", text, re.S)[0])
    return [re.sub("<[^>]*>", "", entry) for entry in entries]


def test_the_menu_counts_what_is_due_and_what_waits(filled, browser, enter):  # noqa: F811
    """Three reeds have something due; one photo is round."""
    assert menu(browser.get("/reeds").text)[:3] == ["Due 3 to do", "Reeds", "Review 1 to look at"]
    with filled.open_book() as book:
        sha = book.history(book.reed(7)).latest("soaked").photo.sha256
    after = browser.post(f"/review/{sha}", {"say": "confirm", "by": "MB"}).text
    assert menu(after)[:3] == ["Due 3 to do", "Reeds", "Review"]
    for number in (5, 6, 7):
        after = browser.post(
            f"/reed/{number}/decision", {"action": "thrown away", "reason": "so", "by": "MB"}
        ).text
    assert menu(after)[0] == "Due"


def test_the_counts_are_those_of_the_pages(filled, browser):
    due, review = (browser.get(path).text for path in ("/due", "/review"))
    assert menu(due)[0] == f"Due {len(rows_of(due))} to do"
    assert re.search(r"Begin: (\d+) to look at", review)[1] == re.search(r"\d+", menu(review)[2])[0]


def test_what_is_counted_is_worked_out_once_for_a_book_that_has_not_grown(filled, browser, monkeypatch):
    browser.get("/reeds")
    asked = []
    monkeypatch.setattr("aperture.desk.pages.due_page.due", lambda told: asked.append(1) or [])
    browser.get("/lots")
    browser.get("/review")
    assert asked == []
    browser.post("/reed/7/check", {"leak": "no"})
    assert asked == [1]


def test_a_menu_without_its_counts_is_a_menu(filled, browser, monkeypatch):
    """Of a book that cannot be read the page says so; the menu must not hide that."""

    def damaged(*_):
        raise BookError("book-damaged", "")

    monkeypatch.setattr("aperture.desk.pages.due_page.told_here", damaged)
    filled.state.counts = None
    assert menu(browser.get("/lots").text)[:3] == ["Due", "Reeds", "Review"]
    answer = browser.get("/due")
    assert answer.status_code == 409
    assert menu(answer.text)[0] == "Due"


def test_a_phone_sees_no_counts(filled, camera):
    assert "<nav" not in camera.get("/snap").text


# --- how many days -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (12, "12 days left, until 2026-10-13"),
        (1, "1 day left, until 2026-10-02"),
        (0, "today is the last day"),
        (-1, "the last day was 2026-09-30, 1 day ago"),
        (-40, "the last day was 2026-08-22, 40 days ago"),
    ],
)
def test_days_left(days, words):
    """Worked by hand with a calendar: the return date itself is still in time."""
    today = date(2026, 10, 1)
    assert days_left_words(today + timedelta(days=days), today) == words
