"""Audits made by hand, so that a sentence is tried at its limit without any fit."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd

from outcomes.domain.limits import TOLERANCE
from outcomes.domain.movements import MOVEMENTS
from outcomes.rates.differences import CHOSEN_COLUMNS
from outcomes.rates.differences import COLUMNS as DIFFERENCE
from outcomes.rates.later_courses import LATER_COLUMNS
from outcomes.rates.missing_rescans import MISSING_COLUMNS
from outcomes.rates.robust_rates import RobustRates

RATE = ["movement", "group", "patients", "movements", "rate", "low", "high"]
UNITS = {"vertical": "mm", "mesiodistal": "mm", "buccolingual": "mm"}
ROBUST = ["movement", *RobustRates.COLUMNS]
UNPLANNED = [
    "movement", "tooth_class", "unit", "patients", "treated", "movements", "not_measured", "mean",
    "low", "high", "largest", "beyond_tolerance",
]  # fmt: skip


def rate(movement: str, group: str = "incisor", **given: Any) -> dict[str, Any]:
    """One line of a table of rates: 60 % (50 to 70 %), of 20 patients."""
    usual = {"patients": 20, "movements": 90, "rate": 0.6, "low": 0.5, "high": 0.7}
    return {"movement": movement, "group": group, **usual, **given}


class Fits(dict):
    """Fits by movement, with all their rates in one table."""

    def __init__(
        self, lines: list[dict], contrasts: dict | None = None, failed: dict | None = None
    ):
        super().__init__()
        self.failed = failed or {}
        self.rates = pd.DataFrame(lines, columns=RATE)
        for movement, table in self.rates.groupby("movement", sort=False):
            made = pd.DataFrame(
                (contrasts or {}).get(movement, []),
                columns=["a", "b", "difference", "low", "high", "p"],
            )
            self[movement] = SimpleNamespace(
                rates=table.drop(columns="movement").reset_index(drop=True),
                contrasts=lambda made=made: made,
            )


def contrast(a: str, b: str, difference: float, p: float, **given: Any) -> dict[str, Any]:
    low_high = {"low": difference - 0.05, "high": difference + 0.05}
    return {"a": a, "b": b, "difference": difference, "p": p, **low_high, **given}


def described(movement: str, **given: Any) -> dict[str, Any]:
    """One line of what became of the plans: 20 patients, 90 movements, none off."""
    usual = {
        "tooth_class": "incisor", "tooth": 11, "patients": 20, "movements": 90,
        "within_tolerance": 0.5, "wrong_way": 0.0, "overshot": 0.0,
    }  # fmt: skip
    return {"movement": movement, **usual, **given}


def moved(movement: str = "vertical", **given: Any) -> dict[str, Any]:
    """One line of what moved without a plan: molars, all 10 measured, not away from zero."""
    usual = {
        "tooth_class": "molar", "unit": UNITS.get(movement, "degree"), "patients": 9, "treated": 9,
        "movements": 10, "not_measured": 0, "mean": 0.3, "low": -0.1, "high": 0.7, "largest": 0.8,
        "beyond_tolerance": 0.2,
    }  # fmt: skip
    return {"movement": movement, **usual, **given}


def unplanned(*lines: dict[str, Any]) -> pd.DataFrame:
    return pd.DataFrame(list(lines), columns=UNPLANNED)


def difference(p_holm: float, difference: float = 0.15, **given: Any) -> dict[str, Any]:
    """One comparison: attachments and torque, 8 patients against 7, 5 of them on both sides."""
    usual = {
        "movement": "torque", "factor": "attachment", "level": "rectangular", "reference": "none",
        "patients": 8, "movements": 60, "reference_patients": 7, "patients_with_both": 5,
        "not_recorded": 0, "adjusted_for": "size of plan, arch", "not_adjusted_for": "",
        "tied_with": "", "too_few": False, "low": difference - 0.1, "high": difference + 0.1,
        "p": p_holm / 2,
    }  # fmt: skip
    return {**usual, "difference": difference, "p_holm": p_holm, **given}


def differences(*lines: dict[str, Any], **given: Any) -> SimpleNamespace:
    usual = {"not_recorded": [], "unanswered": {}, "chosen": pd.DataFrame(columns=CHOSEN_COLUMNS)}
    table = pd.DataFrame(list(lines), columns=list(DIFFERENCE))
    return SimpleNamespace(**({"table": table} | usual | given))


def planned(*movements: str, patients: int = 6, teeth: int = 2) -> pd.DataFrame:
    """Planned movements of invented patients."""
    lines = [
        {
            "patient": f"P{p:03}", "tooth": tooth, "tooth_site": f"P{p:03} {tooth}", "row": 2 + p,
            "movement": movement, "unit": UNITS.get(movement, "degree"), "tooth_class": "incisor",
            "planned": 2.0,
        }
        for movement in movements
        for p in range(1, patients + 1)
        for tooth in (11, 21, 31, 41)[:teeth]
    ]  # fmt: skip
    return pd.DataFrame(lines)


def problems(*lines: tuple) -> pd.DataFrame:
    """Problems: severity, then what else is wanted by column."""
    columns = {"table": "movements", "row": 3, "column": "achieved", "problem": "", "severity": ""}
    made = [{**columns, "severity": severity, **more} for severity, more in lines]
    return pd.DataFrame(made, columns=list(columns))


def ledger(**excluded: int) -> pd.DataFrame:
    """A ledger of movements: 90 rows read, and rows left out by their reason."""
    lines = [("movements", "read", "", 90)]
    lines += [("movements", "excluded", reason, rows) for reason, rows in excluded.items()]
    return pd.DataFrame(lines, columns=["table", "step", "reason", "rows"]).assign(patients=5)


def cohort(**given: Any) -> SimpleNamespace:
    usual = {
        "movements": planned("vertical"), "problems": problems(), "ledger": ledger(),
        "source": "made.csv", "sha256": "0" * 64, "invented": False,
    }  # fmt: skip
    return SimpleNamespace(**(usual | given))


def audit(**given: Any) -> SimpleNamespace:
    """An audit of one movement, vertical, in which nothing stands out."""
    usual = {
        "seed": 1,
        "level": 0.95,
        "tolerance": {name: TOLERANCE[m.unit] for name, m in MOVEMENTS.items()},
        "fits": Fits([rate("vertical", "all")]),
        "class_fits": Fits([rate("vertical")]),
        "direction_fits": Fits([]),
        "tooth_fits": {},
        "later_alone": pd.DataFrame(columns=LATER_COLUMNS),
        "missing": pd.DataFrame(columns=list(MISSING_COLUMNS)),
        "robust": pd.DataFrame(columns=ROBUST),
        "overall": pd.DataFrame([described("vertical")]),
        "by_class": pd.DataFrame([described("vertical")]),
        "by_tooth": pd.DataFrame([described("vertical")]),
        "differences": differences(),
        "unplanned": unplanned(moved()),
        "measurement": pd.DataFrame(["anything"]),
        "measurement_reason": "",
        "opinion": pd.DataFrame(),
        "opinion_reason": "it was not asked",
        "opinion_of": "",
        "cohort": cohort(),
    }
    made = SimpleNamespace(**(usual | given))
    made.tooth_rates = lambda movement: made.tooth_fits[movement].rates
    if "planned" not in given:
        made.planned = made.cohort.movements
    return made


def plain(text: Any) -> str:
    """Sentences in one line, with plain spaces."""
    return " ".join([text] if isinstance(text, str) else text).replace("\u00a0", " ")
