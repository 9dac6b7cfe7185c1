"""The settings file: what it says about itself, and what it says about a mistake."""

import math
import tomllib
from dataclasses import FrozenInstanceError, fields

import pytest

from aperture.errors import SettingsError
from aperture.flags import FLAGS
from aperture.settings import (
    Correction,
    Limits,
    PhotoLimits,
    Settings,
    Soaking,
    Uncertainty,
    change_settings,
    load_settings,
    settings_path,
    settings_template,
)


@pytest.fixture
def settings_file(tmp_path):
    def write(text):
        path = tmp_path / "réglages.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_default_limits_are_the_ones_documented():
    # Working values from memory, not validated: no published range of oboe tip openings was found.
    limits = Settings().limits
    assert (limits.shut_below_height_mm, limits.round_from_ratio, limits.wide_from_ratio) == (
        0.15,
        0.25,
        0.18,
    )


def test_up_to_where_a_reed_is_squeezed_is_called_a_working_value():
    """Common practice, no published source: squeezing is for moderately open reeds."""
    assert Settings().soaking.squeeze_below_ratio == 0.35
    (explained,) = (one for one in fields(Soaking) if one.name == "squeeze_below_ratio")
    assert "NOT validated" in explained.metadata["description"]


def test_the_template_read_back_gives_the_defaults(settings_file):
    assert load_settings(settings_file(settings_template())) == Settings()


def test_every_line_of_the_template_is_read(settings_file):
    # Each value changed in turn must change the settings: a field that is only printed would not.
    changed = {
        "workers = 0": "workers = 3",
        "first_year = 1995": "first_year = 2001",
        "tip_offset_is_measured = false": "tip_offset_is_measured = true",
        'water = "room"': 'water = "cold"',
        'wetted = "water"': 'wetted = "mouth"',
        'source = ""': 'source = "callipers"',
        'currency = ""': 'currency = "EUR"',
        'card = ""': 'card = "B"',
    }
    lines = [line for line in settings_template().splitlines() if " = " in line and not line.startswith("#")]
    groups = [Settings, Limits, PhotoLimits, Uncertainty, Soaking, Correction]
    assert len(lines) == sum(len(fields(group)) for group in groups) - 5  # less the five groups
    for line in lines:
        name, value = line.split(" = ")
        other = changed.get(line) or f"{name} = {float(value) * 0.97 + 0.011}"
        assert load_settings(settings_file(settings_template().replace(line, other))) != Settings(), line


def test_every_field_is_explained_with_its_unit():
    units = {
        "px_per_mm": "Pixels per mm",
        "_mm": "mm",
        "_deg": "Degrees",
        "_ratio": "No unit",
        "_seconds": "Seconds",
    }
    for model in (Settings, Limits, PhotoLimits, Uncertainty, Soaking, Correction):
        for field in fields(model):
            name = field.name
            if name in ("limits", "photo", "uncertainty", "soaking", "correction"):
                continue
            unit = next((unit for ending, unit in units.items() if name.endswith(ending)), "")
            description = field.metadata["description"]
            assert description, name
            assert description.startswith(unit), name
            first_words = " ".join(description.split()[:3])
            assert first_words in settings_template(), name


def test_the_template_says_that_the_limits_are_not_validated():
    text = " ".join(settings_template().replace("#", " ").split())
    assert "working values from memory, NOT validated" in text
    assert "no published range of oboe tip openings was found" in text
    assert "teacher have the last word" in text


def test_a_missing_line_stands_for_the_default(settings_file):
    settings = load_settings(settings_file("[limits]\nround_from_ratio = 0.3\n"))
    assert settings == Settings(limits=Limits(round_from_ratio=0.3))
    assert load_settings(settings_file("")) == Settings()


def test_a_whole_number_is_good_enough_for_a_length(settings_file):
    assert load_settings(settings_file("ruler_mm = 49")).ruler_mm == 49.0


