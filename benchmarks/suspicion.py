"""How often reading cries wolf over sound cohorts, and how many of the known traps it finds.

Run ``python benchmarks/suspicion.py``; it writes suspicion.csv and its part of README.md. Seeded.

Sound cohorts follow the rate model (``outcomes.simulate``), some of them odd on purpose. A trap
takes sound cohorts and spoils them as a careless export would: positions for changes, sizes for
signed numbers, later courses that go on counting. A column of directions left over, and a patient
written once for a block, need no statistics; their limits are tested in
``tests/cohort/test_suspicion.py``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from page import replace_part

from outcomes.cohort.doubtful_numbers import of_numbers
from outcomes.domain.limits import TOLERANCE
from outcomes.domain.movements import MOVEMENTS
from outcomes.simulate import simulate_cohort

OUT = Path(__file__).with_name("suspicion.csv")
PATIENTS = (3, 5, 12)
COHORTS = 10
NEAR_ONE = dict.fromkeys(MOVEMENTS, 1.0)

SOUND: dict[str, dict] = {
    "as usual": {},
    "one course": {"courses": 1},
    "deep bites": {"malocclusions": {"deep bite": 1.0}},
    "deep bites, vertical only": {
        "malocclusions": {"deep bite": 1.0},
        "movements": ("vertical",),
    },
    "open bites, vertical only": {
        "malocclusions": {"open bite": 1.0},
        "movements": ("vertical",),
    },
    "rotation only": {"movements": ("rotation",)},
    "rates of 0.3": {"rates": dict.fromkeys(MOVEMENTS, 0.3)},
    "rates of 1": {"rates": NEAR_ONE},
    "rates of 1, patients apart": {"rates": NEAR_ONE, "patient_sd": 0.15, "tooth_sd": 0.12},
    "wild outliers": {"outliers": 0.02},
    "spread grows with the plan": {"heteroscedastic": 1.0},
    "noisy scans": {"residual_sd": {"mm": 0.35, "degree": 2.5}},
}
TRAPPED = ("as usual", "one course", "deep bites, vertical only", "rotation only")
KEY = ["patient", "tooth", "movement"]


def cohort(design: dict, patients: int, seed: int) -> pd.DataFrame:
    invented = simulate_cohort(
        patients=patients, seed=seed, repeats=False, measures=False, **design
    )
    rows = invented.movements
    return rows[rows["achieved"].notna()].reset_index(drop=True)


# Sound, but odd -----------------------------------------------------------------------------------


def one_direction(rows: pd.DataFrame) -> pd.DataFrame:
    """Intrusion only: what a study of deep bites records."""
    return rows[(rows["movement"] == "vertical") & (rows["planned"] < 0)]


def overcorrected(rows: pd.DataFrame) -> pd.DataFrame:
    """Half as much again planned, and as much more achieved."""
    return rows.assign(planned=1.5 * rows["planned"], achieved=1.5 * rows["achieved"])


def mostly_unplanned(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Ten movements that nobody planned for each that was."""
    more = pd.concat([rows] * 10, ignore_index=True)
    noise = rng.normal(0, np.where(_mm(more), 0.22, 1.6))
    more = more.assign(planned=0.0, achieved=noise.round(2), course=9)
    return pd.concat([rows, more], ignore_index=True)


# Traps --------------------------------------------------------------------------------------------


def _mm(rows: pd.DataFrame) -> np.ndarray:
    return rows["movement"].map({m.name: m.unit == "mm" for m in MOVEMENTS.values()}).to_numpy()


def _so_far(rows: pd.DataFrame) -> np.ndarray:
    """What the courses before achieved, (n,)."""
    ordered = rows.sort_values("course")
    total = ordered.groupby(KEY)["achieved"].cumsum() - ordered["achieved"]
    return total.reindex(rows.index).to_numpy()


