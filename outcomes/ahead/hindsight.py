"""What was expected of each course of a patient, and what the scan after it showed.

The prediction of a course is made from what was known before it: the other patients, and the
patient's own earlier courses. It is set beside the prediction without the patient's own courses, so
that what these add can be seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.ahead.whose import require_patient
from outcomes.clinical.following import SITE, followed, history
from outcomes.domain.limit_in_force import unit_of
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.names import movement_name
from outcomes.errors import CannotAnswer, OutcomesError, require_columns
from outcomes.plot_hook import plot
from outcomes.predictive.expect import Expectation, expect
from outcomes.predictive.mixture import MixtureOutlook
from outcomes.words.english import counted, listed
from outcomes.words.numbers import level_words, number
from outcomes.words.shown import as_html, as_text
from outcomes.words.units import unit_mark

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["LEVELS", "Hindsight", "hindsight"]

LEVELS = (0.50, 0.80, 0.95)
"""Levels of the ranges of a prediction."""

_RANGES = [f"{end}_{100 * level:.0f}" for level in LEVELS for end in ("low", "high")]
_INSIDE = [f"inside_{100 * level:.0f}" for level in LEVELS]
TABLE_COLUMNS = (
    "patient", "tooth", "movement", "unit", "course", "aim", "start", "planned", "expected",
    *_RANGES, "achieved", "end", *_INSIDE, "place", "alone_expected", "alone_low_80",
    "alone_high_80", "own_movements", "own_tooth", "note",
)  # fmt: skip
_SHOWN = ["course", "tooth", "movement", "planned", "expected", "low_80", "high_80", "achieved"]


Learn = Callable[[pd.DataFrame, str], Expectation]
"""From past rows and the name of a movement to what to expect of it."""


@dataclass(frozen=True)
class Hindsight:
    """Expected against reached, course by course. See ``hindsight``.

    Attributes
    ----------
    patient
        Whose.
    table
        One row for each planned movement of a tooth in a course; mm or degrees, signed.
    summary
        level, results (measured, with a prediction), inside (of the range of that level), share.
    notes
        Sentences on what was found and assumed.
    """

    patient: str
    table: pd.DataFrame
    summary: pd.DataFrame
    notes: tuple[str, ...]

    def plot(
        self,
        movements: str | Sequence[str] | None = None,
        teeth: Sequence[int] | None = None,
        *,
        width: float | None = None,
    ) -> Any:
        """The fan of each prediction and where the tooth then stood; returns the Axes."""
        return plot(self, movements, teeth, width=width)

    def __repr__(self) -> str:
        return as_text(self._head, self.table[_SHOWN], *self.notes, blank="–")

    def _repr_html_(self) -> str:
        return as_html(self._head, self.table[_SHOWN], notes=self.notes, blank="–")

    @property
    def _head(self) -> str:
        return f"{self.patient}: expected before each course, and reached (mm or degrees)"


def hindsight(
    cohort: Cohort | pd.DataFrame,
    patient: str,
    movements: str | Sequence[str] | None = None,
    *,
    learn: Learn = expect,
    coming: pd.DataFrame | None = None,
) -> Hindsight:
    """What was to be expected of each course of a patient, and what came of it.

    Parameters
    ----------
    cohort
        A cohort, or its movements: patient, tooth, movement, planned, achieved; course (1 where
        there is none) and aim.
    patient
        Whose courses.
    movements
        Which; by default all that were planned for the patient.
    learn
        From past rows and the name of a movement to what to expect of it; ``outcomes.expect``, or
        that with other priors.
    coming
        Plans of a course that is still to come: tooth, movement, planned (mm or degrees, signed).
        Their rows have no result.

    Returns
    -------
    Hindsight
        ``.table``, for each tooth, movement and course with a plan that is not 0:

        - aim: the aim in force, start and end: where the tooth stood before and after the course,
          all counted from where it stood before the first course with an aim for it; missing where
          an earlier course was not measured.
        - planned, expected and low_50, high_50, low_80, high_80, low_95, high_95: the change that
          the course was to bring, predicted from the other patients and from this patient's
          earlier courses; achieved: what the scan showed, missing where it was not measured.
        - inside_50, inside_80, inside_95: whether the result lies within the range; place: the
          chance that was given to a smaller result, in the direction of the plan: 0.5 is just as
          expected, near 0 much less.
        - alone_expected, alone_low_80, alone_high_80: the same prediction without the patient's own
          courses; own_movements: how many of these there were, own_tooth: of this very tooth.
        - note: what could not be said, and why.

    Raises
    ------
    CannotAnswer
        If the cohort has no such patient (the nearest codes are named), or the patient no such
        movement; if columns are missing.

    Notes
    -----
    All records of the other patients are used, also those of courses that came later in time. What
    is learnt from them is then updated by this patient's earlier courses.

    Examples
    --------
    >>> from outcomes.simulate import simulate_rates
    >>> past = simulate_rates(12, seed=1, movement="vertical", rows_per_tooth=2)
    >>> result = hindsight(past, "P003")
    >>> bool(result.table.query("course == 2")["own_movements"].min() > 0)
    True
    """
    rows = history(cohort)
    rows = rows.assign(patient=rows["patient"].astype(str))
    require_patient(patient, set(rows["patient"]))
    own = _own_rows(rows, patient, coming)
    names = _chosen(own, movements, patient)
    found: list[dict[str, Any]] = []
    for name in names:
        of_movement = rows[rows["movement"] == name]
        planned = own[(own["movement"] == name) & (own["planned"] != 0)]
        found += _of_movement(planned, of_movement, name, patient, learn)
    table = pd.DataFrame(found, columns=list(TABLE_COLUMNS))
    table[_INSIDE] = table[_INSIDE].astype("boolean")
    table = table.sort_values(["course", "movement", "tooth"], kind="stable", ignore_index=True)
    summary = _summary(table)
    return Hindsight(patient, table, summary, _notes(table, summary))


def _own_rows(rows: pd.DataFrame, patient: str, coming: pd.DataFrame | None) -> pd.DataFrame:
    """The patient's rows with where the tooth stood and what it aimed at; the coming ones last."""
    own = rows[rows["patient"] == patient]
    if coming is not None:
        require_columns(coming, ("tooth", "movement", "planned"), "The coming plans")
        last = int(own["course"].max())
        more = coming[["tooth", "movement", "planned"]].assign(
            patient=patient, course=last + 1, achieved=np.nan, aim=np.nan
        )
        own = pd.concat([own, more.dropna(subset="planned")], ignore_index=True)
        own = own.assign(to_come=own["course"] == last + 1)
    else:
        own = own.reset_index(drop=True).assign(to_come=False)
    unit = own["movement"].map(unit_of)
    own = own.assign(unit=own["unit"].where(own["unit"].notna(), unit) if "unit" in own else unit)
    own = own.sort_values([*SITE, "course"], ignore_index=True)
    steps = followed(own)[["start", "end", "aim"]]
    return own.drop(columns=["aim", "start", "end"], errors="ignore").join(steps)


