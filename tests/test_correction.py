"""A correction of the height: what it changes, what it leaves, and that whoever sees a height is told.

What is expected is the arithmetic of each case; that nothing but the height moves is what the guide promises.
"""

import csv
import io
import json
from dataclasses import asdict, replace
from datetime import date, datetime

import numpy as np
import openpyxl
import pypdfium2
import pytest
from rich.console import Console

from aperture.batch.pairs import pairs as pairs_of
from aperture.book.advice.comparing import soak_change
from aperture.book.advice.rules import advise
from aperture.book.present.book_screen import show_reed
from aperture.book.present.exports import export
from aperture.book.present.return_sheet import return_sheet
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.budget.contributions import budget
from aperture.card.geometry import FACES
from aperture.correction import FLAG, MIN_CORRECTED_MM, corrected, correction_words
from aperture.measure import measure
from aperture.present.annotate import annotate
from aperture.present.report import csv_bytes, json_line, remarks
from aperture.present.screen import show
from aperture.settings import Correction, Settings, change_settings, settings_from_text, settings_text
from tests.accuracy.truth_photos import COMMITTED

OFFSET = Correction(0.04, 0.01, "comparison with 12 readings in callipers.csv, 2026-11-29")
WORDS = "+0.040 mm (comparison with 12 readings in callipers.csv, 2026-11-29)"
NOON = datetime(2026, 10, 5, 12, 0)


@pytest.fixture
def book(tmp_path):
    """An empty book."""
    with Book(tmp_path / "reeds.sqlite3", create=True) as opened:
        yield opened


@pytest.fixture
def shifted(measured):
    """shifted(...) makes the result of a photo to whose height the correction was added."""

    def make(**numbers):
        one = measured(flags=(FLAG,), **numbers)
        return replace(one, geometry=corrected(one.geometry, OFFSET), correction=OFFSET)

    return make


@pytest.fixture(scope="module")
def both():
    """One photo, measured without and with the correction."""
    photo = next(path for path in sorted(COMMITTED.glob("careful-*.jpg")))
    return measure(photo), measure(photo, Settings(correction=OFFSET))


def screen(draw):
    console = Console(file=io.StringIO(), width=160)
    draw(console)
    return " ".join(console.file.getvalue().split())


def test_only_the_height_and_its_uncertainty_change(both):
    plain, other = (one.record() for one in both)
    assert other["height_mm"] == pytest.approx(plain["height_mm"] + 0.04)
    # Independent uncertainties add in quadrature (GUM 5.1.2); the factor is 2.
    assert other["u"]["height_mm"] == pytest.approx(np.hypot(plain["u"]["height_mm"], 2 * 0.01))
    changed = {name for name in plain if plain[name] != other[name]}
    assert changed <= {"height_mm", "u", "correction", "flags", "shape_probabilities"}
    assert {**other["u"], "height_mm": 0} == pytest.approx({**plain["u"], "height_mm": 0})
    assert plain["correction"] is None
    assert other["correction"] == asdict(OFFSET)
    assert FLAG in other["flags"]
    assert FLAG not in plain["flags"]


def test_the_budget_has_a_line_for_it(both):
    plain, other = both
    sources = [part.source for part in other.budget.contributions]
    assert "correction of the height" in sources
    again = budget(plain.outline, plain.view, Settings())
    assert "correction of the height" not in [part.source for part in again.contributions]


def test_a_height_is_never_below_zero(measured):
    low = measured(height_mm=0.03).geometry
    assert corrected(low, Correction(-0.5, 0.0, "")).height_mm == MIN_CORRECTED_MM
    assert corrected(low, Correction()) is low


def test_text_names_it(shifted):
    one = shifted()
    words = screen(lambda console: show(console, [one], []))
    assert "(corrected)" in words
    assert WORDS in words
    assert any(WORDS in remark.sentence for remark in remarks(one))


def test_json_and_csv_name_it(shifted):
    one = shifted()
    assert json.loads(json_line(one))["correction"]["offset_mm"] == 0.04
    (row,) = csv.DictReader(io.StringIO(csv_bytes([one]).decode()))
    assert (row["correction_offset_mm"], row["correction_source"]) == ("0.04", OFFSET.source)


def test_pictures_name_it(shifted, monkeypatch):
    from aperture.present.canvas import Sheet

    said = []
    text = Sheet.text
    monkeypatch.setattr(
        Sheet, "text", lambda self, words, *a, **k: said.append(words) or text(self, words, *a, **k)
    )
    annotate(shifted())
    assert any("(corrected)" in words for words in said)
    assert any(WORDS in words for words in said)


