"""What to expect of a coming course, from past cases and the patient's own courses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.domain import teeth
from outcomes.domain.limit_in_force import unit_of
from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CannotAnswer, InputError, require_columns
from outcomes.mixed.blocks import Array
from outcomes.predictive.columns import Columns, Rows
from outcomes.predictive.mixture import MixtureOutlook
from outcomes.predictive.posterior import Posterior, covariance_of, learn
from outcomes.predictive.priors import SDS, Priors
from outcomes.rates.design import one_movement, with_derived

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["Expectation", "Support", "expect", "expect_all"]

_COMPONENTS = 128


@dataclass(frozen=True)
class Support:
    """The past plans that speak for one kind of tooth in one direction.

    Attributes
    ----------
    cell
        In words, as "lower incisor intrusion".
    patients, movements
        With teeth of this class and arch, planned in this direction.
    class_patients, direction_patients, all_patients
        With teeth of this class, any teeth, in this direction; with this movement at all.
    largest, largest_any
        Largest past plan in this direction (mm or degrees) of this class, and of any tooth.
    own_movements, own_tooth
        Records of this very patient, and whether this very tooth is among them.
    """

    cell: str
    patients: int
    movements: int
    class_patients: int
    direction_patients: int
    all_patients: int
    largest: float
    largest_any: float
    own_movements: int = 0
    own_tooth: bool = False


@dataclass(frozen=True)
class Expectation:
    """What past rows of one movement let one expect; made by `expect`.

    Attributes
    ----------
    movement, unit
        As in the cohort.
    past
        The rows learnt from: patient, tooth, course, planned, achieved, tooth_class, arch.
    posterior
        Draws of the SDs with weights, and the coefficients at each.
    notes
        What was left out, in words.
    """

    movement: str
    unit: str
    past: pd.DataFrame = field(repr=False)
    columns: Columns = field(repr=False)
    posterior: Posterior = field(repr=False)
    people: Mapping[str, Rows] = field(repr=False)
    notes: tuple[str, ...] = ()

    @property
    def patients(self) -> tuple[str, ...]:
        """Codes of the past patients."""
        return tuple(self.people)

    @property
    def covariates(self) -> tuple[str, ...]:
        """What the rates depend on besides class, direction and arch."""
        return self.columns.covariates

    def draws(self) -> pd.DataFrame:
        """weight, and the SDs: residual (mm or degrees), the others of rates."""
        return pd.DataFrame(self.posterior.sd, columns=list(SDS)).assign(
            weight=self.posterior.weight
        )

    def support(self, tooth: int, sign: int, *, patient: str | None = None) -> Support:
        """The past plans behind an answer; ``sign`` is that of the aim."""
        kind, _, arch = self.columns.cell(tooth, sign)
        past = self.past
        towards = (np.sign(past["planned"]) == sign).to_numpy()
        of_class = (past["tooth_class"].astype(str) == kind).to_numpy()
        of_cell = of_class & (past["arch"].astype(str) == arch).to_numpy()
        size = past["planned"].abs().to_numpy()
        who = past["patient"].astype(str).to_numpy()
        own = who == (patient or "")
        return Support(
            cell=f"{arch} {kind} {_direction(self.movement, sign)}",
            patients=len(np.unique(who[of_cell & towards])),
            movements=int((of_cell & towards).sum()),
            class_patients=len(np.unique(who[of_class & towards])),
            direction_patients=len(np.unique(who[towards])),
            all_patients=len(self.people),
            largest=float(size[of_class & towards].max(initial=0.0)),
            largest_any=float(size[towards].max(initial=0.0)),
            own_movements=int(own.sum()),
            own_tooth=bool((own & (past["tooth"] == tooth).to_numpy()).any()),
        )

    def outlook(
        self,
        tooth: int,
        sign: int,
        largest: float,
        *,
        patient: str | None = None,
        alone: bool = False,
        **covariates: Any,
    ) -> MixtureOutlook:
        """Results of a coming course at plans up to ``largest`` (mm or degrees, in the direction of
        ``sign``): of a patient with past records given these, otherwise of a new one.

        Parameters
        ----------
        alone
            As for a new patient, though there are records.
        **covariates
            Values of the covariates of the fit.

        Raises
        ------
        CannotAnswer
            If a covariate is missing.
        """
        rows = pd.DataFrame({"tooth": [tooth], "sign": [sign], **covariates})
        mean, covariance, residual, weight = self._rates(rows, None if alone else patient)
        return MixtureOutlook(
            weight=weight,
            rates=mean[:, 0],
            bends=mean[:, 1],
            covariance=covariance,
            residual=residual,
            typical=self.columns.typical,
            largest=float(largest),
            tail_df=self.posterior.tail_df,
        )

    def joint(
        self,
        rows: pd.DataFrame,
        *,
        patient: str | None = None,
        size: int = 4000,
        seed: int = 1,
        scanned: bool = True,
    ) -> Array:
        """Results of one coming course of one patient drawn together, (size, n), signed.

        ``rows`` hold tooth and planned (signed, mm or degrees) and the covariates. What the patient
        and the course add is shared by the teeth; ``scanned`` adds what residuals do.
        """
        require_columns(rows, ("tooth", "planned"), "joint")
        plan = rows["planned"].to_numpy(float)
        given = rows.drop(columns="planned").assign(sign=np.where(plan < 0, -1, 1))
        mean, covariance, residual, weight = self._rates(given, patient)
        bent = np.abs(plan) / self.columns.typical - 1
        n = len(plan)
        loading = np.concatenate([np.diag(plan), (plan * bent)[:, None]], axis=1)
        expected = mean @ loading.T
        spread = loading @ covariance @ loading.T
        if scanned:
            spread = spread + residual[:, None, None] ** 2 * np.eye(n)
        rng = np.random.default_rng(seed)
        which = rng.choice(len(weight), size=size, p=weight)
        root = np.linalg.cholesky(spread + 1e-12 * np.eye(n))
        normal = rng.standard_normal((size, n))
        df = self.posterior.tail_df
        if np.isfinite(df):
            normal *= np.sqrt((df - 2) / rng.chisquare(df, (size, n)))
        return np.asarray(expected[which] + np.einsum("sij,sj->si", root[which], normal))

    def updated(self, rows: pd.DataFrame) -> Expectation:
        """With later rows (patient, tooth, course, planned, achieved; all of patients that are
        not among the past ones), by weighting the draws anew."""
        frame = _usable(rows, self.movement, self.columns.covariates)[0]
        posterior, people = self.posterior, dict(self.people)
        for patient, one in _by_patient(frame, self.columns).items():
            if patient in people:
                raise InputError(f"{patient} is a past patient: learn anew with all rows.")
            posterior = posterior.updated(one, self.columns)
            people[patient] = one
        past = pd.concat([self.past, frame], ignore_index=True)
        return replace(self, past=past, posterior=posterior, people=people)

    def _rates(self, rows: pd.DataFrame, patient: str | None) -> tuple[Array, Array, Array, Array]:
        """Of n rows (tooth, sign, covariates) in one coming course, at B draws: means (B, n + 1) of
        their rates at a typical plan and of the bend, covariance (B, n + 1, n + 1), residual SD and
        weight (B,)."""
        thin = _thinned(self.posterior)
        sd, b = thin.sd, len(thin.sd)
        tooth = rows["tooth"].to_numpy(int)
        n, p = len(rows), self.columns.p
        sign = rows["sign"].to_numpy(float)
        values = {name: rows[name] for name in self.columns.covariates if name in rows}
        loading = np.zeros((b, n + 1, p))
        loading[:, :n] = self.columns.level(tooth, sign, values)
        loading[:, n, -1] = 1.0
        own = np.zeros((b, n + 1))
        left = np.zeros((b, n + 1, n + 1))
        _, tooth_course, of_tooth, patient_course, of_patient = (
            sd[:, i, None, None] ** 2 for i in range(5)
        )
        same = (tooth[:, None] == tooth).astype(float)
        # plans of both signs load on a shared deviation of the rate alike: it is a rate
        left[:, :n, :n] = of_patient + patient_course + (of_tooth + tooth_course) * same
        if patient is not None and patient in self.people:
            past = self.people[patient]
            shared = of_patient * past.plan[:, None] * np.ones(n) + of_tooth * (
                past.plan[:, None] * (past.tooth[:, None] == tooth)
            )
            gain = np.linalg.solve(covariance_of(sd, past), shared)  # (B, own, n)
            x = self.columns.bent(past.level, past.plan) * past.plan[:, None]
            own[:, :n] = past.result @ gain
            loading[:, :n] -= gain.transpose(0, 2, 1) @ x
            left[:, :n, :n] -= shared.transpose(0, 2, 1) @ gain
        mean = own + np.einsum("bij,bj->bi", loading, thin.mean)
        covariance = loading @ thin.covariance @ loading.transpose(0, 2, 1) + left
        return mean, covariance, sd[:, 0], thin.weight


def _thinned(posterior: Posterior) -> Posterior:
    """Draws of equal weight, by systematic resampling."""
    if len(posterior.weight) <= _COMPONENTS:
        return posterior
    at = (np.arange(_COMPONENTS) + 0.5) / _COMPONENTS
    which = np.searchsorted(np.cumsum(posterior.weight), at).clip(max=len(posterior.weight) - 1)
    chosen, counts = np.unique(which, return_counts=True)
    return Posterior(
        counts / _COMPONENTS,
        posterior.sd[chosen],
        posterior.mean[chosen],
        posterior.covariance[chosen],
    )


def expect(
    cohort: Cohort | pd.DataFrame,
    movement: str | None = None,
    *,
    covariates: Sequence[str] = (),
    priors: Priors | None = None,
    seed: int = 1,
) -> Expectation:
    """Learn from past rows what a coming course will bring, for one movement.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, tooth (FDI), planned, achieved (mm or degrees, signed),
        perhaps course, movement.
    movement
        Which one, unless there is one only.
    covariates
        Columns on which rates shall depend besides class, direction and arch.
    priors
        What is taken to be likely beforehand.
    seed
        Of the quasi-random draws.

    Raises
    ------
    CannotAnswer
        If there are fewer than two patients with planned and measured rows.

    Examples
    --------
    >>> from outcomes.simulate import simulate_rates
    >>> past = simulate_rates(12, seed=1, movement="vertical", rates=0.55)
    >>> outlook = expect(past).outlook(31, -1, 3.0)
    >>> bool(0.4 < outlook.rate()[0] < 0.7)
    True
    """
    frame, name = one_movement(cohort, movement)
    rows, notes = _usable(frame, name, covariates)
    if rows["patient"].nunique() < 2:
        raise CannotAnswer(
            "Fewer than two past patients with planned and measured movements of this kind: "
            "nothing can be said about a coming course."
        )
    columns = Columns.of(rows, covariates)
    people = _by_patient(rows, columns)
    posterior = learn(
        list(people.values()), columns, priors or Priors(), seed=seed, scale=columns.typical
    )
    unit = unit_of(name or "") or str(rows["unit"].iloc[0] if "unit" in rows else "mm")
    return Expectation(name or "movement", unit, rows, columns, posterior, people, tuple(notes))


def expect_all(cohort: Cohort | pd.DataFrame, **options: Any) -> dict[str, Expectation]:
    """`expect` for each movement with past rows of at least two patients, by movement."""
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame()
    found = {}
    for movement in frame["movement"].astype(str).unique():
        try:
            found[movement] = expect(frame, movement, **options)
        except CannotAnswer:
            continue
    return found


def _usable(
    frame: pd.DataFrame, movement: str | None, covariates: Sequence[str]
) -> tuple[pd.DataFrame, list[str]]:
    require_columns(frame, ("patient", "tooth", "planned", "achieved", *covariates), "expect")
    if movement is not None and "movement" in frame:
        frame = frame[frame["movement"].astype(str) == movement]
    frame = with_derived(frame, tuple(covariates))
    kept = frame["planned"].notna() & (frame["planned"] != 0) & frame["achieved"].notna()
    for name in covariates:
        kept &= frame[name].notna()
    rows = frame[kept].reset_index(drop=True)
    number = rows["tooth"].to_numpy(int)
    course = rows.get("course", 1)
    rows = rows.assign(
        patient=rows["patient"].astype(str),
        tooth_class=np.asarray(teeth.tooth_class(number), dtype=object),
        arch=np.asarray(teeth.arch(number), dtype=object),
        course=pd.to_numeric(pd.Series(course, index=rows.index), errors="coerce").fillna(1),
    )
    return rows, []


def _by_patient(frame: pd.DataFrame, columns: Columns) -> dict[str, Rows]:
    plan = frame["planned"].to_numpy(float)
    tooth = frame["tooth"].to_numpy(int)
    level = columns.level(tooth, plan, {name: frame[name] for name in columns.covariates})
    result, course = frame["achieved"].to_numpy(float), frame["course"].to_numpy(float)
    return {
        str(patient): Rows(plan[at], result[at], level[at], tooth[at], course[at])
        for patient, at in frame.groupby("patient", sort=False).indices.items()
    }


def _direction(movement: str, sign: int) -> str:
    known = MOVEMENTS.get(movement)
    if known is None:
        return "positive" if sign > 0 else "negative"
    return known.positive_direction if sign > 0 else known.negative_direction
