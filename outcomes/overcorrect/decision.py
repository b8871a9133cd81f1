"""From which cost of going too far another plan would be better: a decision curve for one aim."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer, InputError
from outcomes.overcorrect.costs import losses
from outcomes.overcorrect.landing import Looks, best_plan
from outcomes.overcorrect.plan import BEST, OVER_CAP, Plan
from outcomes.overcorrect.rules import Rules
from outcomes.words.units import unit_mark

__all__ = ["COSTS", "decision_curve", "default_holds"]

COSTS = tuple(2.0 ** (np.arange(-12, 25) / 6))
"""A mm too far costs a quarter of one too short, to 16 times as much; common practice, no source."""

LITTLE = 0.05
"""Share by which the default plan may cost more and still be as good; common practice, no source."""

_PLANS = 801  # tried, from none to the largest allowed


def decision_curve(
    of: Plan | Looks,
    aim: float | None = None,
    tolerance: float | None = None,
    *,
    at: int | None = None,
    most: float | None = None,
    over_cap: float = OVER_CAP,
    costs: Sequence[float] = COSTS,
) -> pd.DataFrame:
    """What the default plan loses, whatever a mm or degree too far may cost against one too short.

    Parameters
    ----------
    of
        A plan (`outcomes.prescribe`), or the outlook of one tooth.
    aim, tolerance
        Of an outlook: size of the aim and tolerance, mm or degrees, in the direction of the aim.
    at
        Of a plan: the index of the aim in ``plan.aims``; not needed where it has one only.
    most
        Of an outlook: the largest plan allowed; by default twice the aim.
    over_cap
        Of an outlook: largest chance of overshooting of the default plan.
    costs
        Costs of a mm or degree too far, as times that of one too short.

    Returns
    -------
    DataFrame
        over_cost; planned, the plan of least expected cost at it, and expected_cost, its cost (mm or
        degrees too short + over_cost x mm or degrees too far, unsigned); default_planned, the
        best-chance plan under the cap, and default_cost, its cost; extra, the share by which that is
        more. All plans in the direction of the aim.

    Raises
    ------
    InputError
        If it is not said which aim, or a cost is not above 0.
    CannotAnswer
        If the aim has no plan.

    Examples
    --------
    >>> from outcomes.overcorrect.prescribe import prescribe
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> past = fit_rate(simulate_rates(30, seed=1, movement="vertical"))
    >>> plan = prescribe(past, pd.DataFrame({"tooth": [31], "aim": [-1.0]}))
    >>> curve = decision_curve(plan, costs=[1, 4])
    >>> curve[["over_cost", "planned", "default_planned"]].round(1)
       over_cost  planned  default_planned
    0        1.0      1.9              1.9
    1        4.0      1.4              1.9
    """
    if isinstance(of, Plan):
        return _of_plan(of, at, costs)
    if aim is None or tolerance is None:
        raise InputError("Of an outlook say the aim and the tolerance, mm or degrees.")
    size = np.array([abs(float(aim))])
    top = np.array([Rules().max_factor * size[0] if most is None else float(most)])
    default, _ = best_plan(of, size, tolerance, top, over_cap)
    return _curve(of, float(size[0]), float(default[0]), float(top[0]), costs)


def _of_plan(plan: Plan, at: int | None, costs: Sequence[float]) -> pd.DataFrame:
    if at is None and len(plan.aims) == 1:
        at = int(plan.aims.index[0])
    if at is None or at not in plan.aims.index:
        raise InputError("Say which aim: at= its index in plan.aims.")
    aim: Any = plan.aims.loc[at]
    chosen = plan.options[(plan.options["at"] == at) & (plan.options["option"] == BEST)]
    default = abs(float(chosen["planned"].iloc[0]))
    if np.isnan(default):
        raise CannotAnswer(f"Tooth {aim['tooth']} has no plan ({aim['verdict']}): {aim['why']}")
    movement, size = str(aim["movement"]), abs(float(aim["aim"]))
    source = plan.sources[movement]
    case = source.case(aim)
    most = float(plan.limits.most(np.array([size]), movement, plan.rules.max_factor)[0])
    known = source.known(case, size if source.depends_on_size else 1.0)
    return _curve(source.outlook(case, most, known), size, default, most, costs)


def _curve(
    outlook: Looks, aim: float, default: float, most: float, costs: Sequence[float]
) -> pd.DataFrame:
    given = np.asarray(costs, dtype=float)
    if given.size == 0 or not (given > 0).all():
        raise InputError("costs must be numbers above 0.")
    plans = np.append(np.linspace(0, min(most, outlook.largest), _PLANS), default)
    far, short = losses(outlook, plans, aim)
    cost = short[:-1] + given[:, None] * far[:-1]
    chosen = cost.argmin(axis=1)
    planned, best = plans[chosen], cost[np.arange(len(given)), chosen]
    usual = short[-1] + given * far[-1]
    curve = pd.DataFrame({"over_cost": given, "planned": planned, "expected_cost": best})
    curve = curve.assign(default_planned=default, default_cost=usual)
    # the default may lie between two of the plans tried
    return curve.assign(extra=np.maximum(curve["default_cost"] / curve["expected_cost"] - 1, 0.0))


def default_holds(curve: pd.DataFrame, unit: str, little: float = LITTLE) -> str:
    """In words: between which costs the default plan loses less than a ``little`` (share).

    Examples
    --------
    >>> curve = pd.DataFrame({"over_cost": [1.0, 2.0, 4.0], "extra": [0.2, 0.0, 0.1]})
    >>> default_holds(curve, "degree").replace("\\u00a0", " ")
    'The safer plan costs less than 5 % more than the cheapest one as long as 1° too far costs 1.7 to 2.8 times as much as 1° too short. Outside of that give over_cost.'
    """
    ordered = curve.sort_values("over_cost")
    cost, extra = ordered["over_cost"].to_numpy(float), ordered["extra"].to_numpy(float)
    good = np.flatnonzero(extra < little)
    mark, share = unit_mark(unit), f"{100 * little:g}\u00a0%"
    one = f"1{mark}"
    if not len(good):
        return (
            f"At no cost of going too far from {cost[0]:.2g} to {cost[-1]:.2g} times that of falling "
            f"short is the safer plan within {share} of the cheapest one: give over_cost."
        )
    low = _crossing(cost, extra, good[0], -1, little)
    high = _crossing(cost, extra, good[-1], 1, little)
    said = f"The safer plan costs less than {share} more than the cheapest one "
    if low is None and high is None:
        return f"{said}whatever {one} too far costs, from {cost[0]:.2g} to {cost[-1]:.2g} times as much as {one} too short."
    if low is None:
        where = f"at most {high:.2g}"
    elif high is None:
        where = f"at least {low:.2g}"
    else:
        where = f"{low:.2g} to {high:.2g}"
    return (
        f"{said}as long as {one} too far costs {where} times as much as {one} too short. Outside of "
        "that give over_cost."
    )


def _crossing(
    cost: np.ndarray, extra: np.ndarray, at: int, way: int, little: float
) -> float | None:
    """The cost beside ``at`` where extra reaches ``little``, on a scale of factors; None at the end."""
    other = at + way
    if not 0 <= other < len(cost):
        return None
    share = (little - extra[at]) / (extra[other] - extra[at])
    return float(cost[at] * (cost[other] / cost[at]) ** share)
