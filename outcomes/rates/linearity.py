"""Does the rate of a fit change with the size of the plan?"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.rates.design import FITTED, NOT_ASKED
from outcomes.rates.intervals import CLUSTER, contrast_table
from outcomes.rates.likelihood_ratio import compare_designs
from outcomes.rates.tooth_level import fit_levels
from outcomes.words.numbers import points

if TYPE_CHECKING:
    from outcomes.rates.result import RateFit


def linearity(fit: RateFit) -> pd.Series:
    """Does the rate change as the plan grows? A term planned x |planned| is added and tested.

    Returns
    -------
    Series
        change (of the rate per mm or degree more planned; negative: large plans achieve a smaller
        share), se, low, high, p (t test on Satterthwaite degrees of freedom, so that it agrees
        with the interval), chisq, df (1) and p_lrt (likelihood-ratio test, which with few patients
        finds too much), sentence.
    """
    design = fit.design
    columns = design.columns
    extra = np.column_stack([columns.extra, design.planned * np.abs(design.planned)])
    curved = replace(
        design,
        columns=replace(columns, extra=extra),
        names=(*design.names, "planned x |planned|"),
    )
    try:
        larger, tooth_level, _ = fit_levels(
            curved, site=fit.tooth_level != NOT_ASKED, reml=fit.reml
        )
    except CannotAnswer as error:
        raise CannotAnswer(
            "Linearity cannot be judged: the plans hardly differ in size. " + str(error)
        ) from error
    both = fit.tooth_level == tooth_level == FITTED
    test = compare_designs(design, curved, tooth_level=both)
    last = np.eye(len(larger.beta))[-1]
    row = contrast_table(larger, curved, last, fit.level, CLUSTER).iloc[0]
    unit = fit.unit or "unit"
    if row["p"] < 0.05:
        trend = "smaller" if row["estimate"] < 0 else "larger"
        sentence = (
            f"Larger plans achieve a {trend} share: {points(row['estimate'], 1)} percentage points "
            f"of the rate per {unit} more planned (p = {row['p']:.3g}). One rate for all sizes of "
            "plan is then only an average."
        )
    else:
        sentence = (
            f"No sign that the rate depends on the size of the plan (p = {row['p']:.2g}): "
            f"{points(row['estimate'], 1)} percentage points per {unit}, interval "
            f"{points(row['low'], 1)} to {points(row['high'], 1)}."
        )
    return pd.Series(
        {
            "change": row["estimate"],
            "se": row["se"],
            "low": row["low"],
            "high": row["high"],
            "p": row["p"],
            "chisq": test["chisq"],
            "df": test["df"],
            "p_lrt": test["p"],
            "sentence": sentence,
        }
    )
