"""Repeats sorted by reed, person and session; what counts; what is said; and `aperture repeat` itself.

Most measurements are made up; one test measures four photos.
"""

import csv
import io
import json
import re
import shutil
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from aperture.batch import measuring
from aperture.cli.app import app
from aperture.errors import SettingsError
from aperture.present.repeat_report import json_text, repeats_csv
from aperture.present.repeat_screen import explanations, headline, limit_words, sentences, show_repeats
from aperture.present.screen import make_console
from aperture.studies.repeat_study import check_folders, person_and_session, study_repeats
from aperture.studies.repeatability import PHOTO, Interval

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos"
FOLDER = Path("reeds")
MONDAY, TUESDAY = datetime(2026, 10, 5, 9), datetime(2026, 10, 6, 9)


@pytest.fixture
def take(measured):
    """take("person-A", reed, height_mm, ...) is a measured photo with a content of its own."""
    count = iter(range(1000))

    def one(folder, reed, height_mm, **more):
        number = next(count)
        more = {"sha256": str(number), **more}
        return measured(FOLDER / folder / f"R{reed}_{number}.jpg", reed=reed, height_mm=height_mm, **more)

    return one


def scattered(take, folders=("",), reeds=4, photos=3, days=(None,), seed=5, **more):
    """Reeds of 0.5, 0.7, … mm; photos scatter by 0.01 mm."""
    chance = np.random.default_rng(seed)
    return [
        take(folder, reed + 1, 0.5 + 0.2 * reed + chance.normal(0, 0.01), taken=day, **more)
        for folder in folders
        for day in days
        for reed in range(reeds)
        for _ in range(photos)
    ]


def only_state(study):
    (state,) = study.studies
    return state


def parts_of(state):
    return set(state.quantities["height_mm"].spreads.components)


# --- who and when ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "who"),
    [
        ("a.jpg", (None, None)),
        ("person-A/a.jpg", ("A", None)),
        ("Person b/dry/a.jpg", ("B", None)),
        ("person_12/session-2/a.jpg", ("12", "2")),
        ("session Monday/person3/a.jpg", ("3", "monday")),
        ("Personal/personnel/a.jpg", (None, None)),
        ("dry/R07/IMG_1.jpg", (None, None)),
        ("person-A.jpg", (None, None)),
    ],
)
def test_folders_say_who_and_when(path, who):
    assert person_and_session(FOLDER / path, FOLDER) == who


def test_without_a_folder_the_day_is_the_session():
    assert person_and_session(FOLDER / "a.jpg", FOLDER, MONDAY) == (None, "2026-10-05")
    assert person_and_session(FOLDER / "session-2/a.jpg", FOLDER, MONDAY) == (None, "2")


def test_folders_around_the_given_one_say_nothing():
    folder = Path("person-A/session-1")
    assert person_and_session(folder / "a.jpg", folder) == (None, None)


@pytest.mark.parametrize("name", ["person-Jane", "person-Tim", "person A B", "person-ÄÖ", "person_J.D."])
def test_a_name_is_no_code(name):
    with pytest.raises(SettingsError, match="Never use a name"):
        check_folders([FOLDER / "a.jpg", FOLDER / name / "b.jpg"], FOLDER)


# --- what counts ----------------------------------------------------------------------------------


def test_what_does_not_count_is_listed_with_its_reason(take, refused):
    good = [take("", 1, height) for height in (0.50, 0.51, 0.52)]
    bad = {
        "The scale card was not found.": refused(FOLDER / "x.jpg"),
        f"It is a copy of {Path(good[0].photo).name}.": take("", 1, 0.50, sha256=good[0].sha256),
        "The photo is somewhat blurred.": take("", 1, 0.60, flags=("blurred",)),
        "There is more than one reed tag in the picture.": take("", 1, 0.60, flags=("two-reed-tags",)),
        "Nothing says which reed this is.": take("", None, 0.60),
        "Its state is not known.": take("", 1, 0.60, state=None),
    }
    study = study_repeats([*good, *bad.values()], FOLDER)
    assert [photo.measurement for photo in study.counted] == good
    assert [(photo.why, photo.measurement) for photo in study.left_out] == list(bad.items())
    assert all(photo.advice for photo in study.left_out)


def test_reviewed_photos_count_when_asked_for_but_never_of_a_doubtful_reed(take):
    photos = [
        take("", 1, 0.50),
        take("", 1, 0.51, flags=("blurred", "steep")),
        take("", 1, 0.52, flags=("blurred", "reed-contradiction")),
    ]
    study = study_repeats(photos, FOLDER, include_reviewed=True)
    assert [photo.measurement for photo in study.counted] == photos[:2]


