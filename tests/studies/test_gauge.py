"""What a gauge must measure, E_n, the line through several heights, and rendered gauges of known truth."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from aperture.errors import GaugeError
from aperture.flags import FLAGS
from aperture.settings import Settings
from aperture.studies.gauge import (
    check_gauge,
    expected_height,
    normalised_error,
    ream_u_relative,
)
from aperture.studies.gauge_line import GaugeLine, line_through, weighted_line, what_explains
from tests.accuracy.gauge import COMMITTED, gauge_photos


@dataclass(frozen=True)
class Made:
    """A check that was made up."""

    sheets: int
    gap_mm: float
    ream_mm: float = 52.0
    u_gap_mm: float = 0.02

    @property
    def expected_mm(self):
        return expected_height(self.sheets, self.ream_mm).height_mm

    @property
    def agrees(self):
        expected = expected_height(self.sheets, self.ream_mm)
        return abs(normalised_error(self.gap_mm, self.u_gap_mm, expected.height_mm, expected.u_mm)) <= 1


# --- the height that it must have ----------------------------------------------------------------------


def test_expected_height_is_sheets_times_ream_over_500():
    # 80 g/m2 copy paper is about 0.104 mm thick (common practice, no published source): 10 sheets of a ream
    # of 52.0 mm.
    expected = expected_height(10, 52.0)
    assert expected.height_mm == pytest.approx(1.04)
    # Two readings, each to half a millimetre, rectangular: variance a^2 / 3 each (GUM 4.3.7), k = 2.
    assert expected.u_mm == pytest.approx(1.04 * 2 * math.sqrt(2 * 0.25**2 / 3) / 52.0)
    # "A ruler gives 1 %" (common practice, no published source).
    assert 0.005 < expected.u_mm / expected.height_mm < 0.01


def test_uncertainty_of_the_ream_is_the_spread_of_two_rounded_readings():
    rng = np.random.default_rng(5)
    bottom, top = rng.uniform(0.0, 0.5, (2, 200_000)) + np.array([[0.0], [52.0]])
    off = (np.round(2 * top) - np.round(2 * bottom)) / 2 - (top - bottom)
    assert np.std(off) / 52.0 == pytest.approx(ream_u_relative(52.0), rel=0.01)


@pytest.mark.parametrize("sheets", [0, -1, 2, 31, 500])
def test_a_gauge_cannot_have_so_many_sheets(sheets):
    with pytest.raises(GaugeError) as refused:
        expected_height(sheets, 52.0)
    assert refused.value.code == "gauge-sheets"
    assert str(sheets) in refused.value.detail


@pytest.mark.parametrize("ream_mm", [5.0, 5.2, 0.0, -52.0, 520.0, math.nan, math.inf])
def test_a_ream_cannot_be_so_high(ream_mm):
    with pytest.raises(GaugeError) as refused:
        expected_height(10, ream_mm)
    assert refused.value.code == "gauge-ream"
    assert "in millimetres" in FLAGS["gauge-ream"].advice


# --- E_n -------------------------------------------------------------------------------------------------


def test_normalised_error_by_its_definition():
    # E_n = (x - X) / sqrt(U_x^2 + U_X^2), ISO/IEC 17043:2010 B.3.1.3 and ISO 13528:2015 9.7 (from memory;
    # a published worked example is below). With U 3 and 4 the root is 5, whatever anybody computes.
    assert normalised_error(15.0, 3.0, 10.0, 4.0) == pytest.approx(1.0)
    assert normalised_error(10.0, 3.0, 15.0, 4.0) == pytest.approx(-1.0)
    # Equal lines: end gauges of GUM H.1, 50.000 838 mm with U = 2 x 32 nm, against its own standard's
    # 50.000 623 mm with U = 2 x 25 nm: 215 / sqrt(64^2 + 50^2), by hand 2.6473.
    assert normalised_error(838.0, 64.0, 623.0, 50.0) == pytest.approx(2.6473, abs=1e-4)


@pytest.mark.parametrize(
    ("value", "u_value", "en"), [(0.037, 0.013, -0.46), (0.0239, 0.0036, -2.24)], ids=["agrees", "does not"]
)
def test_normalised_error_of_a_published_example(value, u_value, en):
    """ISO 13528:2022, section E.4: two laboratories beside 0.044 with U = 0.0082; E_n 0.46 and 2.24.

    The standard itself was not at hand. Read in a public test file that quotes the section, data and results
    alike (tests of the R function `fct_entest_recuno`), where differences are reference less measured.
    """
    assert normalised_error(value, u_value, 0.044, 0.0082) == pytest.approx(en, abs=0.005)


def test_two_that_agree_have_e_n_below_1_in_95_percent():
    # With U = 2u and normal errors E_n = N(0, 1) / 2, so P(|E_n| <= 1) = P(|N| <= 2) = 0.9545, closed form.
    rng = np.random.default_rng(3)
    value, reference = rng.normal(1.0, 0.012, 100_000), rng.normal(1.0, 0.005, 100_000)
    en = (value - reference) / math.hypot(0.024, 0.010)
    ours = np.array([normalised_error(v, 0.024, r, 0.010) for v, r in zip(value, reference, strict=True)])
    assert ours == pytest.approx(en)
    assert np.mean(np.abs(ours) <= 1) == pytest.approx(2 * stats.norm.cdf(2) - 1, abs=0.003)


# --- the line --------------------------------------------------------------------------------------------


def test_line_is_that_of_gum_h3():
    """The calibration of a thermometer, JCGM 100:2008, H.3, tables H.6 and H.7 (recomputed in agreement)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]) / 1000
    y1, y2, covariance, scatter = weighted_line(t - 20.0, b, np.full(11, 0.0035))
    assert y1 == pytest.approx(-0.1712, abs=5e-5)
    assert y2 == pytest.approx(0.00218, abs=5e-6)
    u1, u2 = np.sqrt(np.diag(covariance))
    assert u1 == pytest.approx(0.0029, abs=5e-5)
    assert u2 == pytest.approx(0.00067, abs=5e-6)
    assert covariance[0, 1] / (u1 * u2) == pytest.approx(-0.930, abs=5e-4)
    # s = 0.0035 there is what scatters about the line, so that the scatter in units of it is 1.
    assert scatter == pytest.approx(1.0, abs=0.02)


