"""Planned and achieved tooth movement: cohorts, achievement rates, audits, overcorrection.

``import outcomes as oc`` gives the public names below; each is imported when first used, so that
importing the package costs next to nothing.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_WHERE = {
    "Cohort": "outcomes.cohort.read",
    "CohortError": "outcomes.cohort.read",
    "read_cohort": "outcomes.cohort.read",
    "from_frames": "outcomes.cohort.read",
    "write_cohort": "outcomes.cohort.write",
    "write_template": "outcomes.cohort.template",
    "achievement": "outcomes.estimate.descriptive",
    "RateFit": "outcomes.estimate.rates",
    "fit_rate": "outcomes.estimate.rates",
    "fit_rates": "outcomes.estimate.rates",
    "RobustRates": "outcomes.estimate.robust",
    "robust_rates": "outcomes.estimate.robust",
    "later_courses_alone": "outcomes.estimate.lagging",
    "missing_rescans": "outcomes.estimate.selection",
    "BeforeAfter": "outcomes.estimate.before_after",
    "before_after": "outcomes.estimate.before_after",
    "BiteChange": "outcomes.estimate.bite",
    "bite_change": "outcomes.estimate.bite",
    "Hinge": "outcomes.estimate.hinge",
    "hinge": "outcomes.estimate.hinge",
    "ApexDisplacement": "outcomes.estimate.roots",
    "apex_displacement": "outcomes.estimate.roots",
    "unplanned": "outcomes.estimate.unplanned",
    "worst_unplanned": "outcomes.estimate.unplanned",
    "Courses": "outcomes.estimate.courses",
    "courses": "outcomes.estimate.courses",
    "courses_needed": "outcomes.estimate.courses",
    "tooth_rates": "outcomes.estimate.pooling",
    "overcorrection": "outcomes.calibrate.factors",
    "Rules": "outcomes.calibrate.judge",
    "Plan": "outcomes.calibrate.prescribe",
    "PlanLimits": "outcomes.calibrate.prescribe",
    "prescribe": "outcomes.calibrate.prescribe",
    "aims_from_cohort": "outcomes.calibrate.aims",
    "read_aims": "outcomes.calibrate.aims",
    "Validation": "outcomes.calibrate.validate",
    "validate": "outcomes.calibrate.validate",
    "Loop": "outcomes.calibrate.loop",
    "closing_loop": "outcomes.calibrate.loop",
    "measurement_error": "outcomes.measure.repeats",
    "StudyPlan": "outcomes.plan",
    "plan_study": "outcomes.plan",
    "simulate_cohort": "outcomes.simulate.cohorts",
    "simulate_rates": "outcomes.simulate.rates",
    "data_path": "outcomes.paths",
}

__all__ = ["__version__", *_WHERE]


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module 'outcomes' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
