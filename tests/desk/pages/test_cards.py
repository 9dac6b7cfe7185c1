"""The page of the printed card: asked once, kept, used for every photo from then on, and said on each result.

Outside the project: what `aperture measure --ruler` says of the same photo, and the truth of a rendered print
of 97 %.
"""

import io
import json
import re
from dataclasses import replace
from datetime import date, datetime
from html import unescape
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from aperture.book.store.records import Soaking
from aperture.scale import Scale
from tests.cli.test_cli import run

PHOTOS = Path(__file__).parents[3] / "fixtures" / "photos"
SHRUNK = PHOTOS / "print-097.jpg"  # a card printed at 97 %: its bar is 48.5 mm long
TRUTH = json.loads(SHRUNK.with_suffix(".json").read_text(encoding="utf-8"))
WORDS = "the 50 mm bar measures 48.5 mm (card A), the tip’s place was not measured"


def words(answer):
    return unescape(re.sub(r"\s+", " ", re.sub("<[^>]*>", " ", answer.text)))


def say(browser, ruler="48.5", name="A", offset=""):
    return browser.post("/cards", {"ruler": ruler, "name": name, "offset": offset})


def cards(desk):
    with desk.open_book() as book:
        return [card.scale for card in book.cards()]


def send(browser, path=SHRUNK, name="R07_dry.jpg"):
    headers = {"x-csrf": browser.csrf, "x-name": name}
    answer = browser.post("/import/photo", content=path.read_bytes(), headers=headers)
    assert answer.json()["what"] == "filed"
    return answer.json()["sha256"]


def record_of(desk, sha):
    with desk.open_book() as book:
        return dict(book.entry(book.photo(sha)).reading.record)


def test_before_any_answer_the_page_says_what_counts_and_shows_how_to_measure(browser):
    page = browser.get("/cards")
    assert "Nobody has measured the bar of your card yet" in words(page)
    assert "the 50 mm bar is taken as 50 mm" in words(page)
    assert "What does your 50 mm bar measure?" in words(page)
    assert page.text.count('<svg class="drawing') == 2
    assert "<details>" in page.text  # the tip offset is folded


def test_the_warning_s_figure_is_right():
    """Lengths in a photo are multiplied by what the bar counts as."""
    assert f"{100 * (50 / 48.5 - 1):.0f}" == "3"


@pytest.mark.parametrize("ruler", ["48.5", "48,5", " 48.5 mm "])
def test_an_answer_is_kept_with_the_card_s_name(browser, desk, ruler):
    page = say(browser, ruler)
    assert page.status_code == 200
    assert "kept." in words(page)
    assert WORDS in words(page)
    assert cards(desk) == [Scale(48.5, None, "A")]


@pytest.mark.parametrize(("offset", "mm"), [("0", 0.0), ("1,5", 1.5), ("−0.5", -0.5)])
def test_the_tip_offset_is_kept_with_it(browser, desk, offset, mm):
    say(browser, offset=offset)
    assert cards(desk) == [Scale(48.5, mm, "A")]


def test_a_second_answer_stands_beside_the_first_and_a_double_click_is_one(browser, desk):
    for ruler in ("50", "48.5", "48.5"):
        say(browser, ruler)
    assert [scale.ruler_mm for scale in cards(desk)] == [50.0, 48.5]
    page = browser.get("/cards")
    assert page.text.count('class="badge good">in use') == 1
    assert words(page).index("measures 48.5 mm") < words(page).index("measures 50 mm")


def test_the_tip_offset_that_counts_is_not_lost_when_only_the_bar_is_measured_again(browser):
    say(browser, offset="1,5")
    page = browser.get("/cards").text
    assert 'name="offset"' in page
    assert 'value="1.5"' in page
    assert "<details open>" in page
    assert not re.search('<input id="ruler"[^>]* value="4', page)


