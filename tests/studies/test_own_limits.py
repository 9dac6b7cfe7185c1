"""Own limits: against probit regression of another package, closed forms and simulation; and wrong use."""

import os
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from aperture.batch import measuring
from aperture.cli.app import app
from aperture.present.limits_page import changed_settings
from aperture.settings import Limits, load_settings, settings_template
from aperture.studies.labels import LabelError, labelled_photos
from aperture.studies.own_limits import (
    MIN_PHOTOS_PER_CLASS,
    Labelled,
    labelled,
    learn,
    reason_to_leave_out,
    threshold,
)
from tests.conftest import LIMITS

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos"


def exactly(below, above):
    """The threshold between values without measurement uncertainty."""
    return threshold(np.asarray(below), np.zeros(len(below)), np.asarray(above), np.zeros(len(above)))


def reeds(label, heights, ratios=None, u_height=0.01, u_ratio=0.002):
    ratios = [0.14 * height for height in heights] if ratios is None else ratios
    return [
        Labelled(f"{label}-{i}.jpg", label, height, u_height, ratio, u_ratio)
        for i, (height, ratio) in enumerate(zip(heights, ratios, strict=True))
    ]


SHUT = reeds("shut", [0.02, 0.03, 0.05, 0.06, 0.08, 0.12])
ELLIPTICAL = reeds("elliptical", [0.20, 0.5, 0.6, 0.8, 0.9, 1.2])
ROUND = reeds("round", [1.6, 1.7, 1.8, 2.0, 2.2], [0.22, 0.25, 0.27, 0.30, 0.33])


# --- the limit itself -------------------------------------------------------------------------------------


def test_many_photos_agree_with_probit_regression():
    # statsmodels' Probit (maximum likelihood): the value at which both labels are equally likely is
    # -b0/b1, its standard error by the delta method.
    from statsmodels.discrete.discrete_model import Probit

    random = np.random.default_rng(5)
    values = random.uniform(0.0, 0.8, 300)
    upper = values + 0.08 * random.standard_normal(300) > 0.37
    fit = Probit(upper.astype(float), np.column_stack([np.ones(300), values])).fit(disp=0)
    b0, b1 = fit.params
    gradient = np.array([-1 / b1, b0 / b1**2])
    error = float(np.sqrt(gradient @ fit.cov_params() @ gradient))
    ours = exactly(values[~upper], values[upper])
    assert ours.value == pytest.approx(-b0 / b1, abs=0.2 * error)
    assert ours.standard_uncertainty == pytest.approx(error, rel=0.1)


def test_between_two_normal_classes_lies_the_middle():
    # Two normal classes, equally wide and equally frequent: the limit that errs least is the midpoint of
    # their means (linear discriminant analysis, R. A. Fisher 1936; textbook result, from memory).
    random = np.random.default_rng(8)
    found = [exactly(random.normal(0.12, 0.05, 60), random.normal(0.30, 0.05, 60)) for _ in range(20)]
    errors = np.array([(each.value - 0.21) / each.standard_uncertainty for each in found])
    assert abs(errors.mean()) < 3 / np.sqrt(20)
    assert np.mean([each.standard_uncertainty for each in found]) < 0.015


@pytest.mark.parametrize("count", [2, 5, 400])
def test_labels_that_leave_a_gap_give_its_middle_and_at_least_its_width(count):
    # Nothing tells one limit in the gap from another: uniform, so the standard uncertainty is the gap's
    # width over sqrt(12) (GUM 4.3.7); of few photos more, because the next one may fall into the gap's edge.
    below, above = np.linspace(0.05, 0.10, count), np.linspace(0.50, 1.0, count)
    found = exactly(below, above)
    assert found.value == pytest.approx(0.30)
    assert 0.9999 < found.standard_uncertainty / (0.40 / np.sqrt(12)) < 1.6
    assert (
        found.standard_uncertainty
        >= exactly(np.linspace(0.05, 0.10, 4 * count), np.linspace(0.50, 1.0, 4 * count)).standard_uncertainty
        * 0.9999
    )


