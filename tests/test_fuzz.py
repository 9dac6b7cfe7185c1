"""What once got through a reader, given to it again; and sound examples. The bench searches for more."""

import pytest

from tests.fuzz_targets import CORPUS, TARGETS, seeds

pytest.importorskip("starlette", reason="the desk's packages are not installed: pip install 'aperture[desk]'")

FAILED_ONCE = sorted(path for path in CORPUS.glob("*/*") if path.is_file())


@pytest.mark.parametrize("path", FAILED_ONCE, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_what_failed_once_ends_in_words(path):
    TARGETS[path.parent.name](path.read_bytes())


def test_a_table_with_an_endless_field_ends_in_words():
    TARGETS["labels"](b"photo,label\n" + b"x" * 200_000 + b",round\n")


# Of a form that ends within a photo, Starlette leaves the temporary file to Python, which closes it.
@pytest.mark.filterwarnings("ignore:Exception ignored in.*SpooledTemporaryFile")
@pytest.mark.parametrize("name", TARGETS)
def test_sound_examples_and_parts_of_them(name):
    for content in seeds(name):
        for kept in (len(content), len(content) // 2, 7, 0):
            TARGETS[name](content[:kept])


def test_the_corpus_is_of_readers_that_there_are():
    assert FAILED_ONCE
    assert {path.parent.name for path in FAILED_ONCE} <= TARGETS.keys()
