"""How large a study must be: patients and teeth for an interval width or a detectable difference.

Two answers stand side by side. The closed form takes every tooth for a reading of its patient's
rate, with variance ``s2 = patient_sd² + w`` and intraclass correlation ``icc = patient_sd² / s2``;
``m`` teeth of a patient are then worth ``m / (1 + (m - 1) icc)`` teeth of different patients. The
simulation makes studies by the rate model, fits each as ``fit_rate`` would, and counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import gammaln, ndtr, stdtrit
from scipy.stats import chi2, nct

from outcomes.domain.movements import MOVEMENTS
from outcomes.mixed import fit as mixed
from outcomes.mixed.cluster import ClusterRobust
from outcomes.plotting import plot
from outcomes.rates.fit import RateFit, kept_to_patients
from outcomes.simulate import simulate_rates

__all__ = ["Aim", "Assumptions", "PlanError", "StudyPlan", "plan_study"]

Compare = Literal["patients", "teeth"]
FEWEST = 3
"""Patients below which no study is considered."""
MOST_TEETH = 28
_DRAWS = 20_000
_ROUNDS = 3

TABLE_COLUMNS = (
    "teeth_per_patient",
    "patients",
    "groups",
    "patients_total",
    "recruit",
    "movements",
    "icc",
    "design_effect",
    "closed_form_patients",
    "width",
    "power",
    "coverage",
    "error",
    "note",
)
STUDY_COLUMNS = (
    "teeth_per_patient",
    "patients",
    "studies",
    "failed",
    "width",
    "width_wide",
    "closed_form_width",
    "power",
    "closed_form_power",
    "coverage",
    "error",
)


class PlanError(ValueError):
    """The study cannot be planned; the message says what to change."""


@dataclass(frozen=True)
class Assumptions:
    """What a plan rests on: rate, SDs and planned movement, mm or degrees. See ``plan_study``."""

    movement: str
    rate: float
    patient_sd: float
    tooth_sd: float
    residual_sd: float
    plan_mean: float
    plan_sd: float
    rows_per_tooth: int
    source: str

    @property
    def unit(self) -> str:
        return MOVEMENTS[self.movement].unit

    def tooth_variance(self) -> float:
        """Variance w of one tooth's rate about its patient's, in rate units.

        ``tooth_sd² + residual_sd² / (sum of squared plans)``; where plans vary, the harmonic mean
        over teeth, as precisions add up.
        """
        first = self.plan_mean + self.plan_sd * np.random.default_rng(0).standard_normal(
            (_DRAWS if self.plan_sd > 0 else 1, self.rows_per_tooth)
        )
        # Later rows of a tooth plan a share of the first, as in outcomes.simulate.simulate_rates.
        from outcomes.simulate.rates import LATER_COURSE_PLAN

        later = np.where(np.arange(self.rows_per_tooth) == 0, 1.0, LATER_COURSE_PLAN)
        squares = ((first * later) ** 2).sum(axis=1)
        precision = squares / (self.tooth_sd**2 * squares + self.residual_sd**2)
        return float(1 / precision.mean())


@dataclass(frozen=True)
class Aim:
    """What the study is for: an interval no wider than ``width``, or to find ``difference``."""

    width: float | None
    difference: float | None
    compare: Compare | None
    power: float
    assurance: float | None
    level: float

    @property
    def arms(self) -> int:
        return 2 if self.compare == "patients" else 1

    @property
    def target(self) -> str:
        """The result that decides: a column of ``studies``."""
        if self.width is None:
            return "power"
        return "width" if self.assurance is None else "width_wide"

    def missed_by(self, found: dict[str, float]) -> float:
        """Positive where the size does not do, negative where it does."""
        if self.width is None:
            return self.power - found["power"]
        return found[self.target] - self.width


@dataclass(frozen=True)
class StudyPlan:
    """Size of a study. See ``plan_study``.

    Attributes
    ----------
    table
        One row for each number of teeth per patient: what is needed.
    studies
        Every size that was simulated, and the closed form at that size.
    assumptions
        What it rests on.
    sentences
        The answer in words.
    notes
        Sentences on what was assumed.
    aim
        What was asked for.
    """

    table: pd.DataFrame
    studies: pd.DataFrame
    assumptions: Assumptions
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    aim: Aim

    def closed_form(self, teeth: int, patients: np.ndarray) -> np.ndarray:
        """What the closed form gives for ``teeth`` in each of so many patients (per group), shape
        (n,): the width, or the power where a difference is to be found."""
        form = _closed_form(self.assumptions, self.aim, teeth)
        of = form.power if self.aim.width is None else form.width
        return np.array([of(float(n)) for n in np.ravel(patients)])

    def plot(self, ax: Any = None) -> Any:
        """Width or power by number of patients; returns the Axes."""
        return plot(self, ax=ax)

    def __repr__(self) -> str:
        shown = self.table.drop(columns="note").to_string(
            index=False, float_format="{:.3f}".format, na_rep="-"
        )
        return "\n".join([*self.sentences, shown, *self.notes])

    def _repr_html_(self) -> str:
        head = "".join(f"<p>{s}</p>" for s in self.sentences)
        body = self.table.to_html(index=False, float_format="{:.3f}".format, border=0, na_rep="")
        notes = "".join(f"<li>{note}</li>" for note in self.notes)
        return f"{head}{body}<ul>{notes}</ul>"


def plan_study(
    *,
    width: float | None = None,
    difference: float | None = None,
    compare: Compare | None = None,
    pilot: RateFit | None = None,
    group: str | None = None,
    movement: str = "rotation",
    rate: float = 0.5,
    patient_sd: float = 0.10,
    tooth_sd: float = 0.08,
    residual_sd: float | None = None,
    plan_mean: float = 0.0,
    plan_sd: float | None = None,
    teeth_per_patient: int | Sequence[int] = (4, 8, 16),
    rows_per_tooth: int = 1,
    power: float = 0.8,
    assurance: float | None = None,
    level: float = 0.95,
    drop_out: float = 0.0,
    most_patients: int = 1000,
    simulations: int = 200,
    seed: int = 1,
    progress: Callable[[str], None] | None = None,
) -> StudyPlan:
    """How many patients, with how many teeth each, a study of achievement rates needs.

    Parameters
    ----------
    width
        Wanted width of the interval, high − low, as a share of the plan (0.1: from 0.45 to 0.55, for
        instance): of the rate, or with ``compare`` of a difference between rates.
    difference
        Or the difference between two rates that should be detected, as a share of the plan. Give
        one of the two.
    compare
        None: one rate. "patients": two groups of patients of equal size, as two clinics or with and
        without an auxiliary. "teeth": teeth within each patient, half of them with, as attachments.
        A ``difference`` needs one; "patients" by default.
    pilot
        A fit of ``fit_rate``: its rate, SDs and planned movements are taken in place of the numbers
        below.
    group
        Which rate of the pilot, where it has several.
    movement
        Settles the unit and the defaults.
    rate, patient_sd, tooth_sd
        Assumed rate; SD of the rate between patients, and between teeth of a patient.
    residual_sd
        SD of achieved about its expectation, mm or degrees; by default 0.22 mm or 1.6°.
    plan_mean, plan_sd
        Planned movement of a tooth, mm or degrees; by default mean 0 (both directions) with SD 1 mm
        or 6°. A balanced study has ``plan_sd=0``.
    teeth_per_patient
        One number, or several to choose from; at most 28.
    rows_per_tooth
        Courses recorded of each tooth; later ones plan 0.6 times as much.
    power
        Wanted chance to find ``difference``, two-sided at 1 − level.
    assurance
        Wanted chance that the interval is no wider than ``width``; by default the mean width counts,
        which about half of all studies exceed.
    level
        Level of the intervals.
    drop_out
        Share of patients that will be lost: ``recruit`` allows for them.
    most_patients
        Where to stop looking, per group.
    simulations, seed
        Studies simulated at each size.
    progress
        Called with a line of text for each size.

    Returns
    -------
    StudyPlan
        ``.table``: teeth_per_patient; patients needed by simulation (in each group with
        compare="patients", blank beyond ``most_patients``), groups, patients_total, recruit, movements; icc,
        design_effect 1 + (m − 1)·icc and closed_form_patients; then at that size, simulated: mean
        width, power (of finding ``difference``), coverage of the intervals, and error: the Monte
        Carlo standard error of what was aimed at.
        ``.studies``: every size simulated; width_wide is the width that a share ``assurance`` stays
        within.

    Raises
    ------
    PlanError
        If both or neither of width and difference are given, or a number is out of its range.

    Notes
    -----
    The closed form is exact in balanced studies (all plans of one size) with a clear variance
    between patients: a t interval on patients' means. Elsewhere it is an approximation, and the
    simulation decides. Neither knows whether the assumptions hold: variances from a small pilot are
    uncertain, and a study at another practice has other patients.

    References
    ----------
    Kish L. Survey Sampling. Wiley 1965 (design effect). Donner A, Klar N. Design and Analysis of
    Cluster Randomization Trials. Arnold 2000.

    Examples
    --------
    >>> plan = plan_study(width=0.15, teeth_per_patient=[4, 12], simulations=20)
    >>> plan.table[["teeth_per_patient", "design_effect", "closed_form_patients"]].round(2)
       teeth_per_patient  design_effect  closed_form_patients
    0                  4           1.30                    24
    1                 12           2.12                    14
    """
    aim = _aim(width, difference, compare, power, assurance, level)
    assumed = _assumptions(
        pilot, group, movement, rate, patient_sd, tooth_sd, residual_sd, plan_mean, plan_sd,
        rows_per_tooth,
    )  # fmt: skip
    counts = [teeth_per_patient] if isinstance(teeth_per_patient, int) else list(teeth_per_patient)
    _require_sizes(aim, counts, drop_out, most_patients, simulations)
    found, studies = [], []
    for teeth in counts:
        row, tried = _needed(assumed, aim, teeth, most_patients, simulations, seed, progress)
        found.append(_complete(row, aim, assumed, teeth, drop_out, most_patients))
        studies += tried
    table = pd.DataFrame(found, columns=list(TABLE_COLUMNS))
    whole = ["patients", "patients_total", "recruit", "movements", "closed_form_patients"]
    return StudyPlan(
        table=table.astype(dict.fromkeys(whole, "Int64")),
        studies=pd.DataFrame(studies, columns=list(STUDY_COLUMNS)),
        assumptions=assumed,
        sentences=tuple(_sentence(row, aim, assumed, most_patients) for row in found),
        notes=_notes(aim, assumed, pilot, simulations, seed),
        aim=aim,
    )


# ------------------------------------------------------------------------------- what is asked


def _aim(
    width: float | None,
    difference: float | None,
    compare: Compare | None,
    power: float,
    assurance: float | None,
    level: float,
) -> Aim:
    if (width is None) == (difference is None):
        raise PlanError("Give width= or difference=, one of the two.")
    for name, value in (("width", width), ("difference", difference)):
        if value is not None and not value > 0:
            raise PlanError(f"{name} is {value}: give a share of the plan above 0, such as 0.1.")
    if compare not in (None, "patients", "teeth"):
        raise PlanError(f"compare={compare!r}: give None, 'patients' or 'teeth'.")
    for name, value in (("power", power), ("assurance", assurance), ("level", level)):
        if value is not None and not 0 < value < 1:
            raise PlanError(f"{name} must lie between 0 and 1, not {value}.")
    if difference is not None and compare is None:
        compare = "patients"
    return Aim(width, difference, compare, power, assurance, level)


def _assumptions(
    pilot: RateFit | None,
    group: str | None,
    movement: str,
    rate: float,
    patient_sd: float,
    tooth_sd: float,
    residual_sd: float | None,
    plan_mean: float,
    plan_sd: float | None,
    rows_per_tooth: int,
) -> Assumptions:
    from outcomes.simulate.scenario import PLAN_SD, RESIDUAL_SD

    if pilot is not None:
        return _from_pilot(pilot, group, rows_per_tooth)
    if movement not in MOVEMENTS:
        raise PlanError(f"{movement!r} is no movement: use one of {', '.join(MOVEMENTS)}.")
    unit = MOVEMENTS[movement].unit
    residual_sd = RESIDUAL_SD[unit] if residual_sd is None else residual_sd
    plan_sd = PLAN_SD[unit] if plan_sd is None else plan_sd
    for name, value in (
        ("patient_sd", patient_sd),
        ("tooth_sd", tooth_sd),
        ("plan_sd", plan_sd),
    ):
        if not value >= 0:
            raise PlanError(f"{name} is {value}: an SD is not negative.")
    if not residual_sd > 0:
        raise PlanError(f"residual_sd is {residual_sd}: measurements always err, give it above 0.")
    if plan_mean == 0 and plan_sd == 0:
        raise PlanError("plan_mean and plan_sd are both 0: nothing would be planned.")
    return Assumptions(
        movement, rate, patient_sd, tooth_sd, residual_sd, plan_mean, plan_sd, rows_per_tooth,
        "stated",
    )  # fmt: skip


def _from_pilot(pilot: RateFit, group: str | None, rows_per_tooth: int) -> Assumptions:
    if pilot.movement not in MOVEMENTS:
        raise PlanError("The pilot does not say which movement it is of: fit it with movement=.")
    known = pilot.rates["group"].astype(str).tolist()
    if group is None and len(known) > 1:
        raise PlanError(f"The pilot has rates of {', '.join(known)}: say which with group=.")
    name = known[0] if group is None else group
    if name not in known:
        raise PlanError(f"The pilot has no rate of {name!r}. It has: {', '.join(known)}.")
    sd = dict(zip(pilot.variance["component"], pilot.variance["sd"], strict=True))
    planned = pilot.data.loc[pilot.data["group"].astype(str) == name, "planned"].to_numpy(float)
    return Assumptions(
        movement=str(pilot.movement),
        rate=float(pilot.rates["rate"].to_numpy(float)[known.index(name)]),
        patient_sd=float(sd["patient"]),
        # teeth not told from measurement are part of the residual variation
        tooth_sd=float(sd.get("tooth", 0.0)) if pilot.mixed.blocks.has_site else 0.0,
        residual_sd=float(np.sqrt(pilot.mixed.sigma2)),
        plan_mean=float(planned.mean()),
        plan_sd=float(planned.std()),
        rows_per_tooth=rows_per_tooth,
        source=f"pilot of {pilot.patients} patients",
    )


def _require_sizes(
    aim: Aim, counts: list[int], drop_out: float, most_patients: int, simulations: int
) -> None:
    fewest = 2 if aim.compare == "teeth" else 1
    bad = [m for m in counts if not fewest <= m <= MOST_TEETH]
    if bad or not counts:
        raise PlanError(
            f"teeth_per_patient must be {fewest} to {MOST_TEETH}, not {', '.join(map(str, bad))}."
        )
    if not 0 <= drop_out < 1:
        raise PlanError(f"drop_out must be 0 or more and below 1, not {drop_out}.")
    if most_patients < FEWEST or simulations < 2:
        raise PlanError(f"most_patients must be {FEWEST} or more, and simulations 2 or more.")


# ------------------------------------------------------------------------------- closed form


@dataclass(frozen=True)
class _ClosedForm:
    """A t interval on patients' means: ``variance`` of one patient's contribution."""

    icc: float
    design_effect: float
    variance: float
    aim: Aim
    teeth: int

    def df(self, patients: float) -> float:
        if self.aim.compare == "teeth":  # the patient's own effect cancels
            return patients * (self.teeth - 1) - 1
        return self.aim.arms * (patients - 1)

    def se(self, patients: float) -> float:
        return math.sqrt(self.aim.arms * self.variance / patients)

    def width(self, patients: float) -> float:
        """Mean width, or that which a share ``assurance`` of studies stays within."""
        df = self.df(patients)
        if self.aim.assurance is None:
            # mean of an estimated SD over the SD itself
            shrink = math.exp(gammaln((df + 1) / 2) - gammaln(df / 2)) * math.sqrt(2 / df)
        else:
            shrink = math.sqrt(chi2.ppf(self.aim.assurance, df) / df)
        return float(2 * stdtrit(df, 0.5 + self.aim.level / 2) * self.se(patients) * shrink)

    def power(self, patients: float) -> float:
        if self.aim.difference is None:
            return float("nan")
        df, shift = self.df(patients), self.aim.difference / self.se(patients)
        critical = float(stdtrit(df, 0.5 + self.aim.level / 2))
        found = float(nct.sf(critical, df, shift) + nct.cdf(-critical, df, shift))
        return found if found == found else 1.0  # nct gives up where power is certain

    def missed_by(self, patients: float) -> float:
        found = {"width": self.width(patients), "power": self.power(patients)}
        return self.aim.missed_by({**found, "width_wide": found["width"]})

    def patients(self) -> int:
        """Fewest patients (per group) that do."""
        if self.missed_by(FEWEST) <= 0:
            return FEWEST
        high = float(FEWEST)
        while self.missed_by(high) > 0:
            high *= 2
        return math.ceil(brentq(self.missed_by, high / 2, high, xtol=1e-6) - 1e-5)


def _closed_form(assumed: Assumptions, aim: Aim, teeth: int) -> _ClosedForm:
    tooth = assumed.tooth_variance()
    between = assumed.patient_sd**2
    icc = between / (between + tooth)
    effect = 1 + (teeth - 1) * icc
    variance = (between + tooth) * effect / teeth
    if aim.compare == "teeth":
        half = teeth // 2
        variance = tooth * (1 / half + 1 / (teeth - half))
    return _ClosedForm(icc, effect, variance, aim, teeth)


# -------------------------------------------------------------------------------- simulation


def _needed(
    assumed: Assumptions,
    aim: Aim,
    teeth: int,
    most: int,
    simulations: int,
    seed: int,
    progress: Callable[[str], None] | None,
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Fewest patients that do by simulation, beginning where the closed form says.

    What is left to the aim falls smoothly with the number of patients, and simulation adds noise;
    so a few sizes are simulated near the answer, and the closed form, corrected by what they show,
    is solved.
    """
    closed = _closed_form(assumed, aim, teeth)
    tried: dict[int, dict[str, Any]] = {}
    size = min(closed.patients(), most)
    for _ in range(_ROUNDS):
        if size in tried:
            break
        if progress is not None:
            progress(f"{teeth} teeth in each of {size} patients: {simulations} studies")
        found = _simulate(assumed, aim, teeth, size, simulations, seed)
        tried[size] = {
            **found,
            "closed_form_width": closed.width(size),
            "closed_form_power": closed.power(size),
        }
        size = min(_corrected(closed, tried), most)
    final = tried[size] if size in tried else tried[min(tried, key=lambda n: abs(n - size))]
    size = int(final["patients"])
    reached = aim.missed_by(final) <= 2 * final["error"]
    row = {**final, "patients": size if reached or size < most else None, "closed": closed}
    return row, [tried[n] for n in sorted(tried)]


