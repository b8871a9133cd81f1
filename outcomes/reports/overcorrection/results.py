"""Everything a report on overcorrection rests on, computed once from a cohort and aims."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.clinical.courses import Courses, courses
from outcomes.clinical.courses_needed import courses_needed
from outcomes.errors import CannotAnswer
from outcomes.overcorrect.aims import Aims, read_aims
from outcomes.overcorrect.factors import overcorrection
from outcomes.overcorrect.loop import Loop, closing_loop
from outcomes.overcorrect.plan import Plan, PlanLimits
from outcomes.overcorrect.prescribe import prescribe
from outcomes.overcorrect.rules import Rules, judge
from outcomes.overcorrect.validate import Validation, validate
from outcomes.paths import data_path
from outcomes.predictive.expect import Expectation, expect_all
from outcomes.rates.fit import RateFits, fit_rates
from outcomes.rates.pooling import ToothRates, tooth_rates
from outcomes.rates.predict import rate_moments
from outcomes.reports.common.rows import lines

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

AIMS_PROBLEMS = "aims_problems.csv"
"""In the report folder: what was wrong with the aims."""


@dataclass(frozen=True)
class Calibration:
    """Results of a calibration.

    Attributes
    ----------
    cohort
        Past cases.
    rules, limits
        When a factor is supported; what a plan must keep to.
    covariates
        Columns on which the rates that plans are made from depend.
    fits, direction_fits
        Rate models by tooth class, and by tooth class and direction.
    factors, direction_factors
        `outcomes.overcorrection` of those.
    teeth
        movement -> single-tooth rates, pooled towards their class.
    tooth_factors
        Factors of those.
    attachment_fits
        Models in which an attachment changes the rate; ``failed`` says why a movement has none.
    attachment_factors
        Factors without and with an attachment, by movement and tooth class.
    linearity
        movement, p, change, low, high, sentence, bent: does the rate change with the size?
    expectations
        movement of the aims -> what plans are made from (`outcomes.expect`), with the covariates
        asked for; empty without aims.
    validations
        movement -> would it have helped?
    courses, needed
        Share of the aim after each course; courses needed for usual aims. ``courses`` is
        None with one course only.
    loop, loop_reason
        Before and after a date; why there is none.
    plan
        Prescriptions for the aims; None without aims.
    overplanned
        Planned movements whose plan differed from the aim.
    """

    cohort: Cohort
    seed: int
    rules: Rules
    limits: PlanLimits
    covariates: tuple[str, ...]
    fits: RateFits
    direction_fits: RateFits
    factors: pd.DataFrame
    direction_factors: pd.DataFrame
    teeth: dict[str, ToothRates]
    tooth_factors: pd.DataFrame
    attachment_fits: RateFits
    attachment_factors: pd.DataFrame
    linearity: pd.DataFrame
    expectations: dict[str, Expectation]
    validations: dict[str, Validation]
    courses: Courses | None
    needed: pd.DataFrame
    loop: Loop | None
    loop_reason: str
    plan: Plan | None
    overplanned: int

    @property
    def gains(self) -> pd.DataFrame:
        """movement, unit, patients, shortfall as happened and with factors, less, low, high."""
        rows = []
        for movement, one in self.validations.items():
            left = one.shortfall.set_index("plan")
            before, after = left.loc["as happened"], left.loc["factors of the others"]
            row: dict[str, Any] = {"movement": movement, "unit": one.unit}
            row |= {name: int(one.gain[name]) for name in ("patients", "movements")}
            row |= {"as_happened": before["shortfall"], "with_factors": after["shortfall"]}
            row |= {name: one.gain[name] for name in ("less", "low", "high", "level", "p")}
            row |= {"within_before": before["within"], "within_after": after["within"]}
            rows.append(row | {"over_after": after["over"]})
        return pd.DataFrame(rows)

    @property
    def needed_wide(self) -> pd.DataFrame:
        """movement, group, aim, unit, within_1, within_2 ...: within tolerance after so many."""
        if not len(self.needed):
            return self.needed
        later = self.needed[self.needed["courses"] > 0]
        keys = ["movement", "group", "aim", "unit"]
        wide = later.pivot_table(
            index=keys, columns="courses", values="within", sort=False, observed=True
        )
        return wide.add_prefix("within_").reset_index().rename_axis(columns=None)

    @property
    def accuracy(self) -> pd.DataFrame:
        """Leave-one-patient-out prediction of each movement and group."""
        parts = {movement: one.accuracy for movement, one in self.validations.items()}
        if not parts:
            return pd.DataFrame()
        return pd.concat(parts, names=["movement"]).reset_index("movement").reset_index(drop=True)


def demo_aims() -> Path:
    """The invented aims that go with the demonstration practice."""
    return data_path("synthetic_data", "aims.csv")


def open_aims(
    aims: str | Path | None, cohort: str | Path | None, *, notation: str | None = None
) -> Aims | None:
    """Read aims; those of the demonstration where neither aims nor a cohort are given.

    Parameters
    ----------
    aims
        A spreadsheet or CSV file; None for none.
    cohort
        The cohort it goes with; None for the demonstration.
    notation
        Tooth notation of the aims.

    Raises
    ------
    CohortError
        If no aim can be used; the message lists every problem.

    Examples
    --------
    >>> len(open_aims(None, None).rows)
    16
    """
    if aims is None and cohort is None:
        return read_aims(demo_aims())
    return None if aims is None else read_aims(aims, notation=notation)  # type: ignore[arg-type]


def run_calibration(
    cohort: Cohort,
    aims: Aims | None = None,
    *,
    covariates: Sequence[str] = (),
    since: str | None = None,
    rules: Rules | None = None,
    limits: PlanLimits | None = None,
    seed: int = 1,
) -> Calibration:
    """Compute factors, their validation, courses, and prescriptions for aims.

    Parameters
    ----------
    cohort
        From `outcomes.read_cohort`.
    aims
        From `open_aims` or `outcomes.read_aims`.
    covariates
        Columns on which the rates should depend, such as attachment; the aims must have them.
    since
        Day from which factors were used, as "2025-01-31".
    rules, limits
        When a factor is supported; what a plan must keep to.
    seed
        Seed of bootstraps and simulated courses.

    Returns
    -------
    Calibration

    Raises
    ------
    CannotAnswer
        If no movement has rates at all.
    """
    rules, limits = rules or Rules(), limits or PlanLimits()
    level = rules.level
    fits = fit_rates(cohort, level=level)
    if not fits:
        reasons = " ".join(fits.failed.values())
        raise CannotAnswer(f"No movement has enough records for a rate. {reasons}".strip())
    direction = fit_rates(cohort, group=["tooth_class", "direction"], level=level)
    by_tooth = fit_rates(cohort, group="tooth", level=level)
    linearity = _linearity(fits, rules)
    expectations = {} if aims is None else _expectations(cohort, aims, covariates, seed)
    attachment = _attachment_fits(cohort, rules)
    loop, reason = _loop(cohort, since, limits, level)
    frame = cohort.frame()
    return Calibration(
        cohort=cohort,
        seed=seed,
        rules=rules,
        limits=limits,
        covariates=tuple(covariates),
        fits=fits,
        direction_fits=direction,
        factors=overcorrection(fits, rules=rules),
        direction_factors=overcorrection(direction, rules=rules),
        teeth={name: tooth_rates(fit) for name, fit in by_tooth.items()},
        tooth_factors=overcorrection(by_tooth, rules=rules),
        attachment_fits=attachment,
        attachment_factors=_attachment_factors(cohort, attachment, rules),
        linearity=linearity,
        expectations=expectations,
        validations=_validations(fits, rules, limits),
        courses=_courses(cohort, seed, level),
        needed=_needed(fits, seed, limits),
        loop=loop,
        loop_reason=reason,
        plan=None if aims is None else prescribe(expectations, aims, limits=limits, rules=rules),
        overplanned=int(((frame["planned"] != 0) & (frame["aim"] != frame["planned"])).sum()),
    )


def join_aims_problems(folder: str | Path) -> int:
    """Put the problems of the aims into problems.csv of a report; how many there are.

    Parameters
    ----------
    folder
        A report folder, in which the plan sheet left the problems of its aims.
    """
    aims, all_of_them = Path(folder, AIMS_PROBLEMS), Path(folder, "problems.csv")
    if not aims.exists():
        return 0
    parts = [pd.read_csv(p, dtype=str, keep_default_na=False) for p in (all_of_them, aims)]
    new = all_of_them.with_name(".problems.csv.new")
    # Cells stay as they stand in the files, marked where they begin like a formula.
    pd.concat(parts).fillna("").to_csv(new, index=False, encoding="utf-8")
    os.replace(new, all_of_them)
    aims.unlink()
    return len(parts[1])


def _linearity(fits: RateFits, rules: Rules) -> pd.DataFrame:
    columns = ["movement", "p", "change", "low", "high", "sentence", "bent"]
    rows: list[dict[str, Any]] = []
    for movement, fit in fits.items():
        try:
            test: Any = fit.linearity().to_dict()
            rows.append({**test, "movement": movement, "bent": bool(test["p"] < rules.linear_p)})
        except CannotAnswer as error:
            rows.append({"movement": movement, "sentence": str(error), "bent": False})
    return pd.DataFrame(rows, columns=columns)


def _expectations(
    cohort: Cohort, aims: Aims, covariates: Sequence[str], seed: int
) -> dict[str, Expectation]:
    """Of the movements that the aims are of; of all, where past cases have none of those."""
    frame = cohort.frame()
    asked = frame[frame["movement"].isin(set(aims.rows["movement"].astype(str)))]
    how: dict[str, Any] = {"covariates": tuple(covariates), "seed": seed}
    return expect_all(asked, **how) or expect_all(frame, **how)


def _attachment_fits(cohort: Cohort, rules: Rules) -> RateFits:
    """Models of the movements with enough patients on both sides; ``failed`` says which have not."""
    known = _attached(cohort)
    enough, failed = [], {}
    words = {"none": "without", "attachment": "with"}
    for movement, part in known.groupby("movement", sort=False, observed=True):
        people = part.groupby("attachment")["patient"].nunique().reindex(_SIDES, fill_value=0)
        least = str(people.idxmin())
        who = f"only {people[least]} patients had teeth" if people[least] else "nobody had a tooth"
        if people[least] >= rules.fewest:
            enough.append(str(movement))
        else:
            failed[str(movement)] = f"{who} {words[least]} one"
    fits = RateFits()
    fits.failed = {}
    if enough:
        fits = fit_rates(known, enough, covariates=["attachment"], level=rules.level)
    fits.failed = {**failed, **fits.failed}
    return fits


_SIDES = ["none", "attachment"]


def _attached(cohort: Cohort) -> pd.DataFrame:
    """Planned movements of known attachment, which is "none" or "attachment"."""
    frame = cohort.frame()
    if "attachment" not in frame:
        return frame.iloc[:0].assign(attachment="")
    known = frame[frame["attachment"].notna() & (frame["planned"] != 0)]
    kinds = known["attachment"].astype(str)
    return known.assign(attachment=kinds.where(kinds == "none", "attachment"))


def _attachment_factors(cohort: Cohort, fits: RateFits, rules: Rules) -> pd.DataFrame:
    """The factor of each tooth class without and with an attachment, and the change of the rate.

    A factor is given by the rule of all factors: from the patients with such teeth, without or with
    an attachment.
    """
    known = _attached(cohort)
    keys = ["movement", known["tooth_class"].astype(str).rename("group"), "attachment"]
    people = known.groupby(keys, observed=True)["patient"].nunique()
    rows = []
    for movement, fit in fits.items():
        change = fit.covariates.iloc[0]
        for row in lines(fit.rates):
            asked = pd.DataFrame({"tooth_class": row.group, "planned": 1.0, "attachment": _SIDES})
            found = rate_moments(fit, asked)
            factors = [
                judge(
                    float(one.rate),
                    float(np.sqrt(one.variance_estimate)),
                    float(one.df),
                    int(people.get((movement, str(row.group), side), 0)),
                    rules,
                ).factor
                for side, one in zip(_SIDES, lines(found), strict=True)
            ]
            effect = [change[name] for name in ("estimate", "low", "high", "p")]
            who = (movement, row.group, row.patients)
            rows.append((*who, *found["rate"], *factors, *effect, fit.level))
    columns = (
        "movement group patients rate_none rate_attachment factor_none factor_attachment change low "
        "high p level"
    )
    return pd.DataFrame(rows, columns=columns.split())


def _validations(fits: RateFits, rules: Rules, limits: PlanLimits) -> dict[str, Validation]:
    return {
        m: validate(fit, rules=rules, tolerance=limits.near(m, fit.unit or ""))
        for m, fit in fits.items()
        if fit.patients >= 3
    }


def _courses(cohort: Cohort, seed: int, level: float) -> Courses | None:
    if cohort.movements["course"].max() < 2 or not (cohort.movements["course"] == 1).any():
        return None
    return courses(cohort, seed=seed, level=level)


USUAL_AIM = {"mm": 2.0, "degree": 10.0}


def _needed(fits: RateFits, seed: int, limits: PlanLimits) -> pd.DataFrame:
    parts = []
    for movement, fit in fits.items():
        if fit.unit in USUAL_AIM:
            aim = USUAL_AIM[fit.unit]
            table = courses_needed(fit, aim, limits.near(movement, fit.unit), most=4, seed=seed)
            parts.append(table.assign(movement=movement, unit=fit.unit, aim=aim))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _loop(
    cohort: Cohort, since: str | None, limits: PlanLimits, level: float
) -> tuple[Loop | None, str]:
    if not since:
        return None, (
            "Since when factors have been used was not said: give the day in `since` to compare "
            "before and after."
        )
    try:
        return closing_loop(cohort, since, tolerance=limits.tolerance, level=level), ""
    except CannotAnswer as error:
        return None, str(error)
