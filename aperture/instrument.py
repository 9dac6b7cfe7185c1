"""What belongs to the reed's instrument: the size of its tip, the limits of its classes, wires or none.

Working values from memory, not validated, where nothing else is said. The limits between the classes are the
defaults of the settings; a user sets their own.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Instrument:
    """A double reed's measures.

    usual_width_mm, width_spread_mm : width of the tip: what is usual, and its standard deviation.
    narrowest_mm, widest_mm, tallest_mm : an opening beyond them is no opening of such a reed.
    shut_below_height_mm, wide_from_ratio, round_from_ratio : see `aperture.settings.Limits`.
    has_wires : whether its reeds are made with wires; else a wire counts as a fault.
    """

    usual_width_mm: float
    width_spread_mm: float
    narrowest_mm: float
    widest_mm: float
    tallest_mm: float
    shut_below_height_mm: float
    wide_from_ratio: float
    round_from_ratio: float
    has_wires: bool


OBOE = Instrument(
    usual_width_mm=7.0,
    width_spread_mm=1.0,
    narrowest_mm=3.5,
    widest_mm=10.0,
    tallest_mm=3.4,
    shut_below_height_mm=0.15,
    wide_from_ratio=0.18,
    round_from_ratio=0.25,
    has_wires=False,  # common practice, no published source
)

# The one that this program measures. The networks of the first look were trained on its tips.
INSTRUMENT = OBOE