def test_weights_count_as_in_scipy():
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(8)
    x, u = np.linspace(0.5, 2.1, 9), np.linspace(0.004, 0.03, 9)
    y = 0.01 - 0.02 * x + rng.normal(0, u)
    a, b, covariance, _ = weighted_line(x, y, u)
    (p, q), expected = curve_fit(lambda x, p, q: p + q * x, x, y, sigma=u, absolute_sigma=True)
    assert (a, b) == pytest.approx((p, q), abs=1e-8)
    assert covariance == pytest.approx(expected, rel=1e-5)


def test_no_line_through_one_height():
    assert line_through([Made(10, 1.04), Made(10, 1.05)], Settings()) is None
    assert line_through([], Settings()) is None


def test_line_without_scatter_through_two_photos():
    line = line_through([Made(5, 0.52), Made(20, 2.08)], Settings())
    assert line is not None
    assert (line.heights, line.scatter) == (2, None)
    assert not line.departs


def test_offset_and_scale_error_are_told_apart():
    heights = (5, 10, 15, 20)
    offset = line_through([Made(n, n * 0.104 + 0.04) for n in heights], Settings())
    scale = line_through([Made(n, n * 0.104 * 1.03) for n in heights], Settings())
    assert offset is not None
    assert scale is not None
    assert (offset.has_offset, offset.has_scale_error) == (True, False)
    assert offset.offset_mm == pytest.approx(0.04)
    assert (scale.has_offset, scale.has_scale_error) == (False, True)
    assert scale.scale == pytest.approx(0.03)


def test_what_all_photos_share_is_the_slopes_alone():
    """A better known bar makes the slope better known, and hardly the offset."""
    checks = [Made(n, n * 0.104) for n in (5, 10, 15, 20)]
    usual = line_through(checks, Settings())
    assert usual is not None
    bar_u = 0.25 / math.sqrt(3) / 50
    assert usual.u_scale > 2 * math.hypot(bar_u, ream_u_relative(52.0))
    assert usual.u_scale < 2 * math.hypot(bar_u, ream_u_relative(52.0)) + 0.02


