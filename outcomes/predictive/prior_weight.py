"""How much what was taken to be likely beforehand weighs in an answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.predictive.expect import expect
from outcomes.predictive.priors import Priors

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["prior_weight"]

_FACTORS = (0.5, 1.0, 2.0)


def prior_weight(
    cohort: Cohort | pd.DataFrame,
    movement: str | None = None,
    *,
    teeth: Sequence[tuple[int, int]],
    plan: float,
    patient: str | None = None,
    priors: Priors | None = None,
) -> pd.DataFrame:
    """The expected result of a plan with every prior scale halved, as it is, and doubled.

    Parameters
    ----------
    cohort, movement, priors
        As for `expect`.
    teeth
        Pairs of a tooth (FDI) and the sign of its aim.
    plan
        Size of the plan, mm or degrees.
    patient
        A past patient whose own records count; None for a new one.

    Returns
    -------
    DataFrame
        tooth, sign, scale (0.5, 1, 2), rate (expected share of the plan), expected, low_80, high_80
        (mm or degrees, in the direction of the aim).

    Examples
    --------
    >>> from outcomes.simulate import simulate_rates
    >>> past = simulate_rates(30, seed=1, movement="vertical", rates=0.55)
    >>> table = prior_weight(past, teeth=[(31, -1)], plan=1.0)
    >>> bool(table["rate"].max() - table["rate"].min() < 0.02)
    True
    """
    given = priors or Priors()
    rows = []
    for scale in _FACTORS:
        scales = {f.name: getattr(given, f.name) for f in fields(given) if f.name != "mean"}
        wider = replace(given, **{name: scale * value for name, value in scales.items()})
        learnt = expect(cohort, movement, priors=wider)
        for tooth, sign in teeth:
            outlook = learnt.outlook(tooth, sign, plan, patient=patient)
            at = np.array([plan])
            low, high = outlook.range(at, 0.8)
            mean = float(outlook.mean(at)[0])
            row = {"tooth": tooth, "sign": sign, "scale": scale, "rate": mean / plan}
            rows.append(row | {"expected": mean, "low_80": low[0], "high_80": high[0]})
    return pd.DataFrame(rows).sort_values(["tooth", "sign", "scale"], ignore_index=True)
