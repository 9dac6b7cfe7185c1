"""How wrong the program is, held: the committed photos are measured, the rest of the set was recorded.

The truth comes from the meshes that were rendered (tests/test_truth.py checks it). What fails here names the
command that mends FIGURES.md, or the figure that got worse.
"""

import pytest

from fixtures import truth_design
from tests.accuracy import bounds, recorded
from tests.accuracy.figures import QUANTITIES, figures, targets
from tests.accuracy.run import from_record, measure_photos, photo_hash
from tests.accuracy.truth_photos import COMMITTED, photos_in

PHOTOS = photos_in([COMMITTED])
BY_NAME = {photo.name: photo for photo in PHOTOS}
STALE = "the recorded figures are stale: run python -m tests.accuracy --write"
# What another processor's arithmetic may change: a tenth of the aim for the median height.
TOLERANCE = {"height_mm": 0.002, "width_mm": 0.01, "area_mm2": 0.01, "ellipse_ratio": 0.0005}


@pytest.fixture(scope="module")
def measured_now():
    """Every committed photo, measured once: records by name."""
    return {record["name"]: record for record in measure_photos(PHOTOS, workers=2)}


@pytest.fixture(scope="module")
def results():
    return recorded.read()


def test_enough_photos_are_committed():
    assert set(BY_NAME) == truth_design.COMMITTED
    assert len(PHOTOS) >= 40
    blocks = {photo.block for photo in PHOTOS}
    assert len(blocks) >= 15
    assert sum(photo.careful for photo in PHOTOS) >= 20


# --- what was recorded --------------------------------------------------------------------------------


def test_figures_page_has_what_was_recorded(results):
    assert recorded.section_in() == results.section(), STALE


def test_every_photo_of_the_design_was_recorded(results):
    """At least 120, and for each of them a result; the committed ones from the very files committed."""
    names = [f"careful-{i + 1:02d}" for i in range(truth_design.CAREFUL_SCENES)]
    names += [
        truth_design.scene_name(block, i + 1)
        for block in truth_design.BLOCKS
        for i in range(truth_design.scenes_in(block))
    ]
    assert len(names) >= 120
    assert sorted(record["name"] for record in results.records) == sorted(names), STALE
    hashes = {record["name"]: record["photo"] for record in results.records}
    assert {name: hashes[name] for name in BY_NAME} == {p.name: photo_hash(p) for p in PHOTOS}, STALE


def test_no_recorded_figure_got_worse(results):
    now = bounds.bounded(results.cases())
    assert bounds.worse(now, bounds.read()[bounds.EVERY_PHOTO]) == []


def test_every_figure_has_a_bound(results):
    """Of what is recorded, and of what is measured here; else a bound could be dropped without a word."""
    held = bounds.read()
    committed = [case for case in results.cases() if case.name in BY_NAME]
    for part, cases in ((bounds.EVERY_PHOTO, results.cases()), (bounds.COMMITTED_PHOTOS, committed)):
        now = bounds.bounded(cases)
        assert {group: set(values) for group, values in now.items()} == {
            group: set(limits) for group, limits in held[part].items()
        }, "run python -m tests.accuracy --write-bounds"


def test_nothing_recorded_is_silently_wrong(results):
    """An aim that allows no exception; the others stand in FIGURES.md, met or missed."""
    assert [case.name for case in results.cases() if case.silent_wrong] == []
    silent = [aim for aim in targets(results.cases()) if aim.words.endswith("silent wrong")]
    assert [aim.met for aim in silent] == [True, True]


# --- measured now -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", BY_NAME)
def test_photo_still_gives_what_was_recorded(name, measured_now, results):
    now = from_record(measured_now[name])
    then = next(case for case in results.cases() if case.name == name)
    assert (now.measured, now.review, now.got_class) == (then.measured, then.review, then.got_class), STALE
    if now.got and then.got:
        for quantity in QUANTITIES:
            allowed = TOLERANCE[quantity]
            assert now.got[quantity] == pytest.approx(then.got[quantity], abs=allowed), STALE


def test_no_figure_of_the_committed_photos_got_worse(measured_now):
    now = bounds.bounded([from_record(record) for record in measured_now.values()])
    assert bounds.worse(now, bounds.read()[bounds.COMMITTED_PHOTOS]) == []


def test_nothing_is_silently_wrong(measured_now):
    cases = [from_record(record) for record in measured_now.values()]
    assert [case.name for case in cases if case.silent_wrong] == []
    assert figures(cases).measured > len(cases) / 2  # or the check above says little
