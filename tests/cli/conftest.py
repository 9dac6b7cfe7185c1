"""What tests of the reed book's commands need of the book."""

from tests.book.conftest import enter  # noqa: F401 (a fixture)
