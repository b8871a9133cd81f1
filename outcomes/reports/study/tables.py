"""How the plan of a study is shown: its table in plain words, and what it rests on."""

from __future__ import annotations

import pandas as pd

from outcomes.study.plan import StudyPlan
from outcomes.words.numbers import count, number, percent

__all__ = ["cautions", "sizes"]


def sizes(frame: pd.DataFrame) -> pd.DataFrame:
    """The table of a `StudyPlan`, with headings.

    Examples
    --------
    >>> from outcomes.study.plan import plan_study
    >>> plan = plan_study(width=0.3, teeth_per_patient=8, simulations=20)
    >>> list(sizes(plan.table).columns)[:3]
    ['Teeth per patient', 'Patients needed', 'To recruit']
    """
    enough = frame["patients"].notna()
    groups = (frame["groups"] > 1).any()
    shown = {
        "Teeth per patient": frame["teeth_per_patient"].map(count),
        "Patients needed": frame["patients"].map(count, na_action="ignore"),
        "In both groups": frame["patients_total"].map(count, na_action="ignore"),
        "To recruit": frame["recruit"].map(count, na_action="ignore"),
        "Movements": frame["movements"].map(count, na_action="ignore"),
        "Intraclass correlation": frame["icc"].map(number),
        "Design effect": frame["design_effect"].map(number),
        "Closed form": frame["closed_form_patients"].map(count),
        "Width": frame["width"].map(lambda v: percent(v, 1)),
        "Power": frame["power"].map(percent, na_action="ignore"),
        "Coverage": frame["coverage"].map(percent),
    }
    table = pd.DataFrame(shown).astype(object)
    if groups:
        names = {
            "Patients needed": "Patients in each group",
            "Closed form": "Closed form, each group",
        }
        table = table.rename(columns=names)
    else:
        table = table.drop(columns="In both groups")
    table.loc[~enough.to_numpy(bool), table.columns[1]] = frame.loc[~enough, "note"].to_numpy()
    return table.where(table.notna(), None).dropna(axis="columns", how="all")


def cautions(plan: StudyPlan) -> list[str]:
    """What the plan rests on, and what it cannot know."""
    return [
        *plan.notes,
        "A study in other hands has other patients and other plans: take the largest variances that "
        "are credible, not the likeliest.",
        "This is arithmetic about precision. Ethics approval, consent, allocation and blinding are "
        "for whoever plans the study, with a statistician.",
    ]
