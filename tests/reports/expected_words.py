"""All words about hand-made results, as they were read and found right.

    PYTHONPATH=tests/reports python tests/reports/expected_words.py

writes expected_words.txt anew: read what changed in it before it is kept.
"""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import hand_made_series
import made_audit as made
import numpy as np
import pandas as pd
from everything import READ, SAID
from made_audit import Fits, contrast, described, difference, moved, rate

from outcomes.cohort.problems import NOT_MEASURED
from outcomes.reports.audit import words

EXPECTED = Path(__file__).with_name("expected_words.txt")


def audit():
    """An audit in which every kind of sentence has something to say."""
    cohort = made.cohort(
        movements=made.planned("vertical", "torque"),
        ledger=made.ledger(**{"tooth not readable": 3, NOT_MEASURED: 1}),
        problems=made.problems(("check", {}), ("exclude", {})),
        invented=True,
        **{name: pd.DataFrame({"a": [1]}) for name in ("patients", "courses")},
        **{name: pd.DataFrame() for name in ("measures", "repeats")},
    )
    common = {"movement": "vertical", "not_recorded": 3}
    tied = {
        "level": "B",
        "reference": "A",
        "tied_with": "site South against North",
        "not_recorded": 0,
    }
    instead = {"factor": "attachment or auxiliary", "level": "attachment"}
    untested = {"too_few": True, "patients": 2, "p": np.nan, "low": np.nan, "high": np.nan}
    compared = [
        difference(0.02, level="bevelled", adjusted_for="size of plan, arch, auxiliary", **common),
        difference(0.03, -0.1, factor="growing", level="yes", reference="no", high=-0.02,
                   not_adjusted_for="later course (one course only)", **common),
        difference(0.5, factor="site", level="South", reference="North", patients_with_both=0, **common),
        difference(0.04, factor="auxiliary", level="elastics", patients_with_both=0, **common),
        difference(0.7, factor="clinician", **{**common, **tied}),
        difference(0.6, 0.02, **{**common, **instead, "reference": "pressure point"}),
        difference(np.nan, np.nan, level="horizontal", **{**common, **untested}),
    ]  # fmt: skip
    who = pd.DataFrame(
        [
            {"movement": "vertical", "choice": "attachment", "patients": 8, "movements": 60,
             "plan_size": 1.25, "upper": 0.5, "first_course": 0.9, "tooth_class": "canine",
             "of_class": 0.4, "clinician": "A", "of_clinician": 0.7},
            {"movement": "vertical", "choice": "pressure point", "patients": 7, "movements": 45,
             "plan_size": 0.75, "upper": 1.0, "first_course": np.nan, "tooth_class": np.nan,
             "of_class": np.nan, "clinician": np.nan, "of_clinician": np.nan},
        ]
    )  # fmt: skip
    absent = {
        "movement": "vertical", "group": "all", "patients": 6, "movements": 90, "missing_patients": 2,
        "missing_movements": 5, "never_patients": 1, "missing_share": 0.12, "low": 0.4, "high": 0.6,
        "note": "",
    }  # fmt: skip
    silent = {**absent, "group": "molar", "rate": np.nan, "change": np.nan, "missing_movements": 1}
    missing = [
        {**absent, "achieved_share": share, "rate": 0.6 - change, "change": -change}
        for share, change in ((0.0, 0.07), (0.5, 0.03), (1.0, 0.0))
    ]
    later = {
        "movement": "vertical", "movements": 1200, "later": 30, "alone": 2, "alone_patients": 2,
        "without_first": 1, "without_first_patients": 1,
    }  # fmt: skip
    read = {
        "movement": "vertical", "patients": 6, "movements": 90, "rate": 0.6, "low": 0.5, "high": 0.7,
        "weigh_little": 2, "reading": 0.75,
    }  # fmt: skip
    robust = [
        {**read, "group": "all", "flagged": 3, "without_flagged": 0.72, "m_estimate": 0.74, "differs": True},
        {**read, "group": "molar", "flagged": 0, "m_estimate": 0.61, "differs": False},
    ]  # fmt: skip
    found = made.audit(
        cohort=cohort,
        fits=Fits([rate("vertical", "all"), rate("torque", "all", rate=0.4)], failed={"tip": "tip: Too few."}),
        class_fits=Fits(
            [
                rate("vertical", "incisor"),
                rate("vertical", "molar", rate=0.4, low=0.3, high=0.5),
                rate("torque", "canine", patients=4),
                rate("torque", "incisor"),
            ],
            {
                "vertical": [contrast("incisor", "molar", 0.2, 0.001)],
                "torque": [contrast("canine", "incisor", 0.0, 0.9)],
            },
            failed={"tip": "tip: Too few."},
        ),
        direction_fits=Fits(
            [
                rate("vertical", "intrusion", rate=0.5), rate("vertical", "extrusion", rate=0.7),
                rate("torque", "buccal"), rate("torque", "lingual", patients=3),
            ],
            {"vertical": [contrast("intrusion", "extrusion", -0.2, 0.01)]},
        ),
        overall=pd.DataFrame([described("vertical", wrong_way=0.1, overshot=0.2)]),
        by_class=pd.DataFrame([described("vertical", wrong_way=0.1)]),
        by_tooth=pd.DataFrame([described("vertical", wrong_way=0.3, patients=4)]),
        tooth_fits={"vertical": SimpleNamespace(rates=pd.DataFrame({"differs": [True, False]}))},
        later_alone=pd.DataFrame([later]),
        missing=pd.DataFrame([*missing, {**silent, "achieved_share": 0.0}]),
        robust=pd.DataFrame(robust, columns=made.ROBUST),
        differences=made.differences(
            *compared,
            not_recorded=["site"],
            unanswered={("tip", "growing"): "why", ("torque", "growing"): "why",
                        ("tip", "auxiliary"): "why"},
            chosen=who,
        ),
        unplanned=made.unplanned(
            moved("tip", mean=0.9, low=0.2, high=1.6),
            moved(movements=0, patients=0, not_measured=2, beyond_tolerance=np.nan),
        ),
        measurement=pd.DataFrame(
            [{"movement": "tip", "unit": "degree", "dahlberg": 0.6, "pairs": 20,
              "smallest_detectable_change": 1.7, "smallest_detectable_difference": 2.4}]
        ),
        opinion_of="vertical",
    )  # fmt: skip
    return found