def test_a_file_saved_with_a_byte_order_mark(tmp_path):
    # As text editors on Windows may save it.
    path = tmp_path / "settings.toml"
    path.write_bytes(b"\xef\xbb\xbfworkers = 2\r\n")
    assert load_settings(path).workers == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("rulr_mm = 50", ["rulr_mm", "no such setting", "ruler_mm?"]),
        ("[limits]\nroundness = 1", ["limits.roundness", "no such setting"]),
        ("[limit]\nround_from_ratio = 0.3", ["limit", "no such setting"]),
        ("limits = 3", ["limits", "group of settings", "3"]),
        ('ruler_mm = "50"', ["ruler_mm", "valid number", "'50'"]),
        ("ruler_mm = -1", ["ruler_mm", "greater than 0", "-1"]),
        ("ruler_mm = 2026-10-05", ["ruler_mm", "valid number", "2026-10-05"]),
        ("[photo]\ntilt_review_deg = 90", ["photo.tilt_review_deg", "less than 90"]),
        ('[soaking]\nwater = "hot"', ["soaking.water", "hot"]),
        ("photo_seconds = 1e300", ["photo_seconds", "less than or equal to 86400", "1e+300"]),
        ("photo_seconds = 1e-300", ["photo_seconds", "greater than or equal to 1", "1e-300"]),
        ("ruler_mm = 1e300", ["ruler_mm", "1e+300"]),
        ("[photo]\nmin_px_per_mm = 1e300", ["photo.min_px_per_mm", "1e+300"]),
        ("[photo]\nblur_refuse_mm = 1e300", ["photo.blur_refuse_mm", "1e+300"]),
        ("[limits]\nshut_below_height_mm = 1e300", ["limits.shut_below_height_mm", "1e+300"]),
        ("ruler_mm = inf", ["ruler_mm", "finite", "inf"]),
        ("workers = 1.5", ["workers", "integer", "1.5"]),
        ("workers = -1", ["workers", "-1"]),
        ("[limits]\nround_from_ratio = nan", ["limits.round_from_ratio", "finite"]),
        ("[limits]\nround_from_ratio = true", ["limits.round_from_ratio", "number", "True"]),
        ("[limits]\nround_from_ratio = 1.2", ["limits.round_from_ratio", "1.2"]),
        ("[limits]\nround_from_ratio = 0.17", ["limits", "wide_from_ratio must not be larger"]),
        ("[photo]\ntilt_review_deg = 26", ["photo", "tilt_review_deg must not be larger"]),
        ("[photo]\nblur_refuse_mm = 0.05", ["photo", "blur_review_mm must not be larger"]),
        ("[uncertainty]\ncoverage_factor = 0", ["uncertainty.coverage_factor", "0"]),
        ("tip_offset_mm = 21\nworkers = -1", ["tip_offset_mm", "21", "workers", "-1"]),
        ("ruler_mm =\nworkers = 1", ["not valid TOML", "line 1"]),
        ("ruler_mm = 50\nruler_mm = 51\nworkers = 1", ["not valid TOML", "line 2"]),
    ],
)
def test_a_mistake_is_named_with_its_field(settings_file, text, words):
    path = settings_file(text)
    with pytest.raises(SettingsError) as caught:
        load_settings(path)
    assert caught.value.code == "settings-invalid"
    assert caught.value.code in FLAGS
    for word in [str(path), *words]:
        assert word in caught.value.detail
    assert "\n" not in caught.value.detail


def test_files_that_cannot_be_read(tmp_path):
    binary = tmp_path / "photo.toml"
    binary.write_bytes(b"\xff\xd8\xff\xe0")
    for path, word in (
        (tmp_path / "missing.toml", "No such file"),
        (tmp_path, "directory"),
        (binary, "UTF-8"),
    ):
        with pytest.raises(SettingsError, match=word) as caught:
            load_settings(path)
        assert str(path) in caught.value.detail


def test_without_a_path_the_users_own_file_counts(tmp_path, monkeypatch):
    mine = tmp_path / "settings.toml"
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path)
    assert settings_path() == mine
    assert load_settings() == Settings()
    mine.write_text("workers = 2")
    assert load_settings().workers == 2


def test_settings_do_not_change_under_the_readers_hands():
    with pytest.raises(FrozenInstanceError):
        Settings().ruler_mm = 48.5
    with pytest.raises(FrozenInstanceError):
        Settings().limits.round_from_ratio = 0.3


def test_options_of_a_command_are_checked_like_the_file():
    before = Settings(limits=Limits(round_from_ratio=0.3))
    after = change_settings(before, {"ruler_mm": 48.5})
    assert (after.ruler_mm, after.limits.round_from_ratio, before.ruler_mm) == (48.5, 0.3, 50.0)
    with pytest.raises(SettingsError, match="ruler_mm"):
        change_settings(before, {"ruler_mm": math.nan})


def test_uncertainty_of_the_tip_offset():
    # GUM (JCGM 100:2008) 4.3.7: half-width a, all values equally likely: u = a/sqrt(3).
    assert Settings().tip_offset_uncertainty_mm() == pytest.approx(1.0 / math.sqrt(3))
    wide = Settings(uncertainty=Uncertainty(tip_offset_unknown_mm=2.0))
    assert wide.tip_offset_uncertainty_mm() == pytest.approx(2.0 / math.sqrt(3))
    assert Settings(tip_offset_mm=2.0).tip_offset_uncertainty_mm() == 0.3
    assert Settings(tip_offset_is_measured=True).tip_offset_uncertainty_mm() == 0.3


def test_the_template_is_plain_toml_with_its_groups():
    assert set(tomllib.loads(settings_template())) == {field.name for field in fields(Settings)}
