"""Tables of a calibration as a reader sees them."""

from __future__ import annotations

from functools import partial
from typing import Any

import pandas as pd

from outcomes.domain.names import direction, group_in_full, signed
from outcomes.overcorrect.aims import NEW_PATIENT
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT, Plan
from outcomes.reports.common.views import BLANK, SHARED, Column, interval_heading, texts
from outcomes.words.english import capital, number_of
from outcomes.words.numbers import count, number, percent, points, size, size_range
from outcomes.words.units import NBSP

_COLUMNS: dict[str, Column] = SHARED | {
    "factor": ("Factor", number),
    "use": ("To use", number),
    "verdict": ("Verdict", str),
    "more_patients": ("More patients", lambda n: count(n) if n else BLANK),
    "own_rate": ("Own rate", percent),
    "own_weight": ("Own weight", percent),
    "rate_none": ("Achieved without", percent),
    "rate_attachment": ("with", percent),
    "change": ("Points", points),
    "factor_none": ("Factor without", number),
    "factor_attachment": ("with one", number),
    "as_happened": ("Shortfall as happened", size),
    "with_factors": ("With factors", size),
    "less": ("Less by", size),
    "within_before": ("On target before", percent),
    "within_after": ("after", percent),
    "over_after": ("Too far after", percent),
    "error": ("Missed by", number),
    "plan_error": ("Plan missed by", number),
    "course": ("Course", count),
    "still_treated": ("With this course", count),
    "not_measured": ("Of these not measured", count),
    "measured": ("Teeth measured", str),
    "stopped": ("Stopped before", count),
    "reached": ("Reached, all", percent),
    "reached_first": ("Of the first aims", percent),
    "reached_of_treated": ("Of those treated", percent),
    "arithmetic": ("Arithmetic", percent),
    "aim": ("Aim", size),
    "period": ("Period", str),
    "plan": ("Planned of aim", percent),
    "shortfall": ("Shortfall", size),
    "within": ("On target", percent),
    "over": ("Too far", percent),
}

_texts = partial(texts, columns=_COLUMNS)


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
    interval = interval_heading(frame)
    shown = _texts(
        frame,
        "movement group patients rate factor interval use verdict more_patients",
        interval=(interval, number),
    )
    shown["Teeth"] = [
        group_in_full(str(g), str(m))
        for g, m in zip(frame["group"], frame["movement"], strict=True)
    ]
    for where, heading, text in (
        (frame["verdict"] == "not supported", "Factor", BLANK),
        (frame["kind"] == "unbounded", interval, "no upper limit"),
        (frame["more_patients"].isna(), "More patients", "no number"),
    ):
        shown.loc[where.to_numpy(bool), heading] = text
    return shown


def tooth_factors(frame: pd.DataFrame) -> pd.DataFrame:
    """Single-tooth factors with the weight of the tooth's own records."""
    shown = factors(frame).rename(columns={"Teeth": "Tooth"})
    own = _texts(frame, "own_rate own_weight")
    shown.insert(4, "Own weight", own["Own weight"])
    shown.insert(3, "Own rate", own["Own rate"])
    return shown.drop(columns="More patients")


