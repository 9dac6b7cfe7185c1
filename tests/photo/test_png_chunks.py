"""A PNG with chunks that its pixels can do without: read or refused in words, and nothing on the terminal."""

import zlib

import pytest

from aperture.errors import PhotoError
from aperture.photo.reading import read_photo
from tests.photo_bombs import png, png_chunk

# Black, so that only OpenCV's decoder can tell whether the last row is there.
BLACK = zlib.compress(bytes(301 * 300))
MANY = 100_000


def read_silently(path, capfd):
    try:
        return read_photo(path)
    except PhotoError:
        return None
    finally:
        assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("name", [b"eXIf", b"tEXt", b"tIME", b"PLTE"])
def test_libpng_prints_nothing_of_chunks_that_are_wrong(name, tmp_path, capfd):
    """Too short each; a palette has nothing to say of a gray picture (PNG, third edition, 11.2.2)."""
    path = tmp_path / "a.png"
    path.write_bytes(png(300, 300, 8, 0, BLACK, png_chunk(name, b"a") * 3))
    read_silently(path, capfd)


def test_a_hundred_thousand_of_them_print_nothing_either(tmp_path, capfd):
    path = tmp_path / "a.png"
    path.write_bytes(png(300, 300, 8, 0, BLACK, png_chunk(b"eXIf", b"a") * MANY))
    assert read_silently(path, capfd) is not None


def test_a_black_picture_that_ends_early_is_still_refused_whatever_stands_between(tmp_path):
    path = tmp_path / "a.png"
    half = zlib.compress(bytes(301 * 150))
    path.write_bytes(png(300, 300, 8, 0, half, png_chunk(b"tIME", b"a")))
    with pytest.raises(PhotoError, match="more rows than the picture has"):
        read_photo(path)
