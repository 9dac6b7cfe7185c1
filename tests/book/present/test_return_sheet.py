"""The return sheet, read back from the PDF file: what stands on it, to which scale, and what must not."""

import io
import re
import unicodedata
from datetime import date, datetime, timedelta
from hashlib import sha256

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from aperture.book.present.return_sheet import return_sheet
from aperture.book.present.sheet_drawing import shown
from aperture.book.store.records import Filing, Soaking
from aperture.errors import BookError, SettingsError
from aperture.settings import Settings, change_settings
from tests.conftest import LIMITS

MONDAY = datetime(2026, 10, 5, 14, 0)
TODAY = date(2026, 10, 12)
POINTS_PER_MM = 72.0 / 25.4
# ISO 216, A4; ANSI/ASME Y14.1, size A (both from memory).
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


class Pdf:
    """A PDF file read back by another library than the one that wrote it."""

    def __init__(self, content):
        self.content = content
        self.document = pypdfium2.PdfDocument(content)
        self.pages = list(self.document)

    @property
    def texts(self):
        return [re.sub(r"\s+", " ", page.get_textpage().get_text_range()) for page in self.pages]

    @property
    def text(self):
        return " ".join(self.texts)

    def paths_points(self, page=0):
        """Every path of a page as its corners (n, 2), in points from the page's lower left corner."""
        for item in self.pages[page].get_objects(filter=[pdfium.FPDF_PAGEOBJ_PATH]):
            corners = []
            for place in range(pdfium.FPDFPath_CountSegments(item.raw)):
                x, y = pdfium.c_float(), pdfium.c_float()
                pdfium.FPDFPathSegment_GetPoint(pdfium.FPDFPath_GetPathSegment(item.raw, place), x, y)
                corners.append(item.get_matrix().on_point(x.value, y.value))
            yield np.array(corners)

    def outlines_points(self):
        """The outlines of tips on the first page, from left to right: nothing else has so many corners."""
        found = [corners for corners in self.paths_points() if len(corners) > 100]
        return sorted(found, key=lambda corners: corners[:, 0].min())

    def bars_points(self):
        """The level lines right of "2 mm", as (length, x of the end), from left to right."""
        text = self.pages[0].get_textpage()
        search, bars = text.search("2 mm"), []
        while found := search.get_next():
            _, bottom, right, top = text.get_charbox(found[0] + found[1] - 1)
            for corners in self.paths_points():
                (start_x, start_y), (end_x, end_y) = corners[0], corners[-1]
                level = len(corners) == 2 and start_y == end_y and bottom < start_y < top
                if level and 0.0 < start_x - right < 10.0:
                    bars.append((end_x - start_x, end_x))
        return sorted(bars, key=lambda bar: bar[1])


def flat_picture(window, width_mm, height_mm, centre_mm=(42.8, 4.5)):
    """A bright picture of the tip's plane with a black ellipse."""
    x_min, y_min, x_max, y_max, px_per_mm = window
    columns, rows = round((x_max - x_min) * px_per_mm), round((y_max - y_min) * px_per_mm)
    x_mm = x_min + (np.arange(columns) + 0.5) / px_per_mm
    y_mm = y_max - (np.arange(rows) + 0.5) / px_per_mm
    across = (x_mm[None, :] - centre_mm[0]) / (width_mm / 2)
    up = (y_mm[:, None] - centre_mm[1]) / (height_mm / 2)
    gray = np.where(across**2 + up**2 <= 1.0, 0, 220).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(np.dstack([gray] * 3)).save(buffer, "JPEG", quality=95)
    return buffer.getvalue()


WINDOW = (36.4, -0.9, 49.2, 9.9, 78.125)


@pytest.fixture
def shoot(measured, refused):
    """shoot(book, reed, state, …) adds a photo with its tip, as if it had been measured or refused."""

    def shoot_one(book, reed, state, taken=None, window=WINDOW, soaking=None, code=None, by=None, **numbers):
        name = f"Anna_R{reed.number:02d}.jpg"
        sha = sha256(f"{name} {len(book.photos())}".encode()).hexdigest()
        used = numbers.pop("settings", Settings())
        size = {"width_mm": 7.0, "height_mm": 0.8} | numbers
        if code is None:
            result = measured(photo=name, reed=reed.number, state=state, **size)
        else:
            result = refused(photo=name, reed=reed.number, state=state, code=code)
        tip = f"{sha[:2]}/{sha}-01234567-tip.jpg"
        place = book.pictures / tip
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(flat_picture(window, size["width_mm"], size["height_mm"]))
        with book.writing():
            photo = book.add_photo(sha, name, taken or MONDAY, MONDAY)
            book.add_filing(photo, Filing(reed.id, state, soaking or Soaking(), None, None))
            outline = result.outline.points_mm.tolist() if result.outline else None
            origin = "person" if by else "program"
            book.add_reading(photo, result.record(), used, 0.001, outline, origin, by, tip, window)
        return photo

    return shoot_one


