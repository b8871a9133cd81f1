"""One entry in MOVEMENTS is all that a movement needs: check, audit, calibrate, simulate, plan."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from outcomes.domain.limits import within_tolerance

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def seventh() -> dict:
    done = subprocess.run(
        [sys.executable, str(HERE / "seventh.py")],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=HERE.parent,
        env={**__import__("os").environ, "PYTHONPATH": str(HERE.parent), "PYTHONUTF8": "1"},
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_the_command_check_knows_it(seventh):
    assert seventh["check_status"] == 0
    assert "larger than 4 mm" in seventh["check_says"]
    assert "no movement of that name" not in seventh["check_says"]


def test_it_is_read_checked_and_in_the_codebook(seventh):
    assert seventh["codebook"]
    assert seventh["too_large"]
    assert set(seventh["too_large"]) == {"larger than 4 mm"}


def test_it_is_simulated_with_the_rates_of_its_entry(seventh):
    assert seventh["rates"] == dict.fromkeys(("incisor", "canine", "premolar", "molar"), 0.6)
    assert seventh["simulated"] == pytest.approx(0.6, abs=0.1)


def test_the_audit_uses_its_tolerance_and_smallest_plan(seventh):
    planned, achieved = np.array(seventh["rows"]).T
    assert seventh["tolerance"] == 0.3
    near = within_tolerance(planned - achieved, 0.3).mean()
    assert seventh["within"] == pytest.approx(near)
    assert near != within_tolerance(planned - achieved, 0.5).mean()
    text = " ".join(seventh["audit_words"])
    assert "bodily translation" in text
    assert "0.3" in text
    assert "translation" in seventh["audit_table"]


def test_the_calibration_uses_its_tolerance_step_and_expected_size(seventh):
    assert seventh["validated"] == 0.3
    assert seventh["plan_tolerance"] == [0.3] * 3
    steps = np.ceil(np.abs(seventh["planned"]) / 0.2 - 1e-9)
    assert seventh["aligners"] == steps.tolist()
    assert seventh["verdicts"][2] == "beyond the records"
    assert seventh["cells"][:2] == [
        "Bodily translation: forward | 0.80\u00a0mm",
        "Bodily translation: backward | 0.80\u00a0mm",
    ]
    text = " ".join(seventh["plan_words"])
    assert "Tolerance 2° and 0.3\u00a0mm" in text
    assert "one aligner: 2° and 0.2\u00a0mm" in text
    assert seventh["sheet"]


def test_a_study_of_it_can_be_planned(seventh):
    assert seventh["study"] == "mm"
    assert any("1.0\u00a0mm" in note for note in seventh["study_notes"])
