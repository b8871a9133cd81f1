"""Patients who were not rescanned.

They may have done worse than those who were: how much that could matter is shown by delta
adjustment.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.mixed.fit import given_variances
from outcomes.rates.design import (
    as_columns,
    frame_of,
    group_labels,
    one_movement,
    rate_design,
    with_derived,
)
from outcomes.rates.fit import fit_rate
from outcomes.rates.result import RateFit

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["SHARES", "missing_rescans"]

SHARES = (0.0, 0.5, 1.0)
"""What movements without a rescan are taken to have achieved, as shares of what is expected."""

MISSING_COLUMNS = (
    "movement",
    "group",
    "patients",
    "movements",
    "missing_patients",
    "missing_movements",
    "never_patients",
    "missing_share",
    "achieved_share",
    "rate",
    "low",
    "high",
    "change",
    "note",
)


def missing_rescans(
    cohort: Cohort | pd.DataFrame,
    movement: str | None = None,
    *,
    group: str | Sequence[str] | None = None,
    shares: Sequence[float] = SHARES,
    level: float = 0.95,
) -> pd.DataFrame:
    """Rates if movements that were planned but not rescanned had achieved less than expected.

    The rates of ``fit_rate`` rest on rescanned movements; they are those of all planned movements
    if, patient and tooth class given, the others did as well. Delta adjustment asks how far the
    rates would move if not: every missing result is taken to be ``share`` times what the fit expects
    of it (the rate of its group and, where the patient has other results, the patient's and the
    tooth's predicted effects), and the rates of all planned movements are formed by generalised
    least squares with the variances of the fit.

    Parameters
    ----------
    cohort
        A cohort (its movements "not measured yet" are the missing ones), or a frame as for
        ``fit_rate`` in which achieved is blank where there was no rescan.
    movement
        One movement; by default all.
    group
        Column or columns with a rate for each level; by default one rate a movement.
    shares
        Shares of the expected result that the missing are taken to have achieved: 0, half and the
        same. Below 0 they went the other way.
    level
        Level of the intervals.

    Returns
    -------
    DataFrame
        One row for each movement, group and share: movement, group, patients and movements
        (measured), missing_patients and missing_movements (planned without a result),
        never_patients (those of them without any result of this movement), missing_share (of all
        that was planned, mm or degrees added up), achieved_share (the assumption), rate, low, high,
        change (of the rate, against the rescanned ones alone), note. A group without a measured row
        has missing rates and a note. Empty where nothing is missing.

    Raises
    ------
    CannotAnswer
        If columns are missing or a movement is asked for that the data do not hold.

    Notes
    -----
    Delta adjustment with a shift proportional to the expected result: Cro, Morris, Kenward &
    Carpenter, Stat Med 2020;39:2815–2842, doi:10.1002/sim.8569 (from memory). With share 1 the rates
    are exactly those of ``fit_rate``. The intervals keep the width of those of the fit: an
    assumption about the missing adds no information (information anchoring: Cro, Carpenter &
    Kenward, J R Stat Soc A 2019;182:623–645, from memory); they hold for the patients at hand and
    do not say how likely an assumption is. Limits: movements that were never entered, and rows set
    aside for other reasons, are not counted; all missing movements share one assumption.

    Examples
    --------
    Two of four patients were not rescanned; had they achieved nothing, the rate would halve:

    >>> frame = pd.DataFrame({"patient": ["P001", "P002", "P003", "P004"], "tooth": 11,
    ...     "movement": "rotation", "planned": 10.0, "achieved": [5.0, 7.0, None, None]})
    >>> missing_rescans(frame)[["missing_patients", "achieved_share", "rate"]].round(2)
       missing_patients  achieved_share  rate
    0                 2             0.0  0.30
    1                 2             0.5  0.45
    2                 2             1.0  0.60
    """
    frame = frame_of(cohort, unmeasured=True)
    wrong = [s for s in shares if not np.isfinite(s)]
    if wrong or not len(shares):
        raise CannotAnswer("shares must be numbers: 0 for nothing, 1 for as much as expected.")
    if "movement" in frame.columns and movement is None:
        names = [str(m) for m in frame["movement"].dropna().unique()]
    else:
        names = [movement] if movement is not None else [""]
    parts = []
    for name in names:
        part, found = one_movement(frame, name or None)
        parts.append(_of_movement(part, found or "movement", group, shares, level))
    return pd.concat(parts, ignore_index=True)


def _of_movement(
    rows: pd.DataFrame,
    movement: str,
    group: str | Sequence[str] | None,
    shares: Sequence[float],
    level: float,
) -> pd.DataFrame:
    columns = as_columns(group)
    rows = with_derived(rows[(rows["planned"] != 0) & rows["planned"].notna()], columns)
    rows = rows.dropna(subset=["patient", "tooth", *columns])
    achieved = pd.to_numeric(rows["achieved"], errors="coerce")
    absent = achieved.isna().to_numpy()
    if not absent.any():
        return pd.DataFrame(columns=list(MISSING_COLUMNS))
    rows = rows.assign(achieved=achieved.astype(float))
    measured, missing = rows[~absent], rows[absent]
    labels = group_labels(rows, columns)
    try:
        fit = fit_rate(measured, None, group=group, level=level)
    except CannotAnswer as error:
        line = {**_counts(movement, "all", measured, missing), "note": str(error)}
        return pd.DataFrame([line], columns=list(MISSING_COLUMNS))
    pull = _pull(fit, measured, missing[labels[missing.index].isin(fit.groups)])
    lines = []
    for name in dict.fromkeys([*fit.groups, *labels[missing.index]]):
        here, gone = (part[labels[part.index] == name] for part in (measured, missing))
        if not len(gone):
            continue
        counts = _counts(movement, name, here, gone)
        if name not in fit.groups:
            note = "nothing of it was measured, so nothing is expected"
            lines.append({**counts, "note": note})
            continue
        g = fit.groups.index(name)
        for share in shares:
            change = (share - 1) * float(pull[g])
            rates = fit.rates.loc[g, ["rate", "low", "high"]] + change
            said = {"achieved_share": share, "change": change, "note": ""}
            lines.append({**counts, **rates, **said})
    return pd.DataFrame(lines, columns=list(MISSING_COLUMNS))


def _counts(movement: str, group: str, here: pd.DataFrame, gone: pd.DataFrame) -> dict[str, object]:
    planned = [float(part["planned"].abs().sum()) for part in (here, gone)]
    return {
        "movement": movement,
        "group": group,
        "patients": here["patient"].nunique(),
        "movements": len(here),
        "missing_patients": gone["patient"].nunique(),
        "missing_movements": len(gone),
        "never_patients": len(set(gone["patient"]) - set(here["patient"])),
        "missing_share": planned[1] / sum(planned),
    }


def _pull(fit: RateFit, measured: pd.DataFrame, missing: pd.DataFrame) -> np.ndarray:
    """What the missing rows add to each rate, per share of what is expected of them, (g,).

    The rates are (X'V^-1 X)^-1 X'V^-1 y over all planned rows, under the variances of a fit to the
    measured ones, with y_missing = share * E(y_missing | y_measured). With share 1 they are those
    of the fit, so only the rest is needed: (X'V^-1 X)^-1 X'V^-1 [0, E(y_missing)].
    """
    if missing.empty:
        return np.zeros(len(fit.groups))
    expected = fit.predict(missing, levels=())["expected"]
    rows = pd.concat([measured.assign(achieved=0.0), missing.assign(achieved=expected)])
    design = rate_design(rows, None, group=fit.group, covariates=(), intercept=False)
    blocks = design.blocks(site=fit.mixed.blocks.has_inner)
    return given_variances(blocks, fit.mixed)[[design.groups.index(g) for g in fit.groups]]
