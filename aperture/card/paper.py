"""The papers that a sheet can be printed on, and their sizes. To add one, add its word here, twice."""

from collections.abc import Mapping
from typing import Literal

from aperture.errors import SettingsError

Paper = Literal["a4", "letter"]
# What each is called on the sheet. Its word in capitals is its name in `reportlab.lib.pagesizes`.
PAPERS: Mapping[str, str] = {"a4": "A4", "letter": "Letter"}

POINTS_PER_MM = 72.0 / 25.4


def size_mm(paper: str) -> tuple[float, float]:
    """Width and height of a paper (a key of `PAPERS`), upright, mm.

    Raises
    ------
    SettingsError : "settings-invalid" for any other paper.
    """
    from reportlab.lib import pagesizes

    if paper not in PAPERS:
        raise SettingsError("settings-invalid", f"paper {paper!r} is neither {' nor '.join(PAPERS)}")
    width, height = getattr(pagesizes, paper.upper())
    return width / POINTS_PER_MM, height / POINTS_PER_MM
