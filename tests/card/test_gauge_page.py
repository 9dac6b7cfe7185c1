"""The sheet's page for a gauge, read back with a PDF library: what is to be cut is as large as it says."""

import numpy as np
import pypdfium2
import pytest

from aperture.card import artwork, gauge_page
from tests.card.test_card import PAPERS, raster

DPI = 600


@pytest.fixture(scope="module", params=PAPERS)
def page(request):
    document = pypdfium2.PdfDocument(artwork.sheet_pdf(request.param))
    return document[len(document) - 1]


def words(page):
    return " ".join(page.get_textpage().get_text_range().split())


def test_it_is_the_sheets_last_page_whatever_came_before():
    for reeds in (None, 480):
        document = pypdfium2.PdfDocument(artwork.sheet_pdf("a4", reed_count=reeds))
        titled = ["A gauge from a ream of paper" in words(page) for page in document]
        assert titled == [False] * (len(document) - 1) + [True]


def lines_mm(page, left_mm, right_mm, top_mm, bottom_mm):
    """Where the level lines lie that run from left to right, mm below the page's top, and their length."""
    gray = raster(page, DPI)
    size = [points * 25.4 / 72 for points in page.get_size()]
    px_per_mm = gray.shape[1] / size[0]
    ink = gray < 200
    rows = range(round(top_mm * px_per_mm), round(bottom_mm * px_per_mm))
    columns = slice(round(left_mm * px_per_mm), round(right_mm * px_per_mm))
    whole = np.array([ink[row, columns].mean() > 0.8 for row in rows])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], whole, [0]]).astype(int))).reshape(-1, 2)
    places = [(rows[0] + (first + last - 1) / 2) / px_per_mm for first, last in edges]
    inked = ink[round(places[0] * px_per_mm), columns].nonzero()[0]
    return np.array(places), float(np.ptp(inked)) / px_per_mm


def test_strips_and_paper_are_drawn_at_true_size(page):
    plan = artwork.page("a4" if page.get_width() < 600 else "letter")
    top = plan.height_mm - plan.heading_top_mm
    # Two strips of card 10 mm wide and 60 mm long; lines 1.5 mm apart for the paper.
    left, right = plan.left_mm - 1.0, plan.left_mm + 61.0
    strips, long_mm = lines_mm(page, left, right, top + 18.0, top + 55.0)
    assert np.diff(strips).tolist() == pytest.approx([10.0, 7.0, 10.0], abs=0.05)
    assert long_mm == pytest.approx(60.0, abs=0.3)
    paper, _ = lines_mm(page, left, right, top + 58.0, top + 78.0)
    assert np.diff(paper).tolist() == pytest.approx([1.5] * gauge_page.SPACERS, abs=0.05)
    assert gauge_page.SLIT_MM == 7.0


def test_words_and_cautions(page):
    # The cautions are common practice, no published source.
    text = words(page)
    for said in (
        "500 sheets of copy paper",
        "to half a millimetre",
        "No glue between them",
        "level with the face of the card",
        "the lens level with the slit",
        "aperture gauge photo.jpg --sheets 10 --ream 52.0",
        "Cut with scissors, away from the hand",
        "only for adults",
        "The rules of your school come first",
    ):
        assert said in text
