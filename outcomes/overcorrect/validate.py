"""Would it have helped? Every patient predicted, and prescribed for, from the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from outcomes.domain.limit_in_force import limit
from outcomes.domain.limits import beyond_tolerance, within_tolerance
from outcomes.errors import CannotAnswer
from outcomes.mixed.blocks import Array
from outcomes.overcorrect import cautions
from outcomes.overcorrect.rules import Rules, factor_given
from outcomes.plot_hook import plot
from outcomes.rates.predict import df_as_if_new
from outcomes.rates.result import RateFit
from outcomes.words.cautions import PLANNING
from outcomes.words.cautions import cautions as standing_cautions
from outcomes.words.english import counted
from outcomes.words.numbers import Format, interval_words, number, signed
from outcomes.words.shown import as_html, as_text
from outcomes.words.units import unit_mark

__all__ = ["ASSUMPTION", "Validation", "validate"]

ASSUMPTION = (
    "What other plans would have achieved is computed, not observed: each tooth is taken to answer "
    "a larger plan at the rate it showed (its predicted rate, fixed plus patient and tooth "
    "effects). Bone, gum, wear and time are taken to allow it."
)


@dataclass(frozen=True)
class Validation:
    """Leave-one-patient-out predictions, and the shortfall that factors would have left.

    Attributes
    ----------
    predictions
        patient, tooth, group, planned, achieved, aim, predicted (from the other patients), low_80,
        high_80, low_95, high_95, new_plan (aim times the others' factor; the plan as it was where
        a plan for a new patient would have been declined), supported, new_achieved (as the assumption has it).
    accuracy
        group ("all" last), patients, movements, bias (achieved - predicted in the planned
        direction), error (mean absolute error of the prediction), plan_error (mean |achieved -
        planned|: what taking the plan at its word would miss by), coverage_80, coverage_95.
    shortfall
        plan ("as happened", "no overcorrection" where plans differed from aims, "factors of the
        others"), shortfall (mean |aim - result|), within, over (shares of movements within
        tolerance, beyond it).
    gain
        less (shortfall as happened minus that with factors, mean over patients), se, df, p (paired t
        test), low, high, level, patients, movements, changed (movements with another plan).
    sentence
        What that means, in words.
    """

    predictions: pd.DataFrame
    accuracy: pd.DataFrame
    shortfall: pd.DataFrame
    gain: pd.Series
    sentence: str
    assumption: str
    movement: str | None
    unit: str | None
    tolerance: float

    def plot(self, ax: Any = None) -> Any:
        """Shortfall of each patient, as happened and with factors; returns the Axes."""
        return plot(self, ax=ax)

    def __repr__(self) -> str:
        return as_text(*self._shown, *standing_cautions(*PLANNING), digits=3)

    def _repr_html_(self) -> str:
        return as_html(*self._shown, notes=standing_cautions(*PLANNING), digits=3)

    @property
    def _shown(self) -> tuple[pd.DataFrame, pd.DataFrame, str, str]:
        return self.accuracy, self.shortfall, self.sentence, self.assumption


def validate(
    fit: RateFit, *, rules: Rules | None = None, tolerance: float | None = None
) -> Validation:
    """Predict every patient from the others, and prescribe with their factors.

    Parameters
    ----------
    fit
        A fit (``fit_rate``).
    rules
        When a factor is supported, and its cap.
    tolerance
        Near enough, mm or degrees; by default 0.5 mm or 2 degrees.

    Returns
    -------
    Validation

    Raises
    ------
    CannotAnswer
        With fewer than 3 patients, or without a tolerance for a fit of unknown unit.

    Notes
    -----
    achieved' = achieved + r (planned' - planned), with r the predicted rate of the row: see
    ``ASSUMPTION``.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> result = validate(fit_rate(simulate_rates(20, seed=1, movement="vertical", rates=0.6)))
    >>> result.shortfall.round(2)
                        plan  shortfall  within  over
    0            as happened       0.35    0.78  0.00
    1  factors of the others       0.25    0.88  0.04
    """
    rules = rules or Rules(level=fit.level)
    if fit.patients < 3:
        raise CannotAnswer(
            f"{fit.patients} patients: leaving one out leaves nothing to learn from. 3 are the "
            "fewest."
        )
    tolerance = limit("tolerance", fit.movement, fit.unit, tolerance)
    if np.isnan(tolerance):
        raise CannotAnswer("Give a tolerance: the fit does not say whether it is in mm or degrees.")
    predictions = _predict(fit, rules)
    gain = _gain(predictions, rules.level)
    return Validation(
        predictions=predictions,
        accuracy=_accuracy(predictions, fit),
        shortfall=_shortfall(predictions, fit, tolerance),
        gain=gain,
        sentence=_sentence(gain, fit),
        assumption=ASSUMPTION,
        movement=fit.movement,
        unit=fit.unit,
        tolerance=tolerance,
    )


def _predict(fit: RateFit, rules: Rules) -> pd.DataFrame:
    design = fit.design
    others = fit.leave_one_out()
    who = design.patient
    beta, covariance = others.beta[who], others.covariance[who]
    x = design.x
    mean = np.einsum("np,np->n", x, np.where(x == 0, 0.0, beta))
    mean[np.isnan(beta[np.arange(len(x)), design.group_code])] = np.nan
    estimate = np.einsum("np,npq,nq->n", x, np.nan_to_num(covariance), x)
    tooth = np.nan_to_num(others.inner_variance)
    spread = (others.outer_variance + tooth)[who] * design.planned**2
    sd = np.sqrt(estimate + spread + others.sigma2[who])
    df = df_as_if_new(fit)
    table = pd.DataFrame(
        {
            "patient": design.patient_labels[who],
            "tooth": design.tooth,
            "group": np.array(design.groups)[design.group_code],
            "planned": design.planned,
            "achieved": design.achieved,
            "aim": design.aim,
            "predicted": mean,
        },
        index=design.index,
    )
    for level in (0.80, 0.95):
        half = stdtrit(df, 0.5 + level / 2) * sd
        table[f"low_{100 * level:.0f}"], table[f"high_{100 * level:.0f}"] = mean - half, mean + half
    plan, supported = _plans(fit, beta, covariance, rules)
    table["new_plan"] = plan
    table["supported"] = supported
    table["new_achieved"] = design.achieved + _answer(fit, plan)
    return table


def _plans(fit: RateFit, beta: Array, covariance: Array, rules: Rules) -> tuple[Array, np.ndarray]:
    """aim / rate of the others, capped; the plan as it was where they support no factor."""
    design = fit.design
    slope, bend, centre = _rate_rows(fit, np.abs(design.aim))
    ok = ~np.isnan(np.where(slope != 0, beta, 0.0)).any(axis=1)
    known = np.nan_to_num(beta)
    rate = np.einsum("np,np->n", slope, known)
    se = np.sqrt(np.einsum("np,npq,nq->n", slope, np.nan_to_num(covariance), slope))
    half = stdtrit(fit.mixed.df(slope), 0.5 + rules.level / 2) * se
    patients, largest = _others_alike(fit)
    ok &= factor_given(rate - half, patients, rules, tested=largest > 0)
    size = np.abs(design.aim)
    safe = np.where(ok, rate, 1.0)
    wanted = size / safe
    if bend is not None:
        wanted = _solve_bent(size, safe - known[:, bend] * (size - centre), known[:, bend], centre)
    plan = np.sign(design.aim) * np.minimum(wanted, rules.max_factor * size)
    # as a plan for them would not have been made
    expected = limit("expected_size", fit.movement, fit.unit)
    expected = np.inf if np.isnan(expected) else expected
    ok &= ~cautions.is_beyond(np.maximum(size, np.abs(plan)), largest, expected)
    return np.where(ok, plan, design.planned), ok


def _others_alike(fit: RateFit) -> tuple[Array, Array]:
    """For each row: other patients with plans of its kind in the direction of its aim, and the
    largest of those plans; shape (n,) each.

    Of its kind: the same group and the same levels of covariates, as plans for new patients count.
    """
    design = fit.design
    columns = [
        design.names.index(f"{name}: {level}")
        for name, levels in design.covariate_levels.items()
        for level in levels[1:]
    ]
    kinds = np.column_stack([design.group_code, *(design.x[:, c] != 0 for c in columns)])
    kind = pd.factorize(pd.MultiIndex.from_arrays(list(kinds.T)))[0]
    table = pd.DataFrame(
        {
            "kind": kind,
            "way": np.sign(design.planned),
            "patient": design.patient,
            "size": np.abs(design.planned),
        }
    )
    most = table.groupby(["kind", "way", "patient"])["size"].max().reset_index()
    patients, largest = np.zeros(len(kind)), np.zeros(len(kind))
    for (of, way), part in most.groupby(["kind", "way"]):
        rows = np.flatnonzero((kind == of) & (np.sign(design.aim) == way))
        who = design.patient[rows]
        patients[rows] = len(part) - np.isin(who, part["patient"])
        ranked = part.sort_values("size", ascending=False)
        first, second = ranked["size"].iloc[0], ranked["size"].iloc[1] if len(part) > 1 else 0.0
        largest[rows] = np.where(who == ranked["patient"].iloc[0], second, first)
    return patients, largest


def _rate_rows(fit: RateFit, size: Array) -> tuple[Array, int | None, float]:
    """Coefficients (n, p) of each row's rate at plans of that size; column and centre of a bend."""
    design = fit.design
    slope = design.x / design.planned[:, None]
    if "intercept" in design.names:
        slope[:, design.names.index("intercept")] = 0.0
    if "plan_size" not in design.covariates:
        return slope, None, 0.0
    bend = design.names.index("plan_size")
    centre = design.covariate_centres.get("plan_size", 0.0)
    slope[:, bend] = size - centre
    return slope, bend, centre