def test_a_limit_never_contradicts_labels_that_leave_a_gap():
    # one elliptical reed stands far below the others
    found = exactly([0.02, 0.03, 0.05, 0.06, 0.08, 0.10], [0.20, 0.5, 0.6, 0.8, 0.9, 1.2])
    assert 0.10 < found.value < 0.20


def test_labels_turned_round_give_the_limit_turned_round():
    lower, upper = np.array([0.1, 0.15, 0.2, 0.33]), np.array([0.28, 0.4, 0.55, 0.6, 0.9])
    found, mirrored = exactly(lower, upper), exactly(1 - upper, 1 - lower)
    assert mirrored.value == pytest.approx(1 - found.value)
    assert mirrored.standard_uncertainty == pytest.approx(found.standard_uncertainty)


def test_in_another_unit_it_is_the_same_limit():
    lower, upper = np.array([0.1, 0.15, 0.2, 0.33]), np.array([0.28, 0.4, 0.55, 0.6, 0.9])
    u = np.full(4, 0.02), np.full(5, 0.03)
    mm, um = threshold(lower, u[0], upper, u[1]), threshold(1e3 * lower, 1e3 * u[0], 1e3 * upper, 1e3 * u[1])
    assert um.value == pytest.approx(1e3 * mm.value)
    assert um.standard_uncertainty == pytest.approx(1e3 * mm.standard_uncertainty)


def test_less_certain_photos_make_a_less_certain_limit():
    random = np.random.default_rng(2)
    values = random.uniform(0.0, 0.8, 60)
    low, high = values[values < 0.4], values[values >= 0.4]
    sharp, blurred = (
        threshold(low, np.full(len(low), u), high, np.full(len(high), u)).standard_uncertainty
        for u in (0.001, 0.15)
    )
    assert blurred > 1.5 * sharp


def test_four_times_the_photos_halve_the_uncertainty():
    # The information of independent labels adds up: the standard error goes with 1/sqrt(n).
    random = np.random.default_rng(3)
    small, large = [], []
    for count, found in ((60, small), (240, large)):
        for _ in range(12):
            values = random.uniform(0.0, 0.8, count)
            upper = values + 0.1 * random.standard_normal(count) > 0.4
            found.append(exactly(values[~upper], values[upper]).standard_uncertainty)
    assert np.mean(small) / np.mean(large) == pytest.approx(2.0, rel=0.15)


@pytest.mark.parametrize(("hesitation", "u"), [(0.08, 0.015), (0.02, 0.01), (0.0, 0.01)])
def test_the_stated_uncertainty_holds(hesitation, u):
    """Simulated people whose limit is known: k = 2 is to hold it in about 95 %, with few photos in more."""
    random = np.random.default_rng(11)
    inside = 0
    repeats = 150
    for _ in range(repeats):
        upper = np.zeros(1, bool)
        while min(upper.sum(), (~upper).sum()) < MIN_PHOTOS_PER_CLASS:
            true = random.uniform(0.0, 0.8, 20)
            upper = true + hesitation * random.standard_normal(20) > 0.37
        seen = true + u * random.standard_normal(20)
        found = threshold(seen[~upper], np.full((~upper).sum(), u), seen[upper], np.full(upper.sum(), u))
        inside += abs(found.value - 0.37) < 2 * found.standard_uncertainty
    # 93 % less three standard deviations of a share of 150
    assert inside / repeats > 0.93 - 3 * np.sqrt(0.93 * 0.07 / repeats)


# --- both limits from labelled photos ---------------------------------------------------------------------


def test_limits_misfits_and_what_changes():
    odd = Labelled("odd.jpg", "elliptical", 0.7, 0.01, 0.31, 0.002)
    own = learn([*SHUT, *ELLIPTICAL, *ROUND, odd], LIMITS)
    assert own.height.gap == (0.12, 0.20)
    assert 0.12 < own.limits.shut_below_height_mm < 0.20
    assert own.ratio.gap is None  # the odd one is rounder than some round ones
    assert [(photo.photo, shape) for photo, shape in own.otherwise] == [("odd.jpg", "round")]
    # the present limit, 0.25, puts the first round one (0.22) into another class as well
    assert own.otherwise_now == 2
    assert set(own.changes) == {"shut_below_height_mm", "round_from_ratio"}


