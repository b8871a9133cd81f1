"""Tables of a calibration as a reader sees them."""

from __future__ import annotations

from typing import Any

import pandas as pd

from outcomes.domain.movements import MOVEMENTS
from outcomes.overcorrect.aims import NEW_PATIENT
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT, Plan
from outcomes.words.english import capital
from outcomes.words.numbers import count, number, percent, points, range_words, size, size_range
from outcomes.words.units import NBSP

__all__ = [
    "alternative_rows",
    "attachments",
    "courses",
    "direction",
    "factors",
    "gains",
    "group_in_full",
    "interval_heading",
    "needed",
    "periods",
    "plan_rows",
    "prediction",
    "safer_heading",
    "signed",
    "tooth_factors",
]

BLANK = "–"


def factors(frame: pd.DataFrame) -> pd.DataFrame:
    """Factors with intervals and verdicts.

    Examples
    --------
    >>> frame = pd.DataFrame({"movement": ["tip"], "group": ["canine"], "patients": [9],
    ...     "movements": [12], "rate": [0.1], "factor": [10.0], "low": [-5.0], "high": [2.5],
    ...     "kind": ["unbounded"], "use": [float("nan")], "verdict": ["not supported"], "why": [""],
    ...     "more_patients": [40]})
    >>> factors(frame).iloc[0].tolist()[4:]
    ['–', 'no upper limit', '–', 'not supported', '40']
    """
    rows: list[Any] = list(frame.itertuples())
    return pd.DataFrame(
        {
            "Movement": [str(row.movement) for row in rows],
            "Teeth": [group_in_full(str(row.group), str(row.movement)) for row in rows],
            "Patients": [count(row.patients) for row in rows],
            "Achieved": [percent(row.rate) for row in rows],
            "Factor": [_or_blank(row.factor, row.verdict != "not supported") for row in rows],
            interval_heading(frame): [_interval(row) for row in rows],
            "To use": [_or_blank(row.use, True) for row in rows],
            "Verdict": [row.verdict for row in rows],
            "More patients": [_more(row) for row in rows],
        },
        index=frame.index,
    )


def interval_heading(frame: pd.DataFrame) -> str:
    """The heading of the intervals of a table, with their level where it is recorded.

    Examples
    --------
    >>> interval_heading(pd.DataFrame({"level": [0.9, 0.9]})), interval_heading(pd.DataFrame())
    ('90 % interval', '95 % interval')
    """
    level = float(frame["level"].iloc[0]) if "level" in frame and len(frame) else 0.95
    return f"{100 * level:g} % interval"


def _or_blank(value: float, shown: bool) -> str:
    return number(value) if shown and pd.notna(value) else BLANK


def _interval(row: Any) -> str:
    if row.kind == "unbounded":
        return "no upper limit"
    return range_words(row.low, row.high, number)


def _more(row: Any) -> str:
    if pd.isna(row.more_patients):
        return "no number"
    return BLANK if row.more_patients == 0 else count(row.more_patients)


def tooth_factors(frame: pd.DataFrame) -> pd.DataFrame:
    """Single-tooth factors with the weight of the tooth's own records."""
    shown = factors(frame).rename(columns={"Teeth": "Tooth"})
    own = [percent(value) for value in frame["own_weight"]]
    shown.insert(4, "Own weight", own)
    shown.insert(3, "Own rate", [percent(value) for value in frame["own_rate"]])
    return shown.drop(columns="More patients")