def quiet():
    """An audit in which little was recorded and nothing stands out."""
    found = made.audit(
        unplanned=made.unplanned(), measurement=pd.DataFrame(), measurement_reason="Nothing was read twice.",
        cohort=made.cohort(**{n: pd.DataFrame() for n in ("patients", "courses", "measures", "repeats")}),
    )  # fmt: skip
    found.differences.not_recorded = ["attachment", "clinician"]
    return found


def of_audits() -> list[str]:
    lines = []
    for make in (audit, quiet):
        found = make()
        lines.append(f"# {make.__name__}")
        for of, names in ((found, SAID), (found.cohort, READ)):
            for name in names:
                lines += [f"{name}: {sentence}" for sentence in getattr(words, name)(of)]
        lines.append(f"forest_caption: {words.forest_caption(found)}")
    return lines


def of_roots() -> list[str]:
    table = pd.DataFrame(
        {"tooth": [31, 41, 42], "patient": ["P001", "P002", "P003"],
         "apex_buccal": [0.4, -1.25, 9.0], "torque_measured": [True, True, False]}
    )  # fmt: skip
    result = SimpleNamespace(table=table, notes=["A note."], caution="A caution.")
    one = SimpleNamespace(table=table.head(1), notes=[], caution="A caution.")
    unsure = SimpleNamespace(table=table.tail(1), notes=[], caution="A caution.")
    none = SimpleNamespace(table=table.head(0), notes=[], caution="A caution.")
    said = [words.roots(x) for x in (result, one, unsure, none)]
    return ["# roots", *(f"roots: {sentence}" for lines in said for sentence in lines)]


def every_word() -> str:
    """Everything, with plain spaces and without the versions of this machine."""
    lines = [*of_audits(), *of_roots(), *hand_made_series.words()]
    text = "\n".join(lines).replace("\u00a0", " ") + "\n"
    assert "nan" not in text.lower().split()
    return re.sub(r"(methods: Python ).*?(\. Input)", r"\1…\2", text)


if __name__ == "__main__":
    EXPECTED.write_text(every_word(), encoding="utf-8")