@pytest.mark.parametrize(
    ("checks", "words"),
    [
        # A bar of 48.5 mm that counts as 50: everything reads 50 / 48.5 too high.
        ([Made(n, n * 0.104 * 50 / 48.5) for n in (5, 10, 20)], ["bar measured 48.5 mm, not 50.0", "ream"]),
        # In front by 3 mm at 130 mm: similar triangles, 3 / 130 too high (to first order).
        ([Made(n, n * 0.104 * (1 + 3 / 130)) for n in (5, 10, 20)], ["3.0 mm before the card's face"]),
        ([Made(n, n * 0.104 + 0.05) for n in (5, 10, 20)], ["sharpening", "0.025 mm too far out", "glue"]),
        ([Made(n, n * 0.104 - 0.05) for n in (5, 10, 20)], ["0.025 mm too far in", "fluff"]),
        ([Made(10, 1.14)], ["bar", "sharpening", "5, 10 and 20 sheets"]),
        ([Made(5, 0.52), Made(10, 1.12), Made(15, 1.48), Made(20, 2.08)], ["single photos are off"]),
    ],
)
def test_what_would_explain_it_is_said(checks, words):
    said = " ".join(what_explains(checks, line_through(checks, Settings()), Settings(), 130.0))
    for each in words:
        assert each in said


def test_nothing_needs_explaining_where_all_agree():
    checks = [Made(n, n * 0.104 + 0.002) for n in (5, 10, 20)]
    assert what_explains(checks, line_through(checks, Settings()), Settings()) == ()
    assert what_explains([], None, Settings()) == ()


# --- rendered gauges -------------------------------------------------------------------------------------

PHOTOS = gauge_photos([COMMITTED])


def test_there_are_rendered_gauges():
    assert 8 <= len(PHOTOS) <= 12
    assert len({photo.ream_mm for photo in PHOTOS}) == 1


@pytest.fixture(scope="module")
def series():
    return [(photo, photo.check()) for photo in PHOTOS]


def test_rendered_gauges_agree(series):
    """Ten photos: all within their ±, and the aim for 95 % of the whole set (tests/accuracy/gauge.py)."""
    assert [check.reason for _, check in series if check.outcome == "refused"] == []
    for photo, check in series:
        assert check.gap_mm == pytest.approx(photo.true_mm, abs=check.u_gap_mm), photo.path.name
        assert check.agrees, photo.path.name
        assert check.u_gap_mm < 0.06
    errors = [abs(check.gap_mm - photo.true_mm) for photo, check in series]
    assert np.median(errors) < 0.01


def test_line_through_the_rendered_series_is_level(series):
    line = line_through([check for _, check in series], PHOTOS[0].settings)
    assert isinstance(line, GaugeLine)
    assert not line.departs
    assert line.heights == len({photo.sheets for photo in PHOTOS})
    assert line.scatter < 2.0


def test_a_wrong_bar_shows_as_a_scale_error(series):
    """What was printed at 98.6 % and is told to be at 103 %: 4.5 % too high, and the bar is named."""
    wrong = Settings(ruler_mm=51.5)
    checks = [check_gauge(photo.path, photo.sheets, photo.ream_mm, wrong) for photo in PHOTOS[:5]]
    line = line_through(checks, wrong)
    assert line is not None
    assert line.has_scale_error
    assert line.scale == pytest.approx(51.5 / 49.3 - 1, abs=0.02)
    assert not all(check.agrees for check in checks)
    assert "printed bar" in " ".join(what_explains(checks, line, wrong))


def test_record_has_the_keys_that_are_promised(series):
    record = series[0][1].record()
    assert {"gap_mm", "u_gap_mm", "expected_mm", "u_expected_mm", "en", "agrees"} <= record.keys()
    check = series[0][1]
    assert record["en"] == pytest.approx(
        (record["gap_mm"] - record["expected_mm"]) / math.hypot(record["u_gap_mm"], record["u_expected_mm"])
    )
    assert record["u_gap_mm"] == pytest.approx(2 * check.budget.standard()["height_mm"])


def test_a_photo_without_a_card_is_a_refused_result(tmp_path):
    path = tmp_path / "none.jpg"
    from PIL import Image

    Image.new("RGB", (1200, 900), (120, 120, 120)).save(path)
    check = check_gauge(path, 10, 52.0)
    assert (check.outcome, check.flags) == ("refused", ("no-card",))
    assert check.record()["gap_mm"] is None
    assert check.agrees is None
    assert check.advice == FLAGS["no-card"].advice
