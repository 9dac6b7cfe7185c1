"""The uncertainty of a measured opening, as a table of contributions (GUM, JCGM 100:2008).

Each source of error (`terms`) is a way in which the whole outline could be displaced. The outline is
displaced by one standard uncertainty of that source, the four quantities are computed again, and the change
is the source's contribution (the numerical form of the law of propagation, GUM 5.1.3 note 2). Sources are
independent of one another; within a source everything moves together, so height and ratio stay correlated as
they really are.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aperture.budget.terms import QUANTITIES as QUANTITIES
from aperture.budget.terms import TERMS, Case
from aperture.opening import Outline
from aperture.settings import Settings
from aperture.view.view import View

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Contribution:
    """One source: what it is, its distribution, and its effect on each of `QUANTITIES` (4,), one sigma.

    `covariance` (4, 4) is what the source adds to that of the four quantities.
    """

    source: str
    distribution: str
    effect: Floats
    covariance: Floats


@dataclass(frozen=True)
class Budget:
    """All contributions, and the covariance (4, 4) of `QUANTITIES` that they add up to."""

    contributions: tuple[Contribution, ...]
    covariance: Floats

    def standard(self) -> dict[str, float]:
        """Combined standard uncertainty of each quantity."""
        return dict(zip(QUANTITIES, np.sqrt(np.diag(self.covariance)).tolist(), strict=True))

    def expanded(self, coverage_factor: float) -> Mapping[str, float]:
        """Expanded uncertainty of each quantity."""
        return {name: coverage_factor * u for name, u in self.standard().items()}


def from_changes(source: str, distribution: str, changes: Floats) -> Contribution:
    """A contribution from the changes (n, 4) that n independent displacements of one sigma cause."""
    rows = np.reshape(changes, (-1, len(QUANTITIES)))
    covariance = rows.T @ rows
    return Contribution(source, distribution, np.sqrt(np.diag(covariance)), covariance)


def combine(contributions: tuple[Contribution, ...]) -> Budget:
    """Add independent contributions (GUM 5.1.2, equation 10)."""
    total = np.zeros((len(QUANTITIES), len(QUANTITIES)))
    for contribution in contributions:
        total += contribution.covariance
    return Budget(contributions, total)


def budget(outline: Outline, view: View, settings: Settings) -> Budget:
    """The budget of one measured opening: a contribution of each term that the photo has something of.

    Raises
    ------
    ValueError : a displaced outline is no outline any more; the opening is not determined by the photo.
    """
    case = Case(outline, view, settings)
    changes = ((term, term.changes(case)) for term in TERMS)
    return combine(
        tuple(
            from_changes(term.name, term.known(view, settings).distribution, by_term)
            for term, by_term in changes
            if len(by_term)
        )
    )
