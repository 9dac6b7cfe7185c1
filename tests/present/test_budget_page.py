"""The budget's page against a worked example of the GUM, against itself, and against measuring otherwise."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console
from typer.testing import CliRunner

from aperture.batch import measuring
from aperture.budget.contributions import QUANTITIES, budget, combine, from_changes
from aperture.budget.remedies import CLOSE_MM, WORTH, circumstances, remedy
from aperture.budget.terms import TERMS, Input
from aperture.cli.app import app
from aperture.measure import measure
from aperture.present.budget_page import (
    budget_table,
    budget_tables,
    dominating,
    inputs_of,
    json_line_with_budget,
    show_budget,
    show_table,
)
from aperture.present.report import json_line
from aperture.present.screen import make_console
from aperture.settings import Settings, Uncertainty
from aperture.shape import quantities

PHOTO = Path(__file__).parents[2] / "fixtures" / "photos" / "open-09.jpg"


@pytest.fixture(scope="module")
def photo():
    """One rendered photo, measured for good: from 131 mm, the lens 14 mm above the tip, tip not measured."""
    return measure(PHOTO)


def page_of(photo, settings=None):
    console = make_console()
    with console.capture() as captured:
        show_budget(console, photo, settings or Settings())
    return captured.get()


def again(photo, view=None, settings=None):
    """The budget of the same outline, seen otherwise or with other settings."""
    return budget(photo.outline, view or photo.view, settings or Settings())


def contribution(whole, source, quantity="height_mm"):
    return {part.source: part.effect[QUANTITIES.index(quantity)] for part in whole.contributions}[source]


# --- a worked example -------------------------------------------------------------------------------------


def end_gauge():
    """GUM (JCGM 100:2008), H.1: the calibration of an end gauge of 50 mm, as a budget of a "height".

    l = l_s + d - l_s (delta_alpha theta + alpha_s delta_theta). Inputs as published with the public example
    GUM_H1.py of MSLNZ/GTC. Each effect is found by moving the input by its standard uncertainty.
    """
    nm = 1e-6  # mm
    inputs = (
        Input("standard", 50_000_623 * nm, 25 * nm, "mm", "normal", "B"),
        Input("difference", 215 * nm, float(np.sqrt(5.8**2 + 3.9**2 + 6.7**2)) * nm, "mm", "normal", "A, B"),
        Input("expansion", 11.5e-6, 2e-6 / np.sqrt(3), "1/°C", "rectangular", "B"),
        Input("expansion difference", 0.0, 1e-6 / np.sqrt(3), "1/°C", "rectangular", "B"),
        Input("temperature", -0.1, float(np.hypot(0.2, 0.5 / np.sqrt(2))), "°C", "normal, arcsine", "A, B"),
        Input("temperature difference", 0.0, 0.05 / np.sqrt(3), "°C", "rectangular", "B"),
    )

    def length(values):
        standard, difference, alpha, delta_alpha, theta, delta_theta = values
        return standard + difference - standard * (delta_alpha * theta + alpha * delta_theta)

    middle = np.array([each.estimate for each in inputs])
    parts = []
    for i, each in enumerate(inputs):
        moved = middle.copy()
        moved[i] += each.standard_uncertainty
        effect = np.array([length(moved) - length(middle), 0.0, 0.0, 0.0])
        parts.append(from_changes(each.source, each.distribution, effect))
    return budget_table(combine(tuple(parts)), "height_mm", length(middle), inputs, 2.92)


def test_the_table_of_the_end_gauge():
    table = end_gauge()
    # GUM, table H.1: 25, 9.7, 0, 2.9, 0, 16.6 nm; u_c 32 nm (31.67 unrounded); l = 50.000 838 mm
    contributions_nm = [line.contribution * 1e6 for line in table.lines]
    assert contributions_nm == pytest.approx([25, 9.7, 0, 2.9, 0, 16.6], abs=0.06)
    assert table.combined * 1e6 == pytest.approx(31.67, abs=0.05)
    assert table.estimate == pytest.approx(50.000838, abs=5e-7)
    # H.1.4: U_99 = 2.92 x 32 nm = 93 nm
    assert table.expanded * 1e6 == pytest.approx(93, abs=0.6)
    # sensitivities: 1, 1, and by hand l_s theta = 5e6 nm °C and l_s alpha_s = 575 nm/°C
    sensitivities = [line.sensitivity for line in table.lines]
    assert sensitivities == pytest.approx([1, 1, 0, 5.0000623, 0, 575e-6], rel=1e-3, abs=1e-5)
    assert sum(line.share for line in table.lines) == pytest.approx(1)
    assert list(dominating([table])) == ["standard", "temperature difference"]


def test_the_end_gauge_as_it_is_printed():
    console = make_console()
    with console.capture() as captured:
        show_table(console, end_gauge())
    page = captured.get()
    rows = [re.split(r"\s{2,}", line.strip()) for line in page.splitlines()]
    assert rows[2][:4] == ["standard", "50.000623 mm", "0.000025 mm", "normal"]
    assert rows[2][5:] == ["1.0 mm/mm", "0.0000250 mm", "62 %"]
    assert rows[7][5:] == ["0.00058 mm/°C", "0.0000166 mm", "27 %"]
    assert "combined standard uncertainty 0.0000317 mm" in page


# --- a photo ----------------------------------------------------------------------------------------------


def test_contributions_add_up_to_the_photos_own_uncertainty(photo):
    for table in budget_tables(photo, Settings()):
        squares = sum(line.contribution**2 for line in table.lines)
        assert squares == pytest.approx(table.combined**2)
        assert table.expanded == pytest.approx(photo.u[table.quantity])
        assert table.estimate == getattr(photo.geometry, table.quantity)
        for line in table.lines:
            if line.sensitivity is not None:
                product = line.sensitivity * line.input.standard_uncertainty
                assert product == pytest.approx(line.contribution)


def lines_of(photo, quantity="height_mm"):
    table = next(each for each in budget_tables(photo, Settings()) if each.quantity == quantity)
    return {line.input.source: line for line in table.lines}


def test_another_bar_changes_the_result_as_its_line_says(photo):
    """The photo measured from file again, told that the bar is longer by ten standard uncertainties.

    By one, the width moves by little more than the fit of the corners does, which is begun afresh.
    """
    lines = {quantity: lines_of(photo, quantity)["printed scale"] for quantity in QUANTITIES[:3]}
    moved = measure(PHOTO, Settings(ruler_mm=50.0 + 10 * lines["height_mm"].input.standard_uncertainty))
    for quantity, line in lines.items():
        # 10 %: what is assumed in mm (rim, walls) is not stretched, and an area grows with the square
        difference = getattr(moved.geometry, quantity) - getattr(photo.geometry, quantity)
        assert abs(difference) == pytest.approx(10 * line.contribution, rel=0.1), quantity


@pytest.mark.parametrize("quantity", QUANTITIES[:3])
def test_another_plane_of_the_tip_changes_the_result_as_its_line_says(photo, quantity):
    """The same outline in the photo, taken to lie in front of the card by one standard uncertainty."""
    line = lines_of(photo, quantity)["plane of the tip"]
    pixels = photo.view.to_pixel(photo.outline.points_mm)
    moved = quantities(photo.view.to_mm(pixels, line.input.standard_uncertainty))
    difference = moved[QUANTITIES.index(quantity)] - getattr(photo.geometry, quantity)
    assert abs(difference) == pytest.approx(line.contribution, rel=1e-3)
    # By similar triangles: dz/Z, twice for an area. 1 mm at 131 mm.
    power = 2 if quantity == "area_mm2" else 1
    by_hand = power * getattr(photo.geometry, quantity) / photo.view.camera.camera_centre_mm()[2]
    assert line.sensitivity == pytest.approx(by_hand, rel=0.02)


def test_inputs_are_the_settings_own(photo):
    settings = Settings(
        ruler_mm=48.5,
        tip_offset_mm=1.5,
        uncertainty=Uncertainty(ruler_doubt_mm=0.1, reed_lean_deg=3.0, tip_offset_measured_mm=0.2),
    )
    known = {each.source: each for each in inputs_of(photo.budget, photo.view, settings)}
    scale, tip, lean = (known[name] for name in ("printed scale", "plane of the tip", "lean of the reed"))
    # a rectangle of half-width a: a/sqrt(3) (GUM 4.3.7)
    assert (scale.estimate, scale.standard_uncertainty) == (48.5, pytest.approx(0.1 / np.sqrt(3)))
    assert (tip.estimate, tip.standard_uncertainty, tip.distribution) == (1.5, 0.2, "normal")
    assert (lean.standard_uncertainty, lean.distribution) == (
        pytest.approx(3 / np.sqrt(3)),
        "rectangular, ± 3°",
    )


def test_every_source_of_a_photo_is_known(photo):
    inputs = inputs_of(photo.budget, photo.view, Settings())
    for part, known in zip(photo.budget.contributions, inputs, strict=True):
        assert known.source == part.source
        assert known.evaluation in ("A", "B", "A, B"), part.source
        assert known.remark
        # no single number behind it: it says so
        assert (known.estimate is None) == ("no single number" in known.remark)
        assert remedy(part.source, photo.view, Settings())


def test_a_source_nobody_told_the_page_of_has_dashes_and_still_counts(photo):
    more = combine((*photo.budget.contributions, from_changes("moonlight", "normal", np.full(4, 0.5))))
    strange = replace(photo, budget=more)
    line = lines_of(strange)["moonlight"]
    assert (line.input.estimate, line.sensitivity, line.contribution) == (None, None, 0.5)
    page = page_of(strange)
    assert re.search(r"moonlight\s+–\s+–\s+normal\s+–\s+–\s+0\.50", page)
    assert "moonlight (100 % of the height" in page
    assert "Nothing is known that would." in page


# --- advice -----------------------------------------------------------------------------------------------


def lens_at(view, x=None, y=None, z=None):
    """The same camera, moved to another place over the card and looking the same way."""
    eye = view.camera.camera_centre_mm()
    eye = np.array([given if given is not None else old for given, old in zip((x, y, z), eye, strict=True)])
    return replace(view, camera=replace(view.camera, translation_mm=-view.camera.rotation() @ eye))


def from_distance(photo, distance_mm):
    """The photo as if taken from elsewhere: the blur stays as it is in pixels, and so grows on the card."""
    ratio = photo.view.distance_mm / distance_mm
    eye = photo.view.camera.camera_centre_mm()
    view = lens_at(photo.view, z=eye[2] / ratio)
    return replace(view, distance_mm=distance_mm, px_per_mm=photo.view.px_per_mm * ratio)


def test_coming_closer_is_advised_from_afar_only_and_helps(photo):
    far, near = from_distance(photo, 210.0), from_distance(photo, CLOSE_MM)
    assert "12 cm (it was at 21 cm)" in remedy("model of the edge", far, Settings())
    assert "12 cm" not in remedy("model of the edge", near, Settings())
    assert "12 cm" not in remedy("model of the edge", photo.view, Settings())  # 131 mm: not worth a word
    before, after = again(photo, far), again(photo, near)
    assert contribution(after, "model of the edge") < 0.9 * contribution(before, "model of the edge")
    # and not at the cost of the whole; of the ratio alone, what a lean does to it grows from near
    assert np.all(np.diag(after.covariance)[:3] < np.diag(before.covariance)[:3])
    worth = from_distance(photo, 1.01 * WORTH * CLOSE_MM)
    assert contribution(again(photo, near), "model of the edge") < contribution(
        again(photo, worth), "model of the edge"
    )


def test_lowering_the_lens_is_advised_when_it_stood_high_and_helps(photo):
    words = remedy("lean of the reed", photo.view, Settings())
    # truth of the rendered photo: the lens at y = 18.99 mm, the tip at 4.5 mm
    assert "14 mm higher than the tip" in words
    level = lens_at(photo.view, y=4.5)
    assert contribution(again(photo, level), "lean of the reed") < 0.5 * contribution(
        photo.budget, "lean of the reed"
    )
    assert "less than 6" in remedy("lean of the reed", level, Settings())
    assert "30 mm lower" in remedy("lean of the reed", lens_at(photo.view, y=-25.5), Settings())
    aside = lens_at(photo.view, x=42.8 - 20, y=4.5)
    assert "20 mm to one side" in remedy("lean of the reed", aside, Settings())
    assert contribution(again(photo, level), "lean of the reed", "width_mm") < 0.5 * contribution(
        again(photo, aside), "lean of the reed", "width_mm"
    )


def test_advice_about_settings_is_given_until_it_was_followed(photo):
    def of(source, settings):
        return remedy(source, photo.view, settings), contribution(again(photo, settings=settings), source)

    words, before = of("plane of the tip", Settings())
    assert "--tip-offset 0" in words
    words, after = of("plane of the tip", Settings(tip_offset_is_measured=True))
    assert "--tip-offset 0" not in words
    assert "tip_offset_measured_mm" in words
    assert after < 0.6 * before
    better = Settings(tip_offset_is_measured=True, uncertainty=Uncertainty(tip_offset_measured_mm=0.1))
    assert of("plane of the tip", better)[1] < after
    # where not knowing is as good as measuring, measuring is no advice
    same = Settings(uncertainty=Uncertainty(tip_offset_unknown_mm=0.3))
    assert "--tip-offset 0" not in of("plane of the tip", same)[0]

    words, before = of("printed scale", Settings())
    assert "callipers" in words
    words, after = of("printed scale", Settings(uncertainty=Uncertainty(ruler_doubt_mm=0.05)))
    assert "callipers" not in words
    assert after < 0.3 * before

    straight = Settings(uncertainty=Uncertainty(reed_lean_deg=2.0))
    assert of("lean of the reed", straight)[1] < 0.5 * of("lean of the reed", Settings())[1]


def test_focus_and_markers_are_advised_where_they_were_wanting(photo):
    blurred = replace(photo.view, blur_px=(2.5, 2.5))
    assert "tap the tip to focus" in remedy("model of the edge", blurred, Settings())
    assert contribution(photo.budget, "model of the edge") < contribution(
        again(photo, blurred), "model of the edge"
    )
    assert "focus" not in remedy("model of the edge", photo.view, Settings())
    fewer = replace(photo.view, marker_ids=photo.view.marker_ids[:4])
    assert "all six markers" in remedy("camera and card", fewer, Settings())
    assert "six markers" not in remedy("camera and card", photo.view, Settings())
    # a card whose markers miss their places by half as much is flatter: half the contribution
    flatter = replace(photo.view, side_residual_px=photo.view.side_residual_px / 2)
    assert contribution(again(photo, flatter), "flatness of the card") == pytest.approx(
        contribution(photo.budget, "flatness of the card") / 2, rel=1e-3
    )


def test_conditions_in_the_table_exist_and_each_source_has_a_last_word(photo):
    known = circumstances(photo.view, Settings())
    for term in TERMS:
        conditions = [each.when for each in term.remedies]
        assert set(conditions) <= set(known), term.name
        assert conditions.index("always") == len(conditions) - 1, term.name


# --- what is printed --------------------------------------------------------------------------------------


def test_the_page_of_a_photo(photo):
    page = page_of(photo)
    for heading in ("Height 0.9", "Width (6.9|7.0)", "Area 4.", "Ratio 0.1"):
        assert re.search(f"^{heading}", page, re.MULTILINE), heading
    assert re.search(r"plane of the tip\s+0 mm\s+0\.58 mm\s+rectangular, ± 1 mm\s+B\s+0\.00\d+ mm/mm", page)
    assert re.search(r"^edge\s+–\s+–\s+normal\s+A\s+–\s+0\.00\d+ mm", page, re.MULTILINE)
    assert "edge: no single number" in page
    first = page.partition("What would make it smaller\n")[2].splitlines()[0]
    assert "% of the height" in first


def test_a_window_of_80_columns_is_enough(photo):
    console = Console(width=80, highlight=False)
    for table in budget_tables(photo, Settings()):
        with console.capture() as captured:
            show_table(console, table)
        page = captured.get()
        assert max(map(len, page.splitlines())) <= 80
        for words in ("uncertainty", "distribution", "sensitivity", "contribution", "share", "rectangular,"):
            assert words in page, table.quantity
        shares = [f"{100 * line.share:.0f} %" for line in table.lines]
        assert [
            line.rsplit("  ", 1)[-1].strip() for line in page.splitlines() if line.endswith("%")
        ] == shares


def test_a_refused_photo_has_no_budget(refused):
    assert "without a number there is no budget" in page_of(refused())
    assert json.loads(json_line_with_budget(refused(), Settings()))["budget"] == []


def test_json_has_the_same_record_and_the_lines(photo):
    record = json.loads(json_line_with_budget(photo, Settings()))
    lines = record.pop("budget")
    assert record == json.loads(json_line(photo))
    assert len(lines) == 4 * len(photo.budget.contributions)
    for name in QUANTITIES:
        squares = sum(line["contribution"] ** 2 for line in lines if line["quantity"] == name)
        assert 2 * np.sqrt(squares) == pytest.approx(record["u"][name])
    edge = next(line for line in lines if line["source"] == "edge")
    assert (edge["estimate"], edge["sensitivity"], edge["evaluation"]) == (None, None, "A")


def test_the_option(photo, refused, tmp_path, monkeypatch):
    monkeypatch.setattr(
        measuring, "measure", lambda path, *_, **__: photo if "1" in path.name else refused(path)
    )
    for name in ("R1_dry.jpg", "R2_dry.jpg"):
        (tmp_path / name).touch()

    def run(*options):
        result = CliRunner().invoke(app, ["measure", str(tmp_path), "--workers", "1", *options])
        assert result.exit_code == 3, result.output
        return result.stdout

    plain = run()
    assert "Uncertainty budget" not in plain
    page = run("--budget")
    assert page.startswith(plain)
    assert page.count("Uncertainty budget of") == 2
    # the options count: a plane of the tip that was measured is no longer rectangular
    measured = run("--budget", "--tip-offset", "0")
    assert re.search(r"plane of the tip\s+0 mm\s+0\.30 mm\s+normal", measured)
    records = [json.loads(line) for line in run("--budget", "--json").splitlines()]
    assert [len(record["budget"]) > 0 for record in records] == [True, False]
    assert all("budget" not in json.loads(line) for line in run("--json").splitlines())
