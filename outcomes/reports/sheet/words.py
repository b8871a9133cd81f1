"""What is said of a plan beside its numbers: limits, aims left out, and what to look at."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from outcomes.domain.names import sizes_by_movement
from outcomes.overcorrect.aims import aims_counted, left_out, problems_of_rows
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.plan import Plan, PlanLimits
from outcomes.reports.common.rows import lines
from outcomes.words.english import capital, number_of

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

RISK_OF_DIRECT = "may land more often, and goes too far more often"
"""Of the plan at aim / rate, beside the safer one."""


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


def sentences(text: str) -> list[str]:
    """The sentences of a text, one by one; what refers to the one before stays with it.

    Examples
    --------
    >>> sentences("Wide: 1.2 to 3 for 5 teeth. 8 more would do. This is a guess. Check the gum.")
    ['Wide: 1.2 to 3 for 5 teeth. 8 more would do. This is a guess.', 'Check the gum.']
    """
    return [
        part for part in re.split(rf"(?<=[.?!]) (?=[A-Z])(?!{_REFERRING})", text.strip()) if part
    ]


_REFERRING = (
    "(?:This movement|This is|It|They|By handbook|Look for|Ask|An attachment|No plan|Settle)\\b"
)
"""How a sentence begins that says nothing alone."""


def numbered(rows: Iterable[tuple[str, Iterable[str]]]) -> tuple[tuple[str, ...], list[str]]:
    """Sentences of rows, each once with the rows that it is about; and their numbers for each row.

    Parameters
    ----------
    rows
        Name of a row, and what is said of it.

    Examples
    --------
    >>> numbered([("31", ["Check roots.", "Wide."]), ("41", ["Check roots."]), ("11", [])])
    (('31, 41: Check roots.', '31: Wide.'), ['1, 2', '1', ''])
    """
    about: dict[str, list[str]] = {}
    said = []
    for name, of_row in rows:
        kept = list(dict.fromkeys(of_row))
        said.append(kept)
        for sentence in kept:
            about.setdefault(sentence, []).append(name)
    number = {sentence: n for n, sentence in enumerate(about, start=1)}
    notes = tuple(
        f"{', '.join(dict.fromkeys(names))}: {sentence}" for sentence, names in about.items()
    )
    numbers = [sorted(number[sentence] for sentence in of_row) for of_row in said]
    return notes, [", ".join(map(str, of_row)) for of_row in numbers]


def row_names(teeth: Sequence[Any], movements: Sequence[Any]) -> list[str]:
    """What a row is called in its notes: the tooth, and the movement where that tooth has several.

    Examples
    --------
    >>> row_names([13, 13, 31], ["torque", "tip", "tip"])
    ['13 torque', '13 tip', '31']
    """
    teeth = [str(tooth) for tooth in teeth]
    return [
        f"{tooth} {movement}" if teeth.count(tooth) > 1 else tooth
        for tooth, movement in zip(teeth, movements, strict=True)
    ]


def aim_sentences(plan: Plan) -> list[list[str]]:
    """For each aim: what to look at, what is odd about its row, the reason of the verdict."""
    odd = problems_of_rows(plan.aims, plan.problems)
    return [
        [
            *sentences(str(row.cautions or "")),
            *odd.get(int(row.row), []),
            *sentences(str(row.why or "")),
        ]
        for row in lines(plan.aims)
    ]


def plan_notes(plan: Plan) -> list[str]:
    """What is said beside the rows of a plan, each sentence once with the rows it is about."""
    names = row_names(plan.aims["tooth"].tolist(), plan.aims["movement"].tolist())
    return list(numbered(zip(names, aim_sentences(plan), strict=True))[0])


def how_to_read(plan: Plan) -> list[str]:
    """What the columns of a plan mean, with the limits in force."""
    limits = plan.limits
    units: dict[str, str] = dict(plan.aims[["movement", "unit"]].astype(str).to_numpy())
    if not units:
        return []
    near = limits_said(limits.near, units)
    return [
        "Each row names the way in which crown and root go; its numbers are told along that way, "
        "without a sign, and whatever goes against it is called the other way. In a rotation the "
        "tooth turns about its long axis, the root in its place with the crown.",
        f"{capital(safer(limits.over_cap))}: of the plans that keep to that risk of ending further "
        f"than the tolerance ({near}) beyond the aim, the one most likely to land within it. Lands: "
        "chance that the next scan shows the tooth within tolerance. Too far: beyond it. Expected: "
        "what the next scan shows on average, and where it ends in 8 of 10 cases. No plan is more "
        f"than {plan.rules.max_factor:g} times its aim.",
        f"Aligners at the largest step of one: {steps_said(limits, units)} (common practice, no "
        "source).",
    ]


def aims_read_words(plan: Plan) -> list[str]:
    """Where the aims come from, how many were used, and what of them was not."""
    return [f"{plan.source}: {aims_counted(plan.aims, plan.problems)}", *attachment_unused(plan)]


def past_words(cohort: Cohort) -> str:
    """What was learnt from, in words."""
    planned = cohort.movements[cohort.movements["planned"] != 0]
    return (
        f"{cohort.source}: {number_of(planned['patient'].nunique(), 'patient')}, "
        f"{number_of(len(planned), 'planned movement')}"
    )
