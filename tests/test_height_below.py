"""A shut reed whose height cannot be told: "below 0.05 mm" wherever a result is shown or recorded.

The golden opening is 0.02 mm high with u = 0.015 mm, so that U = 0.03 mm is more than the height. By JCGM
100:2008, table G.1, 95 % lie below 0.02 + 1.645 · 0.015 = 0.0447 mm.
"""

import csv
import io
import json
import statistics
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from aperture.batch.pairs import pairs
from aperture.present import annotate, drawing
from aperture.present.budget_page import BudgetTable, show_table
from aperture.present.canvas import Sheet, Window
from aperture.present.report import below_words, csv_bytes, json_line, quantity
from aperture.present.screen import photo_table, show
from aperture.verdict import ONE_SIDED_95, Verdict, height_below

NO_HEIGHT = {"height_mm": 0.02, "u": (0.015, 0.030, 0.06, 0.0015)}
WORDS = "below 0.05 mm"


@pytest.fixture
def slit(measured):
    """slit(…) makes the result of the golden opening."""
    return lambda photo="R07_soaked.jpg", **more: measured(photo, state="soaked", **NO_HEIGHT, **more)


def printed(what, width=160):
    console = Console(width=width, highlight=False, emoji=False)
    with console.capture() as captured:
        what(console)
    return captured.get()


# --- the rule ------------------------------------------------------------------------------------------


def test_the_factor_is_that_of_a_normal_distribution():
    assert pytest.approx(statistics.NormalDist().inv_cdf(0.95), abs=5e-4) == ONE_SIDED_95


def test_the_golden_opening(slit):
    photo = slit()
    assert photo.verdict.shape == "shut"
    assert photo.outcome == "measured"
    assert photo.height_below_mm == pytest.approx(0.0447, abs=5e-5)
    # What the change on soaking and the studies use stays as it was.
    assert photo.geometry.height_mm == pytest.approx(0.02, rel=1e-5)
    assert photo.u["height_mm"] == pytest.approx(0.03, rel=1e-4)


@pytest.mark.parametrize(
    ("shape", "height_mm", "expanded_mm", "told"),
    [
        ("shut", 0.030, 0.030, False),
        ("shut", 0.031, 0.030, True),
        ("shut", 0.000, 0.030, False),
        ("elliptical", 0.2, 0.3, True),
        ("round", 2.0, 3.0, True),
    ],
)
def test_a_height_is_told_unless_it_is_shut_and_not_above_its_uncertainty(
    shape, height_mm, expanded_mm, told
):
    verdict = Verdict(shape, {shape: 1.0}, False, ())
    below_mm = height_below(verdict, height_mm, expanded_mm / 2, expanded_mm)
    assert below_mm == (None if told else pytest.approx(height_mm + 1.645 * expanded_mm / 2))


def test_a_height_that_can_be_told_and_a_refused_photo_have_none(measured, refused):
    for photo in (measured(), measured(height_mm=0.05), refused(), replace(measured(), budget=None)):
        assert photo.height_below_mm is None
        assert photo.record()["height_below_mm"] is None
    assert measured().record()["height_mm"] is not None
    assert "height_mm" in measured().record()["u"]


# --- the record ----------------------------------------------------------------------------------------


def test_the_record(slit):
    photo = slit()
    record = json.loads(json_line(photo))
    assert record["height_mm"] is None
    assert record["height_below_mm"] == photo.height_below_mm
    assert set(record["u"]) == {"width_mm", "area_mm2", "ellipse_ratio"}
    assert (record["outcome"], record["shape"], record["width_mm"]) == ("measured", "shut", 7.0)
    assert "height_mm" in photo.u  # the measurement's own is not touched


def test_the_csv_file(slit, measured):
    content = csv_bytes([slit(), measured()]).decode()
    none, told = csv.DictReader(io.StringIO(content, newline=""))
    assert (none["height_mm"], none["u_height_mm"]) == ("", "")
    assert float(none["height_below_mm"]) == pytest.approx(0.0447, abs=5e-5)
    assert float(none["u_width_mm"]) > 0.0
    assert told["height_below_mm"] == ""
    assert float(told["height_mm"]) == pytest.approx(0.8, rel=1e-5)


# --- in words ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("below_mm", "words"),
    [
        (0.044675, "below 0.05"),
        (0.0500001, "below 0.06"),
        (0.05, "below 0.05"),
        (0.07, "below 0.07"),
        (0.001, "below 0.01"),
        (0.1401, "below 0.15"),
    ],
)
def test_it_is_rounded_up(below_mm, words):
    assert below_words(below_mm) == words
    assert below_words(below_mm, "mm") == f"{words} mm"


def test_only_the_height_is_said_so(slit):
    assert quantity(slit(), "height_mm", "mm") == WORDS
    assert quantity(slit(), "width_mm", "mm") == "7.00 ± 0.06 mm"


@pytest.mark.parametrize("codes", [True, False])
def test_the_table_on_the_screen(slit, codes):
    text = printed(lambda console: console.print(photo_table([slit()], codes)))
    assert "below 0.05" in text
    assert "shut" in text
    assert "0.020 ±" not in text


def test_a_pair_on_the_screen_has_its_change_in_numbers(slit, measured):
    """GUM 5.1.2: 0.02 − 0.80 mm, and the ± is 2 · √(0.010² + 0.015²) = 0.036 mm, the scale aside."""
    photos = [measured(), slit()]
    text = printed(lambda console: show(console, photos, pairs(photos)))
    assert "below 0.05" in text
    assert "−0.78 ± 0.04, closed" in text


def test_the_budget_of_a_height():
    table = BudgetTable("height_mm", 0.02, (), 0.015, 2.0)
    assert "Height below 0.05 mm" in printed(lambda console: show_table(console, table, WORDS))
    assert "Height 0.020 ± 0.030 mm" in printed(lambda console: show_table(console, table))


# --- in pictures ---------------------------------------------------------------------------------------


@pytest.fixture
def written(monkeypatch):
    """Everything that is written on pictures."""
    words = []
    write = Sheet.text

    def note(sheet, text, *args, **more):
        words.append(text)
        return write(sheet, text, *args, **more)

    monkeypatch.setattr(Sheet, "text", note)
    monkeypatch.setattr(drawing, "label", lambda picture, text, *args: words.append(text))
    return words


def test_the_picture_of_a_photo(slit, tmp_path, written):
    assert annotate.annotate(slit(tmp_path / "R07_soaked.jpg"))
    assert f"height {WORDS}" in written
    assert "shut" in written


def test_the_arrows_in_the_picture(slit, written):
    window = Window(38.0, 2.0, 47.0, 7.0, 100.0)
    drawing.draw_opening(np.zeros((500, 900, 3), np.uint8), window, slit())
    assert f"height {WORDS}" in written
    assert "width 7.00 ± 0.06 mm" in written


def test_the_picture_of_a_pair(slit, measured, tmp_path, written):
    photos = [measured(tmp_path / "d.jpg"), slit(tmp_path / "s.jpg")]
    assert annotate.annotate_pair(pairs(photos)[0])
    assert any(f"height {WORDS}, width" in words for words in written)
    assert any(words.startswith("height −0.78 ± 0.04 mm, closed") for words in written)