def positions(kind: str) -> Callable[[pd.DataFrame, np.random.Generator], pd.DataFrame]:
    """Start + change for both; starts in units of 1 mm or 6 degrees."""

    def spoil(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
        site = rows.groupby(KEY).ngroup().to_numpy()
        tooth = rows.groupby(["tooth", "movement"]).ngroup().to_numpy()
        own = rng.standard_normal(site.max() + 1)[site]
        of_tooth = rng.standard_normal(tooth.max() + 1)[tooth]
        size = np.where(_mm(rows), 1.0, 6.0)
        first = rows.sort_values("course").groupby(KEY)["planned"].transform("first")
        plan = first.reindex(rows.index).to_numpy()
        start = {
            "to the ideal": -plan + 0.3 * size * own,
            "partly to the ideal": -0.7 * plan + 0.5 * size * own,
            "scattered": 1.4 * size * own,
            "by tooth": size * (1.5 * of_tooth + 0.7 * own),
            "coordinates": size * (8 * np.abs(of_tooth) + 0.7 * own),
        }[kind] + _so_far(rows)
        return rows.assign(
            planned=(rows["planned"] + start).round(2), achieved=(rows["achieved"] + start).round(2)
        )

    return spoil


def only_achieved(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Changes planned, but the position achieved: planned + something constant for each tooth."""
    tooth = rows.groupby(["tooth", "movement"]).ngroup().to_numpy()
    start = rng.standard_normal(tooth.max() + 1)[tooth] * np.where(_mm(rows), 1.5, 9.0)
    return rows.assign(achieved=(rows["achieved"] + start).round(2))


def sizes(rows: pd.DataFrame, _: np.random.Generator) -> pd.DataFrame:
    return rows.assign(planned=rows["planned"].abs(), achieved=rows["achieved"].abs())


def going_on(rows: pd.DataFrame, _: np.random.Generator) -> pd.DataFrame:
    before = _so_far(rows)
    return rows.assign(planned=rows["planned"] + before, achieved=rows["achieved"] + before)


def turned(rows: pd.DataFrame, _: np.random.Generator) -> pd.DataFrame:
    return rows.assign(achieved=-rows["achieved"])


TRAPS = {
    **{
        f"positions, {kind}": positions(kind)
        for kind in ("to the ideal", "partly to the ideal", "scattered", "by tooth", "coordinates")
    },
    "achieved alone a position": only_achieved,
    "sizes without a sign": sizes,
    "later courses go on counting": going_on,
    "signs of achieved turned round": turned,
}


# The study ----------------------------------------------------------------------------------------


def tally(kind: str, name: str, design: str, patients: int, cohorts: list[pd.DataFrame]) -> dict:
    severities = [{found.severity for found in of_numbers(rows)} for rows in cohorts]
    return {
        "kind": kind,
        "name": name,
        "design": design,
        "patients": patients,
        "cohorts": len(cohorts),
        "rows": float(np.median([len(rows) for rows in cohorts])),
        "stop": sum("stop" in found for found in severities),
        "question": sum(bool(found) for found in severities),
    }


def study(cohorts: int) -> pd.DataFrame:
    lines = []
    for patients in PATIENTS:
        made = {
            name: [cohort(design, patients, seed) for seed in range(cohorts)]
            for name, design in SOUND.items()
        }
        rng = np.random.default_rng(patients)
        odd = {
            "intrusion only": [one_direction(rows) for rows in made["deep bites"]],
            "overcorrected": [overcorrected(rows) for rows in made["as usual"]],
            "mostly not planned": [mostly_unplanned(rows, rng) for rows in made["as usual"]],
            "extrusion only": [
                rows[rows["planned"] > 0] for rows in made["open bites, vertical only"]
            ],
            "only positive plans": [rows[rows["planned"] > 0] for rows in made["as usual"]],
        }
        lines += [tally("sound", name, "", patients, c) for name, c in {**made, **odd}.items()]
        for name, spoil in TRAPS.items():
            for design in TRAPPED:
                if spoil is going_on and design == "one course":
                    continue
                spoilt = [spoil(rows, rng) for rows in made[design]]
                lines.append(tally("trap", name, design, patients, spoilt))
    return pd.DataFrame(lines)


def page(found: pd.DataFrame) -> str:
    """The tables of README.md."""
    sound = found[found["kind"] == "sound"]
    parts = [
        f"{sound['cohorts'].sum():,} sound cohorts and {len(found) - len(sound)} kinds of spoilt "
        f"ones of {found['cohorts'].max()} cohorts each. Of the sound ones "
        f"{sound['stop'].sum()} were stopped "
        f"({100 * sound['stop'].sum() / sound['cohorts'].sum():.2f} %).",
        "**Sound cohorts: percent stopped / percent with any question**",
        _table(sound, ["name"]),
        "**Traps: percent stopped / percent with any question**",
        _table(found[found["kind"] == "trap"], ["name", "design"]),
        f"Tolerances: {TOLERANCE['mm']} mm, {TOLERANCE['degree']:g} degrees. Rates of 1 are asked "
        "about (never stopped): positions scattered widely look just so.",
    ]
    return "\n\n".join(parts)


def _table(found: pd.DataFrame, by: list[str]) -> str:
    head = [*by, *(f"{n} patients" for n in PATIENTS)]
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join(["---"] * len(head)) + " |"]
    for names, rows in found.groupby(by, sort=False):
        each = rows.set_index("patients")
        cells = [
            f"{100 * each.at[n, 'stop'] / each.at[n, 'cohorts']:.0f} / "
            f"{100 * each.at[n, 'question'] / each.at[n, 'cohorts']:.0f}"
            for n in PATIENTS
        ]
        lines.append("| " + " | ".join([*names, *cells]) + " |")
    return "\n".join(lines)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cohorts", type=int, default=COHORTS)
    found = study(parser.parse_args().cohorts)
    found.to_csv(OUT, index=False)
    replace_part(Path(__file__).with_name("README.md"), "suspicion", page(found))
