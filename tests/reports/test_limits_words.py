"""Every sentence of the reports, word by word, for cohorts that bring out most of them.

The approved texts were read by a person; tests/approved says how to take new ones. Numbers in them
follow the statistics: when those change, so do these, and that is to be seen.
"""

import re

import made_series
import pandas as pd
import pytest
from conftest import small_frame
from everything import sentences

from outcomes.cohort.read import from_frames
from outcomes.reports.audit.results import run_audit
from outcomes.reports.build.run import open_cohort
from outcomes.reports.depth import words as depth_words
from outcomes.reports.depth.results import rows_in_depth, run_depth
from outcomes.reports.overcorrection import words as calibration_words
from outcomes.reports.overcorrection.results import open_aims, run_calibration
from outcomes.reports.series import words as prose
from outcomes.reports.series.story import tell
from outcomes.simulate import simulate_rates
from tests.approved import as_approved


def lines(said) -> list[str]:
    return [said] if isinstance(said, str) else [str(line) for line in said]


def hold(name: str, text: str) -> None:
    """Without what changes with versions and machines."""
    text = re.sub(r"\b\d+\.\d+\.\d+\b", "(version)", text)
    text = re.sub(r"SHA-256 [0-9a-f]{64}", "SHA-256 (hash)", text)
    text = re.sub(r"differs by more than 0\.0+1\b", "differs by more than (very little)", text)
    as_approved(name, text)


def made(patients: int, seed: int = 4, **options):
    options = {"movement": "vertical", "teeth_per_patient": 6, **options}
    rows = simulate_rates(patients, seed=seed, **options)
    return rows[["patient", "tooth", "movement", "course", "planned", "achieved"]].round(2)


def two_movements():
    """Many rows, some unplanned, the wrong way, not measured, copied or wrong."""
    one = made(14)
    other = made(14, seed=5, movement="rotation", rates=0.4)
    rows = pd.concat([one, other], ignore_index=True)
    rows.loc[3:9, "planned"] = 0.0
    rows.loc[12:16, "achieved"] *= -1
    rows.loc[20, "achieved"] = None
    rows.loc[21:22, "tooth"] = 99
    rows.loc[23, "planned"] = 9.0
    rows["attachment"] = ["none", "rectangular"] * (len(rows) // 2)
    patients = pd.DataFrame({"patient": rows["patient"].unique()})
    patients["clinician"] = ["A", "B"] * (len(patients) // 2)
    patients["site"] = "North"
    return from_frames(rows, patients, source="two_movements.csv")


COHORTS = {
    "demo": open_cohort,
    "small": lambda: from_frames(small_frame(), source="small.csv"),
    "two_movements": two_movements,
    "five_patients": lambda: from_frames(made(5), source="five.csv"),
    "one_record": lambda: from_frames(small_frame().head(1), source="one.csv"),
}


@pytest.mark.parametrize("name", COHORTS)
def test_audit(name):
    said = sentences(run_audit(COHORTS[name]()))
    hold(
        f"audit_{name}",
        "\n".join(f"{part}: {line}" for part, found in said.items() for line in lines(found)),
    )


@pytest.mark.parametrize("kind", made_series.EVERY)
def test_case_series(kind):
    series, tables = made_series.EVERY[kind]()
    parts = [
        *prose.methods(series, tables),
        *prose.results(series, tables),
        prose.limitations(series, tables),
    ]
    said = [paragraph.text for paragraph in parts]
    said += [sentence.text for sentence in prose.summary(series, tables)]
    story = tell(series, tables)
    said += [s.text for s in (*story.methods, *story.findings, *story.limits)]
    hold(f"series_{kind}", "\n".join(said))


DEPTH = [name for name in dir(depth_words) if not name.startswith("_")]
DEPTH = [
    name
    for name in DEPTH
    if getattr(getattr(depth_words, name), "__module__", "") == depth_words.__name__
]


def test_analysis_in_depth():
    depth = run_depth(rows_in_depth(), "rotation", replicates=20)
    said = [
        f"{name}: {line}" for name in DEPTH for line in lines(getattr(depth_words, name)(depth))
    ]
    hold("depth", "\n".join(said))


def test_analysis_in_depth_of_little():
    depth = run_depth(made(6, movement="rotation"), "rotation", replicates=20)
    said = [
        f"{name}: {line}" for name in DEPTH for line in lines(getattr(depth_words, name)(depth))
    ]
    hold("depth_of_little", "\n".join(said))


def calibration(found) -> str:
    said = []
    for name in calibration_words.__all__:
        function = getattr(calibration_words, name)
        if function is calibration_words.ranges_caption:
            said += lines(function())
        else:
            said += [f"{name}: {line}" for line in lines(function(found))]
    return "\n".join(said)


def test_calibration():
    found = run_calibration(open_cohort(), open_aims(None, None), since="2023-06-01")
    hold("calibration", calibration(found))


@pytest.mark.parametrize("patients", [4, 9])
def test_calibration_of_few(patients):
    cohort = from_frames(made(patients), source="few.csv")
    hold(f"calibration_of_{patients}", calibration(run_calibration(cohort)))
