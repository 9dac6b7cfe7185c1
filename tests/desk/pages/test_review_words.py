"""What the review says: faults beside "which reed?", how likely each class is, who looked, what is wrong."""

import math
import re
from datetime import datetime, timedelta

import pytest

from aperture.book.store.records import Filing, Soaking
from aperture.desk.pages.read_out import chances
from aperture.desk.pages.who import COOKIE
from aperture.flags import FLAGS
from aperture.settings import Settings
from tests.desk.conftest import enter  # noqa: F401 (a fixture)

ROUND = {"height_mm": 2.1, "width_mm": 6.4}


@pytest.fixture
def photo(desk, enter):  # noqa: F811
    """A round photo of reed 4, which waits."""
    with desk.open_book() as book:
        return enter(book, book.add_reed(4), "soaked", soaking=Soaking(30.0, "room", "water", "new"), **ROUND)


@pytest.fixture
def nobodys(desk, measured, refused):
    """nobodys(**measured) enters a photo of which nobody knows the reed; refused, if a code is given."""

    def enter_one(code=None, **numbers):
        with desk.open_book() as book:
            when = datetime(2026, 10, 6, 9, 0, len(book.photos()))
            result = (
                refused(photo="a.jpg", code=code, state=None) if code else measured(photo="a.jpg", **numbers)
            )
            photo = book.add_photo(f"{len(book.photos()):064x}", "a.jpg", when, when)
            book.add_filing(photo, Filing(None, "dry", Soaking(), "No tag.", None))
            book.add_reading(photo, result.record(), Settings(), 0.0, None)
            return photo.sha256

    return enter_one


def says(text):
    """What stands above the pictures, without tags."""
    said = re.findall('<p class="says[^"]*"[^>]*>(.*?)</p>', text, re.DOTALL)
    return [re.sub("<[^>]+>", "", one).strip() for one in said]


def listed(text):
    return [re.sub("<[^>]+>", "", one) for one in re.findall('<li>(<a href="/review/.*?)</li>', text)]


# --- faults beside "which reed?" -----------------------------------------------------------------------


def test_beside_which_reed_stands_what_else_is_wrong(browser, nobodys):
    """In the list and on the photo's page: nobody looks for a tag on a photo that must be taken again."""
    sha = nobodys("too-dark")
    (line,) = listed(browser.get("/review").text)
    assert "No tag. " in line
    assert "too dark" in line
    assert any("too dark" in one for one in says(browser.get(f"/review/{sha}").text))


@pytest.mark.parametrize(("numbers", "fault"), [(ROUND, "It is round."), ({"flags": ("blurred",)}, None)])
def test_beside_which_reed_stands_what_was_seen(browser, nobodys, numbers, fault):
    sha = nobodys(**numbers)
    fault = fault or FLAGS["blurred"].sentence
    assert listed(browser.get("/review").text)[0].endswith(f"No tag. {fault}")
    assert any(fault.removesuffix(".") in one for one in says(browser.get(f"/review/{sha}").text))


def test_a_contradiction_is_named_before_the_blur(desk, browser, enter):  # noqa: F811
    """It is why the photo stands under "Which reed?"."""
    with desk.open_book() as book:
        photo = enter(book, book.add_reed(7), "dry", flags=("blurred", "reed-contradiction"))
    (line,) = listed(browser.get("/review").text)
    both = FLAGS["reed-contradiction"].page_sentence, FLAGS["blurred"].sentence
    assert line.replace("&#39;", "'").endswith(" ".join(both))
    path = f"/review/{photo.sha256}"
    above = " ".join(says(browser.get(path).text))
    assert all(sentence.removesuffix(".") in above for sentence in both)
    # Once a person has looked, it is asked no more.
    browser.post(path, {"say": "confirm", "by": "MB"})
    assert both[0] not in " ".join(says(browser.get(path).text))


# --- how likely each class is --------------------------------------------------------------------------


def close(**shares):
    return {"borderline": True, "shape_probabilities": shares}


def test_chances_are_said_in_hundredths_the_likeliest_first():
    """A value one standard uncertainty above a limit: 84 % of the normal distribution lie above it (a table
    of the standard normal distribution, z = 1: 0.8413)."""
    above = 0.5 * math.erfc(-1 / math.sqrt(2))
    said = chances(close(shut=0.0, elliptical=1 - above, round=above))
    assert said == "84 of 100: round, 16 of 100: elliptical"


@pytest.mark.parametrize(
    ("shares", "said"),
    [
        # The example of the method of largest remainders in most handbooks: three equal shares of 100 seats.
        ((1 / 3, 1 / 3, 1 / 3), "34 of 100: shut, 33 of 100: elliptical, 33 of 100: round"),
        ((0.005, 0.4975, 0.4975), "50 of 100: elliptical, 50 of 100: round"),
        ((0.0, 0.5, 0.5), "50 of 100: elliptical, 50 of 100: round"),
    ],
)
def test_chances_add_up_to_a_hundred(shares, said):
    assert chances(close(**dict(zip(("shut", "elliptical", "round"), shares, strict=True)))) == said


@pytest.mark.parametrize("record", [{"borderline": False, "shape_probabilities": {"round": 1.0}}, close()])
def test_where_nothing_is_close_no_chances_are_said(record):
    assert chances(record) is None