@pytest.mark.parametrize(
    ("photos", "learned", "wanting"),
    [
        ([*SHUT, *ELLIPTICAL], (True, False), {"round": 5}),
        ([*ELLIPTICAL, *ROUND[:3]], (False, False), {"round": 2}),
        ([*SHUT], (False, False), {"elliptical": 5, "round": 5}),
        ([*SHUT[:4], *ELLIPTICAL, *ROUND], (False, True), {}),
        ([], (False, False), {"elliptical": 5, "round": 5}),
    ],
)
def test_a_limit_with_too_few_photos_is_left_alone(photos, learned, wanting):
    own = learn(photos, Limits())
    assert (own.height.learned is not None, own.ratio.learned is not None) == learned
    assert own.ratio.wanting == wanting
    if not learned[0]:
        assert own.limits.shut_below_height_mm == Limits().shut_below_height_mm
    if not learned[1]:
        assert own.limits.round_from_ratio == Limits().round_from_ratio


def test_labels_that_go_against_their_order_are_refused():
    swapped = [*reeds("shut", [0.5, 0.6, 0.8, 0.9, 1.2]), *reeds("elliptical", [0.02, 0.03, 0.05, 0.06, 0.1])]
    with pytest.raises(LabelError, match=r"elliptical are not higher than .* shut .*mixed up"):
        learn(swapped, Limits())
    flat = reeds("round", [0.8, 0.8, 0.9, 1.0, 1.0], [0.07] * 5)
    with pytest.raises(LabelError, match=r"round are not rounder than .* elliptical"):
        learn([*ELLIPTICAL, *flat], Limits())


def test_wide_never_begins_above_round():
    # round from about 0.13: below the 0.18 from which openings are called wide
    low = reeds("elliptical", [0.6] * 5, [0.08, 0.09, 0.10, 0.11, 0.12])
    high = reeds("round", [1.0] * 5, [0.14, 0.15, 0.16, 0.17, 0.19])
    own = learn([*low, *high], Limits())
    assert 0.12 < own.limits.round_from_ratio < 0.14
    assert own.changes["wide_from_ratio"] == own.limits.round_from_ratio


def test_classes_far_apart_with_few_photos_are_called_not_well_known():
    own = learn([*reeds("shut", [0.02] * 5), *reeds("elliptical", [0.9, 1.0, 1.0, 1.1, 1.1])], Limits())
    assert own.height.is_wide_open(2.0)
    close = np.linspace(0.1, 0.3, 30)
    own = learn([*reeds("shut", close[:15]), *reeds("elliptical", close[15:])], Limits())
    assert not own.height.is_wide_open(2.0)


def test_photos_in_review_are_left_out_unless_only_for_a_limit_or_a_name(measured, refused):
    assert reason_to_leave_out(measured()) is None
    assert reason_to_leave_out(measured(flags=("borderline", "reed-contradiction", "wide"))) is None
    assert "blurred" in reason_to_leave_out(measured(flags=("borderline", "blurred")))
    assert "card" in reason_to_leave_out(refused(code="no-card"))
    with pytest.raises(ValueError, match="refused"):
        labelled(refused(), "shut")
    found = labelled(measured(height_mm=0.8, u=(0.01, 0.03, 0.06, 0.0015), scale_u=0.0), "round")
    assert (found.label, found.height_mm) == ("round", pytest.approx(0.8, rel=1e-3))
    assert (found.u_height_mm, found.u_ellipse_ratio) == pytest.approx((0.01, 0.0015))


# --- which photo has which label --------------------------------------------------------------------------


@pytest.fixture
def box(tmp_path):
    """A box of folders with one file each; the files differ."""
    for name in ("shut/a.jpg", "Elliptical/dry/b.jpg", "round/c.heic", "round/notes.txt"):
        (tmp_path / "box" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "box" / name).write_bytes(name.encode())
    return tmp_path / "box"


