"""Words of measuring do not stand on a page alone: a plain one stands with them, or they open to say it."""

import re
from datetime import datetime, timedelta
from html import unescape

import pytest

from aperture.desk.wording import explained, plain
from aperture.guide.terms import TERMS
from tests.desk.conftest import ROUND, enter  # noqa: F401 (a fixture)
from tests.desk.pages.test_gauge import RECORD

# Words that a musician need not know, and names of the program's own for what becomes of a photo.
HARD = re.compile(r"\b(ratios?|second moments?|coverage factor|E_n|filed|left out)\b")
WITH_A_PLAIN_ONE = re.compile(r"roundness \(ratio\)|divided by the ± of both \(E_n")
TERM = re.compile(r'<details class="term"><summary>(.*?)</summary><span>(.*?)</span></details>')


@pytest.fixture
def book_with_all(filled, enter):  # noqa: F811
    """What soaking and a squeeze changed, a gauge, and photos that wait."""
    noon = datetime(2026, 10, 6, 12, 0)
    with filled.open_book() as book:
        reed = book.reed(7)
        enter(book, reed, "soaked", noon, **ROUND)
        book.add_squeeze(reed, noon + timedelta(minutes=5), by="MB")
        enter(book, reed, "soaked", noon + timedelta(minutes=9), height_mm=0.9)
        book.add_gauge_check({**RECORD, "sha256": "b" * 64}, filled.settings)
        return [photo.sha256 for photo in book.photos()]


def words_of(text):
    """What is read on the page, without what opens only when asked."""
    text = TERM.sub("", text.partition("<main")[2].partition("</main>")[0])
    return " ".join(unescape(re.sub("<[^>]*>", " ", text)).split())


def test_no_hard_word_stands_alone(filled, browser, book_with_all):
    paths = [
        "/due",
        "/reeds",
        "/reeds?all=1",
        "/lots?need=12",
        "/review",
        "/import",
        "/gauge",
        "/phone",
        "/snap",
    ]
    paths += ["/reed/5", "/reed/7", *(f"/review/{sha}" for sha in book_with_all)]
    paths += [f"/result/{sha}" for sha in book_with_all]
    for path in paths:
        answer = browser.get(path)
        assert answer.status_code == 200, path
        assert HARD.findall(WITH_A_PLAIN_ONE.sub("", words_of(answer.text))) == [], path


def test_the_words_that_open_are_on_the_pages(filled, browser, book_with_all):
    """So that the test above does not pass because nothing is there."""
    for path, word in (
        ("/reed/7", "roundness (ratio)"),
        (f"/review/{book_with_all[0]}", "roundness (ratio)"),
        ("/gauge", "E_n"),
    ):
        assert word in [name for name, _ in TERM.findall(browser.get(path).text)]
    assert "roundness (ratio)" in browser.get(f"/result/{book_with_all[0]}").text


def test_every_word_has_its_place_in_the_guide_where_its_explanation_leads(browser):
    text = browser.get("/help/terms").text
    assert all(meaning in unescape(text) for meaning in TERMS.values())
    for word in ("ratio", "E_n"):
        link = re.search(r'href="/help/terms#(.*?)"', explained(word))
        assert f'id="{link[1]}"' in text


def test_what_a_word_means_is_a_short_sentence_or_two():
    assert all(meaning.endswith(".") and len(meaning) < 200 for meaning in TERMS.values())
    assert len(TERMS) <= 20  # one short list


def test_only_the_first_word_is_explained_and_everything_is_escaped():
    assert plain("ratio +0.1 ± 0.02, rounder") == "roundness (ratio) +0.1 ± 0.02, rounder"
    assert plain("area <b>") == "area <b>"
    assert explained("area <b>") == "area &lt;b&gt;"
    assert explained("ratio <b>").endswith("</details> &lt;b&gt;")
    assert explained("the ratio") == "the ratio"
