"""All words about hand-made results, as they were read and found right.

    PYTHONPATH=tests/report python tests/report/expected_words.py

writes expected_words.txt anew: read what changed in it before it is kept.
"""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import hand_made_series
import made_audit as made
import pandas as pd
from everything import READ, SAID
from made_audit import Fits, contrast, described, rate

from outcomes.cohort.sieve import NOT_MEASURED
from outcomes.report import words

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
    line = {
        "factor": "attachment", "level": "bevelled", "reference": "none", "patients": 8,
        "reference_patients": 7, "low": 0.05, "high": 0.25, "p": 0.01, "p_holm": 0.02,
        "difference": 0.15, "not_recorded": 3, "movement": "vertical",
    }  # fmt: skip
    others = [
        {
            "factor": "growing",
            "level": "yes",
            "reference": "no",
            "difference": -0.1,
            "p_holm": 0.03,
        },
        {"factor": "site", "level": "South", "reference": "North", "p_holm": 0.5},
        {"factor": "auxiliary", "level": "elastics", "reference": "none", "p_holm": 0.04},
        {"factor": "clinician", "level": "B", "reference": "A", "p_holm": 0.7, "not_recorded": 0},
    ]
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
        unplanned=pd.DataFrame(
            [
                {"movement": "tip", "tooth_class": "molar", "unit": "degree", "patients": 9,
                 "movements": 10, "mean": 0.9, "low": 0.2, "high": 1.6, "beyond_tolerance": 0.2},
            ]
        ),
        measurement=pd.DataFrame(
            [{"movement": "tip", "unit": "degree", "dahlberg": 0.6, "pairs": 20,
              "smallest_detectable_change": 1.7}]
        ),
        opinion_of="vertical",
    )  # fmt: skip
    found.differences.table = pd.DataFrame([line, *({**line, **other} for other in others)])
    found.differences.not_recorded = ["site"]
    found.differences.unanswered = [("tip", "growing"), ("torque", "growing"), ("tip", "auxiliary")]
    return found


def quiet():
    """An audit in which little was recorded and nothing stands out."""
    found = made.audit(
        unplanned=pd.DataFrame(), measurement=pd.DataFrame(), measurement_reason="Nothing was read twice.",
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
        {"tooth": [31, 41], "patient": ["P001", "P002"], "apex_buccal": [0.4, -1.25]}
    )
    result = SimpleNamespace(table=table, notes=["A note."], caution="A caution.")
    one = SimpleNamespace(table=table.head(1), notes=[], caution="A caution.")
    none = SimpleNamespace(table=table.head(0), notes=[], caution="A caution.")
    said = [words.roots(x) for x in (result, one, none)]
    return ["# roots", *(f"roots: {sentence}" for lines in said for sentence in lines)]


def every_word() -> str:
    """Everything, with plain spaces and without the versions of this machine."""
    lines = [*of_audits(), *of_roots(), *hand_made_series.words()]
    text = "\n".join(lines).replace("\u00a0", " ") + "\n"
    assert "nan" not in text.lower().split()
    return re.sub(r"(methods: Python ).*?(\. Input)", r"\1…\2", text)


if __name__ == "__main__":
    EXPECTED.write_text(every_word(), encoding="utf-8")