def test_borderline_and_notes_are_no_reason_to_leave_a_photo_out(take):
    photos = [take("", 1, 0.50, flags=("thin-slit",)), take("", 1, 7 * 0.2495)]
    assert "borderline" in photos[1].flags
    assert len(study_repeats(photos, FOLDER).counted) == 2


def test_photos_outside_the_folders_of_people_do_not_count(take):
    photos = [*scattered(take, ["person-A", "person-B"]), take("", 1, 0.5)]
    study = study_repeats(photos, FOLDER)
    assert [photo.why for photo in study.left_out] == ["It lies in nobody's folder, as others do."]
    assert only_state(study).number_of("person") == 2


def test_dry_and_soaked_are_studied_apart(take):
    """Common practice, no published source: soaking opens a reed, so its change is no scatter of photos."""
    photos = scattered(take, state="dry") + [take("", 1, height, state="soaked") for height in (1.50, 1.52)]
    dry, soaked = study_repeats(photos, FOLDER).studies
    assert (dry.state, len(dry.photos), soaked.state, len(soaked.photos)) == ("dry", 12, "soaked", 2)
    assert dry.quantities["height_mm"].spreads.components[PHOTO].estimate < 0.03
    assert "A soaked reed dries while you photograph it" in " ".join(sentences(soaked))
    assert "dries" not in " ".join(sentences(dry))


def test_a_state_without_repeats_is_named(take):
    study = study_repeats([*scattered(take), take("", 1, 0.9, state="soaked")], FOLDER)
    assert only_state(study).state == "dry"
    assert study.remarks == ("Soaked: each reed has one photo only, which says nothing here.",)


def test_no_repeats_no_study(take):
    assert study_repeats([take("", 1, 0.5), take("", 2, 0.6)], FOLDER).studies == ()
    assert study_repeats([], FOLDER).studies == ()


# --- what can be told -----------------------------------------------------------------------------


def test_people_and_days_become_parts(take):
    photos = scattered(take, ["person-A", "person-B"], days=(MONDAY, TUESDAY))
    state = only_state(study_repeats(photos, FOLDER))
    assert headline(state) == "Dry: 48 photos of 4 reeds, by 2 people (A, B), 4 sessions"
    assert {"reed", "person", "session", PHOTO} <= parts_of(state)
    assert state.notes == ()
    assert state.quantities["height_mm"].sessions is not None


def test_photos_without_a_date_leave_sessions_out_and_say_so(take):
    photos = [*scattered(take, days=(MONDAY, TUESDAY)), take("", 1, 0.5)]
    state = only_state(study_repeats(photos, FOLDER))
    assert parts_of(state) == {"reed", PHOTO}
    assert "1 of 25 photos carry no date" in " ".join(state.notes)
    assert "session" not in headline(state)


def test_a_photo_a_day_shows_days_and_photos_together(take):
    state = only_state(study_repeats(scattered(take, photos=1, days=(MONDAY, TUESDAY)), FOLDER))
    assert parts_of(state) == {"reed", PHOTO}
    assert "sessions are not compared" in " ".join(state.notes)


def test_a_photo_a_person_shows_people_and_photos_together(take):
    state = only_state(study_repeats(scattered(take, ["person-A", "person-B"], photos=1), FOLDER))
    assert parts_of(state) == {"reed", PHOTO}
    assert "people are not compared" in " ".join(state.notes)


def test_people_with_their_own_reeds_are_told_so(take):
    photos = [take(f"person-{'AB'[reed % 2]}", reed, 0.5 + 0.01 * n) for reed in (1, 2, 3, 4) for n in (0, 1)]
    state = only_state(study_repeats(photos, FOLDER))
    assert "Each person photographed other reeds" in " ".join(state.notes)


def test_days_with_their_own_reeds_are_told_so(take):
    days = {1: MONDAY, 2: TUESDAY}
    photos = [take("", reed, 0.5 + 0.01 * n, taken=days[reed]) for reed in days for n in (0, 1)]
    state = only_state(study_repeats(photos, FOLDER))
    assert "Each session shows other reeds" in " ".join(state.notes)


# --- what is said ---------------------------------------------------------------------------------