class TestBook:
    """The same in the reed book."""

    @pytest.fixture
    def reed(self, book, shifted, measured):
        """A reed of a lot: dry before the correction was asked for, soaked after it, to be sent back."""
        book.add_lot("26a", "post")
        reed = book.add_reed(7, "26a")
        results = measured(state="dry", height_mm=0.80), shifted(state="soaked", height_mm=0.80)
        for place, (one, state) in enumerate(zip(results, ("dry", "soaked"), strict=True)):
            when = NOON.replace(minute=place)
            photo = book.add_photo(f"{place + 1:x}" * 64, f"{state}.jpg", when, when)
            book.add_filing(photo, Filing(reed.id, state, Soaking(), None, None))
            outline = one.outline.points_mm.tolist()
            book.add_reading(photo, one.record(), Settings(correction=one.correction), 0.001, outline)
        book.add_decision(reed, NOON.replace(hour=13), "send back", "too open", "MB")
        return reed

    def test_its_page_names_it(self, book, reed):
        history = book.history(reed)
        told = advise(history, Settings().soaking, date(2026, 10, 6))
        words = screen(lambda console: show_reed(console, history, told, book.pictures))
        assert words.count("(corrected)") == 2  # the number, and what that means
        assert WORDS in words

    def test_soaking_changed_nothing_where_only_the_correction_is_new(self, book, reed):
        """Both openings are 0.80 mm high: like is compared with like."""
        change = soak_change(book.history(reed))
        assert change.height_mm.difference == pytest.approx(0.0, abs=1e-9)

    def test_exports_name_it(self, book, reed, tmp_path):
        export(book, tmp_path / "out")
        content = (tmp_path / "out" / "reed-book-readings.csv").read_bytes().decode("utf-8-sig")
        first, second = csv.DictReader(io.StringIO(content))
        assert (first["correction_mm"], first["correction"]) == ("", "")
        assert (second["correction_mm"], second["correction"]) == ("0.04", f"'{WORDS}")  # no formula
        sheet = openpyxl.load_workbook(tmp_path / "out" / "reed-book.xlsx")["reeds now"]
        assert any("(corrected)" in str(cell.value) for row in sheet.iter_rows() for cell in row)

    def test_the_return_sheet_names_it(self, book, reed):
        pdf = return_sheet(book, book.lot("26a"), book.histories(lot="26a"), {}, date(2026, 10, 12))
        pages = [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(pdf)]
        words = " ".join(" ".join(pages).split())
        assert words.count("(corrected)") == 2
        assert WORDS in words


def test_a_person_s_own_outline_is_not_corrected(book, shifted):
    from aperture.desk.pages.outlines import handles, measured_by_hand

    one = shifted(height_mm=0.80)
    photo = book.add_photo("a" * 64, "x.jpg", NOON, NOON)
    book.add_filing(photo, Filing(None, None, Soaking(), None, None))
    outline = one.outline.points_mm.tolist()
    book.add_reading(photo, one.record(), Settings(correction=OFFSET), 0.001, outline)
    reading = book.entry(photo).reading
    record = measured_by_hand(np.array(handles(outline)), reading, Settings(correction=OFFSET))
    assert record["correction"] is None
    assert FLAG not in record["flags"]
    assert record["height_mm"] == pytest.approx(0.80, abs=0.01)


def test_settings_keep_it_and_older_ones_have_none():
    kept = settings_from_text(settings_text(Settings(correction=OFFSET)))
    assert kept.correction == OFFSET
    older = json.loads(settings_text(Settings()))
    del older["correction"]
    assert not settings_from_text(json.dumps(older)).correction.applies
    with pytest.raises(Exception, match=r"correction.offset_mm"):
        change_settings(Settings(), {"correction": {"offset_mm": 3.0, "u_offset_mm": 0.0, "source": ""}})


def test_the_sign_is_a_minus():
    assert correction_words({"offset_mm": -0.04, "source": ""}) == "−0.040 mm"


def test_a_change_of_two_corrected_heights_is_that_of_the_heights(both):
    """What both have in common drops out, with its uncertainty."""
    dry, soaked = (replace(one, reed=7, state=state) for one, state in zip(both[::-1], FACES, strict=True))
    plain = replace(both[0], reed=7, state="dry"), replace(both[0], reed=7, state="soaked")
    (mixed,), (same,) = pairs_of([dry, soaked]), pairs_of(plain)
    assert mixed.change.height_mm.difference == pytest.approx(0.0, abs=1e-9)
    assert mixed.change.height_mm.expanded_uncertainty == pytest.approx(
        same.change.height_mm.expanded_uncertainty, rel=0.05
    )
