"""The figure of a result: which function draws which type."""

from __future__ import annotations

from functools import singledispatch
from typing import Any

from outcomes.ahead.result import NextCourse
from outcomes.clinical.courses import Courses
from outcomes.clinical.measures import BeforeAfter
from outcomes.errors import InputError
from outcomes.figures.before_after import before_after_panels
from outcomes.figures.chances import chance_map
from outcomes.figures.coming import course_ahead
from outcomes.figures.courses import courses_curve
from outcomes.figures.measured import measured_arches
from outcomes.figures.pooling import pooled_teeth
from outcomes.figures.scatter import planned_achieved
from outcomes.figures.shortfall import shortfall_change
from outcomes.figures.study import study_size
from outcomes.measure.measured import Measured
from outcomes.overcorrect.plan import Plan
from outcomes.overcorrect.validate import Validation
from outcomes.rates.pooling import ToothRates
from outcomes.rates.result import RateFit
from outcomes.study.plan import StudyPlan


@singledispatch
def plot(result: Any, *args: Any, **options: Any) -> Any:
    """Draw a result with the figure of its type.

    Parameters
    ----------
    result
        A fit, prescriptions, a validation, courses, a study plan, measures before and after, rates
        of single teeth, what was measured from scans, or a coming course.
    *args, **options
        What the figure takes, such as ``ax``: see the function of ``outcomes.figures`` that draws
        it (planned_achieved, chance_map, shortfall_change, courses_curve, study_size,
        before_after_panels, pooled_teeth, measured_arches, course_ahead).

    Returns
    -------
    Axes, or ndarray of Axes where the figure has several panels

    Raises
    ------
    InputError
        If results of that type have no figure.

    Examples
    --------
    >>> import outcomes as oc
    >>> oc.plot(oc.fit_rate(oc.simulate_rates(15, seed=1))).get_xlabel().splitlines()[0]
    'Planned rotation (°)'
    """
    drawn = ", ".join(kind.__name__ for kind in plot.registry if kind is not object)
    raise InputError(
        f"A {type(result).__name__} has no figure of its own; these have: {drawn}. For tables and "
        "cohorts choose a function of outcomes.figures."
    )


for _result, _figure in (
    (RateFit, planned_achieved),
    (Plan, chance_map),
    (Validation, shortfall_change),
    (Courses, courses_curve),
    (StudyPlan, study_size),
    (BeforeAfter, before_after_panels),
    (ToothRates, pooled_teeth),
    (Measured, measured_arches),
    (NextCourse, course_ahead),
):
    plot.register(_result, _figure)
