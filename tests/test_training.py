"""The training of the first look: its scenes, its agreement with the program, and that it learns."""

import ast
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from aperture.opening import first_look
from fixtures.render.mesh import POINTS_ON_RIM, rim_mesh
from fixtures.training.scenes import scene

PHONE = Path(__file__).parents[1] / "fixtures" / "training" / "phone.py"


def constants(path):
    """The plain constants at the top of a module, without importing it (it needs PyTorch)."""
    found = {}
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            try:
                found[node.targets[0].id] = ast.literal_eval(node.value)
            except ValueError:
                continue
    return found


SHARED = ["FLAT_MM", "FLAT_SHAPE", "STRIP_SHAPE", "STRIP_PITCH_MM", "STRIP_REACH"]
SHARED += ["PUSH_MM", "PUSH_SHARE", "STEEP"]


@pytest.mark.parametrize("name", SHARED)
def test_the_program_shows_the_networks_what_they_were_trained_on(name):
    assert constants(PHONE)[name] == getattr(first_look, name)


def test_a_scene_is_a_function_of_its_index():
    assert scene(12) == scene(12)
    assert scene(12) != scene(13)


def test_scenes_are_as_wide_as_they_claim():
    scenes = [scene(index) for index in range(400)]
    reeds = [each["reed"] for each in scenes if each["reed"]]
    heights = np.array([reed["upper"] + reed["lower"] for reed in reeds])
    assert 0.28 < np.mean(heights < 0.3) < 0.48  # a third and more are low
    assert heights.max() > 2.3
    assert len(reeds) < len(scenes)  # some notches are empty
    assert {len(each["lamps"]) for each in scenes} >= {1, 2, 3}
    assert np.ptp([reed["tip_thickness"] for reed in reeds]) > 0.13


