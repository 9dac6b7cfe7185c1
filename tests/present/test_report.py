"""Results as text: rounding, remarks, JSON and CSV."""

import csv
import io
import json
import math
import re
from dataclasses import replace

import pytest
import uncertainties
from hypothesis import assume, given
from hypothesis import strategies as st

from aperture.files import write_whole
from aperture.flags import FLAGS
from aperture.present.report import (
    RESULT_CAUTIONS,
    change_words,
    class_words,
    csv_bytes,
    escape_formula,
    json_line,
    next_steps,
    printable,
    probability_words,
    quantity,
    remarks,
    rounded,
    with_uncertainty,
)
from aperture.verdict import Difference

KEYS = [
    "photo",
    "outcome",
    "reason",
    "advice",
    "reed",
    "state",
    "height_mm",
    "height_below_mm",
    "width_mm",
    "area_mm2",
    "ellipse_major_mm",
    "ellipse_minor_mm",
    "ellipse_ratio",
    "shape_factor",
    "u",
    "shape",
    "shape_probabilities",
    "borderline",
    "review",
    "flags",
    "px_per_mm",
    "distance_mm",
    "tilt_deg",
    "blur_px",
    "control",
]


@given(st.floats(-50, 50), st.floats(1e-5, 20))
def test_rounding_is_that_of_an_independent_package(value, u):
    """`uncertainties` 3.2 rounds by the rule of the Particle Data Group unless told otherwise."""
    leading = u / 10.0 ** math.floor(math.log10(u))
    assume(abs(leading - 3.55) > 1e-9)  # there it depends on how a float happens to be stored
    reference = f"{uncertainties.ufloat(value, u):f}".strip("()").split("+/-")
    ours = rounded(value, u)
    assert [float(part) for part in ours] == pytest.approx([float(part) for part in reference], abs=1e-12)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (0.83213, 0.0213, "0.832 ± 0.021"),
        (0.83213, 0.0087, "0.832 ± 0.009"),
        (0.83213, 0.0354, "0.832 ± 0.035"),
        (0.83213, 0.0356, "0.83 ± 0.04"),
        (0.83213, 0.00996, "0.832 ± 0.010"),
        (6.98, 0.999, "7.0 ± 1.0"),
        (6.98, 0.95, "7.0 ± 1.0"),
        (123.4, 12.0, "123 ± 12"),
        (0.05, 0.0, "0.050 ± 0.000"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_decimal(value, u, text):
    """GUM 7.2.6: at most two figures of the uncertainty, the value to the same decimal."""
    assert with_uncertainty(value, u) == text
    assert with_uncertainty(value, u, "mm") == f"{text} mm"


def test_a_change_has_a_sign_and_a_word():
    assert change_words(Difference(0.53, 0.022, True, "opened"), "mm") == "+0.530 ± 0.022 mm, opened"
    assert change_words(Difference(-0.1, 0.022, True, "closed"), "mm") == "−0.100 ± 0.022 mm, closed"
    assert change_words(Difference(0.01, 0.03, False, "no change seen")) == "+0.010 ± 0.030, no change seen"


def test_a_refused_photo_has_no_numbers(refused):
    assert quantity(refused(), "height_mm", "mm") == "–"


def test_the_class_in_words(measured):
    assert class_words(measured(height_mm=0.05).verdict) == "shut"
    assert class_words(measured(height_mm=0.8).verdict) == "elliptical"
    assert class_words(measured(height_mm=7 * 0.2).verdict) == "elliptical, rather wide"
    assert class_words(measured(height_mm=7 * 0.3).verdict) == "round"


def test_probabilities_in_words(measured):
    # The ratio of an ellipse is its height to its width; here it lies on the limit of 0.25.
    assert probability_words(measured(height_mm=7 * 0.25).verdict) in (
        "50 % elliptical, 50 % round",
        "50 % round, 50 % elliptical",
    )
    assert probability_words(measured(height_mm=0.8).verdict) == "100 % elliptical"


def test_what_is_most_severe_is_said_first(measured):
    codes = ("marker-missing", "steep", "wide", "edge-weak")
    sentences = [remark.sentence for remark in remarks(measured(flags=codes))]
    expected = ["steep", "edge-weak", "marker-missing", "wide"]
    assert sentences == [FLAGS[code].sentence for code in expected]
    assert all(remark.advice for remark in remarks(measured(flags=codes)))


def test_the_reason_of_a_refusal_comes_first_and_once(refused):
    photo = refused(code="too-few-markers")
    photo = replace(photo, reason=f"{photo.reason} (3 of 6 markers)", flags=("photo-changed", *photo.flags))
    found = remarks(photo)
    assert found[0].sentence.endswith("(3 of 6 markers)")
    assert [remark.sentence for remark in found[1:]] == [FLAGS["photo-changed"].sentence]


def test_what_is_too_open_is_not_squeezed(measured):
    photo = measured(height_mm=2.45, width_mm=6.0, state="soaked", too_open=True)
    assert next_steps(photo)[0].what.startswith("Too open to be squeezed: send it back")


def test_next_steps_leave_the_standing_remark_to_the_cautions(measured, refused):
    steps = next_steps(measured(height_mm=0.8, state="soaked"))
    assert [step.what for step in steps] == ["Go on to the checks by hand: leaks, wire, film wrap, pitch."]
    assert any("teacher decides" in caution for caution in RESULT_CAUTIONS)
    assert any("never touch the tip" in caution for caution in RESULT_CAUTIONS)
    assert next_steps(refused()) == ()


def test_a_borderline_photo_is_to_be_looked_at_once_not_twice(measured):
    photo = measured(height_mm=7 * 0.2495, state="dry")
    assert "Look at the picture" in remarks(photo)[0].advice
    assert not any("Look at the picture" in step.what for step in next_steps(photo))
    assert next_steps(photo)


def test_a_reed_that_closed_on_soaking_is_questioned(measured):
    steps = next_steps(measured(height_mm=0.05, state="soaked"), dry=measured(height_mm=0.8))
    assert "same reed" in steps[0].what


def test_json_is_one_line_of_ascii_with_the_keys_agreed_on(measured, refused):
    for photo in (measured("häutbois/R07_drÿ.jpg"), refused("a\nb.jpg")):
        line = json_line(photo)
        assert line.isascii()
        assert "\n" not in line
        assert set(KEYS) <= set(json.loads(line))
    assert json.loads(json_line(measured("häutbois.jpg")))["photo"] == "häutbois.jpg"


def test_json_has_null_and_never_nan(measured):
    photo = replace(measured(), u={"height_mm": math.nan, "width_mm": math.inf}, control=(math.nan, None))

    def refuse(word):
        raise AssertionError(f"{word} is no JSON (RFC 8259, 6)")

    record = json.loads(json_line(photo), parse_constant=refuse)
    assert record["u"] == {"height_mm": None, "width_mm": None}
    assert record["control"][:2] == [None, None]


def read_csv(content, encoding="utf-8"):
    return list(csv.DictReader(io.StringIO(content.decode(encoding), newline="")))


def test_csv_has_the_same_fields_flat(measured, refused):
    photo = measured(flags=("steep", "edge-weak"))
    first, second = read_csv(csv_bytes([refused("b.jpg"), photo]))
    assert first.keys() == second.keys()
    flat = set(KEYS) - {"u", "shape_probabilities", "control"}
    flat |= {f"u_{name}" for name in ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")}
    flat |= {f"probability_{name}" for name in ("shut", "elliptical", "round")}
    flat |= {f"control_{place}_mm" for place in (1, 2, 3)}
    assert flat <= set(first)
    assert (first["outcome"], first["height_mm"], first["u_height_mm"]) == ("refused", "", "")
    assert float(second["height_mm"]) == photo.geometry.height_mm
    assert float(second["u_ellipse_ratio"]) == photo.u["ellipse_ratio"]
    assert float(second["control_2_mm"]) == -0.002  # a number may begin with a minus sign
    assert second["control_3_mm"] == ""
    assert second["flags"] == "steep; edge-weak"
    assert second["review"] == "true"


@pytest.mark.parametrize("name", ["=1+1.jpg", "+1.jpg", "-1.jpg", "@sum.jpg", "\t=1.jpg", "\r=1.jpg"])
def test_csv_text_is_never_a_formula(refused, name):
    """What spreadsheets run: OWASP, CSV Injection (from memory: = + - @ tab and carriage return)."""
    (row,) = read_csv(csv_bytes([refused(name)]))
    # After a tab or a line's end a cell may begin that is a formula, too.
    assert row["photo"] == "'" + re.sub("([\t\r])=", r"\1'=", name)


@pytest.mark.parametrize("separator", [",", ";", "\t", "|", ":", " "])
@pytest.mark.parametrize(
    "name",
    [
        "R12 dry;=1+1;.jpg",
        "R12; =1+1.jpg",
        'R12;"=1+1".jpg',
        "R12;-2+3+cmd.jpg",
        "R12\t@sum.jpg",
        "R12|+1+1.jpg",
        "R12:=1+1.jpg",
        "R12 =1+1.jpg",
        "R12\n=1+1;.jpg",
        ' "=1+1".jpg',
    ],
)
def test_csv_text_is_no_formula_whatever_separates_cells(refused, name, separator):
    """Python's own reader, told another separator, stands for a spreadsheet that chose one."""
    text = csv_bytes([refused(name)]).decode("utf-8-sig")
    cells = [cell for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator) for cell in row]
    assert not [cell for cell in cells if cell.strip(' "').startswith(("=", "+", "@", "-2+"))]


@pytest.mark.parametrize(
    "text",
    ["1.5; -2.0; -3e-05", '{"tip_offset_mm": -1.0}', "[-3.1, -2.0]", "good - bad", "2026-10-05T14:30+02:00"],
)
def test_csv_numbers_in_a_text_stay_as_they_are(text):
    assert escape_formula(text) == text


def test_csv_of_one_alphabet_has_a_mark_only_when_it_needs_one(refused):
    """The mark is U+FEFF in UTF-8 (Unicode Standard, 23.8); ASCII alone is the same in every code page."""
    assert csv_bytes([refused("a.jpg")]).startswith(b"photo")
    content = csv_bytes([refused("Rohrblätter, “neu”.jpg")])
    assert content.startswith(b"\xef\xbb\xbfphoto")
    assert read_csv(content, "utf-8-sig")[0]["photo"] == "Rohrblätter, “neu”.jpg"


def test_csv_of_a_name_that_is_no_text(refused):
    (row,) = read_csv(csv_bytes([refused("a\udcff.jpg")]))
    assert row["photo"] == "a\\udcff.jpg"


def test_names_cannot_steer_the_terminal():
    assert printable("a\x1b[2Jb\nc\udcff é") == "a\ufffd[2Jb\ufffdc\ufffd é"


def test_a_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    path = tmp_path / "table.csv"
    write_whole(path, b"first")

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_whole(path, b"second")
    assert path.read_bytes() == b"first"
    assert [entry.name for entry in tmp_path.iterdir()] == ["table.csv"]


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "link.csv").symlink_to(tmp_path / "real.csv")
    write_whole(tmp_path / "link.csv", b"x")
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").read_bytes() == b"x"
