"""Sentences of a next course."""

from __future__ import annotations

import pandas as pd

from outcomes.ahead import alternatives
from outcomes.ahead.bite_target import BiteTarget
from outcomes.ahead.flags import row_cautions
from outcomes.ahead.intervals import NOT_ALLOTTED
from outcomes.ahead.result import LEFT, NextCourse
from outcomes.domain.names import movement_name
from outcomes.overcorrect.rules import VERDICTS
from outcomes.reports.common.rows import lines
from outcomes.words.english import capital, counted, is_, listed, number_of
from outcomes.words.numbers import count, number

__all__ = [
    "bite",
    "bite_reasons",
    "evidence",
    "flagged",
    "head",
    "levels",
    "said_shortly",
    "states",
    "title",
]

HOLD = (
    "Nothing is planned for these; what is given is where they are likely to be taken by the way, and "
    "the chance that they stay within tolerance. Stays within: on either side of where they stand."
)
STAGES = (
    "One course more with the plan of page one, against two staged ones: course, scan, and a second "
    "course by the same rule where the scan still finds the tooth outside the tolerance. Left: the "
    "average distance from the aim, whichever way. Second needed: how often the scan asks for it; its "
    "plan then is the middle one of those."
)
UNLIKELY = "Gets nearer: by the tolerance at least, or into it."
ALTERNATIVES = (
    "Expected result and chance of landing with each, at the plan with the best chance for it. "
    "Attachments and auxiliaries were not allotted at random: teeth that were thought difficult got "
    "them more often, so that a difference is not an effect. A star: the cohort does not tell it apart."
)
ARCH = (
    "The movement that needs most aligners sets the number; all others can begin with the first "
    "aligner, may begin as late as told, or be spread over the course in smaller steps. The order in "
    "which teeth move is the clinician's."
)
EXPECTED = (
    "The share of a plan that the coming course is expected to bring, and where it lies in 8 of 10 "
    "cases: from past cases together with this patient's own results, each weighed by what it tells; "
    "never the raw ratio of reached to planned."
)
SO_FAR = "From where the tooth stood before the first course with an aim for it."
DONE = "Within tolerance: no row of the plan is for these. " + SO_FAR


def title(course: NextCourse) -> str:
    """Of the sheet."""
    return f"Next course (course {course.course})" if course.known else "Plan for a new patient"


def states(course: NextCourse) -> str:
    """How many movements are left, within tolerance, not known."""
    if not len(course.so_far):
        return ""
    left = int((course.so_far["state"] == LEFT).sum())
    done, unknown = len(course.done), len(course.not_known)
    said = [
        f"{count(left)} outside the tolerance",
        f"{count(done)} within it",
        *([f"{count(unknown)} not known, as a course has no result"] if unknown else []),
    ]
    return f"So far {number_of(len(course.so_far), 'movement')} aimed at: {listed(said)}."


def head(course: NextCourse, past: str) -> list[str]:
    """What stands above the plan: how much there is to do, how long it takes, what is odd."""
    said = [states(course)]
    plan = course.plan
    if plan is None or not len(plan.aims):
        said.append("No movement is planned on this sheet.")
    else:
        counts = plan.aims["verdict"].value_counts()
        parts = [f"{count(counts[name])} {name}" for name in counts.index if name in VERDICTS]
        others = [f"{count(counts[name])} {name}" for name in counts.index if name not in VERDICTS]
        said.append(f"To plan: {number_of(len(plan.aims), 'aim')}, {listed([*parts, *others])}.")
    if course.aligners:
        first = course.arch[course.arch["sets_number"]]
        sets = listed(f"{row.tooth} {row.movement}" for row in lines(first))
        days = _days(course)
        said.append(
            f"The course takes {counted(course.aligners, 'aligner')}{days}, as many as {sets} "
            f"{'need' if len(first) > 1 else 'needs'}."
        )
    if len(course.unlikely):
        n = len(course.unlikely)
        teeth = listed(f"{row.tooth} {row.movement}" for row in lines(course.unlikely))
        said.append(f"For {number_of(n, 'aim')} another try {is_(1)} unlikely to help: {teeth}.")
    learnt = f"Learnt from {past}." if past else ""
    return [" ".join(part for part in (*said, learnt) if part), *course.notes]