def _solve_bent(aim: Array, rate: Array, bend: Array, centre: float) -> Array:
    """Smallest plan x with (rate + bend (x - centre)) x = aim; infinite where there is none."""
    linear = rate - bend * centre
    inside = linear**2 + 4 * bend * aim
    root = np.sqrt(np.maximum(inside, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        plan = 2 * aim / (linear + root)
    return np.where((inside < 0) | ~(plan > 0), np.inf, plan)


def _answer(fit: RateFit, plan: Array) -> Array:
    """What each row would have achieved more, by its predicted rate, with another plan."""
    design = fit.design
    effect = fit.patient_effects["effect"].to_numpy()[design.patient]
    effect = effect + fit.site_effects["effect"].to_numpy()[design.site_row]
    at_new = _rate_rows(fit, np.abs(plan))[0] @ fit.mixed.beta
    at_old = _rate_rows(fit, np.abs(design.planned))[0] @ fit.mixed.beta
    return (at_new + effect) * plan - (at_old + effect) * design.planned


def _accuracy(table: pd.DataFrame, fit: RateFit) -> pd.DataFrame:
    known = table.dropna(subset=["predicted"])
    rows: list[dict[str, Any]] = []
    for name in [*fit.groups, "all"]:
        part = known if name == "all" else known[known["group"] == name]
        if not len(part) or (name == "all" and len(rows) == 1 and fit.groups == ("all",)):
            continue
        miss = part["achieved"] - part["predicted"]
        row = {
            "group": name,
            "patients": part["patient"].nunique(),
            "movements": len(part),
            "bias": float((miss * np.sign(part["planned"])).mean()),
            "error": float(miss.abs().mean()),
            "plan_error": float((part["achieved"] - part["planned"]).abs().mean()),
        }
        for level in ("80", "95"):
            inside = part["achieved"].between(part[f"low_{level}"], part[f"high_{level}"])
            row[f"coverage_{level}"] = float(inside.mean())
        rows.append(row)
    return pd.DataFrame(rows)


def _shortfall(table: pd.DataFrame, fit: RateFit, tolerance: float) -> pd.DataFrame:
    results = {"as happened": table["achieved"]}
    if not np.allclose(table["aim"], table["planned"]):
        results["no overcorrection"] = table["achieved"] + _answer(fit, fit.design.aim)
    results["factors of the others"] = table["new_achieved"]
    return pd.DataFrame(
        [{"plan": name, **left_of(table["aim"], r, tolerance)} for name, r in results.items()]
    )


def left_of(aim: pd.Series, result: pd.Series, tolerance: float) -> dict[str, float]:
    """shortfall (mean |aim - result|), within and over: shares within the tolerance, and beyond it."""
    miss = (aim - result) * np.sign(aim)
    return {
        "shortfall": float(miss.abs().mean()),
        "within": float(within_tolerance(miss, tolerance).mean()),
        "over": float(beyond_tolerance(-miss, tolerance).mean()),
    }


def _gain(table: pd.DataFrame, level: float) -> pd.Series:
    """Paired difference over patients: shortfall as happened minus that with factors."""
    before = (table["aim"] - table["achieved"]).abs()
    after = (table["aim"] - table["new_achieved"]).abs()
    means = (before - after).groupby(table["patient"]).mean()
    n = len(means)
    se = float(means.std(ddof=1) / np.sqrt(n))
    half = float(stdtrit(n - 1, 0.5 + level / 2)) * se
    less = float(means.mean())
    return pd.Series(
        {
            "less": less,
            "se": se,
            "df": n - 1,
            "p": float(2 * stdtr(n - 1, -abs(less) / se)) if se > 0 else float(less == 0),
            "low": less - half,
            "high": less + half,
            "level": level,
            "patients": n,
            "movements": len(table),
            "changed": int(table["supported"].sum()),
        }
    )


def _sentence(gain: pd.Series, fit: RateFit) -> str:
    mark = unit_mark(fit.unit)

    def limits(low: float, high: float, form: Format = number) -> str:
        interval = f"{interval_words(gain['level'])} {form(low)} to {form(high)}{mark}"
        return f"({interval}, {counted(int(gain['patients']), 'patient')})"

    less, low, high = (float(gain[name]) for name in ("less", "low", "high"))
    learnt = "With factors learnt from the other patients, the shortfall would have been"
    if not gain["changed"]:
        return (
            "The other patients support no factor for any of these movements, so that nothing "
            "would have been planned differently."
        )
    if low > 0:
        return f"{learnt} {number(less)}{mark} smaller on average {limits(low, high)}."
    if high < 0:
        return (
            f"{learnt} {number(-less)}{mark} larger on average {limits(-high, -low)}: they do not "
            "help here."
        )
    return (
        "It cannot be said that factors learnt from the other patients would have helped: the "
        f"shortfall changes by {signed(-less)}{mark} on average {limits(-high, -low, signed)}."
    )
