"""From the photo's file to the advice: a soaked reed that is far too open is not squeezed.

Squeezing is for moderately open reeds: common practice, no published source. From which ratio on is the
project's own working value, not validated. The photo is rendered, and its true ratio, 0.3945, is known.
"""

from dataclasses import replace
from pathlib import Path

import pytest

from aperture.measure import measure
from aperture.present.report import next_steps
from aperture.settings import Settings, Soaking

PHOTO = Path(__file__).parents[1] / "fixtures" / "truth_set" / "careful-69.jpg"


@pytest.mark.parametrize(
    ("squeeze_below_ratio", "said"), [(0.35, "Too open to be squeezed"), (0.45, "Squeeze it firmly")]
)
def test_the_setting_decides(squeeze_below_ratio, said):
    settings = replace(Settings(), soaking=Soaking(squeeze_below_ratio=squeeze_below_ratio))
    result = measure(PHOTO, settings=settings)
    assert (result.state, result.verdict.shape) == ("soaked", "round")
    assert said in result.advice
    assert next_steps(result)[0].what.startswith(said)
