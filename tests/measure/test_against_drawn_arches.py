"""Components and axes against invented arches, which are drawn and moved by code of their own."""

import numpy as np
import pytest

from outcomes.measure.axes import arch_frames
from outcomes.measure.motion import Rigid, ToothFrame, components

arches = pytest.importorskip("outcomes.simulate.arches")

MOVED = {"mesiodistal": 0.4, "buccolingual": -0.3, "vertical": 0.2, "tip": 3.0, "torque": -4.0, "rotation": 5.0}  # fmt: skip


@pytest.mark.parametrize("arch", ["upper", "lower"])
def test_components_and_axes(arch):
    quadrants = (10, 20) if arch == "upper" else (40, 30)
    asked = {q + n: {m: v / n for m, v in MOVED.items()} for q in quadrants for n in (1, 3, 5)}
    made = arches.simulate_arch(arch, seed=3, achieved=asked, planned=asked, resolution=1.5)
    found = arch_frames(made.clicks)
    assert not len(found.problems)
    for tooth, axes in made.frames.items():
        drawn = ToothFrame(tooth, axes.centre, axes.mesial, axes.buccal, axes.occlusal)
        parts = components(Rigid.from_matrix(made.moved["achieved"][tooth]), drawn)
        for name, value in parts.items():
            assert value == pytest.approx(asked.get(tooth, {}).get(name, 0.0), abs=1e-9)
        frame = found.frames[tooth]
        limit = 15 if tooth % 10 == 7 else 6  # beyond the last molar no tooth holds the curve
        for mine, theirs in zip(frame.axes(), drawn.axes(), strict=True):
            assert np.degrees(np.arccos(np.clip(mine @ theirs, -1, 1))) < limit