def test_what_the_settings_say_is_called_so(app, browser, desk):
    app._app.state.desk = replace(desk, settings=Scale(ruler_mm=49.0).over(desk.settings))
    assert "Until then the 50 mm bar is taken as 49 mm, the tip’s place was not measured, as your" in words(
        browser.get("/cards")
    )


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("ruler", "4.85", "between 45 and 55 mm"),
        ("ruler", "485", "between 45 and 55 mm"),
        ("ruler", "55,1", "between 45 and 55 mm"),
        ("ruler", "-50", "between 45 and 55 mm"),
        ("ruler", "about 49", "is no number"),
        ("ruler", "nan", "is no number"),
        ("ruler", "1e999", "is no number"),
        ("ruler", "", "Say what the bar measures"),
        ("name", "the first card", "cannot be a card’s name"),
        ("name", "", "cannot be a card’s name"),
        ("name", "=1+1", "cannot be a card’s name"),
        ("offset", "30", "cannot be right"),
        ("offset", "level", "is no number"),
        ("offset", "<b>1</b>", "is no number"),
    ],
)
def test_what_cannot_be_is_said_beside_its_field_and_what_was_typed_stays(browser, desk, field, typed, said):
    page = say(browser, **{field: typed})
    assert page.status_code == 400
    assert cards(desk) == []
    wrong = re.findall(r'<p class="wrong" id="(\w+)-wrong">(.*?)</p>', page.text)
    assert [name for name, _ in wrong] == [field]
    assert said in unescape(wrong[0][1])
    tag = re.search(f'<input id="{field}"[^>]*>', page.text)[0]
    assert f'aria-describedby="{field}-wrong {field}-help"' in tag
    assert 'aria-invalid="true"' in tag
    values = dict(re.findall(r'<input id="(\w+)"[^>]* value="([^"]*)"', page.text))
    expected = {"ruler": "48.5", "name": "A", "offset": ""} | {field: typed}
    assert {name: unescape(value) for name, value in values.items()} == expected
    assert "<b>" not in page.text


def test_what_is_very_long_is_cut(browser):
    assert len(say(browser, "9" * 5000).text) < len(browser.get("/cards").text) + 2000


def test_only_the_desk_comes_in(stranger, camera, browser, desk):
    assert stranger.get("/cards").status_code == 401
    assert camera.get("/cards").status_code == 403
    assert say(camera).status_code == 403
    browser.csrf = "wrong"
    assert say(browser).status_code == 403
    assert cards(desk) == []


# --- measured with it --------------------------------------------------------------------------------------


def test_the_desk_measures_as_the_command_with_ruler_does_to_the_last_digit(browser, desk):
    """Number and ± alike, the part of the ± that is the ruler's among them."""
    say(browser, "48.5", offset="0")
    here = record_of(desk, send(browser))
    out, _ = run("measure", SHRUNK, "--ruler", "48.5", "--tip-offset", "0", "--json", "--budget")
    there = json.loads(out)
    differ = {key for key in here if here[key] != there[key]}
    # What the file was called, which says reed and state, and what to do then; and the card has a name here.
    assert differ <= {"photo", "reed", "state", "advice", "card"}
    assert here["u"] == there["u"]
    (bar,) = (
        term
        for term in there["budget"]
        if (term["quantity"], term["source"]) == ("height_mm", "printed scale")
    )
    assert bar["estimate"] == here["ruler_mm"] == 48.5
    with desk.open_book() as book:
        (entry,) = book.history(book.reed(7)).entries
    assert entry.reading.printed_scale_relative == pytest.approx(bar["contribution"] / there["height_mm"])


@pytest.mark.parametrize("answered", [True, False])
def test_the_answer_makes_the_number_true(browser, desk, answered):
    """Of a card printed at 97 %: 3 % too much without the answer, and within the ± with it."""
    true_mm = TRUTH["truth"]["feret_max_mm"]  # the width, which is the least in doubt
    if answered:
        say(browser, "48.5")
    record = record_of(desk, send(browser))
    assert (abs(record["width_mm"] - true_mm) <= record["u"]["width_mm"]) == answered
    counted = 1.0 if answered else 50 / 48.5
    assert record["width_mm"] == pytest.approx(true_mm * counted, rel=0.01)


def test_a_photo_from_before_keeps_its_record_and_the_page_says_so(browser, desk):
    sha = send(browser)
    before = record_of(desk, sha)
    page = words(say(browser))
    assert record_of(desk, sha) == before
    assert "1 photo counts so: the 50 mm bar is taken as 50 mm" in page
    assert "1 photo was measured with another length of the bar, and keeps its numbers" in page
    # Sent once more it is known, and stays as it is, too.
    headers = {"x-csrf": browser.csrf, "x-name": "R07_dry.jpg"}
    answer = browser.post("/import/photo", content=SHRUNK.read_bytes(), headers=headers)
    assert answer.json()["what"] == "known"
    assert record_of(desk, sha) == before


