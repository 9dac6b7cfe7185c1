"""What the checkout and the wheel weigh, and what may change in a photo that is made lighter."""

import io
import json
import subprocess
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from PIL.JpegImagePlugin import JpegImageFile

from fixtures.render import lighter
from fixtures.render.scene import default_scene

ROOT = Path(__file__).parents[1]
PHOTOS = ROOT / "fixtures" / "photos"


def facts_of(name: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """The scene, with every setting, and the truth of a fixture photo."""
    facts = json.loads((PHOTOS / f"{name}.json").read_text(encoding="utf-8"))
    return default_scene(**facts["scene"]), facts["truth"]


def test_the_checkout_is_at_most_25_mb() -> None:
    try:
        said = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    except FileNotFoundError:
        pytest.skip("no git here")
    if said.returncode != 0 or not (ROOT / ".git").exists():
        pytest.skip("no checkout: a copy of the files alone")
    paths = [ROOT / name for name in said.stdout.decode().split("\0") if name]
    assert sum(path.stat().st_size for path in paths if path.is_file()) <= 25e6


def test_the_demos_photos_leave_the_wheel_below_8_mb() -> None:
    """The wheel holds them as they are; the program itself, compressed, is below 1 MB."""
    files = [path for path in (ROOT / "demo_images").rglob("*") if path.is_file()]
    assert len(files) == 24
    assert sum(path.stat().st_size for path in files) <= 7e6


@pytest.mark.parametrize("name", ["reed-tag", "from-above", "cut-off", "two-reeds"])
def test_card_and_opening_are_kept(name: str) -> None:
    scene, truth = facts_of(name)
    with Image.open(PHOTOS / f"{name}.jpg") as photo:
        columns, rows = photo.size
    card = lighter.kept_shapes(scene)[0]
    for corner in truth["corners_px"]:
        assert np.hypot(*(card - corner).T).min() < 2e-3
    share = lighter.share_smoothed(scene, rows, columns)
    assert share.shape == (rows, columns)
    assert share.max() > 0.1
    points = np.rint(np.array([*truth["corners_px"], *truth.get("outline_px", [])])).astype(int)
    inside = points[(points >= 0).all(axis=1) & (points < (columns, rows)).all(axis=1)]
    # Not only the points themselves: their neighbourhood too.
    reach = int(lighter.MARGIN_PX) - 2
    for x, y in inside.tolist():
        assert not share[max(0, y - reach) : y + reach : 6, x].any()
        assert not share[y, max(0, x - reach) : x + reach : 6].any()


def test_grain_goes_where_nothing_is_measured_and_nowhere_else() -> None:
    scene, _ = facts_of("soaked-gloss")
    rows, columns = 1944, 2348
    grain = np.random.default_rng(1).normal(120, 12, (rows, columns, 1)).repeat(3, axis=2)
    pixels = np.rint(grain).clip(0, 255).astype(np.uint8)
    share = lighter.share_smoothed(scene, rows, columns)
    after = lighter.smoothed(pixels, share)
    assert np.array_equal(after[share == 0], pixels[share == 0])
    assert (share == 1).mean() > 0.1
    # Closed form: a Gaussian of standard deviation s leaves 1 / (2 s sqrt(pi)) of white noise.
    left = 12 / (2 * lighter.SMOOTHING_PX * np.sqrt(np.pi))
    # Whole numbers add an even error of variance 1/12.
    assert after[share == 1].std() == pytest.approx(np.hypot(left, np.sqrt(1 / 12)), rel=0.15)
    assert after[share == 1].mean() == pytest.approx(120, abs=0.2)


@pytest.mark.parametrize("quality", [None, 60, 95])
def test_the_file_keeps_pixels_and_exif_and_is_never_finer(quality: int | None) -> None:
    scene, _ = facts_of("far")
    data = (PHOTOS / "far.jpg").read_bytes()
    with Image.open(io.BytesIO(data)) as before:
        again = lighter.lighter_jpeg(data, scene, quality)
        with Image.open(io.BytesIO(again)) as after:
            assert isinstance(before, JpegImageFile)
            assert isinstance(after, JpegImageFile)
            assert after.size == before.size
            assert after.info["exif"] == before.info["exif"]
            assert [part[1:3] for part in after.layer] == [part[1:3] for part in before.layer]
            for key, table in before.quantization.items():
                finer = np.array(after.quantization[key]) < np.array(table)
                assert not finer.any()
            # Where all is kept, so is the picture, but for rounding.
            share = lighter.share_smoothed(scene, before.height, before.width)
            inner = cv2.erode((share == 0).astype(np.uint8), np.ones((33, 33)), borderValue=1) > 0
            changed = np.abs(np.asarray(after, float) - np.asarray(before, float))[inner]
            assert changed.size > 1e5
            if quality != 60:
                assert changed.mean() < 0.05
            coarser = any(after.quantization[key] != table for key, table in before.quantization.items())
            assert coarser == (quality == 60)