def attachments(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates and factors without and with an attachment."""
    rows: list[Any] = list(frame.itertuples())
    return pd.DataFrame(
        {
            "Movement": [str(row.movement) for row in rows],
            "Teeth": [str(row.group) for row in rows],
            "Patients": [count(row.patients) for row in rows],
            "Achieved without": [percent(row.rate_none) for row in rows],
            "with": [percent(row.rate_attachment) for row in rows],
            "Points": [points(row.change) for row in rows],
            interval_heading(frame): [range_words(row.low, row.high, points) for row in rows],
            "Factor without": [_or_blank(row.factor_none, True) for row in rows],
            "with one": [_or_blank(row.factor_attachment, True) for row in rows],
        },
        index=frame.index,
    )


def gains(frame: pd.DataFrame) -> pd.DataFrame:
    """What factors of the other patients would have changed."""
    rows: list[Any] = list(frame.itertuples())
    return pd.DataFrame(
        {
            "Movement": [str(row.movement) for row in rows],
            "Patients": [count(row.patients) for row in rows],
            "Shortfall as happened": [size(row.as_happened, row.unit) for row in rows],
            "With factors": [size(row.with_factors, row.unit) for row in rows],
            "Less by": [size(row.less, row.unit) for row in rows],
            interval_heading(frame): [size_range(row.low, row.high, row.unit) for row in rows],
            "On target before": [percent(row.within_before) for row in rows],
            "after": [percent(row.within_after) for row in rows],
            "Too far after": [percent(row.over_after) for row in rows],
        },
        index=frame.index,
    )


def prediction(frame: pd.DataFrame) -> pd.DataFrame:
    """Leave-one-patient-out predictions."""
    return pd.DataFrame(
        {
            "Movement": frame["movement"].astype(str),
            "Teeth": frame["group"].astype(str),
            "Patients": frame["patients"].map(count),
            "Movements": frame["movements"].map(count),
            "Missed by": frame["error"].map(number),
            "Plan missed by": frame["plan_error"].map(number),
            "80 % range held": frame["coverage_80"].map(percent),
            "95 % range held": frame["coverage_95"].map(percent),
        },
        index=frame.index,
    )


def courses(frame: pd.DataFrame) -> pd.DataFrame:
    """Share of the aim after each course, with that of the first aim beside it."""
    rows: list[Any] = list(frame.itertuples())
    return pd.DataFrame(
        {
            "Movement": [str(row.movement) for row in rows],
            "Course": [count(row.course) for row in rows],
            "Patients": [count(row.patients) for row in rows],
            "With this course": [count(row.still_treated) for row in rows],
            "Of these not measured": [count(row.not_measured) for row in rows],
            "Teeth measured": [
                f"{count(row.teeth_measured)} of {count(row.teeth)}" for row in rows
            ],
            "Stopped before": [count(row.stopped) for row in rows],
            "Reached, all": [percent(row.reached) for row in rows],
            "95 % interval": [range_words(row.low, row.high) for row in rows],
            "Of the first aims": [percent(row.reached_first) for row in rows],
            "Of those treated": [percent(row.reached_of_treated) for row in rows],
            "Arithmetic": [percent(row.arithmetic) for row in rows],
        },
        index=frame.index,
    )


def needed(frame: pd.DataFrame) -> pd.DataFrame:
    """Chance of being within tolerance after each number of courses, a column each."""
    shown = pd.DataFrame(
        {
            "Movement": frame["movement"].astype(str),
            "Teeth": frame["group"].astype(str),
            "Aim": [size(a, u) for a, u in zip(frame["aim"], frame["unit"], strict=True)],
        },
        index=frame.index,
    )
    for name in [str(c) for c in frame.columns if str(c).startswith("within_")]:
        k = int(name.removeprefix("within_"))
        shown[f"{k} course{'s' * (k > 1)}"] = frame[name].map(percent)
    return shown


def periods(frame: pd.DataFrame) -> pd.DataFrame:
    """Before and after."""
    rows: list[Any] = list(frame.itertuples())
    return pd.DataFrame(
        {
            "Movement": [str(row.movement) for row in rows],
            "Period": [row.period for row in rows],
            "Patients": [count(row.patients) for row in rows],
            "Movements": [count(row.movements) for row in rows],
            "Planned of aim": [percent(row.plan) for row in rows],
            "Reached of aim": [percent(row.reached) for row in rows],
            "Shortfall": [size(row.shortfall, row.unit) for row in rows],
            "On target": [percent(row.within) for row in rows],
            "Too far": [percent(row.over) for row in rows],
        },
        index=frame.index,
    )


def plan_rows(plan: Plan) -> pd.DataFrame:
    """One line an aim: the safer plan with what to expect of it, as texts.

    Every signed number has its direction beside it.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> from outcomes.calibrate import prescribe
    >>> past = fit_rate(simulate_rates(30, seed=1, movement="vertical"))
    >>> plan = prescribe.prescribe(past, pd.DataFrame({"tooth": [31], "aim": [-1.0]}))
    >>> plan_rows(plan)["Aim"][0].replace(NBSP, " ")
    '−1.00 mm (intrusion)'
    >>> list(plan_rows(plan))[3]
    'Safer plan (at most 10 % risk of going too far)'
    """
    rows = []
    name = safer_heading(plan)
    by = {(row.at_, row.option): row for row in _options(plan)}
    for at, aim in plan.aims.iterrows():
        movement, unit = str(aim["movement"]), str(aim["unit"])
        kind = (str(aim["tooth_class"]), str(aim["arch"]))
        row = by[(at, BEST)]
        known = pd.notna(row.planned)
        rows.append(
            {
                "Tooth": str(aim["tooth"]),
                "Movement": movement,
                "Aim": signed(float(aim["aim"]), unit, movement, *kind),
                name: signed(row.planned, unit, movement, *kind) if known else "no plan",
                "Expected (80 % range)": _expected(row, unit, movement, kind) if known else BLANK,
                "Verdict": str(aim["verdict"]),
                "Lands": _chance(row.within),
                "Too far": _chance(row.over),
                "Aligners, days": f"{row.aligners:.0f},{NBSP}{row.days:.0f}" if known else BLANK,
            }
        )
    return _with_patient(pd.DataFrame(rows, index=plan.aims.index), plan)


def alternative_rows(plan: Plan) -> pd.DataFrame:
    """One line an aim: the plan whose expected result is the aim, and planning just the aim."""
    rows = []
    by = {(row.at_, row.option): row for row in _options(plan)}
    for at, aim in plan.aims.iterrows():
        movement, unit = str(aim["movement"]), str(aim["unit"])
        kind = (str(aim["tooth_class"]), str(aim["arch"]))
        direct, plain = by[(at, DIRECT)], by[(at, AS_AIMED)]
        known = pd.notna(direct.planned)
        rows.append(
            {
                "Tooth": str(aim["tooth"]),
                "Movement": movement,
                "Aim": signed(float(aim["aim"]), unit, movement, *kind),
                "Aim / rate": signed(direct.planned, unit, movement, *kind) if known else "no plan",
                "Aim / rate lands": _chance(direct.within),
                "Aim / rate too far": _chance(direct.over),
                "As aimed lands": _chance(plain.within),
            }
        )
    return _with_patient(pd.DataFrame(rows, index=plan.aims.index), plan)


def _with_patient(table: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """The code of the patient in every row, where the aims name one."""
    codes = plan.aims["patient"].astype(str)
    if (codes != NEW_PATIENT).any():
        table.insert(0, "Patient", codes.where(codes != NEW_PATIENT, "new").to_numpy())
    return table


def safer_heading(plan: Plan) -> str:
    """The safer plan as a heading, with the cap in force."""
    return capital(safer(plan.limits.over_cap))


def direction(value: float, movement: str, tooth_class: str = "", arch: str = "") -> str:
    """The direction that a signed number means, crown and root; "" for 0 and a movement not known.

    Examples
    --------
    >>> direction(-8, "torque", "incisor", "lower")
    'lingual crown torque, root labially'
    """
    known = MOVEMENTS.get(movement)
    return "" if known is None else known.direction_in_full(value, tooth_class, arch)


def group_in_full(group: str, movement: str) -> str:
    """A group of a fit by direction, its direction so that it cannot be misread.

    Examples
    --------
    >>> group_in_full("molar buccal torque", "torque"), group_in_full("molar", "torque")
    ('molar, buccal crown torque, root lingually or palatally', 'molar')
    """
    known = MOVEMENTS.get(movement)
    if known is None:
        return group
    for value in (1, -1):
        if group.endswith(f" {known.direction(value)}"):
            kind = group.removesuffix(f" {known.direction(value)}")
            return f"{kind}, {known.direction_in_full(value, kind)}"
    return group


def signed(value: float, unit: str, movement: str, tooth_class: str = "", arch: str = "") -> str:
    """A signed length or angle with its direction in words.

    Examples
    --------
    >>> signed(-8, "degree", "rotation", "molar", "upper")
    '−8.0° (mesial surface turning palatally)'
    >>> signed(12, "degree", "torque", "incisor", "lower")
    '12.0° (labial crown torque, root lingually)'
    """
    words = direction(value, movement, tooth_class, arch)
    return f"{size(value, unit)} ({words})" if words else size(value, unit)


def _expected(row: Any, unit: str, movement: str, kind: tuple[str, str]) -> str:
    """The expected result and its range; the direction once where all three share it."""
    values = (row.expected, row.low_80, row.high_80)
    ways = {direction(value, movement, *kind) for value in values}
    if len(ways) == 1:
        (way,) = ways
        said = f"{size(row.expected, unit)}, {size_range(row.low_80, row.high_80, unit)}"
        return f"{said} ({way})" if way else said
    mean, low, high = (signed(value, unit, movement, *kind) for value in values)
    return f"{mean}, {low} to {high}"


def _options(plan: Plan) -> list[Any]:
    return list(plan.options.rename(columns={"at": "at_"}).itertuples())


def _chance(value: float) -> str:
    if pd.isna(value):
        return BLANK
    return (
        f">{NBSP}99{NBSP}%"
        if value > 0.99
        else f"<{NBSP}1{NBSP}%"
        if value < 0.01
        else percent(value)
    )
