"""The guide's pages as whoever shows them gets them; what they hold is looked at in tests/test_docs.py."""

import pytest

from aperture.guide import pages as guide
from aperture.opening.first_look import AGAIN_CORNER_MM, AGAIN_MM, PUSH_MM, PUSH_SHARE
from aperture.opening.thresholds import THRESHOLDS


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


def test_how_it_measures_tells_the_thresholds_that_the_program_runs_with():
    text, now = guide.page("how-it-measures").text, THRESHOLDS
    for told in (
        f"pushed outwards by {PUSH_MM} mm",
        f"never by more than {PUSH_SHARE} of the gap",
        f"more than {AGAIN_MM} mm off, or a corner {AGAIN_CORNER_MM} mm",
        f"corrected by {now.edge_outwards_mm} mm per edge",
        f"no better than ± {2 * now.height_u_mm} mm",
        f"shifts by more than {now.corner_shift_mm} mm",
        f"those of two blades ({now.residual_mm} mm rms)",
        f"the two networks differ by more than {now.between_networks_mm} mm",
        f"less than {now.calm_bore_share:.0%} of the inside".replace("%", " %"),
        f"more than {now.ends_differ_mm} mm thicker",
        f"of each blade {now.edge_u_blurs} of the blur",
        f"of each blade {now.edge_u_shift} of its shift and {now.edge_u_expected} of what",
        f"{now.corner_u_shift} of the shift of the corners",
        f"bent together, {now.edge_u_bow} times as far",
        f"of each corner {now.corner_u_mm} mm, {now.corner_u_blurs} of the blur,",
        f"and {now.corner_u_thin_mm2} mm² over the height",
    ):
        assert told in text, told