def test_a_photo_close_to_a_limit_says_how_likely_each_class_is(desk, browser, enter):  # noqa: F811
    """A ratio of 0.25 lies on the limit, so by symmetry half of what it may be lies above."""
    with desk.open_book() as book:
        near = enter(book, book.add_reed(5), "soaked", height_mm=1.75)
        clear = enter(book, book.add_reed(6), "soaked")
        shares = book.entry(near).reading.record["shape_probabilities"]
    assert shares["round"] == pytest.approx(0.5, abs=0.02)
    said = re.search('<p class="chances">.*?<span>(.*?)</span>', browser.get(f"/review/{near.sha256}").text)
    counts = [int(count) for count in re.findall("([0-9]+) of 100", said[1])]
    assert sum(counts) == 100
    assert counts == pytest.approx([50, 50], abs=2)
    assert '<p class="chances" hidden>' in browser.get(f"/review/{clear.sha256}").text


# --- who looked ----------------------------------------------------------------------------------------


def test_who_looked_and_when_is_shown_of_each_reading(desk, browser, photo):
    path = f"/review/{photo.sha256}"
    before = datetime.now() - timedelta(minutes=1)
    browser.post(path, {"say": "override", "shape": "elliptical", "reason": "<i>by eye</i>", "by": "MB"})
    browser.post(path, {"say": "retake", "by": "AK"})
    text = browser.get(path).text
    lines = re.findall("<li>(.*?)</li>", text[text.index("Who looked") :])
    said = [re.fullmatch("(.*), ([0-9]{4}-[0-9]{2}-[0-9]{2} [0-9]{2}:[0-9]{2}): (.*)", one) for one in lines]
    assert [one[1] for one in said] == ["The program", "MB", "AK"]
    for one in said:  # on this computer's clock
        assert before <= datetime.fromisoformat(one[2]) <= datetime.now()
    assert said[0][3].startswith("round, height 2.1")
    assert said[1][3].startswith("elliptical, height 2.1")
    assert said[1][3].endswith("“&lt;i&gt;by eye&lt;/i&gt;”")
    assert said[2][3] == "retake"


# --- what is wrong stands beside the field, and what was typed is kept ---------------------------------


def test_an_override_without_a_reason_is_asked_for_it_where_it_stands(browser, photo):
    form = {"say": "override", "shape": "shut", "reason": " ", "by": "MB", "seconds": "77"}
    text = browser.post(f"/review/{photo.sha256}", form).text
    fieldset = re.search("<fieldset><legend>It is of another class.*?</fieldset>", text, re.DOTALL)[0]
    assert "Say which" not in fieldset  # in the program's own words
    assert re.search('id="wrong" role="alert">[^<]*say which class it is, and why', fieldset)
    field = re.search('<input id="reason"[^>]*>', fieldset)[0]
    assert 'aria-invalid="true" aria-describedby="wrong" autofocus' in field
    assert '<label for="reason">Why' in fieldset
    assert "<option selected>shut</option>" in fieldset
    assert 'value="MB"' in re.search('<input id="by"[^>]*>', text)[0]
    assert 'value="77"' in re.search('<input id="seconds"[^>]*>', text)[0]
    assert text.count('id="wrong"') == 1


def test_a_name_in_place_of_a_code_is_said_beside_it_and_the_reason_kept(desk, browser, photo):
    form = {"say": "override", "shape": "shut", "reason": "I see a slit", "by": "Mary Smith"}
    answer = browser.post(f"/review/{photo.sha256}", form)
    assert answer.status_code == 409
    bar = answer.text[answer.text.index('<div class="bar') :]
    assert re.search('id="wrong"[^>]*>[^<]*short code', bar)
    field = re.search('<input id="by"[^>]*>', bar)[0]
    assert 'value="Mary Smith"' in field
    assert 'aria-describedby="wrong"' in field
    assert 'value="I see a slit"' in answer.text
    with desk.open_book() as book:
        assert len(book.entry(photo).readings) == 1


def test_a_wrong_number_is_said_beside_it_and_the_soak_kept(browser, photo):
    form = {"say": "reed", "reed": "9999", "state": "soaked", "by": "MB", "seconds": "45", "water": "warm"}
    answer = browser.post(f"/review/{photo.sha256}", form)
    assert answer.status_code == 400
    fieldset = re.search("<fieldset><legend>It shows another reed.*?</fieldset>", answer.text, re.DOTALL)[0]
    assert re.search('id="wrong"[^>]*>[^<]*no reed&#39;s number', fieldset)
    assert 'value="9999"' in re.search('<input id="reed"[^>]*>', fieldset)[0]
    assert "<details open>" in fieldset
    assert 'value="45"' in fieldset
    assert "<option selected>warm</option>" in fieldset


# --- who reviews is remembered -------------------------------------------------------------------------


def test_the_code_is_remembered_in_this_browser_alone(app, desk, browser, photo):
    browser.post(f"/review/{photo.sha256}", {"say": "confirm", "by": "M.B-1"})
    assert (
        'value="M.B-1"' in re.search('<input id="by"[^>]*>', browser.get(f"/review/{photo.sha256}").text)[0]
    )
    cookie = next(one for one in browser.cookies.jar if one.name == COOKIE)
    assert cookie.expires - datetime.now().timestamp() > 300 * 24 * 3600
    assert cookie.has_nonstandard_attr("HttpOnly")
    browser.cookies.delete(COOKIE)
    assert 'value=""' in re.search('<input id="by"[^>]*>', browser.get(f"/review/{photo.sha256}").text)[0]


@pytest.mark.parametrize("said", ["%3Cb%3E", "a%20b", "x" * 99, "%00", "%FF"])
def test_a_code_that_is_none_is_not_remembered(browser, photo, said):
    browser.cookies.set(COOKIE, said)
    assert 'value=""' in re.search('<input id="by"[^>]*>', browser.get(f"/review/{photo.sha256}").text)[0]
