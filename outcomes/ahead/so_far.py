"""What the courses so far aimed at, what they reached, and what is left to aim at now."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.ahead.result import LEFT, NOT_KNOWN, SO_FAR, WITHIN
from outcomes.clinical.following import SITE, first_not_measured, followed, remaining
from outcomes.domain.limit_in_force import limits as limits_of
from outcomes.overcorrect.plan import PlanLimits
from outcomes.words.english import listed
from outcomes.words.numbers import size

__all__ = ["aims_left", "so_far"]


def so_far(rows: pd.DataFrame, limits: PlanLimits, last_course: int) -> pd.DataFrame:
    """The state of each movement that a course of one patient aimed at: the table of `NextCourse`.

    Parameters
    ----------
    rows
        All rows of the patient (``Records.of``).
    limits
        Whose tolerance says what is near enough.
    last_course
        The last course that is recorded.
    """
    tolerance = dict(limits.tolerance)
    table = remaining(rows, tolerance=tolerance)
    lost = first_not_measured(rows)
    steps = followed(rows, tolerance)
    unknown = steps[steps["end"].isna()].groupby(SITE)["course"]
    gaps = unknown.nunique().rename("not_measured").reset_index()
    named = unknown.agg(lambda c: listed([str(int(n)) for n in sorted(set(c))]))
    which = named.rename("which").reset_index()
    first = lost.rename(columns={"aim": "first_aim", "course": "begun"})
    table = table.rename(columns={"aim": "latest_aim", "planned": "planned_total"})
    table = table.rename(columns={"achieved": "reached"})
    first = first.assign(courses=0, latest_aim=first["first_aim"])
    both = pd.concat([table, first], ignore_index=True) if len(first) else table
    both = both.merge(gaps, on=SITE, how="left").merge(which, on=SITE, how="left")
    both["not_measured"] = both["not_measured"].fillna(0)
    for name in ("begun", "last", "courses", "not_measured"):
        both[name] = pd.to_numeric(both[name]).astype("Int64")
    for name in ("first_aim", "latest_aim", "planned_total", "reached", "left"):
        both[name] = both[name].astype(float)
    near = both["within"].eq(True).to_numpy(bool)
    known = (both["not_measured"] == 0).to_numpy(bool)
    both["state"] = np.where(~known, NOT_KNOWN, np.where(near, WITHIN, LEFT))
    both["note"] = [_note(row, last_course) for row in both.itertuples()]
    both["left"] = both["left"].where(known)
    both["tolerance"] = limits_of("tolerance", both["movement"], both["unit"], tolerance)
    ordered = both.sort_values(["tooth", "movement"], kind="stable").reset_index(drop=True)
    return ordered.reindex(columns=list(SO_FAR))


def _note(row: Any, last_course: int) -> str:
    """What must be known to read the row; "" where it says all itself."""
    said = []
    if row.state == NOT_KNOWN:
        one = row.not_measured == 1
        text = f"{'Course' if one else 'Courses'} {row.which} {'has' if one else 'have'} no result "
        said.append(text + "that can be followed: what is left is not known.")
        if row.left == row.left:
            back = " the other way" if row.left * row.latest_aim < 0 else ""
            was = size(abs(row.left), row.unit)
            said.append(f"After course {row.last}, {was} was left{back}.")
    elif row.state == LEFT:
        if row.last < last_course:
            text = f"No record in course {last_course}: this is the state after course {row.last}."
            said.append(text)
        if row.left * row.latest_aim < 0:
            past = size(abs(row.left), row.unit)
            said.append(f"It went {past} past the aim: what is left goes back the other way.")
        elif row.reached * row.latest_aim < 0:
            said.append("It went the other way than aimed at.")
    return " ".join(said)


def aims_left(table: pd.DataFrame, rows: pd.DataFrame, patient: str) -> pd.DataFrame:
    """What is left, as aims: patient, tooth, movement, aim, and the attachment and auxiliary of the
    last course where recorded. Movements within the tolerance, or whose state is not known, have no
    row."""
    left = table[table["state"] == LEFT]
    aims = pd.DataFrame(
        {
            "patient": patient,
            "tooth": left["tooth"].astype(int),
            "movement": left["movement"].astype(str),
            "aim": left["left"].round(6),
        }
    )
    for name in ("attachment", "auxiliary"):
        if name in rows:
            given = rows.dropna(subset=[name]).groupby(["tooth", "movement"])[name].last()
            index = pd.MultiIndex.from_frame(aims[["tooth", "movement"]])
            aims[name] = given.reindex(index).to_numpy(object)
    return aims.reset_index(drop=True)