def said_shortly(course: NextCourse) -> str:
    """One line on a next course, for the terminal."""
    plan = course.plan
    made = 0 if plan is None else len(plan.aims)
    parts = [f"{number_of(made, 'aim')} planned" if made else "nothing planned"]
    if course.aligners:
        parts.append(f"{counted(course.aligners, 'aligner')}{_days(course)}")
    if len(course.holds):
        parts.append(f"{number_of(len(course.holds), 'tooth', 'teeth')} to hold")
    if len(course.done):
        parts.append(f"{count(len(course.done))} within tolerance")
    if len(course.not_known):
        parts.append(f"{count(len(course.not_known))} not known, as a course has no result")
    return f"{course.patient}, course {course.course}: {', '.join(parts)}."


def _days(course: NextCourse) -> str:
    plan = course.plan
    if plan is None:
        return ""
    days = plan.options["days"].where(plan.options["option"] == "best chance").max()
    return "" if pd.isna(days) else f" and {count(days)} days"


def flagged(course: NextCourse) -> dict[int, str]:
    """Index of an aim -> the flags of gum, bone and smile that concern it."""
    plan = course.plan
    found: dict[int, list[str]] = {}
    if plan is None or not len(course.flags):
        return {}
    for place in range(len(course.flags)):
        one = course.flags.iloc[[place]]
        for at in row_cautions(one, plan.aims):
            found.setdefault(at, []).append(str(one["flag"].iloc[0]))
    return {at: capital(", ".join(dict.fromkeys(names))) for at, names in found.items()}


def evidence(course: NextCourse) -> list[str]:
    """What the cohort tells of days and wear, movement by movement, or that it tells nothing."""
    rows = course.intervals
    rows = rows[rows["value"].isna()]
    said = []
    for row in lines(rows):
        note = str(row.note).replace(NOT_ALLOTTED, "").strip()
        if pd.isna(row.movement):
            said.append(note)
        else:
            said.append(f"{capital(movement_name(str(row.movement)))}: {note}")
    return list(dict.fromkeys(said))


INTERVALS = (
    "A longer interval takes longer; whether it brings more is what the cohort's own courses tell, if "
    f"they do. {NOT_ALLOTTED}"
)


def levels(told: pd.DataFrame) -> list[str]:
    """How the levels of an attachment or auxiliary differ, movement by movement, each once."""
    said: dict[str, list[str]] = {}
    for row in lines(told):
        note = str(row.note).replace(alternatives.NOT_ALLOTTED, "").strip()
        if note:
            said.setdefault(note, []).append(movement_name(str(row.movement)))
    return [
        f"{capital(listed(dict.fromkeys(movements)))}: {note}" for note, movements in said.items()
    ]


def bite(found: BiteTarget) -> list[str]:
    """Above the ways to reach an overbite: how it stands, what is wanted, how to read them."""
    said = (
        f"Overbite now {number(found.now, 1)} mm, wanted {number(found.wanted, 1)} mm; on target: "
        f"within {found.tolerance:g} mm of it. An open bite is below 0."
    )
    if not len(found.options):
        return [said]
    return [
        f"{said} Each line is one way to get there with its plan of the best chance; intrusion goes "
        "towards the gum and extrusion away from it, crown and root together. Teeth that are kept "
        "drift, which is counted. Too far: beyond the target by more than that."
    ]


def bite_reasons(found: BiteTarget) -> list[str]:
    """Why a way has no numbers, or is wide."""
    rows = found.best
    about: dict[str, list[str]] = {}
    for row in lines(rows[rows["verdict"] != "supported"]):
        if row.why:
            about.setdefault(str(row.why), []).append(str(row.option))
    return [f"{capital(listed(options))}: {why}" for why, options in about.items()]