@pytest.fixture
def lot(book):
    """A lot without reeds."""
    return book.add_lot("2026-10-A", "shop-2", date(2026, 9, 28), date(2026, 10, 19), 14.5, "medium soft")


def rejected(book, number, action="send back", reason="The opening is round.", **details):
    """A reed of the lot that goes back."""
    reed = book.add_reed(number, "2026-10-A", **details)
    book.add_decision(reed, MONDAY + timedelta(days=1), action, reason, "teacher7")
    return reed


def sheet(book, paper="a4", reasons=None):
    """The lot's sheet, read back."""
    lot = book.lot("2026-10-A")
    return Pdf(return_sheet(book, lot, book.histories(), reasons or {}, TODAY, paper))


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_the_pages_are_of_the_paper_and_are_not_scaled_when_printed(book, lot, shoot, paper):
    shoot(book, rejected(book, 4), "dry")
    found = sheet(book, paper)
    sizes_mm = [side / POINTS_PER_MM for side in found.pages[0].get_size()]
    assert sizes_mm == pytest.approx(PAPERS_MM[paper], abs=0.01)
    # ISO 32000-1, table 150: /PrintScaling /None
    assert re.search(rb"/PrintScaling\s*/None", found.content)


def test_another_paper_is_refused(book, lot):
    rejected(book, 4)
    with pytest.raises(SettingsError, match="neither a4 nor letter"):
        return_sheet(book, lot, book.histories(), {}, TODAY, "a3")


def test_the_heading_says_which_lot_how_many_and_for_how_much(book, lot):
    for number in (3, 5):
        rejected(book, number)
    book.add_reed(6, lot.code)
    book.add_reed(7)
    text = sheet(book).text
    for words in (
        "lot 2026-10-A",
        "shop-2",
        "2026-09-28",
        "medium soft",
        "2 of 3 reeds received",
        "2026-10-12",
    ):
        assert words in text
    assert "14.50 per reed, 29.00 together" in text


def test_a_lot_of_which_little_is_known_says_so(book):
    book.add_lot("2026-10-A", "shop-2")
    rejected(book, 1)
    text = sheet(book).text
    assert "1 of 1 reed received" in text
    assert text.count("not recorded") == 3  # date, strength, price


def test_numbers_stand_with_their_uncertainty(book, lot, shoot):
    """Height 0.8 mm, u = 0.010 mm and 0.1 % of it: U = 2 · √(0.010² + 0.0008²) = 0.0201 mm; likewise the
    others: width 7 mm, u = 0.030 mm; area π/4 · 5.6 mm² (less the 200 corners' 0.02 %), u = 0.06 mm² and
    0.2 %; ratio 0.8/7, u = 0.0015. GUM 5.1.2 and 7.2.6."""
    reed = rejected(book, 4, slot="B2")
    shoot(book, reed, "dry")
    shoot(book, reed, "soaked", height_mm=2.0, soaking=Soaking(30.0, "room", "water", "new"))
    text = sheet(book).text
    assert "Reed 4, slot B2" in text
    for words in ("0.800 ± 0.020 mm", "7.00 ± 0.06 mm", "4.40 ± 0.12 mm²", "0.1143 ± 0.0030"):
        assert words in text
    for words in ("2.000 ± 0.020 mm", "0.2857 ± 0.0030", "elliptical", "round", "2026-10-05"):
        assert words in text
    assert "30 s, room-temperature water" in text


@pytest.mark.parametrize(
    ("soaking", "words"),
    [
        (Soaking(90.0, "cold", "water", None), "90 s, cold water"),
        (Soaking(45.0, None, "mouth", None), "45 s, in the mouth"),
        (Soaking(None, "warm", None, None), "warm water"),
        (Soaking(), "not recorded"),
    ],
)
def test_how_it_was_soaked_is_said_as_far_as_it_is_known(book, lot, shoot, soaking, words):
    shoot(book, rejected(book, 4), "soaked", soaking=soaking)
    assert f"soaking – {words}" in sheet(book).text


