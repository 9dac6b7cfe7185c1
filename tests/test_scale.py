"""What was said of a printed card: laid over settings, and in words. The promises are the guide's."""

import pytest

from aperture.errors import SettingsError
from aperture.scale import NOT_SAID, Scale, all_scale_words, scale_of, scale_words
from aperture.settings import Settings


def test_what_was_not_said_stays_as_it_is_in_the_settings():
    settings = Settings(ruler_mm=49.0, tip_offset_mm=1.0, card="B")
    assert NOT_SAID.over(settings) == settings
    assert scale_of(Scale(tip_offset_mm=2.0).over(settings)) == Scale(49.0, 2.0, "B")
    # A bar that was measured without saying on which card is not that card's.
    assert scale_of(Scale(ruler_mm=48.5).over(settings)) == Scale(48.5, 1.0, "")


def test_a_tip_offset_of_0_was_measured_if_somebody_says_it():
    assert scale_of(Settings()).tip_offset_mm is None
    told = Scale(tip_offset_mm=0.0).over(Settings())
    assert scale_of(told).tip_offset_mm == 0.0
    assert told.tip_offset_uncertainty_mm() < Settings().tip_offset_uncertainty_mm()


@pytest.mark.parametrize("scale", [Scale(ruler_mm=-1.0), Scale(tip_offset_mm=21.0)])
def test_impossible_lengths_are_refused(scale):
    with pytest.raises(SettingsError):
        scale.over(Settings())


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        (Scale(50.0), "the 50 mm bar is taken as 50 mm, the tip’s place was not measured"),
        (Scale(48.5), "the 50 mm bar is taken as 48.5 mm, the tip’s place was not measured"),
        (
            Scale(48.5, 0.0, "A"),
            "the 50 mm bar measures 48.5 mm (card A), the tip level with the card’s face",
        ),
        (
            Scale(50.0, 1.5, "A"),
            "the 50 mm bar measures 50 mm (card A), the tip 1.5 mm before the card’s face",
        ),
        (Scale(50.0, -0.5), "the 50 mm bar is taken as 50 mm, the tip 0.5 mm behind the card’s face"),
    ],
)
def test_words(scale, words):
    assert scale_words(scale) == words
    assert all_scale_words([scale, scale]) == [words]
