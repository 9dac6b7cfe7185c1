"""The command's parts that measure nothing: remembering, recording, tables, bounds. Cases are made up."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from aperture.measure import Measurement, measure
from aperture.settings import Settings
from tests.accuracy import bounds, recorded, risk, run, tables, truth_photos
from tests.accuracy.__main__ import main
from tests.accuracy.figures import QUANTITIES, Case, figures
from tests.accuracy.truth_photos import COMMITTED, TruthPhoto, photos_in, settings_of

TYPED = {"ruler_mm": 48.61, "ruler_to_half_mm": 48.5, "tip_offset_mm": None}
TRUE = dict(zip(QUANTITIES, (0.8, 7.0, 3.8, 0.12), strict=True))


def case(name="made-1", height_error_mm=0.0, block="careful", **more):
    """A measured photo, a little too high."""
    facts = {
        "careful": True,
        "obstructed": False,
        "review": False,
        "flags": (),
        "true_class": "elliptical",
        "got_class": "elliptical",
        "true": TRUE,
        "got": {**TRUE, "height_mm": 0.8 + height_error_mm},
        "u": dict(zip(QUANTITIES, (0.02, 0.1, 0.1, 0.004), strict=True)),
    }
    return Case(name=name, block=block, **{**facts, **more})


REFUSED = {"got": None, "u": None, "got_class": None, "review": True, "flags": ("edge-weak",)}


def truth_file(folder, name="careful-01", block="careful", typed=TYPED):
    """A truth file and its photo, which is no photo."""
    folder.mkdir(parents=True, exist_ok=True)
    facts = {
        "design": {"name": name, "block": block, "careful": True, "obstructed": False, "typed": typed},
        "scene": {"name": name},
        "photo": {"file": f"{name}.jpg"},
        "truth": {"feret_min_mm": 0.8, "feret_max_mm": 7.0, "area_mm2": 3.8, "ellipse_ratio": 0.12},
    }
    (folder / f"{name}.json").write_text(json.dumps(facts))
    (folder / f"{name}.jpg").write_bytes(name.encode())
    return folder / f"{name}.jpg"


# --- finding photos -----------------------------------------------------------------------------------


def test_committed_photo_comes_before_one_in_the_cache(tmp_path):
    mine = truth_file(tmp_path / "mine")
    truth_file(tmp_path / "cache")
    other = truth_file(tmp_path / "cache", "far-1", "far")
    truth_file(tmp_path / "cache", "far-2", "far").unlink()  # its picture is still being rendered
    found = photos_in([tmp_path / "mine", tmp_path / "cache", tmp_path / "none"])
    assert [photo.path for photo in found] == [mine, other]
    assert found[0].true == TRUE
    assert found[1].block == "far"


def test_user_tells_what_a_user_can_know():
    """A ruler is read to half a millimetre; where the tip stands is told only where somebody measured it."""
    assert settings_of(TYPED) == Settings(ruler_mm=48.5)
    assert settings_of(TYPED, exact_ruler=True) == Settings(ruler_mm=48.61)
    measured = settings_of({**TYPED, "tip_offset_mm": 0.0})
    assert measured.tip_offset_is_measured
    assert measured.tip_offset_uncertainty_mm() < settings_of(TYPED).tip_offset_uncertainty_mm()


def test_photos_of_an_older_design_count_as_missing(tmp_path, monkeypatch):
    truth_file(tmp_path)
    truth_file(tmp_path, "far-1", "far")
    planned = [json.loads(path.read_text()) for path in sorted(tmp_path.glob("*.json"))]
    shots = [SimpleNamespace(scene=plan["scene"], design=plan["design"]) for plan in planned]
    monkeypatch.setattr(truth_photos, "shots", lambda draw: shots)
    assert truth_photos.not_there(photos_in([tmp_path])) == []
    shots[0].scene["seed"] = 5
    shots.append(SimpleNamespace(scene={"name": "far-2"}, design={}))
    assert truth_photos.not_there(photos_in([tmp_path])) == ["careful-01", "far-2"]


# --- remembering --------------------------------------------------------------------------------------


@pytest.fixture
def measured(monkeypatch):
    """Names of the photos that are measured, with a stand-in that refuses all of them."""
    names = []

    def stand_in(task, photos, workers, died):
        for path in photos:
            names.append(path.stem)
            yield Measurement(str(path), "refused", "", "", None, None, ("no-card",))

    monkeypatch.setattr(run, "run_in_order", stand_in)
    return names


def test_a_second_run_measures_only_what_is_new(tmp_path, measured, monkeypatch):
    truth_file(tmp_path)
    truth_file(tmp_path, "far-1", "far")
    first = run.measure_photos(photos_in([tmp_path]), 1, kept=tmp_path)
    assert measured == ["careful-01", "far-1"]
    assert [record["flags"] for record in first] == [["no-card"], ["no-card"]]
    truth_file(tmp_path, "far-2", "far")
    (tmp_path / "far-1.jpg").write_bytes(b"another picture")
    again = run.measure_photos(photos_in([tmp_path]), 1, kept=tmp_path)
    assert measured[2:] == ["far-1", "far-2"]
    assert again[0] == first[0]
    monkeypatch.setattr(run, "sources_hash", lambda: "another program")
    run.measure_photos(photos_in([tmp_path]), 1, kept=tmp_path)
    assert measured[4:] == ["careful-01", "far-1", "far-2"]


def test_what_the_user_tells_is_part_of_what_is_remembered(tmp_path, measured):
    truth_file(tmp_path)
    run.measure_photos(photos_in([tmp_path]), 1, kept=tmp_path)
    run.measure_photos(photos_in([tmp_path], exact_ruler=True), 1, kept=tmp_path)
    assert len(measured) == 2


def test_line_that_was_cut_off_is_measured_again(tmp_path, measured):
    truth_file(tmp_path)
    run.measure_photos(photos_in([tmp_path]), 1, kept=tmp_path)
    (memory,) = tmp_path.glob("results-*.jsonl")
    memory.write_text(memory.read_text()[:50])
    run.measure_photos(photos_in([tmp_path]), 1, kept=tmp_path)
    assert len(measured) == 2


def test_sources_are_told_apart(tmp_path, monkeypatch):
    (tmp_path / "__init__.py").write_text("")
    monkeypatch.setattr(run.aperture, "__file__", str(tmp_path / "__init__.py"))
    before = run.sources_hash()
    assert run.sources_hash() == before
    (tmp_path / "edges.py").write_text("x = 1")
    assert run.sources_hash() != before


@pytest.mark.parametrize("made", [case(height_error_mm=0.0123), case(**REFUSED)])
def test_record_keeps_a_case(made):
    record = json.loads(json.dumps(run.to_record(made, "abc")))
    assert run.from_record(record) == made


# --- recording and FIGURES.md -------------------------------------------------------------------------


def test_section_is_written_between_the_markers_and_can_go_stale(tmp_path):
    page, file = tmp_path / "FIGURES.md", tmp_path / "figures.json"
    page.write_text(f"Above\n\n{recorded.START}\nold\n{recorded.END}\n\nBelow\n", encoding="utf-8")
    records = [run.to_record(case(f"made-{i}", 0.001 * i), "abc") for i in range(5)]
    recorded.write(recorded.Recorded("9.9.9", "2026-01-02", "abc", records), file, page)
    text = page.read_text(encoding="utf-8")
    assert text.startswith("Above\n\n<!-- accuracy:start -->\nVersion 9.9.9, 2026-01-02: 5 rendered photos")
    assert text.endswith(f"{recorded.END}\n\nBelow\n")
    assert recorded.section_in(page) == recorded.read(file).section()
    page.write_text(text.replace("0.0020", "0.0019"), encoding="utf-8")
    assert recorded.section_in(page) != recorded.read(file).section()


def test_page_without_markers_is_left_alone(tmp_path):
    page = tmp_path / "FIGURES.md"
    page.write_text("Nothing here", encoding="utf-8")
    with pytest.raises(ValueError, match="accuracy:start"):
        recorded.section_in(page)


def test_write_refuses_without_the_whole_set(tmp_path, monkeypatch, capsys, measured):
    truth_file(tmp_path)
    monkeypatch.setenv("APERTURE_TRUTH_CACHE", str(tmp_path))
    monkeypatch.setattr("tests.accuracy.__main__.not_there", lambda photos, draw: ["far-3", "far-4"])
    monkeypatch.setattr(recorded, "write", lambda results: pytest.fail("must not be written"))
    assert main(["--write"]) == 2
    said = capsys.readouterr().out
    assert "far-3, far-4" in said
    assert truth_photos.RENDER_COMMAND in said
    assert measured == []


@pytest.mark.parametrize("wrong", [["--committed"], ["--exact-ruler"]])
def test_write_takes_nothing_but_the_whole_set_as_users_measure_it(wrong, capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["--write", *wrong])
    assert stopped.value.code == 2
    assert "whole set" in capsys.readouterr().err


# --- tables -------------------------------------------------------------------------------------------


def test_target_table_says_met_or_missed_by_how_much():
    cases = [case(f"made-{i}", 0.025) for i in range(20)] + [case("far-1", 0.1, careful=False)]
    rows = {line.split("|")[1].strip(): line for line in tables.target_table(cases).splitlines()}
    height = rows["careful: height error, 95th percentile"]
    assert [cell.strip() for cell in height.split("|")[2:6]] == [
        "at most 0.0200 mm",
        "0.0250 mm",
        "0.0250 mm",
        "**missed** by 0.0050 mm",
    ]
    assert "| met" in rows["careful: silent wrong"]
    assert "**missed** by 1 photos" in rows["the rest: silent wrong"]
    assert "at most 2.50 %" in rows["careful: area error, 95th percentile"]
    assert "| not known" in tables.target_table([case(careful=False)]).splitlines()[2]


def test_table_is_lined_up_markdown():
    lines = tables.table(["a", "long head"], [["wide cell", "1"], ["x", ""]]).splitlines()
    assert lines == [
        "| a         | long head |",
        "|-----------|-----------|",
        "| wide cell | 1         |",
        "| x         |           |",
    ]


def test_row_of_a_group_counts_what_became_of_its_photos():
    cases = [case("a", 0.01), case("b", 0.03, review=True, flags=("blurred", "wide")), case("c", **REFUSED)]
    head, _, row = (
        [cell.strip() for cell in line.split("|")[1:-1]]
        for line in tables.group_table({"all": cases}).splitlines()
    )
    found = dict(zip(head, row, strict=True))
    assert (found["n"], found["number"], found["to review"], found["refused"]) == ("3", "2", "1", "1")
    assert found["height: mean error"] == "+0.020 ± 0.020"  # two values: two standard errors are 0.02
    assert found["within ±"] == "88 %"  # 7 of 8 values
    assert found["most said"] == "`blurred` 1, `edge-weak` 1"  # a note is no complaint


def test_careful_block_and_careful_photos_are_not_mixed_up():
    cases = [case("careful-01"), case("heic-1", block="heic"), case("far-1", block="far", careful=False)]
    rows = [
        line.split("|")[1:3] for line in tables.section(cases, "1", "2026-01-02").splitlines() if "|" in line
    ]
    counts = {name.strip(): count.strip() for name, count in rows}
    assert counts["**careful**"] == "2"
    assert counts["no special nuisance"] == "1"
    assert counts["heic"] == "1"


def test_suspects_are_named_the_silent_ones_first():
    cases = [
        case("quiet", 0.062),
        case("known", 0.1, review=True),
        case("fine", 0.01),
        case("gone", **REFUSED),
        case("hidden", obstructed=True, **REFUSED),
        case("class", got_class="round"),
    ]
    lines = tables.suspects(cases).splitlines()
    assert [line.split("`")[1] for line in lines] == ["quiet", "class", "known", "gone"]
    assert lines[0] == "- `quiet`: height, mm: +0.0620 ± 0.0200, 3.1 times its ±, **silently**"
    assert "round, truly elliptical" in lines[1]
    assert lines[3] == "- `gone`: refused although good: `edge-weak`"
    assert tables.suspects([case()]) == "- none"


def test_photo_table_has_the_worst_first_and_the_refused_last():
    cases = [
        case("small", 0.01),
        case("gone", **REFUSED),
        case("large", -0.05, review=True, flags=("steep",)),
    ]
    rows = [[cell.strip() for cell in line.split("|")] for line in tables.photo_table(cases).splitlines()[2:]]
    assert [row[1] for row in rows] == ["large", "small", "gone"]
    assert rows[0][2:4] == ["0.800", "-0.0500 ± 0.0200"]
    assert rows[0][7:10] == ["2.5", "review", "steep"]
    assert rows[2][3:10] == ["–", "–", "–", "–", "–", "refused", "edge-weak"]


def test_confusion_table_has_true_classes_down():
    found = figures([case(), case(true_class="shut"), case(**REFUSED)])
    assert [line.replace(" ", "") for line in tables.confusion_table(found).splitlines()[2:]] == [
        "|trulyshut|0|1|0|0|",
        "|trulyelliptical|0|1|0|1|",
        "|trulyround|0|0|0|0|",
    ]


# --- bounds -------------------------------------------------------------------------------------------


def test_worse_figure_crosses_its_bound_and_a_better_one_does_not():
    cases = [case(f"made-{i}", 0.010) for i in range(10)]
    held = bounds.tightened(bounds.bounded(cases), {})
    assert bounds.worse(bounds.bounded(cases), held) == []
    assert bounds.worse(bounds.bounded([case(f"made-{i}", 0.009) for i in range(10)]), held) == []
    lines = bounds.worse(bounds.bounded([case(f"made-{i}", 0.012) for i in range(10)]), held)
    assert "careful: height_mm_percentile_95 is 0.012, its bound 0.01" in lines
    # and a wider ± is no way to a better coverage
    wide = [case(f"made-{i}", u=dict.fromkeys(QUANTITIES, 0.5)) for i in range(10)]
    assert any("usual_u" in line for line in bounds.worse(bounds.bounded(wide), held))


def test_figure_that_vanished_crosses_its_bound():
    held = bounds.tightened(bounds.bounded([case()]), {})
    assert any("percentile_95" in line for line in bounds.worse(bounds.bounded([case(**REFUSED)]), held))


def test_bounds_tighten_and_never_loosen():
    assert bounds.tightened({"all": {"a": 0.01234, "b": 3.0}}, {"all": {"a": 0.01, "c": 1.0}}) == {
        "all": {"a": 0.01, "b": 3.0, "c": 1.0}
    }


@pytest.mark.parametrize(
    ("value", "expected"),
    [(0.0, 0.0), (3.0, 3.0), (0.01234, 0.013), (0.013, 0.013), (4.81, 4.9), (99.2, 100.0)],
)
def test_rounding_up_to_two_digits(value, expected):
    assert bounds.round_up(value) == pytest.approx(expected, abs=1e-12)


def test_photo_stands_for_its_settings(tmp_path):
    truth_file(tmp_path)
    (photo,) = photos_in([tmp_path])
    assert isinstance(photo, TruthPhoto)
    assert photo.settings == Settings(ruler_mm=48.5)


def test_a_height_is_wrong_by_its_edges_and_by_the_geometry():
    (photo,) = (photo for photo in photos_in([COMMITTED]) if photo.name == "careful-19")
    seen, measured = risk.seen_in(photo), measure(photo.path, photo.settings)
    truth = json.loads(photo.facts.read_text(encoding="utf-8"))["truth"]
    of_height, _ = seen.geometry_error
    assert seen.edge_error_mm + of_height == pytest.approx(
        measured.geometry.height_mm - truth["feret_min_mm"], abs=1e-6
    )
    # what the budget says of all but the edges
    known = {part.source: np.array(part.effect) for part in measured.budget.contributions}
    u_mm = np.sqrt(sum(effect[0] ** 2 for name, effect in known.items() if "edge" not in name))
    assert abs(of_height) < 3 * u_mm


def test_the_risk_of_a_shift_is_told_for_photos_that_pass():
    photos = [photo for photo in photos_in([COMMITTED]) if photo.name in {"careful-19", "careful-54"}]
    table, below = risk.table(photos).split("\n\n")
    head, _, *rows = table.splitlines()
    assert "edge error" in head
    assert below.startswith("The true outline")
    shares = [int(row.split("|")[2].strip(" %")) for row in rows]
    assert shares == sorted(shares)
    assert shares[-1] == 100
