"""Readings of another way: the table that people type, and which of them count. What is expected is the
arithmetic of each case, written out."""

import re

import numpy as np
import pytest

from aperture.settings import Correction
from aperture.studies.comparison import OwnReading, compare, learned_correction, own_readings
from aperture.studies.other_readings import OtherReadings, read_other_readings
from aperture.studies.table import TableError

HEIGHTS = np.linspace(0.3, 1.6, 12)


@pytest.fixture
def table(tmp_path):
    """table(text) is a file with this text."""

    def write(text, encoding="utf-8"):
        path = tmp_path / "readings.csv"
        path.write_bytes(text.encode(encoding))
        return path

    return write


def own_of(heights, u_mm=0.03):
    """Reeds 1, 2, … as this program read them, soaked."""
    return {
        (number, "soaked"): OwnReading(float(height), u_mm, "elliptical")
        for number, height in enumerate(heights, start=1)
    }


def others(table, heights):
    rows = [f"{number},soaked,{height:.4f}" for number, height in enumerate(heights, start=1)]
    return read_other_readings(table("\n".join(["reed,state,reading_mm", *rows])))


@pytest.mark.parametrize(
    "text",
    [
        "reed,state,reading_mm,u_mm\n7,dry,0.83,0.05\n",
        "Reed;State;Reading (mm);±\r\n7;Dry;0,83;0,05\r\n",
        "\ufeffreed\tstate\tother\tu\nR07\tDRY\t0.83 mm\t± 0.05\n",
        'state,reed,note,height_mm,u_height_mm\ndry,7,"by eye, twice","0,83",0.05\n\n,,,,\n',
        "reed,state,mm,u\n7,dry,0.83,0.05,,\n",
    ],
)
def test_a_table_is_read_however_a_spreadsheet_writes_it(table, text):
    (one,) = read_other_readings(table(text)).readings
    assert (one.reed, one.state, one.height_mm, one.u_mm) == (7, "dry", 0.83, 0.05)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "its first line has nothing"),
        ("a,b\n1,2\n", "needs the columns reed, state and reading_mm"),
        ("reed,state\n7,dry\n", "needs the columns"),
        ("reed,state,reading_mm,class\n7,dry,0.8,round\n", "both readings in mm and classes"),
        ("reed,state,reading_mm\n", "no reading below its first line"),
        ("reed,state,reading_mm\n7,dry,\n", "no reading below its first line"),
        ("reed,state,reading_mm\n7,dry,wide\n", "line 2: “wide” is no number"),
        ("reed,state,reading_mm\n7,dry,nan\n", "between 0 and 5, not nan"),
        ("reed,state,reading_mm\n7,dry,-0.1\n", "between 0 and 5"),
        ("reed,state,reading_mm\n7,dry,83\n", "between 0 and 5, not 83"),
        ("reed,state,reading_mm\n7,dry,1.234,5\n", "more cells than headings"),
        ("reed,state,reading_mm\n7,dry,0,83\n", "semicolons between the columns"),
        ("reed,state,reading_mm\nseven,dry,0.8\n", "“seven” is no reed's number"),
        ("reed,state,reading_mm\n0,dry,0.8\n", "no reed's number"),
        ("reed,state,reading_mm\n7,wet,0.8\n", "dry or soaked, not “wet”"),
        ("reed,state,reading_mm\n7,dry,0.8\n7,DRY,0.9\n", "line 3: reed 7 dry is there already, in line 2"),
        ("reed,state,class\n7,dry,oval\n", "“oval” is no class; use shut, elliptical or round"),
    ],
)
def test_what_cannot_be_used_is_said_with_its_line(table, text, words):
    with pytest.raises(TableError, match=re.escape(words)):
        read_other_readings(table(text))


def test_no_table_and_no_text(table, tmp_path):
    with pytest.raises(TableError, match="cannot be read"):
        read_other_readings(tmp_path / "none.csv")
    with pytest.raises(TableError, match="CSV UTF-8"):
        read_other_readings(table("reed;state;reading_mm;±\n", "utf-16"))


def test_a_difference_is_yours_minus_this_program(table):
    comparison = compare(others(table, HEIGHTS + 0.04), own_of(HEIGHTS))
    found = comparison.heights.agreement
    assert found.mean.estimate == pytest.approx(0.04, abs=1e-4)
    assert comparison.heights.line.slope.estimate == pytest.approx(1.0, abs=1e-3)
    assert comparison.heights.line.intercept.estimate == pytest.approx(0.04, abs=1e-3)


