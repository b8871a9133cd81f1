"""A seventh movement, made by one entry in MOVEMENTS and nothing else; prints what came of it.

Run by tests/test_seventh_movement.py in a Python of its own, as most of the package reads the
movements when it is imported.
"""

import importlib.util
import json
import sys
import tempfile
from pathlib import Path

ENTRY = """
        Movement(
            "translation",
            "mm",
            "en masse forward",
            "en masse backward",
            "forward",
            "backward",
            ("bodily shift",),
            spoken="bodily translation",
            tolerance=0.3,
            smallest_plan=0.1,
            expected_size=4.0,
            per_aligner=0.2,
            invented=Invented((0.6, 0.6, 0.6, 0.6), (0.9, 0.9, 0.9, 0.9), (1.0, 1.0, 1.0, 1.0)),
        ),
    )
}

#: Directions have"""


def add_entry() -> None:
    """Load the movements with one more entry, before anything else reads them."""
    name = "outcomes.domain.movements"
    spec = importlib.util.find_spec(name)
    source = spec.loader.get_source(name)
    end = "    )\n}\n\n#: Directions have"
    assert source.count(end) == 1
    changed = source.replace(end, ENTRY.removeprefix("\n"))
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    exec(compile(changed, spec.origin, "exec"), module.__dict__)
    sys.modules["outcomes.domain"].movements = module


add_entry()

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from typer.testing import CliRunner  # noqa: E402

import outcomes as oc  # noqa: E402
from outcomes.cli import app  # noqa: E402
from outcomes.cohort.codebook import codebook  # noqa: E402
from outcomes.reports.audit import tables, words  # noqa: E402
from outcomes.reports.audit.results import run_audit  # noqa: E402
from outcomes.reports.overcorrection import words as said  # noqa: E402
from outcomes.reports.overcorrection.results import run_calibration  # noqa: E402
from outcomes.reports.sheet.plan import plan_rows, sheet_html  # noqa: E402
from outcomes.simulate import DEFAULT_RATES, simulate_cohort  # noqa: E402

NAME = "translation"
invented = simulate_cohort(
    patients=14, seed=3, movements=[NAME, "rotation"], courses=2, measures=False
)
movements = invented.movements.copy()
first = movements.index[movements["movement"] == NAME][0]
movements.loc[first, ["planned", "achieved", "aim"]] = [4.5, 2.0, 4.5]
frames = {**invented.tables, "movements": movements.replace(NAME, "bodily shift")}
cohort = oc.from_frames(*frames.values(), notation="fdi", strict=False, invented=True)
audit = run_audit(cohort)
aims = oc.read_aims(
    pd.DataFrame({"tooth": [11, 21, 31], "movement": NAME, "aim": [0.8, -0.8, 3.9]})
)
found = run_calibration(cohort, aims)
rates = oc.simulate_rates(8, seed=1, movement=NAME)
study = oc.plan_study(width=0.2, movement=NAME, teeth_per_patient=6, simulations=5)
best = found.plan.options[found.plan.options["option"] == "best chance"]
problems = cohort.problems["problem"].tolist()

with tempfile.TemporaryDirectory() as folder:
    typed = Path(folder, "cases.csv")
    movements.head(40).assign(movement=NAME).to_csv(typed, index=False)
    checked = CliRunner().invoke(app, ["check", str(typed)])

print(
    json.dumps(
        {
            "check_status": checked.exit_code,
            "check_says": checked.output,
            "codebook": "en masse forward" in codebook(),
            "too_large": [p for p in problems if p.startswith("larger than")],
            "rates": DEFAULT_RATES[NAME],
            "simulated": float(np.polyfit(rates["planned"], rates["achieved"], 1)[0]),
            "tolerance": audit.tolerance[NAME],
            "within": float(audit.overall.set_index("movement").loc[NAME, "within_tolerance"]),
            "rows": [
                (float(r.planned), float(r.achieved))
                for r in audit.planned[audit.planned["movement"] == NAME].itertuples()
            ],
            "ratio_rows": int(audit.overall.set_index("movement").loc[NAME, "ratio_rows"]),
            "audit_words": words.summary(audit) + words.methods(audit) + words.class_rates(audit),
            "audit_table": tables.movement_rates(audit.rate_table)["Movement"].tolist(),
            "validated": found.validations[NAME].tolerance,
            "needed": found.needed.query("movement == @NAME")["within"].max(),
            "plan_tolerance": found.plan.aims["tolerance"].tolist(),
            "verdicts": found.plan.aims["verdict"].tolist(),
            "aligners": best["aligners"].tolist()[:2],
            "planned": best["planned"].tolist()[:2],
            "plan_words": said.methods(found) + said.summary(found) + said.verdicts(found),
            "cells": plan_rows(found.plan).iloc[:, 2:4].agg(" | ".join, axis=1).tolist(),
            "sheet": "bodily translation" in sheet_html(found.plan).lower(),
            "study": study.assumptions.unit,
            "study_notes": list(study.notes),
        }
    )
)
