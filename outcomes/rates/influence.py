"""How much each patient decides the rates."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from outcomes.rates.result import RateFit


def influence(fit: RateFit) -> pd.DataFrame:
    """How each rate changes when a patient is left out.

    Returns
    -------
    DataFrame
        patient, group, rate (without the patient), change (that minus the rate of all), change_se
        (change over the standard error of all), movements (rows of the patient in all groups).
        NaN where the group has no row but the patient's. Largest changes first.
    """
    left = fit.leave_one_out()
    g, patients = len(fit.groups), fit.patients
    change = left.beta[:, :g] - fit.mixed.beta[:g]
    table = pd.DataFrame(
        {
            "patient": np.repeat(np.asarray(fit.design.patient_labels), g),
            "group": list(fit.groups) * patients,
            "rate": left.beta[:, :g].ravel(),
            "change": change.ravel(),
            "change_se": (change / fit.rates["se"].to_numpy()).ravel(),
            "movements": np.repeat(fit.mixed.blocks.rows, g),
        }
    )
    order = (
        table["change_se"].abs().sort_values(ascending=False, na_position="first", kind="stable")
    )
    return table.loc[order.index].reset_index(drop=True)
