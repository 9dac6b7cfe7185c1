"""Damaged photos: a seeded sample of the bench's ten thousand, and each that was once taken wrongly."""

from random import Random

import pytest

from aperture.errors import PhotoError
from aperture.photo import read_photo
from tests import damaged_photos, photo_bombs
from tests.damaged_photos import KINDS, LOST, Base, bases, became, damaged, prepare

# Of each kind; what must be measured takes a second.
SAMPLE = range(3)
# Kind and number of what was once lost.
LOST_ONCE: tuple[tuple[str, int], ...] = (
    ("a block lost", 26),  # a reading left the picture, and was as good as no number
    ("a block lost", 34),  # likewise
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Undamaged photos; what they measure is found when it is asked for."""
    folder = tmp_path_factory.mktemp("undamaged")
    prepare(folder, measured=False)
    return folder


@pytest.fixture(scope="module")
def undamaged(folder):
    return bases(folder)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if "bomb" not in kind])
def test_a_damaged_photo_is_refused_or_honest(kind, folder):
    tried = list(damaged_photos.tries(kind, SAMPLE, folder))
    assert len(tried) == len(SAMPLE)
    assert [one for one in tried if one.outcome in LOST] == []


@pytest.mark.parametrize(("kind", "number"), LOST_ONCE)
def test_what_was_lost_once(kind, number, undamaged, tmp_path):
    base, content = damaged(kind, number, undamaged)
    path = tmp_path / "damaged"
    path.write_bytes(content)
    assert became(path, base)[0] not in LOST


@pytest.mark.parametrize("bomb", photo_bombs.SMALL_BOMBS, ids=lambda bomb: bomb.__name__)
def test_a_bomb_is_refused_or_harmless(bomb, tmp_path):
    resource = pytest.importorskip("resource")
    for seed in range(3):
        path = tmp_path / "bomb"
        path.write_bytes(bomb(Random(seed)))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        try:
            found = read_photo(path).luma.size
        except PhotoError:
            found = 0
        assert found < 50_000_000
        # Of the largest picture that is allowed, one byte for each of three colours would be 600 MB.
        assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 500_000


def test_a_wrong_number_would_be_seen(undamaged, tmp_path):
    """The check itself: a photo that measures differently from what it should is lost."""
    base = next(one for one in undamaged if one.name == "jpeg.jpg")
    larger = {**base.record, "height_mm": 2 * base.record["height_mm"]}
    doubled = Base(base.path)
    doubled.__dict__["record"] = larger
    other = next(one for one in undamaged if one.name == "png.png")
    path = tmp_path / "other.png"
    path.write_bytes(other.content)
    assert became(path, base)[0] == "agrees"
    outcome, why = became(path, doubled)
    assert outcome == "wrong"
    assert "height_mm" in why


def test_an_exception_that_is_none_of_ours_would_be_seen(undamaged, tmp_path, monkeypatch):
    def fails(path):
        raise ZeroDivisionError

    monkeypatch.setattr(damaged_photos, "read_photo", fails)
    assert became(tmp_path / "x", undamaged[0]) == ("escaped", "ZeroDivisionError()")