def test_the_first_sentence_is_the_repeatability_limit(take):
    """ISO 5725-6: r = 2.8 s_r (factor from memory).

    Two photos of each of two reeds, 0.01 and 0.03 mm apart: s_r² = (0.01² + 0.03²) / 2 / 2, r = 0.0443 mm.
    Its ends with chi-square's common percentage points for 2 degrees of freedom, 7.378 and 0.0506:
    0.0443 √(2/7.378) = 0.023 and 0.0443 √(2/0.0506) = 0.278 mm.
    """
    heights = ((1, 0.50), (1, 0.51), (2, 0.80), (2, 0.83))
    state = only_state(study_repeats([take("", reed, height) for reed, height in heights], FOLDER))
    first, second, *_ = sentences(state)
    assert first.startswith("Two photos of the same reed differ by up to 0.044 mm (between 0.023 and 0.278)")
    assert second.startswith("2 repeats only (4 photos of 2 reeds), so this is known very little.")


def test_many_photos_are_not_told_that_they_are_few(take):
    words = " ".join(sentences(only_state(study_repeats(scattered(take, reeds=10, photos=4), FOLDER))))
    assert "repeats only" not in words
    assert "hardly known" not in words
    assert re.search(r"sorts these reeds into about \d+ kinds of height \(between \d+ and \d+\)\.", words)


def test_an_end_that_says_nothing_is_not_printed():
    assert limit_words(Interval(0.010, 0.005, 0.020), "mm") == "0.028 mm (between 0.014 and 0.056)"
    words = limit_words(Interval(0.010, 0.005, 3.0), "mm")
    assert words == "0.028 mm (at least 0.014; too little is known for an upper end)"


def test_scatter_is_compared_with_the_stated_uncertainty(take):
    """± without the printed scale (shared by all photos of a card): made up as 0.01 mm, then as 0.0001 mm."""
    honest = only_state(study_repeats(scattered(take, u=(0.01, 1.0, 1.0, 1.0), scale_u=0.2), FOLDER))
    assert honest.quantities["height_mm"].stated_u == pytest.approx(0.01)
    assert "No sign that ± is too small" in " ".join(sentences(honest))
    bold = only_state(study_repeats(scattered(take, u=(1e-4, 1.0, 1.0, 1.0)), FOLDER))
    assert "More than 100 % in height: ± is too small" in " ".join(sentences(bold))


def test_photos_out_of_line_are_named(take):
    mixed_up = [take("", 9, 0.5), take("", 9, 0.9)]
    words = " ".join(sentences(only_state(study_repeats(scattered(take) + mixed_up, FOLDER))))
    names = ", ".join(Path(photo.photo).name for photo in mixed_up)
    assert f"Look at {names}: they differ far more" in words
    assert "Look at" not in " ".join(sentences(only_state(study_repeats(scattered(take), FOLDER))))


def test_one_photo_under_several_names_of_content_is_suspicious(take):
    photos = [take("", reed, 0.5 + 0.1 * reed) for reed in (1, 2) for _ in range(2)]
    study = study_repeats(photos, FOLDER)
    assert next(sentences(only_state(study))).startswith("All photos of a reed gave exactly the same number.")
    json.loads(json_text(study))
    show_repeats(make_console(), study)


def test_all_rows_of_the_table_are_explained(take, capsys):
    photos = scattered(take, ["person-A", "person-B", "person-C"], days=(MONDAY, TUESDAY), photos=2)
    study = study_repeats(photos, FOLDER)
    show_repeats(make_console(), study)
    printed = capsys.readouterr().out
    assert "Dry: 48 photos of 4 reeds, by 3 people (A, B, C), 6 sessions" in printed
    for row in ("photo to photo (EV)", "people (AV)", "sessions", "all measuring (GRR)", "reeds (PV)"):
        assert re.search(rf"^{re.escape(row)} +\d", printed, re.MULTILINE), row
        assert re.search(rf"^{re.escape(row)}: \w", printed, re.MULTILINE), row
    assert re.search(r"^kinds told apart \(ndc\) +\d+ \(\d+ to \d+\)", printed, re.MULTILINE)
    assert "By the average-and-range method" in printed
    assert "(GUM H.5)" in printed
    assert "never touch the tip" in printed


def test_unequal_numbers_are_not_put_through_the_paper_method(take):
    state = only_state(study_repeats([*scattered(take), take("", 1, 0.5)], FOLDER))
    assert "average-and-range" not in " ".join(explanations(state))
    assert "unequal numbers allowed" in " ".join(explanations(state))


