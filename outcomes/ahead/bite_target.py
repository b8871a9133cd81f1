"""From an overbite wanted to plans of incisors and molars, and the chance that it comes out so."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.ahead import bite_words as words
from outcomes.ahead.bite_draws import Spread, kept_groups, unexplained_spread
from outcomes.ahead.bite_lever import Lever
from outcomes.ahead.bite_options import GROUPS, Shares, group_teeth, shares_of
from outcomes.ahead.bite_plans import OPTION_COLUMNS, TEETH_COLUMNS, Question, plans_of
from outcomes.ahead.whose import require_patient
from outcomes.clinical.bite_parts import hinges_of
from outcomes.domain.limit_in_force import Given, limit
from outcomes.domain.limits import within_tolerance
from outcomes.errors import CannotAnswer
from outcomes.overcorrect.plan import BEST, PlanLimits
from outcomes.overcorrect.rules import Rules
from outcomes.plot_hook import plot
from outcomes.predictive.expect import Expectation, expect
from outcomes.words.cautions import PLANNING
from outcomes.words.cautions import cautions as standing_cautions
from outcomes.words.shown import as_html, as_text

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["BiteTarget", "bite_target"]


@dataclass(frozen=True)
class BiteTarget:
    """Ways to reach an overbite, with the chance of each. See ``bite_target``.

    Attributes
    ----------
    patient
        Code; "" for one without records.
    now, wanted, tolerance
        Overbite before the course, overbite wanted, how near counts as on target; mm.
    options
        Three rows for each option (``plan``: "as aimed", "aim / rate", "best chance").
    teeth
        One row for each tooth of each of them.
    kept
        How far teeth went where they were to stay, by group, in other patients.
    lever
        mm of overbite per mm of posterior intrusion, its range, and the hinge if there is one.
    unexplained
        SD of what teeth do not explain of the change, mm; missing where it is not known.
    notes
        Sentences on signs, on what was assumed and on what is not known.
    """

    patient: str
    now: float
    wanted: float
    tolerance: float
    options: pd.DataFrame
    teeth: pd.DataFrame
    kept: pd.DataFrame
    lever: Lever
    unexplained: float
    notes: tuple[str, ...]

    @property
    def change(self) -> float:
        """Overbite wanted less overbite now, mm."""
        return self.wanted - self.now

    @property
    def best(self) -> pd.DataFrame:
        """The plan with the best chance of each option, the likeliest on target first."""
        rows = self.options[self.options["plan"] == BEST]
        return rows.sort_values("on_target", ascending=False, kind="stable", ignore_index=True)

    @property
    def standing(self) -> tuple[str, ...]:
        """The cautions that go with every plan."""
        return tuple(standing_cautions(*PLANNING))

    def plot(self, plan: str = BEST, ax: Any = None, *, width: float | None = None) -> Any:
        """Where each option may end; returns the Axes."""
        return plot(self, plan, ax, width=width)

    @property
    def _head(self) -> str:
        whose = f"{self.patient}: " if self.patient else ""
        return f"{whose}{words.task(self.now, self.wanted)} (mm)"

    @property
    def _short(self) -> pd.DataFrame:
        shown = ["option", *GROUPS, "expected", "low_80", "high_80", "on_target", "beyond"]
        return self.best[[*shown, "verdict"]]

    def __repr__(self) -> str:
        return as_text(self._head, self._short, *self.notes, *self.standing, blank="–")

    def _repr_html_(self) -> str:
        said = as_html(escape(self._head), self._short, notes=map(escape, self.notes), blank="–")
        return said + as_html("Always:", notes=map(escape, self.standing))


def bite_target(
    cohort: Cohort,
    patient: str | None = None,
    *,
    overbite: float | None = None,
    wanted: float | None = None,
    tolerance: Given = None,
    over_cap: float = 0.10,
    options: Shares | None = None,
    absent: Collection[int] = (),
    cephalometry: pd.DataFrame | None = None,
    lever: float = 2.0,
    lever_range: tuple[float, float] = (1.5, 3.0),
    unexplained: float | None = None,
    limits: PlanLimits | None = None,
    rules: Rules | None = None,
    expectation: Expectation | None = None,
    size: int = 4000,
    seed: int = 1,
) -> BiteTarget:
    """What incisors and molars are to do for an overbite, and the chance that it comes out so.

    Parameters
    ----------
    cohort
        Past courses with vertical movements (extrusion positive, mm), and the measures.
    patient
        One of the cohort, whose own courses then count; None for a new one.
    overbite
        Now, mm, negative for an open bite; by default the patient's last one measured.
    wanted
        After the course, mm; by default the target recorded with the last one.
    tolerance
        How near counts as on target; by default 0.5 mm (Angle Orthod 2017;87(6):809–815,
        doi:10.2319/022717-147.1).
    over_cap
        Largest chance of an overbite beyond the target by more than the tolerance, for the plan with
        the best chance; common practice, no source.
    options
        Name -> group (upper_incisor, lower_incisor, upper_molar, lower_molar) -> share of the
        change; groups that are not named are to be kept. By default seven are compared.
    absent
        Teeth (FDI) that are not there or cannot be moved.
    cephalometry
        patient, landmark, x, y, as for ``bite_change``: a patient with a usable set gets their own
        lever by the hinge model, and the expected change of overjet, lower face height and
        mandibular plane.
    lever
        mm of overbite per mm of posterior intrusion, both arches added, where there is no hinge
        (about 2 to 1: Prog Orthod 2018;19:13, doi:10.1186/s40510-018-0213-5).
    lever_range
        What the lever may well be: 19 of 20 draws lie within. A hinge keeps this range in
        proportion.
    unexplained
        SD of the change of overbite that teeth do not explain, mm; by default from the cohort, where
        it is known of 5 patients.
    limits
        Steps of one aligner, most aligners, days.
    rules
        From how many patients, and up to which factor, a plan is made.
    expectation
        What is expected of vertical movements; by default learnt from the cohort.
    size, seed
        Of the draws.

    Returns
    -------
    BiteTarget
        ``.options``, for each option and plan:

        - upper_incisor, lower_incisor, upper_molar, lower_molar: what each group is to move, mm,
          extrusion positive, intrusion negative; missing where it is to be kept.
        - from_upper_incisor, from_lower_incisor, from_posterior: change of overbite expected of
          each, side movement of kept teeth included.
        - expected, low_80, high_80, low_95, high_95: overbite after the course.
        - on_target, short, beyond: chances that it lies within the tolerance of the target, does
          not get so far, or goes further; on_target_lever_low and _high: at the ends of the range
          of the lever.
        - overjet, lower_face_height, mandibular_plane: expected change by the hinge; missing where
          there is none.
        - aligners, days; verdict ("supported", "wide", "not supported", "beyond the records", "not
          possible"; without numbers in the last three) and why.

        ``.teeth``: aim, direction, planned, expected and range of each tooth, and the past cases
        behind it (cell, patients, movements, largest past plan, own movements).

    Raises
    ------
    CannotAnswer
        If the cohort has no such patient, the overbite now or wanted is not known, or fewer than two
        patients have vertical movements.
    InputError
        If shares or teeth make no sense.

    Notes
    -----
    change = upper incisor extrusion + lower incisor extrusion + posterior intrusion × lever; each a
    mean over the teeth of the group. Results of all teeth are drawn together, so that what the
    patient and the course add is shared by them. The plan with the best chance is the one, of plans
    that are all the same share of aim / rate, whose overbite is most often on target.

    Examples
    --------
    >>> from outcomes.cohort.read import from_frames
    >>> past = pd.DataFrame({"patient": [f"P{i:03}" for i in range(1, 13)] * 2,
    ...     "tooth": [31] * 12 + [41] * 12, "movement": "vertical", "planned": -1.5,
    ...     "achieved": [-0.8, -0.6, -0.9, -0.7] * 6})
    >>> cohort = from_frames(past, notation="fdi")
    >>> result = bite_target(cohort, overbite=4.0, wanted=3.0,
    ...     options={"lower incisors": {"lower_incisor": 1.0}})
    >>> result.options[["plan", "lower_incisor", "expected"]].round(1)
              plan  lower_incisor  expected
    0     as aimed           -1.0       3.5
    1   aim / rate           -1.0       3.0
    2  best chance           -1.0       3.0
    """
    if patient is not None:
        require_patient(patient, cohort.treated)
    now, target, taken = _now_and_wanted(cohort, patient, overbite, wanted)
    near = limit("tolerance", "overbite", "mm", tolerance)
    if not 0 < over_cap < 1 or not near > 0:
        raise CannotAnswer(
            f"over_cap ({over_cap}) must lie between 0 and 1, and tolerance ({near}) above 0."
        )
    if unexplained is not None and not 0 <= unexplained < np.inf:
        raise CannotAnswer(f"unexplained is {unexplained}: give an SD in mm, 0 or more.")
    expectation = expectation or expect(cohort, "vertical")
    hinges, trouble = hinges_of(cephalometry)
    of_lever = Lever.of(hinges.get(patient or ""), lever, lever_range)
    chosen, teeth = shares_of(options), group_teeth(absent)
    kept = kept_groups(cohort, patient)
    if unexplained is None:
        rest, people = unexplained_spread(cohort, patient, cephalometry, lever, lever_range)
        df = float(max(people, 1))
    else:
        rest, people, df = float(unexplained), None, float("inf")
    spread = Spread.of(kept, of_lever, np.nan_to_num(rest), df, size=size, seed=seed)
    question = Question(
        now=now, wanted=target, tolerance=near, over_cap=over_cap, lever=of_lever, spread=spread,
        expectation=expectation, teeth=teeth,
        patient=patient if patient in expectation.patients else None,
        limits=limits or PlanLimits(), rules=rules or Rules(), seed=seed,
    )  # fmt: skip
    rows: list[dict[str, Any]] = []
    of_teeth = [pd.DataFrame(columns=list(TEETH_COLUMNS))]
    done = bool(within_tolerance(target - now, near))
    for name, shares in {} if done else chosen.items():
        three, part = plans_of(name, shares, question)
        rows += three
        of_teeth.append(part)
    table = pd.DataFrame(rows, columns=list(OPTION_COLUMNS))
    numbers = [name for name in OPTION_COLUMNS if name not in _WORDS]
    used = {group for shares in chosen.values() for group in shares}
    return BiteTarget(
        patient=patient or "",
        now=now,
        wanted=target,
        tolerance=near,
        options=table.astype(dict.fromkeys(numbers, float)),
        teeth=pd.concat([part for part in of_teeth if len(part)] or of_teeth, ignore_index=True),
        kept=kept,
        lever=of_lever,
        unexplained=rest,
        notes=(
            *taken,
            *words.signs(now, target, near),
            *([] if done else words.assumed(of_lever, kept, rest, people, used, chosen, size)),
            *(line for line in trouble if line.startswith(f"{patient}:")),
        ),
    )


_WORDS = ("option", "plan", "verdict", "why")


def _now_and_wanted(
    cohort: Cohort, patient: str | None, overbite: float | None, wanted: float | None
) -> tuple[float, float, list[str]]:
    """Overbite now and wanted, mm, and sentences on where they are taken from."""
    rows = cohort.measures
    if "measure" in rows:
        of_patient = rows["patient"].astype(str) == str(patient)
        rows = rows[of_patient & (rows["measure"] == "overbite")]
    rows = rows.dropna(subset="value") if len(rows) else rows
    said = []
    latest = rows.sort_values("after_course").iloc[-1] if len(rows) else None
    if overbite is None:
        if latest is None:
            whose = f"{patient} has no measured overbite" if patient else "No patient is named"
            raise CannotAnswer(f"{whose}: give overbite, mm, negative for an open bite.")
        overbite = float(latest["value"])
        said += _stale(cohort, str(patient), int(latest["after_course"]))
    if wanted is None:
        target = None if latest is None else latest.get("target")
        if target is None or pd.isna(target):
            raise CannotAnswer("No target of the overbite is recorded: give wanted, mm.")
        wanted = float(target)
    if not np.isfinite([overbite, wanted]).all():
        raise CannotAnswer(f"overbite ({overbite}) and wanted ({wanted}) must be numbers, mm.")
    return float(overbite), float(wanted), said


def _stale(cohort: Cohort, patient: str, visit: int) -> list[str]:
    """A sentence where teeth have been moved since the overbite was measured."""
    tables = [t for t in (cohort.movements, cohort.unmeasured) if len(t)]
    last = max(
        (int(t.loc[t["patient"].astype(str) == patient, "course"].max()) for t in tables
         if (t["patient"].astype(str) == patient).any()),
        default=0,
    )  # fmt: skip
    if last <= visit:
        return []
    when = "before the first course" if visit == 0 else f"after course {visit}"
    return [
        f"The overbite was last measured {when}, and the records go on to course {last}: measure it "
        "anew, and give it as overbite."
    ]
