"""Decisions about a reed that has left the box: sent back to the seller, or thrown away.

What was sent back is the seller's, and what was thrown away is in the bin: common practice, no published
source. So a word typed with the wrong number must not put it among the reeds that are here.
"""

import pytest

from aperture.book.store.ledger import Book
from tests.cli.test_book import book_file, run  # noqa: F401 (fixtures)


@pytest.fixture
def sent_back(run, book_file):  # noqa: F811
    run("enter", "reed", 7)
    run("enter", "decision", 7, "sent back", "--reason", "too round", "--by", "T1")
    return book_file


def decisions(path):
    with Book(path) as book:
        history = book.history(book.reed(7))
        return history.gone, [(one.action, one.reason) for one in history.decisions]


@pytest.mark.parametrize("action", ["keep", "squeeze", "send back", "replace"])
def test_a_reed_that_is_gone_stays_gone(run, sent_back, action):  # noqa: F811
    said = run("enter", "decision", 7, action, "--by", "T1", status=2)
    assert "reed 7 has left the box" in said
    assert "--came-back" in said
    assert decisions(sent_back) == (True, [("sent back", "too round")])


def test_it_is_here_again_where_that_is_said(run, sent_back):  # noqa: F811
    run("enter", "decision", 7, "keep", "--came-back", "--by", "T1")
    assert decisions(sent_back) == (False, [("sent back", "too round"), ("keep", "It came back.")])
    assert "7 " in run("reeds")


def test_how_it_left_can_be_corrected(run, sent_back):  # noqa: F811
    run("enter", "decision", 7, "thrown away", "--reason", "the seller did not want it", "--by", "T1")
    gone, said = decisions(sent_back)
    assert gone
    assert said[-1] == ("thrown away", "the seller did not want it")