def _corrected(closed: _ClosedForm, tried: dict[int, dict[str, Any]]) -> int:
    """Solve the closed form again, as if each patient counted for what simulation shows."""
    aim = closed.aim
    ratios = []
    for size, found in tried.items():
        if aim.width is not None:
            ratios.append((found[aim.target] / closed.width(size)) ** 2)
        else:
            ratios.append(_variance_ratio(closed, size, float(found["power"])))
    ratio = float(np.mean(ratios))
    scaled = _ClosedForm(
        closed.icc, closed.design_effect, closed.variance * ratio, aim, closed.teeth
    )
    return scaled.patients()


def _variance_ratio(closed: _ClosedForm, size: int, power: float) -> float:
    """How many times the closed form's variance would give the simulated power."""
    power = min(max(power, 0.08), 0.99)

    def excess(log_ratio: float) -> float:
        variance = closed.variance * math.exp(log_ratio)
        at = _ClosedForm(closed.icc, closed.design_effect, variance, closed.aim, closed.teeth)
        return at.power(size) - power

    if excess(-3.0) < 0 or excess(3.0) > 0:
        return 1.0
    return math.exp(brentq(excess, -3.0, 3.0))


def _simulate(
    assumed: Assumptions, aim: Aim, teeth: int, patients: int, simulations: int, seed: int
) -> dict[str, Any]:
    """Many studies of one size."""
    rng = np.random.default_rng([seed, teeth, patients])
    truth = assumed.rate if aim.compare is None else (aim.difference or 0.0)
    results, failed = [], 0
    for _ in range(simulations):
        try:
            results.append(_one_study(assumed, aim, teeth, patients, rng))
        except mixed.ModelError:
            failed += 1
    if len(results) < 2:
        raise PlanError(
            f"Studies of {teeth} teeth in {patients} patients could not be fitted: plan more teeth."
        )
    estimate, se, df = np.array(results).T
    half = stdtrit(df, 0.5 + aim.level / 2) * se
    found = {"teeth_per_patient": teeth, "patients": patients, "studies": len(results)}
    return {
        **found,
        "failed": failed,
        **_measures(estimate, half, truth, aim),
        "coverage": float(np.mean(np.abs(estimate - truth) <= half)),
        "error": _error(estimate, half, truth, aim, rng),
    }


