"""Finding the opening in the notch, and its edge to a fraction of a pixel."""

from aperture.opening.find import Outline, find_opening

__all__ = ["Outline", "find_opening"]