def test_a_phone_s_photos_use_it_too(browser, camera, desk):
    say(browser)
    headers = {"x-csrf": camera.csrf, "x-name": "photo.jpg", "x-reed": "7", "x-state": "dry"}
    answer = camera.post("/snap", content=SHRUNK.read_bytes(), headers=headers).json()
    part = camera.get(answer["result"])
    assert f"Printed scale: {WORDS}." in words(part)
    assert "/cards" not in part.text  # where a phone may not go
    sha = answer["result"].split("/")[2].split("?")[0]
    assert record_of(desk, sha)["ruler_mm"] == 48.5


# --- said on every result ----------------------------------------------------------------------------------


@pytest.fixture
def two_scales(desk, enter):
    """Reed 7, dry from before the answer and soaked from after it; it goes back."""
    with desk.open_book() as book:
        book.add_lot("26a", "north", date(2026, 9, 14), date(2036, 10, 19))
        reed = book.add_reed(7, "26a")
        told = Scale(48.5, None, "A").over(desk.settings)
        enter(book, reed, "dry", datetime(2026, 10, 5, 14, 0))
        photo = enter(book, reed, "soaked", datetime(2026, 10, 5, 15, 0), Soaking(30.0), told)
        book.add_decision(reed, datetime(2026, 10, 6, 9, 0), "send back", "too round", "MB")
        return photo.sha256


@pytest.mark.parametrize("path", ["/reed/7", "/review/SHA"])
def test_pages_with_numbers_say_each_scale_once(browser, two_scales, path):
    page = browser.get(path.replace("SHA", two_scales))
    assert words(page).count("the 50 mm bar is taken as 50 mm") == 1
    assert words(page).count(WORDS) == 1
    assert 'href="/cards"' in page.text


def test_the_review_says_which_photo_counts_with_which(browser, two_scales):
    first = "the 50 mm bar is taken as 50 mm, the tip’s place was not measured"
    assert f"Printed scale: dry: {first}; soaked: {WORDS}." in words(browser.get(f"/review/{two_scales}"))


def test_an_outline_by_hand_on_a_refused_photo_says_its_scale(desk):
    """Its points are in millimetres of the card, too; the program's record of a refusal has no scale."""
    from aperture.book.store.lazy import LazyRecord
    from aperture.book.store.records import Reading
    from aperture.desk.pages.outlines import first_guess, measured_by_hand
    from tests.conftest import _refused

    window, scale = [37.0, 0.0, 48.0, 9.0, 20.0], Scale(48.5, None, "A")
    record = LazyRecord(json.dumps(_refused().record()))
    reading = Reading(1, 1, "program", "0", 2.0, 0.0, record, None, "tip", window, None, scale)
    drawn = measured_by_hand(np.array(first_guess(window)), reading, desk.settings)
    assert (drawn["ruler_mm"], drawn["card"]) == (48.5, "A")


def test_the_result_says_it(browser, two_scales):
    page = browser.get(f"/result/{two_scales}")
    assert f"Printed scale: {WORDS}." in words(page)
    assert 'href="/cards"' in page.text


def test_the_return_sheet_says_it_in_its_small_print(browser, two_scales):
    pdf = pypdfium2.PdfDocument(io.BytesIO(browser.get("/lot/26a/return-sheet.pdf").content))
    text = "".join(page.get_textpage().get_text_range() for page in pdf)
    pdf.close()
    # A hyphen at the end of a line comes back as U+FFFE, without the break.
    text = re.sub(r"\s+", " ", re.sub("\ufffe\\s*", "-", text))
    first = "the 50 mm bar is taken as 50 mm, the tip’s place was not measured"
    assert f"Printed scale: {first}; or {WORDS}." in text


def test_the_gauge_counts_with_it_and_says_so(browser, desk):
    say(browser, "49.3")
    page = browser.get("/gauge")
    assert "the 50 mm bar measures 49.3 mm (card A)" in words(page)
    gauge = next((PHOTOS.parent / "gauge_set").glob("*.jpg"))
    with gauge.open("rb") as file:
        browser.post("/gauge", {"sheets": "5", "ream": "52"}, files={"photo": ("gauge.jpg", file)})
    with desk.open_book() as book:
        (check,) = book.gauge_checks()
        assert check.told[0] == 49.3
