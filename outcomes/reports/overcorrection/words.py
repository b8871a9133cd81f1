"""Sentences of a calibration."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd

from outcomes.domain.names import group_in_full, heading, movement_name, sizes_by_movement
from outcomes.overcorrect.aims import (
    NEW_PATIENT,
    aims_counted,
    left_out,
    problem_words,
    problems_of_rows,
)
from outcomes.overcorrect.cautions import cap_words, safer
from outcomes.overcorrect.loop import NOT_A_TRIAL
from outcomes.overcorrect.plan import BEST, DIRECT, Plan, PlanLimits
from outcomes.overcorrect.rules import VERDICTS
from outcomes.overcorrect.validate import ASSUMPTION
from outcomes.rates.intervals import holm
from outcomes.reports.common.computed import computed_with
from outcomes.reports.common.references import journal
from outcomes.reports.common.rows import STANDS_OUT, lines
from outcomes.reports.overcorrection.results import USUAL_AIM, Calibration
from outcomes.words.cautions import cautions as read_cautions
from outcomes.words.english import capital, is_, listed, number_of, verb
from outcomes.words.numbers import bare_percent, count, percent, size

__all__ = [
    "aims_read",
    "attachment",
    "cautions",
    "chances_caption",
    "courses",
    "declined",
    "directions",
    "helped",
    "linear",
    "loop",
    "methods",
    "overplanned",
    "plan",
    "plan_notes",
    "planned_movements",
    "ranges_caption",
    "summary",
    "teeth",
    "verdicts",
]

RISK_OF_DIRECT = "may land more often, and goes too far more often"
"""Of the plan at aim / rate, beside the safer one."""


def summary(found: Calibration) -> list[str]:
    """The answer first: how many factors can be used, did they help, what is planned."""
    said = []
    if found.cohort.invented:
        said.append("This practice is invented, for demonstration: its numbers are for nobody.")
    counts = found.factors["verdict"].value_counts()
    parts = [f"{_is_or_none(int(counts.get(verdict, 0)))} {verdict}" for verdict in VERDICTS]
    said.append(
        f"Of {number_of(len(found.factors), 'factor')} by movement and kind of tooth, "
        f"{listed(parts)}."
    )
    gains = found.gains
    if len(gains):
        clear = (holm(gains["p"]) < STANDS_OUT) & (gains["less"] > 0)
        better = gains.loc[clear, "movement"]
        said.append(
            "Had each patient been planned with factors learnt from the others, the shortfall "
            + (
                f"would have been smaller in {listed(movement_name(m) for m in better)}"
                if len(better)
                else "would not clearly have been smaller in any movement"
            )
            + f" ({count(len(better))} of {count(len(gains))} movements, p adjusted for their number)."
        )
    if found.plan is not None:
        said.append(aims_counted(found.plan.aims, found.plan.problems))
    return [
        *said,
        *plan(found)[:1],
        "The treating clinician decides: this is evidence from past cases, not advice. The cautions "
        "at the end belong to every number here.",
    ]


def _is_or_none(n: int) -> str:
    return "none is" if n == 0 else f"{count(n)} {is_(n)}"


def verdicts(found: Calibration) -> list[str]:
    """What the three verdicts mean, with the limits in force."""
    rules = found.rules
    return [
        "A factor is what to multiply an aim by: 1 / achievement rate, with Fieller's interval. "
        f"Supported: {rules.enough} or more patients, an interval narrower than "
        f"{percent(rules.widest)} of the factor, and no sign that it changes with the size of the "
        "plan. Wide: usable with care, for the reasons given. Not supported: fewer than "
        f"{rules.fewest} patients, or a rate that cannot be told from zero; then there is no "
        f"factor. No factor above {rules.max_factor:g} is given out."
    ]


def declined(found: Calibration) -> list[str]:
    """Reasons of every verdict but supported, and caps."""
    table = found.factors
    held = table["why"].str.contains("is held at")
    rest = table[(table["verdict"] != "supported") | held]
    if not len(rest):
        return ["Every factor is supported, and none reaches the cap."]
    return [
        f"{heading(row.movement)}, {row.group}: {row.verdict}. {row.why}" for row in lines(rest)
    ]


def directions(found: Calibration) -> list[str]:
    """Where the two directions of a movement have clearly different rates: Holm over them all."""
    pairs = []
    for movement, fit in found.direction_fits.items():
        for row in lines(fit.contrasts()):
            first, second = str(row.a).split(" ", 1), str(row.b).split(" ", 1)
            if first[0] == second[0]:
                pairs.append((movement, row, first, second))
    if not pairs:
        return ["No kind of tooth was moved in both directions often enough to compare them."]
    adjusted = holm(row.p for _, row, _, _ in pairs)
    said = [
        f"{heading(movement)} of {first[0]}s: {_way(movement, first)} and "
        f"{_way(movement, second)} differ by {bare_percent(row.difference)} percentage points of the "
        "rate; use the factor of the direction."
        for (movement, row, first, second), p in zip(pairs, adjusted, strict=True)
        if p < STANDS_OUT
    ]
    return said or [
        "No clear difference between the two directions of any movement, for the same kind of "
        f"tooth ({count(len(pairs))} compared; p values adjusted for their number)."
    ]


def _way(movement: str, group: list[str]) -> str:
    """The direction of a group, the root in brackets."""
    kind, *way = group_in_full(" ".join(group), movement).split(", ")
    return f"{way[0]} ({way[1]})" if len(way) > 1 else (way or [kind])[0]


def attachment(found: Calibration) -> list[str]:
    """Does an attachment change the rate?"""
    not_compared = [
        f"{heading(name)}: teeth with and without an attachment are not compared, as {reason}."
        for name, reason in found.attachment_fits.failed.items()
    ]
    if not len(found.attachment_factors):
        return [
            "Attachments are not recorded, or are the same everywhere: nothing to compare.",
            *not_compared,
        ]
    once = found.attachment_factors.drop_duplicates("movement")
    clear = once[holm(once["p"]) < STANDS_OUT]
    if not len(clear):
        return [
            "No movement shows a clear difference between teeth with and without an attachment "
            f"({count(len(once))} compared; p values adjusted for their number).",
            *not_compared,
        ]
    return [
        f"{heading(row.movement)}: {bare_percent(abs(row.change))} percentage "
        f"points {'more' if row.change > 0 else 'less'} of the plan with an attachment, for the "
        "same kind of tooth."
        for row in lines(clear)
    ] + ["Nobody was given an attachment at random: a difference is not an effect.", *not_compared]


def linear(found: Calibration) -> list[str]:
    """Does the rate depend on the size of the plan?"""
    bent = found.linearity[found.linearity["bent"]]
    if not len(bent):
        return ["In no movement does the rate clearly depend on the size of the plan."]
    return [
        *(f"{heading(row.movement)}: {row.sentence}" for row in lines(bent)),
        "For these movements the plans below are made with a rate that changes with the size of "
        "the plan.",
    ]


def overplanned(found: Calibration) -> list[str]:
    """Plans that held overcorrection already."""
    n = found.overplanned
    if not n:
        return [
            "In every record the plan is the aim: no overcorrection was recorded. If plans did hold "
            "some, fill in the column aim: without it, the shortfall is counted from the plan."
        ]
    total = int((found.cohort.movements["planned"] != 0).sum())
    return [
        f"In {count(n)} of {number_of(total, 'planned movement')} the plan differed from the aim, so "
        f"it held overcorrection already. Rates are achieved over planned all the same; the "
        "shortfall is counted from the aim, and the factors are applied to the aim."
    ]


def helped(found: Calibration) -> list[str]:
    """Would it have helped? One sentence a movement, then the assumption."""
    if not found.validations:
        return ["With fewer than three patients nothing can be left out to learn from the others."]
    said = [f"{heading(movement)}: {one.sentence}" for movement, one in found.validations.items()]
    if len(said) > 1:
        said.append(
            f"Each interval is for its movement alone: these {count(len(said))} are not adjusted for "
            "their number. The summary counts the movements that stand out once it is allowed for."
        )
    return [*said, ASSUMPTION]


def courses(found: Calibration) -> list[str]:
    """Share reached after each course."""
    if found.courses is None:
        return ["The cohort holds one course only: nothing can be said about several."]
    said = []
    for movement, part in found.courses.overall.groupby("movement", sort=False):
        rows = lines(part)
        parts = [
            f"{percent(r.reached)} after {'one course' if r.course == 1 else f'{r.course} courses'}"
            for r in rows
        ]
        last = rows[-1]
        first = (
            f" ({percent(last.reached_first)} of the first aims, before some were changed)"
            if percent(last.reached_first) != percent(last.reached)
            else ""
        )
        said.append(f"{heading(str(movement))}: {listed(parts)} of the aims{first}.")
    aims = " and ".join(size(aim, unit) for unit, aim in USUAL_AIM.items())
    return [
        *said,
        *found.courses.notes,
        f"The table below is for a new patient: the chance of being within tolerance of an aim of "
        f"{aims}, planned as it is left after each course, without overcorrection. A patient and a "
        "tooth that lag in the first course lag in the next.",
    ]


def loop(found: Calibration) -> list[str]:
    """Before and after."""
    if found.loop is None:
        return [found.loop_reason]
    said = list(found.loop.sentences)
    if len(said) > 1:
        said.append(
            f"Each interval is for its movement alone: these {count(len(said))} comparisons are not "
            "adjusted for their number."
        )
    return [*said, *found.loop.notes, NOT_A_TRIAL]


def aims_read(found: Calibration) -> list[str]:
    """What was read of the aims, and what was not."""
    if found.plan is None:
        return [
            "No aims were given: no plan was made. Give a spreadsheet with the columns tooth, "
            "movement and aim."
        ]
    plan = found.plan
    return [
        f"{plan.source}: {aims_counted(plan.aims, plan.problems)}",
        *map(problem_words, lines(plan.problems)),
        *attachment_unused(plan),
    ]


def plan(found: Calibration) -> list[str]:
    """How many aims have a plan, and how long it takes."""
    if found.plan is None:
        return []
    aims = found.plan.aims
    given = int(_planned(found.plan).sum())
    said = [
        f"{capital(number_of(given, 'aim'))} of {count(len(aims))} {verb(given, 'have')} "
        "a plan; for the others the records cannot say."
        if given < len(aims)
        else f"All {count(len(aims))} aims have a plan, with what to expect of it."
    ]
    if given:
        table: Any = found.plan.aligners.set_index("option")
        parts = [
            f"{number_of(table.loc[option, 'aligners'], 'aligner')} and "
            f"{count(table.loc[option, 'days'])} days {words}"
            for option, words in (
                (DIRECT, "for aim / rate"),
                (BEST, f"for the {safer(found.limits.over_cap)}"),
            )
            if option in table.index
        ]
        limits = found.limits
        said.append(
            f"At the steps allowed for each aligner, the slowest tooth needs {listed(parts)}; all "
            "teeth move at once. The safer plan is, of those with at most "
            f"{cap_words(limits.over_cap)} risk of going too far, the one most likely to land within "
            f"tolerance; aim / rate {RISK_OF_DIRECT}."
        )
    return said


def plan_notes(found: Calibration) -> list[str]:
    """One line an aim: the reason of the verdict and what to look at."""
    if found.plan is None:
        return []
    return [
        f"{_of(row.patient)}{row.tooth}, {row.movement}: {note}"
        for row, note in zip(lines(found.plan.aims), aim_notes(found.plan), strict=True)
    ]


def _of(patient: str) -> str:
    return "" if patient == NEW_PATIENT else f"{patient}, "


def _planned(plan: Plan) -> pd.Series:
    """Which aims have a plan."""
    best = plan.options[plan.options["option"] == BEST].set_index("at")["planned"]
    return best.reindex(plan.aims.index).notna()


def planned_movements(found: Calibration) -> list[str]:
    """Movements of which at least one aim has a plan."""
    if found.plan is None:
        return []
    return list(dict.fromkeys(found.plan.aims.loc[_planned(found.plan), "movement"]))


def ranges_caption() -> str:
    """Under the figure of ranges."""
    return (
        "Where the safer plan of each tooth is likely to end. The ranges are of the next "
        "scan, for a patient and a tooth like those of the past."
    )


def chances_caption(found: Calibration) -> str:
    """Under the map of chances."""
    return (
        "The darker, the better the chance of landing within tolerance. Because results spread more "
        "as plans grow, the safer plan asks for less than aim / rate; it bends down where the cap of "
        f"{cap_words(found.limits.over_cap)} on going too far holds it."
    )


def teeth(found: Calibration) -> list[str]:
    """What single-tooth rates are made of."""
    if not found.teeth:
        return ["No movement has enough records for rates of single teeth."]
    own = found.tooth_factors["own_weight"].median()
    return [
        "A single tooth has few records, so its rate leans on the other teeth of its class: the "
        "fewer its own records, and the more alike the teeth of the class, the more. The median "
        f"weight of a tooth's own records is {percent(own)}."
    ]


def cautions(found: Calibration) -> list[str]:
    """All cautions that belong to this report."""
    demo = ["The demonstration data"] if found.cohort.invented else []
    return read_cautions("Always", "Planning the next course", "Reading an audit", *demo)


def methods(found: Calibration) -> list[str]:
    """How it was done, for whoever must judge or repeat it."""
    limits = found.limits
    units = {name: fit.unit or "" for name, fit in found.fits.items()}
    near = limits_said(limits.near, units)
    source = "" if limits.tolerance else f" ({journal('tolerance')})"
    return [
        "Achieved was modelled as rate × planned with a rate for each kind of tooth and random "
        "deviations of patients and teeth, by restricted maximum likelihood. Factors are 1 / rate "
        "with Fieller's interval (J R Stat Soc B 1954;16:175–185). Single-tooth rates are pooled "
        "towards their class by a normal–normal model on the estimates and their covariance, "
        "averaged over the between-tooth variation.",
        "Plans are made from a second model of each movement, in which rates of classes, directions "
        "and arches lean on each other and change with the size of the plan, and in which patients, "
        "teeth, and the courses of both deviate; a past patient's own courses are used. What is not "
        "known of these variations is averaged over, so that chances and ranges are those of a mixture "
        "of distributions; they include the measurement error of the next scan.",
        "Leave-one-patient-out: rates and variances refitted without each patient. " + ASSUMPTION,
        "Attachments, the two directions of a movement, and the gain counted in the summary were each "
        "tested with p values adjusted by Holm's method over all movements in the list; intervals are "
        "not adjusted, nor are the comparison of before with after and the test of whether the rate "
        f"depends on the size of the plan (p below {found.rules.linear_p:g}).",
        f"Tolerance {near}{source}. Largest step of one aligner: {steps_said(limits, units)} "
        f"(common practice, no source). {limits.days_per_aligner:g} days an aligner unless "
        "the aims say otherwise.",
        computed_with(found.cohort, ("numpy", "scipy", "pandas"), f"seed {found.seed}"),
    ]


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