def test_what_does_not_count_is_named(table):
    own = own_of(HEIGHTS[:4])
    own[2, "soaked"] = OwnReading(None, None, "shut")
    own[3, "soaked"] = OwnReading(0.8, 0.03, "elliptical", "a person redrew its outline")
    comparison = compare(others(table, HEIGHTS[:5]), own)
    assert [pairing.other.reed for pairing in comparison.pairings] == [1, 4]
    why = {one.other.reed: one.why for one in comparison.left_out}
    assert "cannot be told" in why[2]
    assert "redrew" in why[3]
    assert "no reading of reed 5 soaked" in why[5]


def test_one_pair_is_too_few(table):
    with pytest.raises(TableError, match="1 reading pairs up, and it takes 2"):
        compare(others(table, HEIGHTS[:3]), own_of(HEIGHTS[:1]))


def test_photos_that_need_a_look_are_left_out_unless_asked(measured, refused):
    photos = [
        measured(reed=1, state="dry", height_mm=0.5, flags=("blurred",)),
        measured(reed=2, state="dry", height_mm=0.6, flags=("borderline",)),  # its height is as good as any
        measured(reed=3, state="dry", height_mm=0.7, flags=("two-reed-tags",)),
        refused(reed=4, state="dry"),
        measured(reed=5, state="dry", height_mm=0.8),
        refused(reed=5, state="dry"),
        measured(reed=None, state="dry"),
    ]
    strict, open_ = (own_readings(photos, include) for include in (False, True))
    assert [key for key, one in strict.items() if one.why_not is None] == [(2, "dry"), (5, "dry")]
    # Nobody can be sure which reed 3 is, whatever was asked for.
    assert [key for key, one in open_.items() if one.why_not is None] == [(1, "dry"), (2, "dry"), (5, "dry")]
    assert strict[5, "dry"].height_mm == pytest.approx(0.8, abs=1e-3)
    assert "refused" in strict[4, "dry"].why_not


def test_a_correction_that_is_there_already_does_not_count_again(measured):
    from dataclasses import replace

    from aperture.correction import corrected

    correction = Correction(0.05, 0.01, "before")
    plain = measured(reed=1, state="dry", height_mm=0.5)
    one = replace(plain, geometry=corrected(plain.geometry, correction), correction=correction)
    assert own_readings([one], False)[1, "dry"].height_mm == pytest.approx(plain.geometry.height_mm)


class TestCorrection:
    """When a correction may be learned."""

    def learned(self, table, other, own):
        comparison = compare(others(table, other), own_of(own))
        return comparison.why_no_correction, learned_correction(comparison, "made up")

    def test_a_plain_offset(self, table):
        noise = np.resize([0.01, -0.01], 12)
        why, correction = self.learned(table, HEIGHTS + 0.06 + noise, HEIGHTS)
        assert why is None
        assert correction.offset_mm == pytest.approx(0.06, abs=1e-4)
        # The standard error of a mean: the standard deviation, 0.01 * sqrt(12 / 11), over the root of 12.
        assert correction.u_offset_mm == pytest.approx(0.01 / 11**0.5, abs=1e-4)

    def test_too_few(self, table):
        why, correction = self.learned(table, HEIGHTS[:9] + 0.06, HEIGHTS[:9])
        assert "it takes 10 readings" in why
        assert correction is None

    def test_no_difference(self, table):
        why, correction = self.learned(table, HEIGHTS + np.resize([0.02, -0.02], 12), HEIGHTS)
        assert "cannot be told from 0" in why
        assert correction is None

    def test_a_scale_is_no_offset(self, table):
        why, correction = self.learned(table, 1.1 * HEIGHTS + np.resize([0.002, -0.002], 12), HEIGHTS)
        assert "changes with the height" in why
        assert correction is None


def test_classes_of_two_people_and_the_program(table):
    rows = ["1,soaked,elliptical,round", "2,soaked,elliptical,elliptical", "3,soaked,,round"]
    given = read_other_readings(table("\n".join(["reed,state,class_1,class_2", *rows])))
    comparison = compare(given, own_of(HEIGHTS))
    assert comparison.heights is None
    assert comparison.empty == 1
    assert (comparison.people.agreed, comparison.people.count) == (1, 2)
    assert [kappa.agreed for kappa in comparison.with_program] == [2, 1]
    assert comparison.with_program[0].kappa is None  # one and the same class for all
    assert learned_correction(comparison, "") is None


def test_nothing_pairs_up():
    with pytest.raises(TableError, match="0 readings pair up"):
        compare(OtherReadings((), 0, 0), {})
