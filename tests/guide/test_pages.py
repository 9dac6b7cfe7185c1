"""The guide's pages as whoever shows them gets them; what they hold is looked at in tests/test_docs.py."""

import pytest

from aperture.guide import pages as guide


def test_a_page_has_its_heading_and_first_sentence_without_marks(tmp_path, monkeypatch):
    monkeypatch.setattr(guide, "HERE", tmp_path)
    monkeypatch.setattr(guide, "PAGES", ("made",))
    guide.page.cache_clear()
    text = "# A page\n\n<!-- table: made -->\nUse `this` [way](other.md), *see\nfig. 3* there. Then more.\n"
    (tmp_path / "made.md").write_text(text, encoding="utf-8")
    page = guide.page("made")
    guide.page.cache_clear()
    assert (page.name, page.title, page.first) == ("made", "A page", "Use this way, see fig. 3 there.")
    assert page.text == text.replace("<!-- table: made -->\n", "")


@pytest.mark.parametrize("name", ["none", "", "../pages", "pictures/tray.png"])
def test_no_other_file_is_a_page(name):
    with pytest.raises(KeyError):
        guide.page(name)


@pytest.mark.parametrize("name", ["none.png", "", "..", "../pages.py", "../../flags.py"])
def test_no_other_file_is_a_picture(name):
    assert guide.picture(name) is None


@pytest.mark.parametrize(
    ("heading", "expected"),
    [("no-card", "no-card"), ("How sure are the numbers?", "how-sure-are-the-numbers"), ("0.1.0", "010")],
)
def test_anchor_is_what_code_hosts_make_of_a_heading(heading, expected):
    assert guide.anchor(heading) == expected
