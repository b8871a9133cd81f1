"""Random tables in random layouts, mapped with random answers, and read: see README.md.

``python -m tests.fuzz.mapping --inputs 20000 --seed 1`` maps that many and counts what went wrong.
"""

from __future__ import annotations

import random
import traceback

import pandas as pd

from outcomes.cohort.build import build
from outcomes.cohort.mapping.apply import mapped_sheet
from outcomes.cohort.mapping.propose import Draft, draft
from outcomes.cohort.sources import Source
from outcomes.errors import OutcomesError
from tests.fuzz.reading import Put, checked, run

HEADS = [
    "patient", "Pat.-Nr.", "tooth", "Zahn", "dent", "movement", "Bewegung", "planned", "geplant",
    "plan", "achieved", "erreicht", "obtenu", "final", "start", "before", "direction", "Richtung",
    "course", "Serie", "remaining", "percent", "rotation planned", "torque achieved",
    "Rotation / planned", "vertical", "11", "13", "21", "36", "UR1", "what", "value", "note", "",
    "aim", "name", "arch", "side", "attachment", "intrusion", "date", "unit", "a", "a",
]  # fmt: skip
CELLS = [
    "P1", "P2", "13", "14", "21", 13, 36, 31, 1, 2, 3, "rotation", "Intrusion", "vertical",
    "mesial", "tip", "planned", "achieved", "geplant", "upper", "left", "right", "mesial out", "+",
    "-", "0,8", "1.5", -2.5, 0.0, 0, 3.25, "1,234", "x", "#REF!", "", None, None, "5 mm", "3°",
    "1e308", 1e308, "inf", "=1+1", "Total", "\u2212 2", True, float("nan"), "x" * 300,
]  # fmt: skip
GOOD = {
    "patient": ["P1", "P2", "P 1"],
    "tooth": [13, "14", "21", 36, 1, 8],
    "movement": ["rotation", "tip", "Intrusion", "vertical"],
    "planned": [1.5, -2, "0,8", 0],
    "achieved": [1.0, -0.5, "0,4", None],
}
SHEETS = ["movements", "P001", "Course 2", "Upper", "planned", "achieved", "patients", "Sheet1"]


def table(rng: random.Random) -> pd.DataFrame:
    """A sheet with titles, one or two rows of headings, records, titles between and totals."""
    width = rng.randint(1, 8)
    rows: list[list[object]] = []
    for _ in range(rng.choice([0, 0, 0, 1, 2])):
        rows.append([rng.choice(["Title", "Patient P1", None, ""]), *[None] * (width - 1)])
    heads = [rng.choice(HEADS) for _ in range(width)]
    if rng.random() < 0.6:
        needed = rng.sample(list(GOOD), len(GOOD))
        heads = [n if rng.random() < 0.85 else h for n, h in zip(needed, heads, strict=False)] + (
            heads[len(needed) :]
        )
    rows.append([*heads])
    if rng.random() < 0.15:
        rows.append([rng.choice(["planned", "achieved", "", None, "rotation"]) for _ in heads])
    for _ in range(rng.randint(0, 9)):
        rows.append(
            [rng.choice(GOOD.get(h, CELLS) if rng.random() < 0.8 else CELLS) for h in heads]
        )
        if rng.random() < 0.05:
            rows.append([rng.choice(["Patient P2", None]), *[None] * (width - 1)])
        if rng.random() < 0.03:
            rows.append([*heads])
    return pd.DataFrame(rows, dtype=object)


def pages(rng: random.Random) -> dict[str, pd.DataFrame]:
    """One table without a name, or some sheets."""
    if rng.random() < 0.5:
        return {"": table(rng)}
    names = rng.sample(SHEETS, rng.choice([1, 1, 2, 3]))
    return {name: table(rng) for name in names}


def one(seed: int) -> tuple[str, str]:
    """Make, map and read input number ``seed``: what came of it, and what went wrong."""
    rng = random.Random(seed)
    found = pages(rng)
    before = {name: cells.copy() for name, cells in found.items()}
    try:
        return _mapped(rng, found, before), ""
    except OutcomesError:
        return "refused", ""
    except Exception:  # noqa: BLE001 - whatever it is, it is what is looked for
        return "failed", traceback.format_exc(limit=-4)


def _mapped(
    rng: random.Random, found: dict[str, pd.DataFrame], before: dict[str, pd.DataFrame]
) -> str:
    answers: dict[str, str] = {}
    known: Draft | None = None
    for _ in range(60):
        known = draft(found, answers, before=known)
        if not known.questions:
            break
        question = known.questions[0]
        assert question.key not in answers, "asked again"
        assert question.options, "a question without an option"
        assert not question.proposed or question.proposed in question.options, "proposed is none"
        answers[question.key] = rng.choice(list(question.options))
    else:
        raise AssertionError("questions without end")
    if known.mapping is None:
        assert known.lacking or not known.layouts, "nothing is lacking, and yet no mapping"
        return "no mapping"
    sheet, problems = mapped_sheet(found, known.mapping)
    for name, cells in found.items():
        pd.testing.assert_frame_equal(cells, before[name])
    if any(problem.severity == "stop" for problem in problems):
        return "stopped"
    written = sum(1 for row in sheet.cells.itertuples(index=False) if any(_filled(c) for c in row))
    source = Source("random", "", {"movements": sheet}, mapping=known.mapping)
    cohort = build(source, None, strict=False, invented=True)
    checked(cohort, Put(written))
    return "read" if len(cohort.movements) else "nothing left"


def _filled(cell: object) -> bool:
    return cell is not None and cell == cell and str(cell).strip() != ""


if __name__ == "__main__":
    run(one, __doc__ or "", 20_000)
