"""Sentences about the aims and the limits of one plan, for the report and the plan sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from outcomes.domain.names import sizes_by_movement
from outcomes.overcorrect.aims import left_out, problems_of_rows
from outcomes.overcorrect.plan import Plan, PlanLimits
from outcomes.reports.common.rows import lines

__all__ = ["aim_notes", "aims_left_out", "attachment_unused", "limits_said", "steps_said"]


def limits_said(of: Callable[[str, str], float], units: Mapping[str, str]) -> str:
    """A limit of several movements in words; ``of`` gives it for a movement and its unit."""
    return sizes_by_movement({name: (of(name, unit), unit) for name, unit in units.items()})


def steps_said(limits: PlanLimits, units: Mapping[str, str]) -> str:
    """The largest steps of one aligner, for these movements.

    Examples
    --------
    >>> steps_said(PlanLimits(), {"tip": "degree", "rotation": "degree"})
    '1° for tip and 2° for rotation'
    """
    return limits_said(lambda name, _: limits.step(name), units)


def aims_left_out(plan: Plan) -> list[str]:
    """A line for each aim left out: its tooth, where it stands, and why."""
    return [
        f"{f'Tooth {row.tooth}, row {row.row}' if row.tooth else f'Row {row.row}'}: {row.reason}."
        for row in lines(left_out(plan.aims, plan.problems))
    ]


def attachment_unused(plan: Plan) -> list[str]:
    """That the aims name attachments, where the rates do not depend on them."""
    if "attachment" not in plan.aims:
        return []
    named = plan.aims["attachment"].notna() & (plan.aims["attachment"].astype(str) != "")
    without = {name for name, source in plan.sources.items() if "attachment" not in source.columns}
    if not (named & plan.aims["movement"].isin(without)).any():
        return []
    return ["The column attachment was not used; add --covariate attachment if it should be."]


def aim_notes(plan: Plan) -> list[str]:
    """For each aim: the verdict and its reason, what is odd about its row, what to look at."""
    odd = problems_of_rows(plan.aims, plan.problems)
    return [
        " ".join(
            part
            for part in (f"{row.verdict}.", row.why, *odd.get(int(row.row), []), row.cautions)
            if part
        )
        for row in lines(plan.aims)
    ]
