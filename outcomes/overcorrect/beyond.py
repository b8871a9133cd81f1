"""No plan where an aim or a plan is so large that past cases say nothing of it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.overcorrect.cautions import beyond_records

__all__ = ["hold_back"]

_KEEP = ("at", "tooth", "movement", "aim", "option", "held")


def hold_back(
    rows: pd.DataFrame,
    options: pd.DataFrame,
    largest: Mapping[int, float],
    names: tuple[str, str],
) -> tuple[pd.DataFrame, dict[int, str], dict[int, str]]:
    """Options without numbers where they lie beyond the records.

    An aim beyond the records has no plan at all, nor has one whose safer plan would be; where only
    aim / rate would be, that alone is left out.

    Parameters
    ----------
    rows
        Aims by index: movement, unit, aim.
    options
        at, option, planned and numbers, as of a plan.
    largest
        at -> the largest past plan in the direction of the aim.
    names
        The options called aim / rate and best chance.

    Returns
    -------
    options, declined, left_out
        ``declined``: at -> why there is no plan; ``left_out``: at -> why there is no aim / rate.
    """
    direct, best = names
    declined: dict[int, str] = {}
    left_out: dict[int, str] = {}
    blank = np.zeros(len(options), dtype=bool)
    planned = options.set_index(["at", "option"])["planned"]
    for at, most in largest.items():
        movement, unit = str(rows.loc[at, "movement"]), str(rows.loc[at, "unit"])
        sizes = {
            "The aim": float(rows.loc[at, "aim"]),  # type: ignore[arg-type]
            "The safer plan": float(planned[at, best]),
            "Aim / rate": float(planned[at, direct]),
        }
        if np.isnan(sizes["Aim / rate"]):
            continue
        for what, size in sizes.items():
            alone = what == "Aim / rate"
            then = "It is left out." if alone else "No plan is made."
            reason = beyond_records(unit, size, most, movement=movement, what=what, then=then)
            if reason:
                of_it = (options["at"] == at).to_numpy()
                blank |= of_it & (options["option"] == direct).to_numpy() if alone else of_it
                (left_out if alone else declined)[at] = reason
                break
    numbers = [c for c in options.columns if c not in _KEEP]
    options = options.copy()
    options.loc[blank, numbers] = np.nan
    return options, declined, left_out
