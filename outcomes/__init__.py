"""Planned and achieved tooth movement: cohorts, achievement rates, audits, overcorrection.

``import outcomes as oc`` gives the public names below; each is imported when first used, so that
importing the package costs next to nothing.
"""

from importlib import import_module
from typing import Any

from outcomes.plot_hook import plot_with

__version__ = "0.1.0"

_WHERE = {
    "OutcomesError": "outcomes.errors",
    "InputError": "outcomes.errors",
    "CohortError": "outcomes.errors",
    "Unreadable": "outcomes.errors",
    "Identifying": "outcomes.errors",
    "CannotJoin": "outcomes.errors",
    "CannotAnswer": "outcomes.errors",
    "ModelError": "outcomes.errors",
    "NoOptimum": "outcomes.errors",
    "ExactFit": "outcomes.errors",
    "OutputRefused": "outcomes.errors",
    "ReportFailed": "outcomes.errors",
    "Cohort": "outcomes.cohort.read",
    "read_cohort": "outcomes.cohort.read",
    "from_frames": "outcomes.cohort.read",
    "Mapping": "outcomes.cohort.mapping.spec",
    "read_mapping": "outcomes.cohort.mapping.file",
    "write_mapping": "outcomes.cohort.mapping.file",
    "Proposal": "outcomes.cohort.proposal",
    "propose_mapping": "outcomes.cohort.proposal",
    "write_cohort": "outcomes.cohort.write",
    "write_template": "outcomes.cohort.template",
    "Added": "outcomes.cohort.add",
    "add_records": "outcomes.cohort.add",
    "Deidentified": "outcomes.cohort.deidentify",
    "deidentify": "outcomes.cohort.deidentify",
    "achievement": "outcomes.clinical.achieved",
    "RateFit": "outcomes.rates.result",
    "fit_rate": "outcomes.rates.fit",
    "fit_rates": "outcomes.rates.fit",
    "RobustRates": "outcomes.rates.robust_rates",
    "robust_rates": "outcomes.rates.robust_rates",
    "later_courses_alone": "outcomes.rates.later_courses",
    "missing_rescans": "outcomes.rates.missing_rescans",
    "BeforeAfter": "outcomes.clinical.measures",
    "before_after": "outcomes.clinical.measures",
    "BiteChange": "outcomes.clinical.bite",
    "bite_change": "outcomes.clinical.bite",
    "Hinge": "outcomes.clinical.hinge",
    "hinge": "outcomes.clinical.hinge",
    "ApexDisplacement": "outcomes.clinical.roots",
    "apex_displacement": "outcomes.clinical.roots",
    "RootMotion": "outcomes.clinical.root_motion",
    "root_motion": "outcomes.clinical.root_motion",
    "unplanned": "outcomes.clinical.unplanned",
    "worst_unplanned": "outcomes.clinical.unplanned",
    "Courses": "outcomes.clinical.courses",
    "courses": "outcomes.clinical.courses",
    "courses_needed": "outcomes.clinical.courses_needed",
    "tooth_rates": "outcomes.rates.pooling",
    "Expectation": "outcomes.predictive.expect",
    "Priors": "outcomes.predictive.priors",
    "expect": "outcomes.predictive.expect",
    "expect_all": "outcomes.predictive.expect",
    "prior_weight": "outcomes.predictive.prior_weight",
    "hindsight": "outcomes.ahead.hindsight",
    "bite_target": "outcomes.ahead.bite_target",
    "overcorrection": "outcomes.overcorrect.factors",
    "Rules": "outcomes.overcorrect.rules",
    "Plan": "outcomes.overcorrect.plan",
    "PlanLimits": "outcomes.overcorrect.plan",
    "prescribe": "outcomes.overcorrect.prescribe",
    "NextCourse": "outcomes.ahead.result",
    "next_course": "outcomes.ahead.next_course",
    "next_courses": "outcomes.ahead.next_course",
    "decision_curve": "outcomes.overcorrect.decision",
    "aims_from_cohort": "outcomes.overcorrect.aims",
    "read_aims": "outcomes.overcorrect.aims",
    "Validation": "outcomes.overcorrect.validate",
    "validate": "outcomes.overcorrect.validate",
    "Loop": "outcomes.overcorrect.loop",
    "closing_loop": "outcomes.overcorrect.loop",
    "measurement_error": "outcomes.measure.readings",
    "Measured": "outcomes.measure.measured",
    "measure_landmarks": "outcomes.measure.landmarks",
    "measure_scans": "outcomes.measure.scans",
    "click_teeth": "outcomes.measure.clicking",
    "click_page": "outcomes.measure.clicking",
    "StudyPlan": "outcomes.study.plan",
    "plan_study": "outcomes.study.plan",
    "simulate_arch": "outcomes.simulate.arches.arch",
    "simulate_cohort": "outcomes.simulate.cohorts",
    "simulate_rates": "outcomes.simulate.rates",
    "plot": "outcomes.figures.dispatch",
    "data_path": "outcomes.paths",
}

__all__ = ["__version__", *_WHERE]


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module 'outcomes' has no attribute {name!r}")


plot_with(lambda: __getattr__("plot"))


def __dir__() -> list[str]:
    return sorted(__all__)
