"""Tables in a window of any width: no broken word where there is room for words, nothing lost, nothing wider.

Outside the project: Python's own `textwrap`, which breaks lines greedily between words, too.
"""

import io
import textwrap

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from aperture.present.report import remarks
from aperture.present.screen import change_table, fitted_table, time_left_words

WORDS = st.text("abcdefgh-0.", min_size=1, max_size=8)
CELLS = st.lists(WORDS, min_size=1, max_size=6).map(" ".join)


def lines(table, width):
    """The table as it is printed in a window."""
    console = Console(file=io.StringIO(), width=width)
    console.print(table)
    return [line.rstrip() for line in console.file.getvalue().splitlines()]


def test_what_fits_stands_as_it_is():
    rows = [("lot", "per usable reed"), ("26a", "28.00 (22.00 to 69.85)")]
    assert lines(fitted_table(rows, 40), 40) == ["lot  per usable reed", "26a  28.00 (22.00 to 69.85)"]


def test_words_stay_whole_and_a_plus_minus_stays_with_its_number():
    rows = [("strength", "ratio"), ("medium soft", "0.0900 ± 0.0031"), ("hard", "0.25 ± 0.05")]
    assert lines(fitted_table(rows, 18), 18) == [
        "strength  ratio",
        "medium    0.0900",
        "soft      ± 0.0031",
        "hard      0.25",
        "          ± 0.05",
    ]


def test_where_not_even_the_words_fit_they_are_broken_and_nothing_is_lost():
    printed = lines(fitted_table([("abcdefgh", "ijklmnop")], 9), 9)
    assert "".join(printed).replace(" ", "").count("a") == 1
    assert sorted("".join("".join(printed).split())) == list("abcdefghijklmnop")


@given(st.lists(st.tuples(CELLS, CELLS, CELLS), min_size=2, max_size=4), st.integers(12, 120))
def test_any_table(rows, width):
    printed = lines(fitted_table(rows, width), width)
    assert all(len(line) <= width for line in printed)
    longest = [max(len(word) for row in rows for word in row[place].split()) for place in range(3)]
    words = [word for row in rows for cell in row for word in cell.split()]
    if sum(longest) + 2 > width:
        assert sorted("".join("".join(printed).split())) == sorted("".join(words))
        return
    assert sorted(word for line in printed for word in line.split()) == sorted(words)


@given(CELLS, st.integers(8, 40))
def test_a_column_is_filled_as_textwrap_fills_it(cell, width):
    printed = lines(fitted_table([("x",), (cell,)], width), width)[1:]
    options = {"break_long_words": False, "break_on_hyphens": False}
    assert len(printed) == len(textwrap.wrap(cell, min(width, len(cell)), **options))


def test_changes_fit_80_characters(measured):
    from aperture.batch.pairs import pairs

    both = [measured(state="dry", height_mm=1.3), measured(state="soaked", height_mm=1.9)]
    printed = lines(change_table(pairs(both, 2.0), 80), 80)
    assert all(len(line) <= 80 for line in printed)
    assert any("rather wide" in line or "→ round" in line for line in printed)


@pytest.mark.parametrize(
    ("elapsed", "done", "of", "words"),
    [
        (None, 0, 17, ""),
        (3.0, 0, 17, ""),
        (3.0, 1, 17, "about 0:48 left"),  # 16 more at 3 s
        (30.0, 4, 17, "about 1:38 left"),  # 13 more at 7.5 s: 97.5 s
        (40.0, 17, 17, "about 0:00 left"),
        (40.0, 17, None, ""),
    ],
)
def test_time_left_from_the_first_step_on(elapsed, done, of, words):
    assert time_left_words(elapsed, done, of) == words


def test_a_refusal_is_said_once(refused):
    from dataclasses import replace

    said = replace(refused(), flags=("too-blurred",), reason="The photo is too blurred (0.98 mm).")
    assert [remark.sentence for remark in remarks(said)] == ["The photo is too blurred (0.98 mm)."]