def attachments(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates and factors without and with an attachment."""
    return _texts(
        frame,
        "movement group patients rate_none rate_attachment change interval factor_none "
        "factor_attachment",
        interval=(interval_heading(frame), points),
    )


def gains(frame: pd.DataFrame) -> pd.DataFrame:
    """What factors of the other patients would have changed."""
    return _texts(
        frame,
        "movement patients as_happened with_factors less interval within_before within_after "
        "over_after",
        interval=(interval_heading(frame), size),
    )


def prediction(frame: pd.DataFrame) -> pd.DataFrame:
    """Leave-one-patient-out predictions."""
    held = [str(name) for name in frame.columns if str(name).startswith("coverage_")]
    ranges: dict[str, Any] = {name: (f"{name[9:]} % range held", percent) for name in held}
    names = f"movement group patients movements error plan_error {' '.join(held)}"
    return _texts(frame, names, **ranges)


def courses(frame: pd.DataFrame) -> pd.DataFrame:
    """Share of the aim after each course, with that of the first aim beside it."""
    measured = zip(frame["teeth_measured"], frame["teeth"], strict=True)
    return _texts(
        frame.assign(measured=[f"{count(n)} of {count(of)}" for n, of in measured]),
        "movement course patients still_treated not_measured measured stopped reached interval "
        "reached_first reached_of_treated arithmetic",
        interval=(interval_heading(frame), percent),
    )


def needed(frame: pd.DataFrame) -> pd.DataFrame:
    """Chance of being within tolerance after each number of courses, a column each."""
    after = [name for name in map(str, frame.columns) if name.startswith("within_")]
    chances: dict[str, Any] = {
        name: (number_of(int(name[7:]), "course"), percent) for name in after
    }
    return _texts(frame, f"movement group aim {' '.join(after)}", **chances)


def periods(frame: pd.DataFrame) -> pd.DataFrame:
    """Before and after."""
    names = "movement period patients movements plan reached shortfall within over"
    return _texts(frame, names, reached="Reached of aim")


def plan_rows(plan: Plan) -> pd.DataFrame:
    """One line an aim: the safer plan with what to expect of it, as texts.

    Every signed number has its direction beside it.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> from outcomes.overcorrect.prescribe import prescribe
    >>> past = fit_rate(simulate_rates(30, seed=1, movement="vertical"))
    >>> plan = prescribe(past, pd.DataFrame({"tooth": [31], "aim": [-1.0]}))
    >>> plan_rows(plan)["Aim"][0].replace(NBSP, " ")
    '−1.00 mm (intrusion)'
    >>> list(plan_rows(plan))[3]
    'Safer plan (at most 10 % risk of going too far)'
    """
    rows = []
    for aim, of, by in _aims(plan):
        row = by[BEST]
        known = pd.notna(row.planned)
        rows.append(
            {
                "Tooth": str(aim.tooth),
                "Movement": aim.movement,
                "Aim": signed(float(aim.aim), *of),
                safer_heading(plan): _planned(row, of),
                "Expected (80 % range)": _expected(row, of) if known else BLANK,
                "Verdict": str(aim.verdict),
                "Lands": _chance(row.within),
                "Too far": _chance(row.over),
                "Aligners, days": f"{row.aligners:.0f},{NBSP}{row.days:.0f}" if known else BLANK,
            }
        )
    return _with_patient(pd.DataFrame(rows, index=plan.aims.index), plan)


def alternative_rows(plan: Plan) -> pd.DataFrame:
    """One line an aim: the plan whose expected result is the aim, and planning just the aim."""
    rows = [
        {
            "Tooth": str(aim.tooth),
            "Movement": aim.movement,
            "Aim": signed(float(aim.aim), *of),
            "Aim / rate": _planned(by[DIRECT], of),
            "Aim / rate lands": _chance(by[DIRECT].within),
            "Aim / rate too far": _chance(by[DIRECT].over),
            "As aimed lands": _chance(by[AS_AIMED].within),
        }
        for aim, of, by in _aims(plan)
    ]
    return _with_patient(pd.DataFrame(rows, index=plan.aims.index), plan)


Kind = tuple[str, str, str, str]
"""Unit, movement, tooth class and arch: what a signed number means."""


def _aims(plan: Plan) -> list[tuple[Any, Kind, dict[str, Any]]]:
    """Each aim, what its sign means, and its rows of ``Plan.options`` by the name of the option."""
    options: dict[Any, dict[str, Any]] = {}
    for row in plan.options.rename(columns={"at": "at_"}).itertuples():
        options.setdefault(row.at_, {})[str(row.option)] = row
    return [
        (aim, (str(aim.unit), str(aim.movement), str(aim.tooth_class), str(aim.arch)), options[at])
        for at, aim in plan.aims.iterrows()
    ]


def _planned(row: Any, of: Kind) -> str:
    return signed(row.planned, *of) if pd.notna(row.planned) else "no plan"


def _with_patient(table: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """The code of the patient in every row, where the aims name one."""
    codes = plan.aims["patient"].astype(str)
    if (codes != NEW_PATIENT).any():
        table.insert(0, "Patient", codes.where(codes != NEW_PATIENT, "new").to_numpy())
    return table


def safer_heading(plan: Plan) -> str:
    """The safer plan as a heading, with the cap in force."""
    return capital(safer(plan.limits.over_cap))


def _expected(row: Any, of: Kind) -> str:
    """The expected result and its range; the direction once where all three share it."""
    values = (row.expected, row.low_80, row.high_80)
    unit, *kind = of
    ways = {direction(value, *kind) for value in values}
    if len(ways) == 1:
        (way,) = ways
        said = f"{size(row.expected, unit)}, {size_range(row.low_80, row.high_80, unit)}"
        return f"{said} ({way})" if way else said
    mean, low, high = (signed(value, *of) for value in values)
    return f"{mean}, {low} to {high}"


def _chance(value: float) -> str:
    if pd.isna(value):
        return BLANK
    if value > 0.99:
        return f">{NBSP}{percent(0.99)}"
    return f"<{NBSP}{percent(0.01)}" if value < 0.01 else percent(value)
