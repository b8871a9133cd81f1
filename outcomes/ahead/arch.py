"""All movements of a course together: the one that needs most aligners sets the number."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.ahead.asks import empty
from outcomes.ahead.result import ARCH
from outcomes.overcorrect.plan import BEST, Plan

__all__ = ["arch_of"]


def arch_of(plan: Plan | None) -> tuple[pd.DataFrame, int | None]:
    """The table ``arch`` of `NextCourse`, and the number of aligners (None without any plan).

    Every movement has the plan with the best chance and steps no larger than those of the limits. All
    can begin with the first aligner; those that need fewer may begin later, or be spread over the
    course in smaller steps. In which order teeth move is not in the records: it is the clinician's.
    """
    if plan is None or plan.aims.empty:
        return empty(ARCH), None
    best = plan.options[plan.options["option"] == BEST].set_index("at").reindex(plan.aims.index)
    table = plan.aims[["tooth", "movement", "unit", "aim"]].assign(
        planned=best["planned"].astype(float), aligners=best["aligners"].astype(float)
    )
    needed = table["aligners"]
    most = needed.max()
    if not most > 0:
        number, steps = None, pd.Series(np.nan, index=table.index)
    else:
        number, steps = int(most), table["planned"].where(needed > 0) / most
    ways = table[needed > 0].groupby("tooth")["movement"].transform("size")
    moved = needed > 0
    table = table.assign(
        at=table.index,
        start=np.where(moved, 1.0, np.nan),
        end=needed.where(moved),
        latest_start=(most - needed + 1).where(moved),
        step=steps,
        sets_number=moved & (needed == most),
        note=[
            _note(planned, n, int(ways.get(at, 0)), tooth)
            for at, tooth, planned, n in zip(
                table.index, table["tooth"], table["planned"], needed, strict=True
            )
        ],
    )
    for name in ("aligners", "start", "end", "latest_start"):
        table[name] = table[name].astype("Int64")
    ordered = table.sort_values("aligners", ascending=False, kind="stable", na_position="last")
    return ordered.reset_index(drop=True)[list(ARCH)], number


def _note(planned: float, aligners: float, ways: int, tooth: int) -> str:
    if np.isnan(planned):
        return "No plan, and so not counted."
    if not aligners > 0:
        return "The plan leaves it where it is."
    if ways > 1:
        return f"Tooth {tooth} moves in {ways} ways at once: the steps of all act together."
    return ""