@pytest.mark.parametrize(("count", "at_most"), [(1, 1), (5, 2), (40, 10)])
@pytest.mark.parametrize("paper", PAPERS_MM)
def test_every_reed_is_there_once_and_pages_are_numbered(book, lot, shoot, paper, count, at_most):
    for number in range(1, count + 1):
        reed = rejected(book, number)
        if count < 40:
            shoot(book, reed, "dry")
    found = sheet(book, paper)
    assert re.findall(r"Reed (\d+)", found.text) == [str(number) for number in range(1, count + 1)]
    assert len(found.texts) <= at_most
    for number, text in enumerate(found.texts, start=1):
        assert text.strip().endswith(f"{number} of {len(found.texts)}")
        assert "lot 2026-10-A" in text
        assert "not a standard" in text


def test_dry_and_soaked_are_drawn_at_one_scale_and_the_bar_is_true_to_it(book, lot, shoot):
    """Two photos whose windows and enlargements differ; sizes are known because they were drawn."""
    reed = rejected(book, 4)
    shoot(book, reed, "dry", width_mm=7.0, height_mm=0.8, window=(36.4, -0.9, 49.2, 9.9, 78.125))
    shoot(book, reed, "soaked", width_mm=6.5, height_mm=2.0, window=(37.0, 0.0, 48.0, 9.0, 31.0))
    found = sheet(book)
    dry, soaked = (np.ptp(corners, axis=0) for corners in found.outlines_points())
    points_per_tip_mm = dry[0] / 7.0
    assert dry[1] == pytest.approx(0.8 * points_per_tip_mm, rel=1e-3)
    assert soaked == pytest.approx(np.array([6.5, 2.0]) * points_per_tip_mm, rel=1e-3)
    assert [length for length, _ in found.bars_points()] == pytest.approx(
        2 * [2.0 * points_per_tip_mm], rel=1e-3
    )
    # large enough to see what is measured: a tenth of a millimetre is as thick as a pencil line
    assert points_per_tip_mm / POINTS_PER_MM > 3.0


def test_the_outline_lies_on_the_opening_in_the_picture(book, lot, shoot):
    """On the page as pixels, the dark ellipse of each picture is where the outline is, and as large."""
    reed = rejected(book, 4)
    shoot(book, reed, "dry", width_mm=7.0, height_mm=1.2, window=(36.4, -0.9, 49.2, 9.9, 78.125))
    shoot(book, reed, "soaked", width_mm=6.5, height_mm=2.0, window=(37.0, 0.0, 48.0, 9.0, 31.0))
    found = sheet(book)
    px_per_point = 300 / 72
    gray = found.pages[0].render(scale=px_per_point, grayscale=True).to_numpy().squeeze()
    for corners in found.outlines_points():
        # pixels from the upper left corner of the page
        outline_px = px_per_point * np.abs([0.0, found.pages[0].get_height()] - corners)
        low, high = outline_px.min(axis=0), outline_px.max(axis=0)
        left, upper = np.floor(low - 15).astype(int)
        right, lower = np.ceil(high + 15).astype(int)
        dark = np.argwhere(gray[upper:lower, left:right] < 60)[:, ::-1] + (left, upper)
        assert (dark.min(axis=0) + dark.max(axis=0) + 1) / 2 == pytest.approx((low + high) / 2, abs=1.5)
        # Half of the line, 0.2 mm thick, lies on the dark: 1.2 px on each side, and more in the corners.
        width, height = high - low - np.ptp(dark, axis=0) - 1
        assert height == pytest.approx(2.4, abs=1.6)
        assert 0.0 < width < 12.0


def lost(path):
    path.unlink()


def damaged(path):
    path.write_bytes(path.read_bytes()[:500])


def no_picture(path):
    path.write_text("not a picture")


def of_another_size(path):
    path.write_bytes(flat_picture((36.4, -0.9, 49.2, 9.9, 40.0), 7.0, 0.8))


def folder(path):
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize("spoil", [lost, damaged, no_picture, of_another_size, folder])
def test_a_picture_that_is_missing_or_spoiled_leaves_a_dash(book, lot, shoot, spoil):
    reed = rejected(book, 4)
    photo = shoot(book, reed, "dry")
    shoot(book, reed, "soaked")
    spoil(book.pictures / book.entry(photo).reading.tip)
    found = sheet(book)
    assert found.text.count("– no photo") == 1
    assert len(found.outlines_points()) == 1
    assert "0.800 ± 0.020 mm" in found.text