@pytest.mark.parametrize("index", range(0, 60, 3))
def test_blades_never_cross(index):
    reed = scene(index)["reed"]
    if reed is None:
        return
    flat = rim_mesh({**reed, "lean": [0.0, 0.0], "roll": 0.0}).vertices[:POINTS_ON_RIM, 1]
    upper, lower = flat[1 : POINTS_ON_RIM // 2], flat[: POINTS_ON_RIM // 2 : -1]
    assert (upper - lower).min() > 0


def test_a_little_training_lowers_the_loss():
    torch = pytest.importorskip("torch", reason="the extra `train` is not installed")
    from fixtures.training import phone
    from fixtures.training.network import edge_network
    from fixtures.training.train import edge_loss

    torch.manual_seed(3)
    rows, columns = np.mgrid[0:312, 0:392]
    angle = 2 * np.pi * np.arange(400) / 400
    light, inner = [], []
    for half in (8.0, 14.0, 20.0, 26.0):
        contour = np.column_stack([196 + 84 * np.cos(angle), 156 - half * np.sin(angle)])
        bore = ((columns - 196) / 84) ** 2 + ((rows - 156) / half) ** 2 < 1
        light.append(np.where(bore, 0.02, 0.6))
        inner.append(contour)
    to_film = np.array([[24.0, 0, 196 - 24 * 42.8], [0, -24.0, 156 + 24 * 4.5], [0, 0, 1]])
    crops = phone.Crops(
        torch.tensor(np.array(light), dtype=torch.float32)[:, None].expand(-1, 3, -1, -1),
        torch.tensor(np.array(inner), dtype=torch.float32),
        torch.tensor(np.array(inner), dtype=torch.float32),
        torch.tensor(to_film, dtype=torch.float32).expand(4, -1, -1),
        torch.tensor([42.8, 4.5, 150.0]).expand(4, -1),
        torch.ones(4, dtype=torch.bool),
        torch.zeros(4, dtype=torch.bool),
    )
    network = edge_network()
    optimiser = torch.optim.Adam(network.parameters(), lr=3e-3)
    losses = []
    for _ in range(40):
        with torch.no_grad():
            strips = phone.strips(phone.photographed(crops, 12.0))
        loss = edge_loss(network(strips.channels), strips)[0]
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        losses.append(loss.item())
    assert np.mean(losses[-5:]) < 0.9 * np.mean(losses[:3]), losses


def test_what_people_corrected_becomes_a_lesson(tmp_path):
    """A drawn tip 7 mm wide and 1 mm high, and a person's outline of it: along every strip the light rises
    from dark to bright where the lesson says that the edge is."""
    torch = pytest.importorskip("torch", reason="the extra `train` is not installed")
    from fixtures.training import phone
    from fixtures.training.corrected import Lessons

    scale, (left, top) = 50.0, (36.4, 9.9)
    y, x = np.mgrid[0:540, 0:640]
    x_mm, y_mm = left + (x + 0.5) / scale, top - (y + 0.5) / scale
    dark = ((x_mm - 42.8) / 3.5) ** 2 + ((y_mm - 4.5) / 0.5) ** 2 < 1
    Image.fromarray(np.where(dark, 20, 200).astype(np.uint8)).save(tmp_path / "0001.jpg", quality=95)
    around = 2 * np.pi * np.arange(200) / 200
    outline = np.column_stack([42.8 + 3.5 * np.cos(around), 4.5 + 0.5 * np.sin(around)]).tolist()
    drawn = {"by": "person 1", "came_about": "outline redrawn", "class": "elliptical", "outline_mm": outline}
    record = {
        "form": 1,
        "window_mm": [left, top - 540 / scale, left + 640 / scale, top],
        "px_per_mm": scale,
        "photo": {"px_per_mm": 20.0, "blur_px": 0.9},
        "outlines": [drawn],
    }
    (tmp_path / "0001.json").write_text(json.dumps(record))
    torch.manual_seed(1)
    lessons = Lessons(tmp_path, torch.device("cpu"))
    strips = phone.strips(lessons.batch(lessons.photos * 3))
    light, middle = strips.channels[:, 0], slice(40, 88)
    for strip, place, inside in zip(light, strips.place, strips.inside, strict=True):
        assert inside[middle].all()
        for column in range(40, 88):
            row = int(place[column].round())
            if 4 < row < 43:
                assert strip[row - 3, column] < -0.2 < 0.2 < strip[row + 3, column]
    assert len(lessons.added_to(strips).place) == 6 + 16


@pytest.mark.parametrize("plainly", [True, False])
def test_a_sensors_colours_put_together_keep_what_is_even_or_rises_evenly(plainly):
    """Both ways of interpolating are linear and their weights add up to 1; so planes of colour stay."""
    torch = pytest.importorskip("torch", reason="the extra `train` is not installed")
    from fixtures.training.phone import _bayer

    rows, columns = torch.meshgrid(torch.arange(24.0), torch.arange(32.0), indexing="ij")
    plane = 0.2 + 0.01 * rows + 0.005 * columns
    picture = torch.stack([plane + 0.3, plane, plane - 0.1])[None]
    again = _bayer(picture, torch.zeros_like(picture), plainly)
    assert (again - picture)[..., 3:-3, 3:-3].abs().max() < 1e-6


def test_the_better_way_to_put_colours_together_is_better_at_a_grey_edge():
    """Malvar, He and Cutler (2004) report 5.5 dB over the mean of the neighbours, on photographs: 0.53 times
    the error."""
    torch = pytest.importorskip("torch", reason="the extra `train` is not installed")
    from fixtures.training.phone import _bayer

    rows = torch.arange(40.0)[:, None].expand(40, 64)
    columns = torch.arange(64.0)[None].expand(40, 64)
    edge = 0.1 + 0.6 * torch.special.ndtr((rows - 20 - 0.13 * columns) / 0.7)
    picture = edge.expand(1, 3, 40, 64)
    plain, better = (
        (_bayer(picture, torch.zeros_like(picture), plainly) - picture)[..., 4:-4, 4:-4].square().mean()
        for plainly in (True, False)
    )
    assert better.sqrt() < 0.6 * plain.sqrt()
