"""All that the sheet of a next course shows, computed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from outcomes.ahead.bite_target import BiteTarget, bite_target
from outcomes.ahead.hindsight import Hindsight, hindsight
from outcomes.ahead.next_course import next_courses
from outcomes.ahead.result import NextCourse
from outcomes.ahead.who import settled
from outcomes.errors import CannotAnswer
from outcomes.predictive.expect import expect, expect_all
from outcomes.progress import Step, silent

if TYPE_CHECKING:
    import pandas as pd

    from outcomes.cohort.records import Cohort
    from outcomes.overcorrect.aims import Aims
    from outcomes.overcorrect.plan import PlanLimits
    from outcomes.overcorrect.rules import Rules

__all__ = ["Ahead", "run_next"]


@dataclass(frozen=True)
class Ahead:
    """The next course of a patient, and what stands beside it on the sheet.

    Attributes
    ----------
    course
        What ``next_course`` returns.
    bite
        Ways to the overbite that the measures want; None where none is asked for.
    no_bite
        Why there are none; "" where vertical movements have nothing to do with it.
    past
        What each course so far was expected to bring, and brought; None where nothing is.
    """

    course: NextCourse
    bite: BiteTarget | None = None
    no_bite: str = ""
    past: Hindsight | None = None


def run_next(
    cohort: Cohort,
    patients: Sequence[str] | None = None,
    aims: Aims | None = None,
    *,
    limits: PlanLimits | None = None,
    rules: Rules | None = None,
    expectations: Mapping[str, Any] | None = None,
    looking_back: bool = True,
    seed: int = 1,
    progress: Step = silent,
) -> list[Ahead]:
    """The next course of each patient.

    Parameters
    ----------
    cohort
        From `outcomes.read_cohort`.
    patients
        Codes; by default those that the aims name.
    aims
        From `outcomes.read_aims`; None for what the courses so far have left.
    limits, rules
        What a plan must keep to; when it is supported.
    expectations
        From ``expect_all``, where it is at hand.
    looking_back
        Whether the courses so far are held against what was to be expected of them, which takes some
        seconds for each course.
    seed
        Of all quasi-random numbers.
    progress
        Called with what is being done, steps done, steps in all.

    Raises
    ------
    InputError
        If a patient is not known; the message has the nearest codes.
    """
    named = None if aims is None else _named(aims)
    for code in patients or []:  # a slip is told before anything takes time
        settled(code, cohort.treated, named)
    progress("Learning from past cases", 0, 3)
    learnt = expect_all(cohort, seed=seed) if expectations is None else expectations
    progress("Planning", 1, 3)
    courses = next_courses(
        cohort, patients, aims, limits=limits, rules=rules, expectations=learnt, seed=seed
    )
    found = []
    for place, course in enumerate(courses.values()):
        progress(f"Looking back on {course.patient}", 3 * place + 1, 3 * len(courses))
        bite, no_bite = _bite(cohort, course, learnt, limits, rules, seed)
        past = _past(cohort, course, seed) if looking_back and course.known else None
        found.append(Ahead(course, bite, no_bite, past))
    return found


def _named(aims: Aims) -> list[str]:
    return [str(code) for part in (aims.rows, aims.holds) if len(part) for code in part["patient"]]


def _bite(
    cohort: Cohort,
    course: NextCourse,
    learnt: Mapping[str, Any],
    limits: PlanLimits | None,
    rules: Rules | None,
    seed: int,
) -> tuple[BiteTarget | None, str]:
    if not course.known or "vertical" not in learnt:
        return None, ""
    try:
        found = bite_target(
            cohort,
            course.patient,
            expectation=learnt["vertical"],
            limits=limits,
            rules=rules,
            seed=seed,
        )
    except CannotAnswer as error:
        reason = str(error).split(":")[0].rstrip(".")
        return None, f"{reason}: no way to reach one is given."
    return found, ""


def _past(cohort: Cohort, course: NextCourse, seed: int) -> Hindsight | None:
    """The movements with something left, held against what was to be expected of each course."""

    def learn(rows: pd.DataFrame, movement: str) -> Any:
        return expect(rows, movement, seed=seed)

    left = course.so_far.loc[course.so_far["state"] == "left", "movement"]
    movements = list(dict.fromkeys(left.astype(str)))
    if not movements:
        return None
    try:
        return hindsight(cohort, course.patient, movements, learn=learn)
    except CannotAnswer:
        return None