def test_a_reed_without_photos_is_on_the_sheet(book, lot, enter):
    rejected(book, 4)
    enter(book, rejected(book, 5), "dry")  # measured by a program that kept no picture
    text = sheet(book).text
    assert text.count("– no photo") == 4
    assert "0.800 ± 0.020 mm" in text


def test_the_latest_measured_photo_counts(book, lot, shoot):
    reed = rejected(book, 4)
    shoot(book, reed, "dry", MONDAY, height_mm=1.0)
    shoot(book, reed, "dry", MONDAY + timedelta(minutes=5), height_mm=1.1)
    shoot(book, reed, "dry", MONDAY + timedelta(minutes=9), code="blurred")
    shoot(book, reed, "soaked", MONDAY, code="opening-not-found")
    text = sheet(book).text
    assert "1.100 ± 0.020 mm" in text
    assert "1.000 ± 0.020 mm" not in text
    assert "not measured" in text
    assert "– no photo" not in text  # the tip of the refused photo is shown


def test_a_corrected_outline_is_called_that(book, lot, shoot):
    shoot(book, rejected(book, 4), "dry", by="teacher7")
    assert "2026-10-05, outline corrected by hand" in sheet(book).text


def test_the_classes_are_named_as_on_the_screen(book, lot, shoot):
    """Ratios 1.4/7 = 0.200, between wide (0.18) and round (0.25); and 1.745/7 = 0.2493, 0.5 U below round."""
    reed = rejected(book, 4)
    shoot(book, reed, "dry", height_mm=1.4)
    shoot(book, reed, "soaked", height_mm=1.745)
    text = sheet(book).text
    assert text.count("elliptical, rather wide") == 2
    assert text.count("(near a limit)") == 1


def test_what_hands_found_is_said_and_what_they_did_not(book, lot):
    reed = rejected(book, 4)
    book.add_check(reed, MONDAY, {"leak": False, "wire": False}, response="slow", pitch_cents=-12.4)
    book.add_check(reed, MONDAY + timedelta(days=2), {"leak": True})
    text = sheet(book).text
    assert "2026-10-07: Air hisses at the sides with the tube's end closed. Not found: wire." in text
    assert "Slow response. Pitch 12 cents flat." in text
    assert "crack" not in text  # nobody looked


def test_a_reed_that_nobody_checked_or_squeezed_says_so(book, lot):
    rejected(book, 4)
    assert "By hand Not checked. Squeezed Not tried." in sheet(book).text


def test_what_a_squeeze_did_is_said_with_its_uncertainty(book, lot, shoot):
    """2.0 to 1.4 mm, u = 0.010 mm each, and 0.1 % of the difference, as both share the printed millimetre:
    U = 2 · √(2 · 0.010² + 0.0006²) = 0.0283 mm (GUM 5.2.2); ratio 2/7 to 1.4/7, U = 2 · √2 · 0.0015."""
    reed = rejected(book, 4)
    shoot(book, reed, "soaked", MONDAY, height_mm=2.0)
    book.add_squeeze(reed, MONDAY + timedelta(minutes=2), by="teacher7")
    shoot(book, reed, "soaked", MONDAY + timedelta(minutes=4), height_mm=1.4)
    text = sheet(book).text
    assert (
        "Once on 2026-10-05, while soaked: height −0.600 ± 0.028 mm, closed; ratio −0.086 ± 0.004, flatter."
    ) in text
    book.add_squeeze(reed, MONDAY + timedelta(days=1), by="teacher7")
    assert "2 times, last on 2026-10-06, while soaked: its effect was not measured." in sheet(book).text


def test_only_what_goes_back_is_on_the_sheet(book, lot):
    book.add_lot("other", "shop-2")
    for number, action in enumerate(
        ("send back", "sent back", "replace", "keep", "thrown away", "squeeze"), 1
    ):
        rejected(book, number, action)
    kept = rejected(book, 7)
    book.add_decision(kept, MONDAY + timedelta(days=2), "keep", "The teacher likes it.", "teacher7")
    other = book.add_reed(8, "other")
    book.add_decision(other, MONDAY, "send back", "Round.", "teacher7")
    book.add_reed(9, lot.code)
    found = sheet(book)
    assert re.findall(r"Reed (\d+)", found.text) == ["1", "2"]
    assert "2 of 8 reeds received" in found.text


def test_nothing_to_send_back_is_said(book, lot):
    book.add_reed(1, lot.code)
    with pytest.raises(BookError, match="no reed of lot 2026-10-A was to go back") as caught:
        sheet(book)
    assert caught.value.code == "book-unknown"


