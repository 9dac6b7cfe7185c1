"""Split conformal prediction: what it promises, and the table of it."""

import json
import math

import numpy as np
import pytest

from fixtures import truth_design
from tests.accuracy.calibration import conformal_factor, table
from tests.accuracy.figures import QUANTITIES
from tests.accuracy.test_command import case, truth_file
from tests.accuracy.truth_photos import read_truth


@pytest.mark.parametrize("n", [19, 40, 72])
def test_of_the_next_photo_it_holds_as_often_as_promised(n):
    """Lei et al. 2018, theorem 2.2: between 1 - alpha and 1 - alpha + 1 / (n + 1), whatever the distribution;
    without ties exactly k / (n + 1). Simulated with Cauchy's distribution."""
    rng = np.random.default_rng(7)
    trials = np.abs(rng.standard_cauchy((20_000, n + 1)))
    holds = np.mean([one[-1] <= conformal_factor(one[:-1].tolist()) for one in trials])
    assert holds == pytest.approx(math.ceil(0.95 * (n + 1)) / (n + 1), abs=4 * math.sqrt(0.05 / 20_000))


def test_of_too_few_photos_nothing_can_be_promised():
    assert conformal_factor([0.1] * 18) == math.inf
    assert conformal_factor([0.1] * 18 + [0.7]) == 0.7


def test_table_counts_those_that_nobody_is_asked_about(tmp_path):
    photos, cases = [], []
    for i in range(21):
        name = f"careful-{i + 1:02d}"
        path = truth_file(tmp_path, name).with_suffix(".json")
        facts = json.loads(path.read_text())
        facts["design"]["nuisances"] = {"total_blur_px": 0.6, "px_per_mm": 20.0 if i % 2 else 12.0}
        path.write_text(json.dumps(facts))
        photos.append(read_truth(path))
        cases.append(case(name, height_error_mm=0.001 * i, review=i == 20))
    rows = {line[:22].strip(): line[22:].split() for line in table(cases, photos).splitlines()}
    assert rows["all"][:3] == ["20", "0.95", "100.0%"]  # the largest of 20: 0.019 mm of ± 0.02 mm
    assert rows["0.3 to 1.2 mm"] == rows["all"]
    assert rows["0 to 0.3 mm"][0] == "0"
    assert (rows["blur below 0.036 mm"][0], rows["blur from 0.036 mm"][0]) == ("10", "10")
    assert rows["blur from 0.036 mm"][1] == "inf"
    assert len(rows["all"]) == 1 + 2 * len(QUANTITIES)


def test_a_later_draw_is_other_photos_of_the_same_plan():
    first, second = truth_design.shots(), truth_design.shots(2)
    assert [shot.scene["name"] for shot in first] == [shot.scene["name"] for shot in second]
    assert not {shot.design["seed"] for shot in first} & {shot.design["seed"] for shot in second}
    assert all(a.scene["reeds"] != b.scene["reeds"] for a, b in zip(first, second, strict=True))
