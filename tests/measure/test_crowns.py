"""The crown around each click, on shapes drawn here and not by the package's own generator."""

import numpy as np
import pytest

from outcomes.measure.axes import arch_frames
from outcomes.measure.crowns import OFF_SCAN, find_crowns, usual_size
from outcomes.measure.meshes import clean
from tests.measure.shapes import Arch

UP = np.array([0.0, 0.0, 1.0])


def on_crown(arch, mesh, tooth):
    """Which vertices lie on the drawn solid of a tooth."""
    centre, axes = arch.frames[tooth]
    near = np.linalg.norm(mesh.vertices - arch.centre(tooth), axis=1) < 12
    found = np.zeros(len(mesh.vertices), bool)
    found[near] = np.abs(arch.solid(tooth, (mesh.vertices[near] - centre) @ axes)) < 0.15
    return found


@pytest.mark.parametrize(
    ("family", "step", "off"), [("blocks", 0.5, 0.0), ("balls", 0.5, 1.3), ("balls", 0.9, 0.5)]
)
def test_the_patch_is_the_crown_and_its_core_nothing_else(family, step, off):
    arch = Arch("lower", family=family, seed=4, missing=(35, 47))
    mesh = clean(*_drawn(arch, step))
    rng = np.random.default_rng(1)
    clicks = {t: arch.on_surface(t, *rng.uniform(-off, off, 2)) for t in arch.frames}
    crowns, refused = find_crowns(mesh, clicks, arch_frames(clicks, away_from_gum=UP).frames)
    assert not refused
    assert set(crowns) == set(clicks)
    for tooth, crown in crowns.items():
        true = on_crown(arch, mesh, tooth)
        weight = mesh.areas
        assert weight[crown.core][true[crown.core]].sum() > 0.93 * weight[crown.core].sum()
        assert weight[crown.vertices][true[crown.vertices]].sum() > 0.6 * weight[true].sum()
        assert set(crown.core) <= set(crown.vertices)


def _drawn(arch, step):
    drawn = arch.draw(step=step, noise=0.02, holes=5, seed=2)
    return drawn.vertices, drawn.faces


def test_a_click_off_the_scan_is_refused():
    arch = Arch("lower", seed=4, teeth=range(4, 8))
    mesh = clean(*_drawn(arch, 0.6))
    clicks = dict(arch.clicks)
    clicks[46] = clicks[46] + (OFF_SCAN + 0.6) * UP
    clicks[36] = clicks[36] + (OFF_SCAN - 0.6) * UP
    crowns, refused = find_crowns(mesh, clicks, arch_frames(clicks, away_from_gum=UP).frames)
    assert set(refused) == {46}
    assert "mm from the scan" in refused[46]
    assert 36 in crowns


def test_usual_sizes_of_molars_and_incisors():
    assert usual_size(16)[0] > usual_size(14)[0] > usual_size(31)[0] > 4.5
    assert usual_size(55)[0] > usual_size(51)[0]
