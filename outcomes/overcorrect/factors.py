"""Overcorrection factors: how much more to plan than is wanted, and when the data cannot say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer, InputError
from outcomes.overcorrect.rules import Rules, judge
from outcomes.rates.pooling import tooth_rates
from outcomes.rates.result import RateFit
from outcomes.words.english import listed

__all__ = ["overcorrection"]

JUDGED = (
    "group",
    "patients",
    "movements",
    "rate",
    "factor",
    "low",
    "high",
    "kind",
    "verdict",
    "why",
    "more_patients",
)
"""Columns of a rate that was judged."""

_COLUMNS = (*JUDGED[:8], "use", *JUDGED[8:], "level")


def overcorrection(
    fit: RateFit | Mapping[str, RateFit],
    *,
    level: float | None = None,
    max_factor: float | None = None,
    rules: Rules | None = None,
    towards: str = "tooth_class",
) -> pd.DataFrame:
    """Factor by which to multiply an aim, group by group, with interval and verdict.

    The factor is 1 / rate with Fieller's interval. Single-tooth rates (a fit by tooth) are first
    pooled partly towards their class.

    Parameters
    ----------
    fit
        A fit (``fit_rate``), or several by movement (``fit_rates``).
    level
        Level of the interval; that of the fit by default.
    max_factor
        No factor above this is given out in ``use``; 2 by default.
    rules
        All limits at once, in place of the two above, never beside them.
    towards
        What single teeth are pooled towards, for a fit by tooth.

    Returns
    -------
    DataFrame
        movement (with several fits), group, patients, movements, rate, factor, low, high, kind,
        use, verdict, why, more_patients, level (of the interval). ``kind`` is the shape of the interval: "bounded", or
        "unbounded" where the rate's interval reaches 0: then every factor from ``high`` on, and
        every one up to ``low``, which is negative, fits the records. ``use`` is the factor to
        plan with, capped; missing where the verdict is "not supported". ``more_patients``:
        further patients like these until supported; missing where no practicable number would do.
        Single-tooth fits add own_rate and own_weight (share of the tooth's own records).

    Raises
    ------
    InputError
        If ``rules`` is given together with one of the two limits it holds, or ``fit`` is no fit.

    Notes
    -----
    Fieller, J R Stat Soc B 1954;16:175–185. A factor describes a group of past cases. It is no
    advice about a patient: read the cautions (shared/cautions.md) with it.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> rows = simulate_rates(20, seed=1, rates={"incisor": 0.6, "canine": 0.0})
    >>> table = overcorrection(fit_rate(rows))
    >>> table[["group", "factor", "use", "verdict"]].head(2).round(1)
         group  factor  use        verdict
    0  incisor     1.5  1.5      supported
    1   canine    49.1  NaN  not supported
    """
    twice = [n for n, given in (("level", level), ("max_factor", max_factor)) if given is not None]
    if rules is not None and twice:
        raise InputError(
            f"Give {listed(twice)} inside rules, as Rules({twice[-1]}=...), not beside it: which one "
            "is meant cannot be told."
        )
    if isinstance(fit, Mapping):
        parts = [
            overcorrection(
                one, level=level, max_factor=max_factor, rules=rules, towards=towards
            ).assign(movement=name)
            for name, one in fit.items()
        ]
        if not parts:
            return pd.DataFrame(columns=["movement", *_COLUMNS])
        table = pd.concat(parts, ignore_index=True)
        return table[["movement", *(c for c in table.columns if c != "movement")]]
    if not isinstance(fit, RateFit):
        raise InputError(
            f"A factor is that of a fit (fit_rate) or of several by movement (fit_rates), not of a "
            f"{type(fit).__name__}."
        )
    if rules is None:
        rules = Rules(
            max_factor=Rules.max_factor if max_factor is None else max_factor,
            level=fit.level if level is None else level,
        )
    bent = bent_sentence(fit, rules)
    if fit.group[:1] == ("tooth",):
        source = tooth_rates(fit, towards=towards).rates
        extra = ["own_rate", "own_weight"]
    else:
        source, extra = fit.rates, []
    rows = [_row(record, rules, bent) for record in source.to_dict("records")]
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    table["more_patients"] = table["more_patients"].astype("Int64")
    for name in extra:
        table[name] = source[name].to_numpy()
    return table


def _row(record: dict[Any, Any], rules: Rules, bent: str) -> dict[str, Any]:
    pooled = "own_weight" in record
    verdict = judge(
        record["rate"],
        record["se"],
        record["df"],
        record["patients"],
        rules,
        borrowed=record["tooth_class"] if pooled else "",
        class_patients=record["class_patients"] if pooled else None,
        bent=bent,
    )
    return {
        **{name: record[name] for name in ("group", "patients", "movements", "rate")},
        "factor": 1 / record["rate"] if record["rate"] != 0 else np.inf,
        "use": verdict.factor,
        "level": rules.level,
        **verdict.row,
    }


def bent_sentence(fit: RateFit, rules: Rules) -> str:
    """What a failed linearity test says; nothing where it passes, or where size is in the model."""
    if "plan_size" in fit.design.covariates:
        return ""
    try:
        test = fit.linearity()
    except CannotAnswer:  # plans of one size: there is nothing to bend
        return ""
    return str(test["sentence"]) if test["p"] < rules.linear_p else ""