def test_the_reason_is_the_callers_or_else_the_decisions(book, lot):
    first, _ = rejected(book, 1, reason="It is awful."), rejected(book, 2, reason="It leaks.")
    text = sheet(book, reasons={first.id: "The opening is round when dry."}).text
    assert "The opening is round when dry." in text
    assert "It leaks." in text
    assert "awful" not in text


def test_no_person_is_on_the_sheet(book, lot, shoot):
    reed = rejected(book, 4, player="pupil12")
    shoot(book, reed, "dry", by="teacher7")
    book.add_check(reed, MONDAY, {"leak": False}, note="Anna dropped it", by="teacher7")
    book.add_squeeze(reed, MONDAY, by="teacher7")
    found = sheet(book)
    for word in ("pupil12", "teacher7", "Anna"):
        assert word not in found.text
        assert word.encode() not in found.content
    metadata = found.document.get_metadata_dict()
    assert metadata["Title"] == "Return sheet, lot 2026-10-A"
    assert metadata["Author"] == ""


def test_the_same_book_gives_the_same_bytes(book, lot, shoot):
    reed = rejected(book, 4)
    shoot(book, reed, "dry")
    shoot(book, reed, "soaked")
    assert sheet(book).content == sheet(book).content


def test_how_it_was_measured_and_whose_limits_they_are(book, lot, shoot):
    """Within two standard deviations lie 95 of 100 values of a normal distribution, within three 99 (and
    seven tenths)."""
    own = change_settings(
        Settings(), {"limits": {"round_from_ratio": 0.3}, "uncertainty": {"coverage_factor": 3.0}}
    )
    reed = rejected(book, 4)
    shoot(book, reed, "dry", settings=Settings(limits=LIMITS))
    text = sheet(book).text
    assert "photographed end-on against a printed scale card" in text
    assert "(k = 2, about 95 %)" in text
    assert "below 0.15 mm, rather wide a ratio from 0.18, round a ratio from 0.25" in text
    assert "working values and the buyer’s own limits, not a standard" in text
    shoot(book, reed, "soaked", settings=own)
    text = sheet(book).text
    assert "k = 2, about 95 % or k = 3, about 99 %" in text
    assert "ratio from" not in text  # there is not one set of limits
    assert "working values and the buyer’s own limits, not a standard" in text


HOSTILE = [
    "<b>medium</b> & <para>soft</font>",
    "mittelweich, Größe 2½ für Anfänger ± ²",
    "y" * 300,
    "medium soft " * 30,
    "%PDF (unbalanced \\ ) endobj",
]


@pytest.mark.parametrize("strength", HOSTILE)
@pytest.mark.parametrize("paper", PAPERS_MM)
def test_any_text_is_printed_as_it_is_within_the_margins(book, lot, strength, paper):
    book.add_lot(lot.code, "S" * 24, strength=strength)
    book.add_reed(3, lot.code)
    reed = rejected(book, 4, slot="W" * 24, reason=strength)
    book.add_check(
        reed, MONDAY, dict.fromkeys(("leak", "wire", "film_wrap", "chip", "crack", "air_noise"), True)
    )
    found = sheet(book, paper)
    spoken = found.text.replace(" ", "")
    assert spoken.count(strength.replace(" ", "")) == 2
    width, height = found.pages[0].get_size()
    text = found.pages[0].get_textpage()
    boxes = np.array([text.get_rect(place) for place in range(text.count_rects())])
    assert boxes[:, :2].min() > 5 * POINTS_PER_MM
    assert boxes[:, 2].max() < width - 5 * POINTS_PER_MM
    assert boxes[:, 3].max() < height - 5 * POINTS_PER_MM


def test_what_the_font_lacks_leaves_a_mark(book, lot):
    book.add_lot(lot.code, "shop-2", strength="\u4e2d soft \u2192 hard\u0000\n\tmu\u0308de " + "🎵")
    rejected(book, 4)
    assert "? soft ? hard? müde ?" in sheet(book).text


def test_a_text_that_nobody_reads_is_cut(book, lot):
    rejected(book, 4, reason="word " * 5000)
    found = sheet(book)
    assert len(found.pages) == 1
    assert "word wo…" in found.text or "word …" in found.text


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(max_size=700))
def test_any_text_becomes_one_line_that_the_font_has(words):
    line = shown(words)
    assert "\n" not in line
    assert len(line) <= 601
    kept = [character for character in unicodedata.normalize("NFC", words) if character in "abcABC019±²äöü"]
    if len(words) < 300:
        assert [character for character in line if character in "abcABC019±²äöü"] == kept
