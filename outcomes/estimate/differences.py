"""Does the rate differ by attachment, growth, clinician or site, for the same kind of tooth?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.estimate.rates import RateError, RateFit, fit_rate

if TYPE_CHECKING:
    from outcomes.cohort.read import Cohort

FACTORS = ("attachment", "auxiliary", "growing", "clinician", "site")

COLUMNS = (
    "movement",
    "factor",
    "level",
    "reference",
    "patients",
    "movements",
    "reference_patients",
    "not_recorded",
    "difference",
    "se",
    "df",
    "low",
    "high",
    "p",
    "p_holm",
)


@dataclass(frozen=True)
class Differences:
    """Differences between rates, and the questions without an answer.

    Attributes
    ----------
    table
        movement, factor, level, reference, patients, movements, reference_patients,
        not_recorded (planned movements left out because the factor is blank), difference, se, df,
        low, high, p, p_holm. ``difference`` is rate at the level minus rate at the
        reference, a share of the plan; ``p_holm`` is adjusted over the whole table.
    not_recorded
        Factors without a column, or with one value everywhere.
    unanswered
        (movement, factor) to the reason why there is no comparison.
    """

    table: pd.DataFrame
    not_recorded: tuple[str, ...]
    unanswered: dict[tuple[str, str], str]


def differences(
    cohort: Cohort | pd.DataFrame,
    factors: Sequence[str] = FACTORS,
    *,
    group: str | None = "tooth_class",
    level: float = 0.95,
) -> Differences:
    """Compare the levels of each factor with its reference level, movement by movement.

    One model for each movement and factor: the rates of ``group``, plus a change of the rate for
    each level (`outcomes.fit_rate` with the factor as covariate). The reference is "none" for
    attachment and auxiliary, else the level with most rows.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, tooth, movement, planned, achieved and the factors.
    factors
        Columns to compare.
    group
        What the comparison holds equal: each level of it has its own rate.
    level
        Level of the intervals; they are not adjusted for the number of comparisons.

    Returns
    -------
    Differences

    Notes
    -----
    Nobody was allocated at random: a difference is not an effect. Holm: Scand J Stat
    1979;6:65–70.

    Examples
    --------
    >>> frame = pd.DataFrame({
    ...     "patient": [f"P{i // 4:03}" for i in range(32)], "tooth": [11, 12, 21, 22] * 8,
    ...     "movement": "rotation", "planned": [4.0, 6, 8, 10] * 8,
    ...     "achieved": [2.1, 3.2, 4.0, 5.3, 3.1, 4.4, 6.2, 7.4, 1.6, 3.6, 4.4, 4.1, 2.5, 3.8, 7, 7.9,
    ...                  2.4, 2.2, 4.7, 6.0, 3.9, 4.6, 5.1, 7.0, 1.3, 3.9, 3.1, 6.2, 2, 5.3, 6.6, 6.4],
    ...     "clinician": (["A"] * 4 + ["B"] * 4) * 4})
    >>> differences(frame).table[["factor", "level", "reference", "difference"]].round(1)
          factor level reference  difference
    0  clinician     B         A         0.2
    """
    from statsmodels.stats.multitest import multipletests

    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame()
    planned = frame[frame["planned"] != 0]
    recorded = [name for name in factors if name in planned and planned[name].nunique() > 1]
    parts, unanswered = [], {}
    for movement in planned["movement"].unique():
        rows = planned[planned["movement"] == movement]
        for name in recorded:
            try:
                parts.append(_compare(rows, str(movement), name, group, level))
            except RateError as error:
                unanswered[(str(movement), name)] = str(error)
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=COLUMNS)
    if len(table):
        table["p_holm"] = multipletests(table["p"], method="holm")[1]
    return Differences(
        table.reindex(columns=list(COLUMNS)),
        tuple(name for name in factors if name not in recorded),
        unanswered,
    )


def _compare(
    rows: pd.DataFrame, movement: str, factor: str, group: str | None, level: float
) -> pd.DataFrame:
    if rows[factor].nunique() < 2:
        raise RateError(f"{movement}: {factor} has the same value in every row.")
    rows = rows.assign(**{factor: rows[factor].astype("object")})
    fit = fit_rate(rows, movement, group=group, covariates=[factor], level=level)
    used = rows.loc[fit.data.index].assign(**{factor: lambda f: f[factor].astype(str)})
    counts = used.groupby(factor).agg(
        patients=("patient", "nunique"), movements=("planned", "size")
    )
    reference = _reference(fit, factor)
    table = fit.covariates.rename(columns={"estimate": "difference"})
    named: dict[str, Any] = {
        "movement": movement,
        "factor": factor,
        "level": table["covariate"].str.removeprefix(f"{factor}: "),
        "reference": reference,
    }
    table = table.assign(**named)
    table["reference_patients"] = int(counts["patients"].to_dict()[reference])
    table["not_recorded"] = int(rows[factor].isna().sum())
    return table.drop(columns="covariate").merge(counts, left_on="level", right_index=True)


def _reference(fit: RateFit, factor: str) -> str:
    return fit.design.covariate_levels[factor][0]