def _chosen(
    own: pd.DataFrame, movements: str | Sequence[str] | None, patient: str
) -> tuple[str, ...]:
    there = set(own.loc[own["planned"] != 0, "movement"])
    order = [name for name in MOVEMENTS if name in there]
    order += sorted(there - set(order))
    if movements is None:
        return tuple(order)
    wanted = [movements] if isinstance(movements, str) else list(movements)
    absent = [name for name in wanted if name not in there]
    if absent:
        raise CannotAnswer(
            f"{patient} has no planned {listed(map(repr, absent), 'or')}. Planned: "
            f"{', '.join(order) or 'nothing'}."
        )
    return tuple(wanted)


def _of_movement(
    planned: pd.DataFrame, rows: pd.DataFrame, movement: str, patient: str, learn: Learn
) -> list[dict[str, Any]]:
    """The rows of one movement, each predicted from what was known before its course."""
    own = rows["patient"] == patient
    try:
        others = learn(rows[~own], movement)
    except OutcomesError as error:
        return [_bare(row, str(error)) for _, row in planned.iterrows()]
    found = []
    for course, now in planned.groupby("course", sort=True):
        earlier = rows[own & (rows["course"] < course) & rows["achieved"].notna()]
        known = others.updated(earlier) if (earlier["planned"] != 0).any() else others
        found += [_predicted(row, known, patient) for _, row in now.iterrows()]
    return found


def _bare(row: pd.Series, why: str) -> dict[str, Any]:
    """A row with what was recorded and no prediction."""
    notes = [why]
    if row["to_come"]:
        notes.append("to come")
    elif pd.isna(row["achieved"]):
        notes.append("not measured")
    kept = ("patient", "tooth", "movement", "unit", "course", "aim", "start", "planned", "end")
    return {
        **{name: row[name] for name in kept},
        "achieved": row["achieved"],
        **dict.fromkeys(_INSIDE, pd.NA),
        "own_movements": 0,
        "own_tooth": False,
        "note": "; ".join(filter(None, notes)),
    }


