"""The catalogue of broken meshes is what it says: many, distinct, small, and its sound ones sound."""

import numpy as np
import pytest

from tests.measure import broken

CASES = broken.CASES


def test_there_are_over_a_hundred_each_with_its_own_name_and_words():
    assert len(CASES) >= 100
    assert len([c for c in CASES if c.verdict != "read"]) >= 100
    assert len({c.name for c in CASES}) == len(CASES)
    assert {c.verdict for c in CASES} == {"refused", "reported", "read"}
    for case in CASES:
        assert bool(case.said) == (case.verdict != "read"), case.name
        assert all(word == word.lower() for word in case.said)


def test_each_writes_its_file_and_none_is_large(tmp_path):
    seen = {}
    for case in CASES:
        path = case.write(tmp_path)
        if case.place is None:
            assert path.suffix == case.ending
            content = path.read_bytes()
            assert len(content) < 6_000_000, case.name
            seen.setdefault((case.ending, content), []).append(case.name)
    assert [names for names in seen.values() if len(names) > 1] == []


@pytest.mark.parametrize("case", [c for c in CASES if c.verdict == "read"], ids=lambda c: c.name)
def test_the_odd_and_sound_ones_are_read_by_another_library(case, tmp_path):
    """trimesh finds the surface of the good arch in them."""
    trimesh = pytest.importorskip("trimesh")
    if case.name in ("faces before vertices ply", "with a byte order mark obj", "with tabs obj"):
        pytest.skip("trimesh itself does not read this one as the format allows it")
    mesh = trimesh.load(case.write(tmp_path), force="mesh", process=True)
    corners = broken.base().vertices[broken.base().faces]
    area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    ).sum() / 2  # fmt: skip
    times = 2 if "twice" in case.name else 1
    assert mesh.area == pytest.approx(times * area, rel=5e-3)
    if "specks" not in case.name:
        assert mesh.extents == pytest.approx(np.ptp(broken.base().vertices, axis=0), rel=1e-3)