def names(given):
    return {path.name: label for path, label in given.labels.items()}


def test_labels_are_the_names_of_folders(box):
    assert names(labelled_photos([box])) == {"a.jpg": "shut", "b.jpg": "elliptical", "c.heic": "round"}
    assert names(labelled_photos([box / "shut", box / "round" / "c.heic"])) == {
        "a.jpg": "shut",
        "c.heic": "round",
    }


def test_a_folder_above_the_one_given_is_no_label(tmp_path):
    (tmp_path / "round" / "box" / "shut").mkdir(parents=True)
    (tmp_path / "round" / "box" / "shut" / "a.jpg").write_bytes(b"a")
    assert names(labelled_photos([tmp_path / "round" / "box"])) == {"a.jpg": "shut"}
    with pytest.raises(LabelError, match="two labels: round and shut"):
        labelled_photos([tmp_path / "round"])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("eliptical/d.jpg", "did you mean elliptical"),
        ("oval/d.jpg", "no folder called shut, elliptical or round"),
        ("d.jpg", "no folder called"),
    ],
)
def test_photos_without_a_label_are_named(box, name, words):
    (box / name).parent.mkdir(exist_ok=True)
    (box / name).write_bytes(b"d")
    with pytest.raises(LabelError, match=words) as error:
        labelled_photos([box])
    assert "d.jpg" in str(error.value)


def test_nothing_there_is_said(tmp_path):
    (tmp_path / "shut").mkdir()
    with pytest.raises(LabelError, match="no labelled photo"):
        labelled_photos([tmp_path])
    with pytest.raises(LabelError, match=r"there is no .*nowhere"):
        labelled_photos([tmp_path / "nowhere"])


@pytest.mark.parametrize("text", ["photo,label\nd.jpg,Shut\n", "\ufeffLabel;n;Photo\r\nshut;1;d.jpg\r\n\r\n"])
def test_labels_from_a_table(tmp_path, text):
    (tmp_path / "d.jpg").write_bytes(b"d")
    (tmp_path / "labels.CSV").write_text(text, encoding="utf-8", newline="")
    assert labelled_photos([tmp_path / "labels.CSV"]).labels == {tmp_path / "d.jpg": "shut"}


def test_a_table_may_leave_labels_empty_and_give_paths_from_here(tmp_path, monkeypatch):
    (tmp_path / "reeds").mkdir()
    for name in ("d.jpg", "e.jpg"):
        (tmp_path / "reeds" / name).write_bytes(name.encode())
    table = tmp_path / "tables" / "labels.csv"
    table.parent.mkdir()
    table.write_text("photo,label\nreeds/d.jpg,round\nreeds/e.jpg,\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    given = labelled_photos([table])
    assert (given.labels, given.unlabelled_rows) == ({Path("reeds/d.jpg"): "round"}, 1)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"photo,label\nd.jpg,oval\n", "line 2: “oval” is no label"),
        (b"photo,label\nd.jpg,elipitcal\n", "did you mean elliptical"),
        (b"photo,class\nd.jpg,shut\n", "needs the columns photo and label"),
        (b"", "needs the columns"),
        (b"photo,label\nnone.jpg,shut\n", "line 2: there is no photo none.jpg"),
        (b"photo,label\n,shut\n", "line 2: there is no photo named"),
        ("photo,label\nd\u00e9.jpg,shut\n".encode("cp1252"), "UTF-8"),
        (b"photo,label\n", "no labelled photo"),
        (b"photo,label\nd.jpg\n", "no labelled photo"),
    ],
)
def test_tables_that_cannot_be_used(tmp_path, content, words):
    (tmp_path / "d.jpg").write_bytes(b"d")
    (tmp_path / "labels.csv").write_bytes(content)
    with pytest.raises(LabelError, match=words):
        labelled_photos([tmp_path / "labels.csv"])