def _predicted(row: pd.Series, expectation: Expectation, patient: str) -> dict[str, Any]:
    tooth, planned = int(row["tooth"]), float(row["planned"])
    sign, size = (1 if planned > 0 else -1), np.array([abs(planned)])
    whose = patient if patient in expectation.patients else None
    support = expectation.support(tooth, sign, patient=whose)
    own = expectation.outlook(tooth, sign, float(size[0]), patient=whose)
    alone = (
        own
        if whose is None
        else expectation.outlook(tooth, sign, float(size[0]), patient=whose, alone=True)
    )
    why = "" if support.direction_patients else "nobody in the records was planned this way"
    found = _bare(row, why)
    found["expected"] = _signed(own.at(size)[0], sign)
    found |= _ends(own, size, sign, LEVELS, "")
    found["alone_expected"] = _signed(alone.at(size)[0], sign)
    found |= _ends(alone, size, sign, (0.80,), "alone_")
    found |= {"own_movements": int(support.own_movements), "own_tooth": bool(support.own_tooth)}
    if pd.notna(row["achieved"]):
        achieved = float(row["achieved"])
        for level, name in zip(LEVELS, _INSIDE, strict=True):
            low, high = (found[f"{end}_{100 * level:.0f}"] for end in ("low", "high"))
            found[name] = bool(low <= achieved <= high)
        found["place"] = float(own.below(np.array([sign * achieved]), size)[0])
    return found


def _ends(
    outlook: MixtureOutlook, size: np.ndarray, sign: int, levels: Sequence[float], head: str
) -> dict[str, float]:
    """Ends of the ranges, signed and in order."""
    found: dict[str, float] = {}
    for level in levels:
        low, high = sorted(_signed(end, sign) for end in outlook.range(size, level))
        found |= {f"{head}low_{100 * level:.0f}": low, f"{head}high_{100 * level:.0f}": high}
    return found


def _signed(value: Any, sign: int) -> float:
    return sign * float(np.ravel(value)[0]) + 0.0  # never minus zero


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    measured = table[table["achieved"].notna() & table["expected"].notna()]
    n = len(measured)
    inside = [int(measured[name].sum()) for name in _INSIDE]
    share = [k / n if n else float("nan") for k in inside]
    return pd.DataFrame({"level": LEVELS, "results": n, "inside": inside, "share": share})


def _notes(table: pd.DataFrame, summary: pd.DataFrame) -> tuple[str, ...]:
    if not len(table):
        return ("No course of this patient has a plan that is not 0.",)
    n = int(summary["results"].iloc[0])
    notes = []
    if n:
        said = [
            f"{k} within the {level_words(level, space=' ')} range"
            for level, k in zip(summary["level"], summary["inside"], strict=True)
        ]
        notes.append(f"Of {counted(n, 'result')}, {listed(said)}.")
        notes.append(
            "The results of one patient go together: all of them low or high is one thing seen "
            "once, and says little about whether the ranges are right."
        )
    notes += _gain(table)
    unmeasured = int((table["note"].str.contains("not measured")).sum())
    if unmeasured:
        notes.append(f"{counted(unmeasured, 'plan')} without a result: not measured.")
    unpredicted = table[table["expected"].isna()]
    for why, part in unpredicted.groupby("note", sort=False):
        notes.append(f"{counted(len(part), 'plan')} without a prediction: {why}")
    notes.append(
        "Each prediction uses the patient's earlier courses and all records of the other patients, "
        "also those that came later in time. Ranges are of the next measured result."
    )
    return tuple(notes)


def _gain(table: pd.DataFrame) -> list[str]:
    """What the patient's own courses added, for each movement measured after one."""
    later = table[(table["own_movements"] > 0) & table["achieved"].notna()]
    said = []
    for movement, part in later.dropna(subset="expected").groupby("movement", sort=False):
        mark = unit_mark(str(part["unit"].iloc[0]))
        own = (part["achieved"] - part["expected"]).abs().mean()
        alone = (part["achieved"] - part["alone_expected"]).abs().mean()
        width = (part["high_80"] - part["low_80"]).mean()
        wide = (part["alone_high_80"] - part["alone_low_80"]).mean()
        said.append(
            f"{movement_name(str(movement))}, {counted(len(part), 'result')}: off by {number(own)}"
            f"{mark} on average with the patient's own courses, {number(alone)}{mark} without; "
            f"80 % ranges {number(width)}{mark} wide, {number(wide)}{mark} without"
        )
    return [f"After the first course: {'. '.join(said)}."] if said else []