def test_json_and_csv_hold_the_same_photos(take):
    study = study_repeats(scattered(take, ["person-A", "person-B"]), FOLDER)
    found = json.loads(json_text(study))
    rows = list(csv.DictReader(io.StringIO(repeats_csv(study).decode())))
    assert len(found["counted"]) == len(rows) == found["photos"] == 24
    assert {row["person"] for row in rows} == {"A", "B"}
    height = found["studies"][0]["quantities"]["height_mm"]
    values = np.array([float(row["height_mm"]) for row in rows])
    assert sum(line["sum_of_squares"] for line in height["analysis_of_variance"]) == pytest.approx(
        np.sum((values - values.mean()) ** 2)
    )
    assert set(found["studies"][0]["quantities"]) == {"height_mm", "width_mm", "area_mm2", "ellipse_ratio"}


# --- the command ----------------------------------------------------------------------------------


def run(*arguments, expect=0):
    result = CliRunner().invoke(app, ["repeat", *map(str, arguments), "--workers", "1"])
    assert "Traceback" not in result.output
    assert result.exit_code == expect, result.output
    return result.stdout, re.sub(r"[\s│]+", " ", result.stderr)


@pytest.fixture
def folder(tmp_path, monkeypatch, measured, refused):
    """Two people, three reeds, two photos each, of made-up results; and a photo that is refused."""

    def measure(path, settings, *, reed, state, name=None, photo=None):
        if "bad" in path.name:
            return refused(path, "too-blurred")
        number = int(path.stem[1])
        height = 0.4 + 0.2 * number + 0.002 * len(path.stem)
        return measured(path, reed=number, state=state or "dry", height_mm=height, sha256=str(path))

    monkeypatch.setattr(measuring, "measure", measure)
    for person in "AB":
        (tmp_path / f"person-{person}").mkdir()
        for reed in (1, 2, 3):
            for ending in ("", "_again"):
                (tmp_path / f"person-{person}" / f"R{reed}{ending}.jpg").touch()
    return tmp_path


def test_the_command_prints_sentences_and_a_table(folder):
    output, errors = run(folder)
    assert output.startswith(
        "Dry: 12 photos of 3 reeds, by 2 people (A, B)\n- Two photos of the same reed by"
    )
    assert errors == ""


def test_json_is_one_object_and_nothing_else(folder):
    (folder / "person-A" / "bad.jpg").touch()
    output, errors = run(folder, "--json", "--csv", folder / "t.csv", expect=3)
    found = json.loads(output)
    assert output.count("\n") == 1
    assert [len(found["counted"]), len(found["left_out"])] == [12, 1]
    assert len((folder / "t.csv").read_text().splitlines()) == 13
    assert errors == ""


def test_a_photo_of_each_reed_is_told_what_to_photograph(folder):
    for path in folder.glob("*/*_again.jpg"):
        path.unlink()
    (folder / "person-A" / "bad.jpg").touch()
    for options in ([], ["--json"]):
        output, errors = run(folder / "person-A", *options, expect=2)
        assert output == ""
        assert "bad.jpg: The photo is too blurred." in errors
        assert (
            "Photograph the same reeds, at least 2 photos each; take the reed out and put it back" in errors
        )


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("person-A/R1.jpg", "is a file"),
        ("nowhere", "does not exist"),
        ("empty", "there is no photo in"),
        ("named", "Never use a name"),
    ],
)
def test_wrong_usage(folder, path, words):
    (folder / "empty").mkdir()
    (folder / "named" / "person-Jane").mkdir(parents=True)
    (folder / "named" / "person-Jane" / "R1.jpg").touch()
    _, errors = run(folder / path, expect=2)
    assert words in errors


def test_four_photos_the_whole_way(tmp_path):
    """Two meshes, two rendered photos of each from other places: the truth does not scatter at all.

    Each photo is held to 0.03 mm of the truth elsewhere, so that two of one mesh differ by 0.06 mm at most.
    """
    names = {
        "dark-background": "R01_1",
        "print-097": "R01_2",
        "open-09": "R02_1",
        "leaned": "R02_2",
    }
    truth = {}
    for name, copy in names.items():
        shutil.copy(PHOTOS / f"{name}.jpg", tmp_path / f"{copy}.jpg")
        known = json.loads((PHOTOS / f"{name}.json").read_text(encoding="utf-8"))["truth"]
        truth.setdefault(copy[:3], set()).add(round(known["feret_min_mm"], 3))
    assert [len(heights) for heights in truth.values()] == [1, 1]
    output, _ = run(tmp_path, "--json")
    (state,) = json.loads(output)["studies"]
    height = state["quantities"]["height_mm"]
    assert (state["photos"], state["reeds"], height["repeats"]) == (4, 2, 2)
    assert 0.0 < height["spreads"]["photo"]["estimate"] < 0.06 / 2**0.5
    assert height["spreads"]["photo"]["low"] < height["stated_u"]
