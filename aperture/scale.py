"""What was measured of the printed card, its 50 mm bar and where the tip stands, and how results name it."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from aperture.settings import Settings, change_settings


@dataclass(frozen=True)
class Scale:
    """What somebody said of a printed card; None: nothing.

    `ruler_mm` is what the printed 50 mm bar really measures, `card` the name of the card on which it was
    measured ("" where it has none). `tip_offset_mm` is how far the tip stands in front of the card's face,
    towards the camera; 0 was measured, too.
    """

    ruler_mm: float | None = None
    tip_offset_mm: float | None = None
    card: str = ""

    def over(self, settings: Settings) -> Settings:
        """The settings with this laid over them; what was not said stays as it is there.

        Raises
        ------
        SettingsError : a length is impossible.
        """
        changes: dict[str, object] = {}
        if self.ruler_mm is not None:
            changes |= {"ruler_mm": self.ruler_mm, "card": self.card}
        if self.tip_offset_mm is not None:
            # Even a 0 was measured, if somebody says it.
            changes |= {"tip_offset_mm": self.tip_offset_mm, "tip_offset_is_measured": True}
        return change_settings(settings, changes) if changes else settings

    def record(self) -> dict[str, Any]:
        """What a result's record has of it, with the keys of the JSON output."""
        return {"ruler_mm": self.ruler_mm, "tip_offset_mm": self.tip_offset_mm, "card": self.card or None}


NOT_SAID = Scale()


def scale_of(settings: Settings) -> Scale:
    """What counts with these settings; no tip offset where nobody measured it."""
    tip_offset_mm = settings.tip_offset_mm if settings.knows_tip_offset() else None
    return Scale(settings.ruler_mm, tip_offset_mm, settings.card)


def scale_words(scale: Scale) -> str:
    """For example "the 50 mm bar measures 48.5 mm (card A), the tip's place was not measured"."""
    return f"{_bar_words(scale)}, {_tip_words(scale.tip_offset_mm)}"


def all_scale_words(scales: Iterable[Scale]) -> list[str]:
    """The different scales of some results, each once, in words."""
    return list(dict.fromkeys(map(scale_words, scales)))


def _bar_words(scale: Scale) -> str:
    if scale.card:
        return f"the 50 mm bar measures {scale.ruler_mm:g} mm (card {scale.card})"
    return f"the 50 mm bar is taken as {50.0 if scale.ruler_mm is None else scale.ruler_mm:g} mm"


def _tip_words(offset_mm: float | None) -> str:
    if offset_mm is None:
        return "the tip’s place was not measured"
    if offset_mm == 0.0:
        return "the tip level with the card’s face"
    return f"the tip {abs(offset_mm):g} mm {'before' if offset_mm > 0.0 else 'behind'} the card’s face"
