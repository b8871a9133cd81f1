"""The invented scans that are shipped are those their script writes, and their truth is theirs."""

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.paths import data_path

FOLDER = data_path("synthetic_data") / "scans"


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    spec = importlib.util.spec_from_file_location("make_scans", FOLDER / "make.py")
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    folder = tmp_path_factory.mktemp("scans")
    made.write_all(folder)
    return folder


def names(folder: Path) -> set[str]:
    return {p.name for p in folder.iterdir() if p.suffix != ".py" and p.name != "__pycache__"}


def vertices(path: Path) -> np.ndarray:
    content = path.read_bytes()
    head, body = content.split(b"end_header\n", 1)
    count = int(head.split(b"element vertex ")[1].split()[0])
    return np.frombuffer(body, "<f4", 3 * count).reshape(-1, 3)


def test_they_are_what_the_script_writes(written):
    assert names(FOLDER) == names(written)
    for name in ("scans.csv", "truth.csv", "invented.md"):
        assert (FOLDER / name).read_text() == (written / name).read_text()
    for path in written.glob("*.ply"):
        # another processor may round the last digit otherwise
        assert np.allclose(vertices(FOLDER / path.name), vertices(path), atol=1e-3), path.name


def test_they_are_said_to_be_invented_and_small():
    assert "invented" in (FOLDER / "invented.md").read_text()
    assert "No real patient" in (FOLDER / "invented.md").read_text()
    assert sum(p.stat().st_size for p in FOLDER.iterdir() if p.is_file()) < 6_000_000


def test_every_tooth_of_the_landmarks_has_its_truth():
    scans = pd.read_csv(FOLDER / "scans.csv")
    truth = pd.read_csv(FOLDER / "truth.csv")
    assert scans.groupby("patient").size().to_dict() == {"P001": 3, "P002": 1}
    for row in scans.itertuples():
        marked = set(pd.read_csv(FOLDER / row.teeth)["tooth"])
        mine = truth[(truth["patient"] == row.patient) & (truth["course"] == row.course)]
        assert marked <= set(mine["tooth"])
        still = mine[mine["tooth"].isin([int(t) for t in row.reference.split()])]
        assert (still[["planned", "achieved"]].to_numpy() == 0).all()
        start = vertices(FOLDER / row.start)
        clicks = pd.read_csv(FOLDER / row.teeth)[["x", "y", "z"]].to_numpy()
        away = np.linalg.norm(start[None] - clicks[:, None], axis=2).min(axis=1)
        assert away.max() < 0.8
