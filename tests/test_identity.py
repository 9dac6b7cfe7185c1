"""Which reed and which state: names as people and cameras give them, and what counts when they disagree.

The names of camera files follow the DCF rules (JEITA CP-3461: four characters and a running number), or are
what phones write today (common practice, no published source). The rest are the project's own rules.
"""

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aperture.flags import FLAGS
from aperture.identity import Named, identify, read_file_name, read_folder_name


@pytest.mark.parametrize(
    ("name", "reed", "state"),
    [
        ("R07_dry", 7, "dry"),
        ("7-soaked", 7, "soaked"),
        ("reed 12 dry", 12, "dry"),
        ("Reed_12_SOAKED", 12, "soaked"),
        ("r-3.dry", 3, "dry"),
        ("reed 12 wet?", 12, None),  # only the two words on the card are states
        ("dry 7", 7, "dry"),
        ("R06_dry_retake", 6, "dry"),
        ("R06 dry 2", 6, "dry"),
        ("7-soaked (2)", 7, "soaked"),  # the second copy of a file
        ("007_dry", 7, "dry"),
        ("R480_soaked", 480, "soaked"),
        ("IMG_20261102_090000_R07", 7, None),
        ("reed №5 dry", None, "dry"),  # NFKC makes "No5" of it: one word, and not a number
        ("R07", 7, None),
        ("dry", None, "dry"),
        ("Hautböis_R07_dry_é", 7, "dry"),
    ],
)
def test_names_that_say_something(name, reed, state):
    assert read_file_name(name) == Named(reed, state)


@pytest.mark.parametrize(
    "name",
    [
        "IMG_20261102_090000",
        "IMG_0042",
        "IMG_042",
        "DSC0042",
        "DSC_0042",
        "_DSC0042",
        "DSCF0007",
        "PXL_20261102_090000123",
        "P1010007",
        "R0012345",
        "20261102_090000",
        "2026-11-02 09.00.00",
        "42",
        "photo 7",
        "IMG-20261102-WA0007",
        "image (7)",
        "",
    ],
)
def test_names_of_cameras_are_not_reeds(name):
    assert read_file_name(name) == Named(None, None)


@pytest.mark.parametrize(
    "name",
    [
        "IMG_042_dry",
        "DSC_0042_dry",
        "DSC0042 dry",
        "PXL_20261102_090000123_dry",
        "IMG_20261102_090000_dry",
        "2026-11-02 dry",
        "02-11 dry",
        "dry 11-02",
        "dry 2026-11-02",
        "anna 7 dry",
        "0_dry",
        "R000_dry",
        "R1234_dry",
        "R07-R08_dry",
    ],
)
def test_a_state_word_does_not_make_a_reed_of_any_number(name):
    assert read_file_name(name) == Named(None, "dry")


def test_a_name_with_both_states_says_neither():
    assert read_file_name("R07_dry-soaked") == Named(7, None)


@pytest.mark.parametrize(
    ("name", "reed", "state"),
    [
        ("dry", None, "dry"),
        ("Soaked", None, "soaked"),
        ("reed 7", 7, None),
        ("R07", 7, None),
        ("reed 7 soaked", 7, "soaked"),
        ("dry cane", None, None),
        ("test_identity_dry0", None, None),
        ("Anna R7", None, None),
        ("11", None, None),
        ("", None, None),
    ],
)
def test_folders_say_something_only_with_their_whole_name(name, reed, state):
    assert read_folder_name(name) == Named(reed, state)


def test_two_ways_to_write_an_accent_are_one_name():
    name = "Rohrblätter R07 dry"
    decomposed = unicodedata.normalize("NFD", name)
    assert decomposed != name
    assert read_file_name(decomposed) == read_file_name(name) == Named(7, "dry")


@given(st.text(max_size=30))
def test_any_name_is_read_without_an_error(name):
    named = read_file_name(name)
    assert named.reed is None or 1 <= named.reed <= 999
    assert named.state in (None, "dry", "soaked")


@given(st.from_regex(r"(IMG|DSC|PXL|DSCF)_?[0-9]{4,14}", fullmatch=True))
def test_no_camera_name_is_a_reed(name):
    assert read_file_name(name) == Named(None, None)


def who(path, tags=(), face="dry", reed=None, state=None):
    identity = identify(Path(path), tags, face, reed, state)
    assert all(code in FLAGS for code in identity.flags)
    return identity.reed, identity.state, identity.flags


def test_the_picture_counts():
    assert who("IMG_0001.jpg", tags=(12,)) == (12, "dry", ())
    assert who("R12_dry.jpg", tags=(12,), reed=12, state="dry") == (12, "dry", ())


def test_else_the_file_name():
    assert who("R07_dry.jpg") == (7, "dry", ())
    assert who("R07_soaked.jpg", face=None) == (7, "soaked", ())


def test_else_the_folders():
    assert who("reed 7/IMG_0001.jpg") == (7, "dry", ())
    assert who("soaked/R07/IMG_0001.jpg", face=None) == (7, "soaked", ())
    assert who("soaked/R07/more/IMG_0001.jpg", face=None) == (7, None, ())  # soaked is too far up


def test_a_relative_path_knows_its_folder(tmp_path, monkeypatch):
    folder = tmp_path / "R07" / "soaked"
    folder.mkdir(parents=True)
    monkeypatch.chdir(folder)
    assert who("IMG_0001.jpg", face=None) == (7, "soaked", ())


def test_else_the_options():
    assert who("IMG_0001.jpg", reed=3) == (3, "dry", ())
    assert who("IMG_0001.jpg", face=None, reed=3, state="soaked") == (3, "soaked", ())
    assert who("IMG_0001.jpg", face=None) == (None, None, ())


@pytest.mark.parametrize("option", [{}, {"reed": 12}])
def test_a_name_against_the_tag_is_flagged_and_the_tag_kept(option):
    assert who("R07_dry.jpg", tags=(12,), **option) == (12, "dry", ("reed-contradiction",))


def test_an_option_against_the_picture_is_flagged_and_the_picture_kept():
    assert who("x.jpg", tags=(12,), reed=7) == (12, "dry", ("reed-contradiction",))
    assert who("x.jpg", state="soaked") == (None, "dry", ("state-contradiction",))
    assert who("R07_soaked.jpg") == (7, "dry", ("state-contradiction",))
    assert who("dry/R07_soaked.jpg", face="soaked") == (7, "soaked", ("state-contradiction",))


def test_name_against_option_is_not_guessed():
    assert who("R07_dry.jpg", reed=8) == (None, "dry", ("reed-contradiction",))
    assert who("R07_dry.jpg", face=None, state="soaked") == (7, None, ("state-contradiction",))
    assert who("R08/R07_dry.jpg") == (None, "dry", ("reed-contradiction",))


def test_two_tags_are_flagged_and_only_an_agreeing_name_chooses():
    assert who("x.jpg", tags=(7, 12)) == (None, "dry", ("two-reed-tags",))
    assert who("R07_dry.jpg", tags=(7, 12)) == (7, "dry", ("two-reed-tags",))
    assert who("x.jpg", tags=(7, 12), reed=12) == (12, "dry", ("two-reed-tags",))
    assert who("R09_dry.jpg", tags=(7, 12)) == (None, "dry", ("two-reed-tags", "reed-contradiction"))
    # Name and option each agree with another tag.
    assert who("R07.jpg", tags=(7, 12), reed=12) == (None, "dry", ("two-reed-tags", "reed-contradiction"))