def _measures(estimate: np.ndarray, half: np.ndarray, truth: float, aim: Aim) -> dict[str, float]:
    """Widths, and the power: the chance that a normal estimate leaves each study's half-width.

    The spread of the estimates is that simulated; averaging chances instead of counting findings
    takes some five times fewer studies for the same error.
    """
    power = float("nan")
    if aim.difference is not None:
        spread = float(np.sqrt(np.mean((estimate - truth) ** 2)))
        power = float(np.mean(ndtr((truth - half) / spread) + ndtr((-truth - half) / spread)))
    return {
        "width": float(2 * half.mean()),
        "width_wide": float(2 * np.quantile(half, aim.assurance or 0.5)),
        "power": power,
    }


def _error(
    estimate: np.ndarray, half: np.ndarray, truth: float, aim: Aim, rng: np.random.Generator
) -> float:
    """Monte Carlo standard error of what is aimed at, by bootstrap over studies."""
    n = len(half)
    draws = [rng.integers(0, n, n) for _ in range(100)]
    again = [_measures(estimate[i], half[i], truth, aim)[aim.target] for i in draws]
    return float(np.std(again, ddof=1))


def _one_study(
    assumed: Assumptions, aim: Aim, teeth: int, patients: int, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Estimate, standard error and degrees of freedom of what the study asks."""
    effect = aim.difference or 0.0
    arms = [
        simulate_rates(
            patients,
            seed=rng,
            movement=assumed.movement,
            rates=assumed.rate + (effect if arm and aim.compare == "patients" else 0.0),
            patient_sd=assumed.patient_sd,
            tooth_sd=assumed.tooth_sd,
            residual_sd=assumed.residual_sd,
            teeth_per_patient=teeth,
            rows_per_tooth=assumed.rows_per_tooth,
            plan_mean=assumed.plan_mean,
            plan_sd=assumed.plan_sd,
        )
        for arm in range(aim.arms)
    ]
    rows = teeth * assumed.rows_per_tooth
    planned = np.concatenate([frame["planned"].to_numpy(float) for frame in arms])
    achieved = np.concatenate([frame["achieved"].to_numpy(float) for frame in arms])
    patient = np.repeat(np.arange(aim.arms * patients), rows)
    if aim.compare == "patients":
        arm = patient >= patients
        x = np.stack([planned, planned * arm], axis=1)
    elif aim.compare == "teeth":
        treated = _half_of_the_teeth(rng, patients, teeth, assumed.rows_per_tooth)
        achieved = achieved + effect * planned * treated
        x = np.stack([planned, planned * treated], axis=1)
    else:
        x = planned[:, None]
    # With one row for each tooth and plans of one size, tooth and residual are one and the same.
    one_level = assumed.plan_sd == 0 and assumed.rows_per_tooth == 1
    site = None if one_level else np.arange(len(planned)) // assumed.rows_per_tooth
    blocks = mixed.cross_products(
        x, achieved, planned[:, None], patient, site=site, site_z=None if one_level else planned
    )
    fitted = _fit(blocks, assumed)
    contrast = np.eye(x.shape[1])[-1:]
    if aim.compare is not None:  # comparisons are reported cluster-robust
        robust = ClusterRobust(fitted)
        se, df = robust.standard_error(contrast), robust.df(contrast)
    else:
        se = fitted.standard_error(contrast)
        df = kept_to_patients(fitted, fitted.df(contrast), blocks.patients)
    return float(fitted.beta[-1]), float(se[0]), float(df[0])


def _fit(blocks: mixed.Blocks, assumed: Assumptions) -> mixed.MixedFit:
    """Fit from the true variances, which spares the search for a start."""
    start = [assumed.patient_sd * blocks.z_scale[0]]
    if blocks.has_site:
        start.append(assumed.tooth_sd * blocks.site_scale)
    theta, converged = mixed.minimise(
        blocks, mixed.as_observed(blocks), reml=True, start=np.array(start) / assumed.residual_sd
    )
    return mixed.at_optimum(blocks, theta[0], reml=True) if converged[0] else mixed.fit(blocks)


def _half_of_the_teeth(
    rng: np.random.Generator, patients: int, teeth: int, rows: int
) -> np.ndarray:
    """1 for the rows of half of each patient's teeth, drawn at random; an odd one at random."""
    order = np.argsort(rng.random((patients, teeth)), axis=1)
    half = teeth // 2 + (rng.random(patients) < 0.5) * (teeth % 2)
    return np.repeat((order < half[:, None]).ravel(), rows).astype(float)


# ------------------------------------------------------------------------------------ answer


def _complete(
    row: dict[str, Any],
    aim: Aim,
    assumed: Assumptions,
    teeth: int,
    drop_out: float,
    most: int,
) -> dict[str, Any]:
    patients = row["patients"]
    closed = row["closed"]
    total = None if patients is None else patients * aim.arms
    note = "" if patients is not None else f"more than {most:,} patients"
    if row["failed"]:
        note = "; ".join(filter(None, [note, f"{row['failed']} studies had no fit"]))
    return {
        "teeth_per_patient": teeth,
        "patients": patients,
        "groups": aim.arms,
        "patients_total": total,
        "recruit": None if total is None else math.ceil(total / (1 - drop_out) - 1e-9),
        "movements": None if total is None else total * teeth * assumed.rows_per_tooth,
        "icc": closed.icc,
        "design_effect": closed.design_effect,
        "closed_form_patients": closed.patients(),
        "width": row["width"],
        "power": row["power"],
        "coverage": row["coverage"],
        "error": row["error"],
        "note": note,
    }


def _sentence(row: dict[str, Any], aim: Aim, assumed: Assumptions, most: int) -> str:
    teeth = _count(row["teeth_per_patient"], "tooth", "teeth")
    if aim.width is not None:
        what = "a rate" if aim.compare is None else "a difference between rates"
        how = "on average" if aim.assurance is None else f"with {100 * aim.assurance:g} % assurance"
        goal = (
            f"to know {what} within an interval of {_points(aim.width)} "
            f"({100 * aim.level:g} %, {how})"
        )
    else:
        goal = (
            f"to find a difference of {_points(aim.difference or 0.0)} with {100 * aim.power:g} % "
            "power"
        )
    each = " in each group" if aim.compare == "patients" else ""
    closed = f"the closed form says {row['closed_form_patients']:,}"
    if row["patients"] is None:
        return f"More than {most:,} patients{each} with {teeth} each are needed {goal}; {closed}."
    return f"{row['patients']:,} patients{each} with {teeth} each are needed {goal}; {closed}."


def _notes(
    aim: Aim, assumed: Assumptions, pilot: RateFit | None, simulations: int, seed: int
) -> tuple[str, ...]:
    unit = {"mm": " mm", "degree": "°"}[assumed.unit]
    mean = f"{assumed.plan_mean:.1f}".replace("-", "−")
    notes = [
        f"Assumed ({assumed.source}): rate {assumed.rate:.2f}; SD between patients "
        f"{assumed.patient_sd:.3f}, between teeth {assumed.tooth_sd:.3f}, residual "
        f"{assumed.residual_sd:.2f}{unit}; planned {mean} ± "
        f"{assumed.plan_sd:.1f}{unit}, {_count(assumed.rows_per_tooth, 'course', 'courses')}.",
        f"{simulations} studies simulated at each size, seed {seed}, fitted as fit_rate does.",
        "More teeth in the same patients help less the more patients differ: m teeth count as m "
        "divided by the design effect.",
    ]
    if pilot is not None and pilot.patients < 30:
        notes.append(
            f"Variances from {pilot.patients} patients are uncertain: plan for larger ones too."
        )
    if assumed.patient_sd == 0:
        notes.append(
            "No variation between patients is assumed, which is hardly ever true: plan with some."
        )
    if aim.compare == "teeth":
        notes.append("The groups of teeth are drawn at random within each patient, half and half.")
    return tuple(notes)


def _points(share: float) -> str:
    points = f"{100 * share:.3g}"
    return f"{points} percentage {'point' if points == '1' else 'points'}"


def _count(n: int, one: str, many: str) -> str:
    return f"{n:,} {one if n == 1 else many}"