def test_a_photo_counts_once_and_has_one_label(box):
    shutil.copy(box / "shut" / "a.jpg", box / "shut" / "again.jpg")
    given = labelled_photos([box, box / "shut"])
    assert [path.name for path in given.labels].count("a.jpg") == 1
    assert {path.name for path in given.repeated} == {"a.jpg", "again.jpg"}
    shutil.copy(box / "shut" / "a.jpg", box / "round" / "z.jpg")
    with pytest.raises(LabelError, match=r"two labels: .*(a|z)\.jpg is \w+, .*(a|z)\.jpg is \w+"):
        labelled_photos([box])


# --- the settings file ------------------------------------------------------------------------------------

CHANGES = {"shut_below_height_mm": 0.21, "round_from_ratio": 0.3}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "workers = 3\n",
        settings_template(),
        "# mine\r\nruler_mm = 49.0 # measured in May\r\n[limits]\r\n\r\n# wide\r\nwide_from_ratio = 0.2\r\n",
        "limits.round_from_ratio = 0.4 # dotted\nworkers = 2\n",
        "limits = { round_from_ratio = 0.4, wide_from_ratio = 0.2 }\n",
        "[photo]\nmin_px_per_mm = 9.0\n[limits]\nround_from_ratio = 0.4\n[uncertainty]\nreed_lean_deg = 5.0",
    ],
)
def test_all_else_in_the_settings_file_stays(tmp_path, text):
    before = tomllib.loads(text)
    after = changed_settings(text, CHANGES)
    expected = {**before, "limits": {**before.get("limits", {}), **CHANGES}}
    assert tomllib.loads(after) == expected
    for line in text.splitlines():
        if line.startswith("#") or " # " in line:
            assert line.rpartition("#")[2] in after, line
    (tmp_path / "s.toml").write_text(after, encoding="utf-8", newline="")
    assert load_settings(tmp_path / "s.toml").limits.shut_below_height_mm == 0.21


# --- the command ------------------------------------------------------------------------------------------


def run(*arguments, expect=0):
    result = CliRunner().invoke(app, ["limits", *map(str, arguments)])
    assert "Traceback" not in result.output
    assert result.exit_code == expect, result.output
    return " ".join(result.stdout.split()), " ".join(result.stderr.replace("│", " ").split())


@pytest.fixture
def taught(tmp_path, monkeypatch, measured, refused):
    """A folder of labelled photos whose results are known: gaps from 0.10 to 0.30 mm and 0.20 to 0.28."""
    heights = {
        "shut": [0.02, 0.04, 0.06, 0.08, 0.10],
        "elliptical": [0.30, 0.5, 0.7, 1.0, 1.4],
        "round": [7 * ratio for ratio in (0.28, 0.29, 0.30, 0.31, 0.32)],
    }
    results = {f"{label}{i}.jpg": height for label in heights for i, height in enumerate(heights[label])}
    folder = tmp_path / "taught"
    for name in [*results, "shut-refused.jpg", "round-blurred.jpg"]:
        label = name.split("-")[0].rstrip("0123456789.jpg")
        (folder / label).mkdir(parents=True, exist_ok=True)
        (folder / label / name).write_bytes(name.encode())

    def measure(path, settings, *, reed, state, name=None, photo=None):
        if "refused" in path.name:
            return refused(path, "too-dark")
        if "blurred" in path.name:
            return measured(path, height_mm=0.3, flags=("blurred",))
        return measured(path, height_mm=results[path.name])

    monkeypatch.setattr(measuring, "measure", measure)
    monkeypatch.chdir(tmp_path)
    return folder


def test_what_is_learned_is_shown_and_not_written(taught, tmp_path):
    file = tmp_path / "my.toml"
    file.write_text("# mine\nworkers = 1\n", encoding="utf-8")
    output, _ = run(taught, "--settings", file)
    assert "Limits learned from your 15 photos (5 shut, 5 elliptical, 5 round)" in output
    assert "Between shut and elliptical your photos leave a gap from 0.100 to 0.300 mm" in output
    assert "Your present limit lies in it, too" in output
    assert "Careful: this limit is not well known yet. Photos of openings with a height between" in output
    assert "15 of 15 photos get the class you gave them" in output
    assert "shut-refused.jpg: The photo is too dark." in output
    assert "round-blurred.jpg: The photo is somewhat blurred." in output
    assert "Nothing was written. --write does it." in output
    assert file.read_text(encoding="utf-8") == "# mine\nworkers = 1\n"


