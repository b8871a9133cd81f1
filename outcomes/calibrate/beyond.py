"""No plan where an aim is so large that past cases say nothing of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.calibrate.cautions import BEYOND, beyond_records, clinical
from outcomes.calibrate.prescribe import Plan
from outcomes.estimate.design import RateError

__all__ = ["within_records"]

_KEEP = ("at", "tooth", "movement", "aim", "option", "held")


def within_records(plan: Plan) -> Plan:
    """The plan without numbers for aims beyond the records; done twice it changes nothing more.

    Beyond: larger than the schema expects (6 mm, 60 degrees), or more than twice the largest past
    plan in that direction; both common practice, no source.

    Examples
    --------
    >>> from outcomes import fit_rate, prescribe, simulate_rates
    >>> fit = fit_rate(simulate_rates(20, seed=1, movement="vertical"))
    >>> plan = within_records(prescribe(fit, pd.DataFrame({"tooth": [31, 41], "aim": [-1, -9]})))
    >>> plan.aims["verdict"].tolist()[1], int(plan.table["best_planned"].isna().sum())
    ('beyond the records', 1)
    """
    reasons = {
        at: reason
        for at, aim in plan.aims.iterrows()
        if aim["verdict"] != "not supported"
        and (reason := beyond_records(str(aim["unit"]), float(aim["aim"]), _largest(plan, aim)))
    }
    if not reasons:
        return plan
    aims, options = plan.aims.copy(), plan.options.copy()
    for at, reason in reasons.items():
        aim: Any = aims.loc[int(str(at))]
        said = clinical(aim["movement"], str(aim["tooth_class"]), str(aim["arch"]), aim["aim"])
        aims.loc[int(str(at)), ["verdict", "why", "cautions"]] = [BEYOND, reason, " ".join(said)]
    numbers = [c for c in options.columns if c not in _KEEP]
    options.loc[options["at"].isin(list(reasons)), numbers] = np.nan
    return replace(plan, aims=aims, options=options)


def _largest(plan: Plan, aim: pd.Series) -> float:
    """The largest past plan of that kind in the direction of the aim; 0 where none is known."""
    source = plan.sources[str(aim["movement"])]
    try:
        case = source.case(aim)
        size = abs(float(aim["aim"]))
        return source.known(case, size).largest
    except RateError:
        return 0.0
