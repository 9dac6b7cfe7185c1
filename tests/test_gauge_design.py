"""The rendered gauges: their design, their truth against closed forms; nothing is rendered."""

import json

import numpy as np
import pytest

from aperture.card.gauge_page import SLIT_MM, SPACER_MM, STRIP_MM
from fixtures import gauge_design
from fixtures.render import mesh
from fixtures.render.scene import camera_of
from tests.accuracy.gauge import COMMITTED

SHOTS = {shot.scene["name"]: shot for shot in gauge_design.shots()}


def test_design_covers_heights_cards_and_walls():
    gauges = [shot.scene["gauge"] for shot in SHOTS.values()]
    assert len(gauges) == gauge_design.PHOTOS
    assert {gauge["sheets"] for gauge in gauges} == set(range(5, 21))
    assert len({tuple(gauge["colour"]) for gauge in gauges}) == 4
    black = [gauge["walls"][0] < 0.1 for gauge in gauges]
    assert 0.6 < np.mean(black) < 0.8
    tilts = [shot.facts()["truth"]["tilt_deg"] for shot in SHOTS.values()]
    assert min(tilts) < 6.0
    assert max(tilts) > 12.0


@pytest.mark.parametrize("name", sorted(SHOTS))
def test_what_is_drawn_is_what_is_to_be_cut(name):
    """The mesh, turned back: strips 10 by 60 mm, paper 1.5 mm wide, the gap sheets times ream over 500."""
    gauge = SHOTS[name].scene["gauge"]
    rotation, shift = mesh.reed_pose(gauge)
    parts = {part: (m.vertices - shift) @ rotation for part, m in mesh.gauge_meshes(gauge).items()}
    x, y, z = parts["paper"].T
    assert np.ptp(y) == pytest.approx(gauge["gap_mm"])
    assert gauge["gap_mm"] == pytest.approx(gauge["sheets"] * gauge["sheet_mm"])
    assert sorted(set(np.abs(x).round(6))) == [SLIT_MM / 2, STRIP_MM[1] / 2]
    assert STRIP_MM[1] / 2 - SLIT_MM / 2 == SPACER_MM
    assert np.ptp(z) == pytest.approx(STRIP_MM[0])
    assert np.unique(np.abs(parts["walls"][:, 1]).round(9)) == pytest.approx([gauge["gap_mm"] / 2])
    # Each side faces away from the body that it bounds: as many outwards normals as triangles turn that way.
    for part in mesh.gauge_meshes({**gauge, "roll": 0.0, "lean": [0.0, 0.0]}).values():
        corners = part.vertices[part.faces]
        turned = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        assert (np.sum(turned * part.normals[part.faces[:, 0]], axis=1) > 0).all()


@pytest.mark.parametrize("name", sorted(SHOTS))
def test_edges_in_the_photo_are_a_gap_apart(name):
    """The lines of sight through the edges' ends, met with the front's plane, give the gap again."""
    shot = SHOTS[name]
    camera, gauge, truth = camera_of(shot.scene), shot.scene["gauge"], shot.facts()["truth"]
    seen = camera.undistorted(np.array(truth["edges_px"])) + camera.crop[:2]
    middle = (np.array([4032, 3024]) - 1) / 2
    away = (seen - middle) / camera.focal_px
    rays = camera.forward + away[:, :1] * camera.right - away[:, 1:] * camera.up
    rotation, centre = mesh.reed_pose(gauge)
    normal = rotation[:, 2]
    hits = camera.lens + rays * ((centre - camera.lens) @ normal / (rays @ normal))[:, None]
    assert np.linalg.norm(hits[2] - hits[0]) == pytest.approx(gauge["gap_mm"], abs=2e-3)
    assert np.linalg.norm(hits[1] - hits[0]) == pytest.approx(SLIT_MM, abs=2e-3)


def test_what_a_user_types_is_what_a_ruler_says():
    for shot in SHOTS.values():
        typed, gauge = shot.design["typed"], shot.scene["gauge"]
        assert typed["sheets"] == gauge["sheets"]
        assert abs(typed["ream_mm"] - 500 * gauge["sheet_mm"]) <= 0.25
        assert (2 * typed["ream_mm"]) % 1 == 0
        assert (2 * typed["ruler_mm"]) % 1 == 0


def test_committed_photos_are_one_series():
    names = {path.stem for path in COMMITTED.glob("*.json")}
    assert names == set(gauge_design.COMMITTED)
    assert names == {path.stem for path in COMMITTED.glob("*.jpg")}
    series = [SHOTS[name].scene for name in names]
    assert len({scene["gauge"]["sheet_mm"] for scene in series}) == 1
    assert len({scene["card"]["scale"] for scene in series}) == 1


@pytest.mark.parametrize("name", sorted(gauge_design.COMMITTED))
def test_truth_file_is_what_the_design_says_today(name):
    """A change of design, mesh or camera makes a photo stale: `python -m fixtures.render gauge NAME`."""
    stored = json.loads((COMMITTED / f"{name}.json").read_text(encoding="utf-8"))
    today = json.loads(SHOTS[name].truth_text())
    assert stored["scene"] == today["scene"]
    assert stored["design"] == today["design"]
    assert stored["truth"].keys() == today["truth"].keys()
    for key, value in today["truth"].items():
        assert np.asarray(stored["truth"][key]) == pytest.approx(np.asarray(value), abs=2e-3), key


def test_committed_photos_are_small():
    sizes = [path.stat().st_size for path in COMMITTED.glob("*.jpg")]
    assert max(sizes) < 200_000
    assert sum(sizes) < 2.5e6