def test_write_writes_the_limits_and_a_second_time_changes_nothing(taught, tmp_path):
    file = tmp_path / "my.toml"
    file.write_text("# mine\nworkers = 1\n", encoding="utf-8")
    output, _ = run(taught, "--settings", file, "--write")
    assert f"Written to {file}" in output
    written = file.read_text(encoding="utf-8")
    assert written.startswith("# mine\nworkers = 1\n")
    limits = load_settings(file).limits
    assert 0.10 < limits.shut_below_height_mm < 0.30
    assert 0.20 < limits.round_from_ratio < 0.28
    output, _ = run(taught, "--settings", file, "--write")
    assert "Nothing to change in your settings." in output
    assert file.read_text(encoding="utf-8") == written


def test_without_a_settings_file_one_is_made_where_settings_looks(taught, tmp_path, monkeypatch):
    place = tmp_path / "configuration" / "aperture" / "settings.toml"
    monkeypatch.setattr("aperture.settings.settings_path", lambda: place)
    run(taught, "--workers", 1)
    assert not place.parent.exists()
    run(taught, "--workers", 1, "--write")
    assert set(tomllib.loads(place.read_text(encoding="utf-8"))) == {"limits"}


def test_a_full_disk_leaves_the_settings_as_they_were(taught, tmp_path, monkeypatch):
    def full(descriptor):
        raise OSError(28, "No space left on device")

    file = tmp_path / "my.toml"
    file.write_text("workers = 1\n", encoding="utf-8")
    monkeypatch.setattr(os, "fsync", full)
    _, errors = run(taught, "--settings", file, "--write", expect=2)
    assert "No space left on device" in errors
    assert file.read_text(encoding="utf-8") == "workers = 1\n"
    assert [path.name for path in tmp_path.iterdir() if path.name.endswith(".part")] == []


def test_wrong_use_is_said_before_anything_is_measured(taught, tmp_path, monkeypatch):
    def never(*_, **__):
        raise AssertionError("measured in vain")

    monkeypatch.setattr(measuring, "measure", never)
    (taught / "oval").mkdir()
    (taught / "oval" / "x.jpg").write_bytes(b"x")
    _, errors = run(taught, expect=2)
    assert "no folder called shut, elliptical or round" in errors
    _, errors = run(tmp_path / "nothing", expect=2)
    assert "there is no" in errors
    (tmp_path / "bad.toml").write_text("workers = maybe", encoding="utf-8")
    _, errors = run(taught, "--settings", tmp_path / "bad.toml", expect=2)
    assert "settings" in errors.lower()


def test_folders_that_were_mixed_up_are_refused(taught):
    (taught / "shut").rename(taught / "kept")
    (taught / "elliptical").rename(taught / "shut")
    (taught / "kept").rename(taught / "elliptical")
    _, errors = run(taught, "--workers", 1, "--write", expect=2)
    assert "were they mixed up?" in errors


def test_real_photos_too_few_to_learn_from(tmp_path):
    """Two rendered photos, measured for good: counted by their labels, and nothing is changed."""
    for name, label in (("shut", "shut"), ("round-22", "round")):
        (tmp_path / label).mkdir()
        shutil.copy(PHOTOS / f"{name}.jpg", tmp_path / label)
    (tmp_path / "my.toml").write_text("workers = 1\n", encoding="utf-8")
    output, _ = run(tmp_path, "--settings", tmp_path / "my.toml", "--write", expect=3)
    assert "your 2 photos (1 shut, 0 elliptical, 1 round)" in output
    assert "4 more labelled shut and 5 more labelled elliptical" in output
    assert "2 of 2 photos get the class you gave them" in output
    assert (tmp_path / "my.toml").read_text(encoding="utf-8") == "workers = 1\n"
