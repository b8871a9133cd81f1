"""The page with an arch to be turned: what it holds, what it says, and that it loads nothing."""

import base64
import json
import re
from types import SimpleNamespace

import numpy as np
import pytest

from outcomes.errors import CannotAnswer, OutputRefused
from outcomes.figures.view3d import NONE, view_arch
from outcomes.measure.measured import ArchPart
from outcomes.measure.meshes import Mesh
from outcomes.measure.motion import Rigid, ToothFrame
from outcomes.simulate.arches import simulate_arch


@pytest.fixture(scope="module")
def part():
    """The truth of an invented arch as if measured; tooth 11 is refused in the outcome."""
    made = simulate_arch(
        "upper", seed=2, resolution=1.2, noise=0, frame="same",
        planned={13: {"buccolingual": 1.0}}, achieved={13: {"buccolingual": 0.5}},
    )  # fmt: skip
    frames = {
        t: ToothFrame(t, a.centre, a.mesial, a.buccal, a.occlusal) for t, a in made.frames.items()
    }
    stages = ("planned", "achieved")
    motions = {
        (t, s): Rigid.from_matrix(made.moved[s][t])
        for s in stages for t in frames if (t, s) != (11, "achieved")
    }  # fmt: skip
    quality = [
        {
            "tooth": t, "stage": s, "residual": 0.02, "overlap": 0.9, "confidence": "high",
            "verdict": "given" if (t, s) in motions else "refused",
            "reason": "" if (t, s) in motions else "a <hole> in the scan",
        }
        for s in stages for t in frames
    ]  # fmt: skip
    later = {
        s: SimpleNamespace(mesh=Mesh(made.meshes[s].vertices, made.meshes[s].faces)) for s in stages
    }
    crowns = {t: np.flatnonzero(made.labels["start"] == t) for t in frames}
    start = Mesh(made.start.vertices, made.start.faces)
    detail = SimpleNamespace(start=start, crowns=crowns, stages=later)
    return ArchPart("P001", 1, "upper", motions, frames, quality, stages, detail=detail)


@pytest.fixture(scope="module")
def view(part):
    return view_arch(part)


@pytest.fixture(scope="module")
def data(view):
    found = re.search(r'<script type="application/json" id="scans">(.*?)</script>', view.page, re.S)
    return json.loads(found[1])


def test_it_loads_nothing(view):
    assert not re.search(r"<(?:script|img|link|iframe)[^>]*\b(?:src|href)\b", view.page)
    assert "@import" not in view.page.partition("<script>")[0]
    assert len(view.page) < 8e6


def test_the_pointer_tells_planned_and_achieved_and_why_a_tooth_was_refused(data, view):
    assert "buccolingual: planned +1.00\u00a0mm, achieved +0.50\u00a0mm" in data["words"]["13"]
    assert "achieved refused: a &lt;hole&gt; in the scan" in data["words"]["11"]
    assert "planned 0.00" in data["words"]["11"]
    assert "<hole>" not in view.page


def test_colour_tells_how_far_a_crown_moved(data):
    for stage, mm in zip(data["stages"], (1.0, 0.5), strict=True):
        tooth, steps = (np.frombuffer(base64.b64decode(stage[k]), "u1") for k in ("tooth", "moved"))
        top = float(data["shows"]["moved"][1])
        moved = np.median(steps[tooth == 13]) / (NONE - 1) * top
        assert moved == pytest.approx(mm, abs=0.02)
        assert (steps[tooth == 0] == NONE).all()
        assert (np.median(steps[tooth == 16])) == 0
    assert not (tooth == 11).any()  # refused in the outcome: no colour there


def test_it_is_kept_where_nothing_stands_and_needs_scans(view, part, tmp_path):
    path = view.write(tmp_path / "arch.html")
    assert path.read_text(encoding="utf-8") == view.page
    with pytest.raises(OutputRefused, match="exists already"):
        view.write(path)
    with pytest.raises(CannotAnswer, match="no scans"):
        view_arch(ArchPart("P001", 1, "upper", {}, {}, []))
