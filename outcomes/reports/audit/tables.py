"""How tables are shown: headings in plain words, numbers as a reader wants them."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from outcomes.rates.design import NOT_IDENTIFIED
from outcomes.reports.table import NOT_MEASURED
from outcomes.words.numbers import (
    Format,
    count,
    number,
    p_value,
    percent,
    points,
    range_words,
    size,
    size_range,
)


def _maybe(form: Format) -> Format:
    return lambda value: "–" if value is None or pd.isna(value) else form(value)


def _texts(frame: pd.DataFrame, columns: Mapping[str, tuple[str, Format]]) -> pd.DataFrame:
    """Columns of a table as headings and texts, in the order given."""
    return pd.DataFrame(
        {
            title: [_maybe(form)(value) for value in frame[column]]
            for column, (title, form) in columns.items()
        },
        index=frame.index,
    )


def _intervals(frame: pd.DataFrame, form: Format) -> list[str]:
    pairs = zip(frame["low"], frame["high"], strict=True)
    return [range_words(low, high, form) for low, high in pairs]


_COUNTS: dict[str, tuple[str, Format]] = {
    "patients": ("Patients", count),
    "movements": ("Movements", count),
}


def rates(frame: pd.DataFrame, group: str = "Teeth") -> pd.DataFrame:
    """Rates of a model, one line a group.

    Examples
    --------
    >>> frame = pd.DataFrame({"movement": ["tip"], "group": ["canine"], "patients": [9],
    ...     "movements": [12], "rate": [0.6], "se": [0.05], "df": [8.1], "low": [0.5],
    ...     "high": [0.7]})
    >>> list(rates(frame))
    ['Movement', 'Teeth', 'Patients', 'Movements', 'Achieved', '95 % interval', 'Std. error', 'df']
    """
    shown = _texts(
        frame,
        {
            "movement": ("Movement", str),
            "group": (group, str),
            **_COUNTS,
            "rate": ("Achieved", percent),
            "se": ("Std. error", lambda v: percent(v, 1)),
            "df": ("df", lambda v: number(v, 0 if v >= 30 else 1)),
        },
    )
    shown.insert(5, "95 % interval", _intervals(frame, percent))
    return shown


def direction_rates(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates of a model by direction."""
    return rates(frame, "Direction")


def movement_rates(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates by movement, model and pooled side by side."""
    shown = _texts(
        frame,
        {
            "movement": ("Movement", str),
            **_COUNTS,
            "rate": ("Achieved", percent),
            "pooled_rate": ("Pooled rate", percent),
            "within_tolerance": ("On target", percent),
            "wrong_way": ("Other way", percent),
        },
    )
    shown.insert(4, "95 % interval", _intervals(frame, percent))
    return shown


def targets(frame: pd.DataFrame) -> pd.DataFrame:
    """Where movements ended, by movement and kind of tooth."""
    return _texts(
        frame,
        {
            "movement": ("Movement", str),
            "tooth_class": ("Teeth", str),
            **_COUNTS,
            "planned_mean": ("Planned, mean", number),
            "achieved_mean": ("Achieved, mean", number),
            "mean_absolute_error": ("Missed by, mean", number),
            "within_tolerance": ("On target", percent),
            "overshot": ("Too far", percent),
            "wrong_way": ("Other way", percent),
        },
    )


def differences(frame: pd.DataFrame) -> pd.DataFrame:
    """Differences between rates, in percentage points; "too few" where nothing was tested."""
    shown = _texts(
        frame,
        {
            "movement": ("Movement", str),
            "factor": ("Factor", str),
            "level": ("Level", str),
            "reference": ("Against", str),
            **_COUNTS,
            "reference_patients": ("Patients, other side", count),
            "patients_with_both": ("With both", count),
            "difference": ("Points", points),
            "p": ("p", p_value),
            "p_holm": ("p, adjusted", p_value),
            "adjusted_for": ("Adjusted for", lambda v: v or "–"),
            "not_adjusted_for": ("Not adjusted for", lambda v: v or "–"),
            "tied_with": ("The same comparison as", lambda v: v or "–"),
        },
    )
    shown.insert(9, "95 % interval", _intervals(frame, points))
    few = frame["too_few"].to_numpy(bool)
    shown.loc[few, ["Points", "p"]] = "too few"
    return shown


def missing(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates if movements without a rescan had achieved less than expected."""
    shown = _texts(
        frame,
        {
            "movement": ("Movement", str),
            "group": ("Teeth", str),
            "patients": ("Patients measured", count),
            "missing_patients": ("Patients missing", count),
            "never_patients": ("of them never measured", count),
            "missing_movements": ("Movements missing", count),
            "missing_share": ("Share of the plan", percent),
            "achieved_share": ("If they achieved, of the expected", percent),
            "rate": ("Rate", percent),
            "change": ("Change, points", points),
            "note": ("Note", lambda v: v or "–"),
        },
    )
    shown.insert(9, "95 % interval", _intervals(frame, percent))
    return shown


def robust(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates beside their robust second readings."""
    shown = _texts(
        frame,
        {
            "movement": ("Movement", str),
            "group": ("Teeth", str),
            **_COUNTS,
            "rate": ("Achieved", percent),
            "flagged": ("Flagged", count),
            "without_flagged": ("Without them", percent),
            "m_estimate": ("M-estimate", percent),
            "weigh_little": ("Weigh little", count),
            "differs": ("Differs", lambda v: "yes" if v else "no"),
        },
    )
    shown.insert(5, "95 % interval", _intervals(frame, percent))
    return shown


def unplanned(frame: pd.DataFrame) -> pd.DataFrame:
    """Movements where the plan was zero, with their units."""
    rows: list[Any] = list(frame.itertuples())

    def known(text: str, row: Any) -> str:
        return text if row.movements else NOT_MEASURED

    return pd.DataFrame(
        {
            "Movement": [row.movement for row in rows],
            "Teeth": [str(row.tooth_class) for row in rows],
            "Patients": [count(row.patients) for row in rows],
            "Movements": [count(row.movements) for row in rows],
            "Not measured": [count(row.not_measured) for row in rows],
            "Mean": [known(size(row.mean, row.unit), row) for row in rows],
            "95 % interval": [size_range(row.low, row.high, row.unit) for row in rows],
            "Largest": [known(size(row.largest, row.unit), row) for row in rows],
            "Beyond tolerance": [
                percent(row.beyond_tolerance) if row.movements else "–" for row in rows
            ],
        },
        index=frame.index,
    )


def measurement(frame: pd.DataFrame) -> pd.DataFrame:
    """Measurement error, with its units."""

    def sizes(column: str) -> list[str]:
        pairs = zip(frame[column], frame["unit"], strict=True)
        return ["–" if pd.isna(value) else size(value, unit) for value, unit in pairs]

    limits = zip(frame["loa_low"], frame["loa_high"], frame["unit"], strict=True)
    return pd.DataFrame(
        {
            "Movement": frame["movement"].astype(str).tolist(),
            "Pairs": [count(pairs) for pairs in frame["pairs"]],
            "Dahlberg": sizes("dahlberg"),
            "Bias": sizes("bias"),
            "Limits of agreement": [size_range(low, high, unit) for low, high, unit in limits],
            "ICC(A,1)": [_maybe(number)(value) for value in frame["icc_a1"]],
            "Smallest detectable change": sizes("smallest_detectable_change"),
            "Smallest detectable difference": sizes("smallest_detectable_difference"),
        },
        index=frame.index,
    )


def models(frame: pd.DataFrame) -> pd.DataFrame:
    """Size, spread and fit of each model."""
    shown = _texts(
        frame,
        {
            "movement": ("Movement", str),
            "patients": ("Patients", count),
            "teeth": ("Teeth", count),
            "movements": ("Rows", count),
            "sd_patient": ("SD of rate, patients", lambda v: percent(v, 1)),
            "log_likelihood": ("Log-likelihood", lambda v: number(v, 2)),
        },
    )
    rows: list[Any] = list(frame.itertuples())
    # without a residual the two cannot be told apart; with one, teeth were no level of the model
    unknown = [pd.isna(row.sd_residual) for row in rows]
    pairs = list(zip(rows, unknown, strict=True))
    teeth = [NOT_IDENTIFIED if no else _maybe(_one_decimal)(row.sd_tooth) for row, no in pairs]
    left = [NOT_IDENTIFIED if no else size(row.sd_residual, row.unit) for row, no in pairs]
    shown.insert(5, "SD of rate, teeth", teeth)
    shown.insert(6, "Residual SD", left)
    return shown


def _one_decimal(share: float) -> str:
    return percent(share, 1)


def ledger(frame: pd.DataFrame) -> pd.DataFrame:
    """The ledger, one line a reason."""
    return _texts(
        frame,
        {
            "table": ("Table", str),
            "step": ("Step", str),
            "reason": ("Reason", str),
            "rows": ("Rows", count),
            "patients": ("Patients", count),
        },
    )


def problems(frame: pd.DataFrame) -> pd.DataFrame:
    """Problems with their remedies, what stops the analysis first."""
    return frame.rename(columns=str.capitalize)


def contrasts(frame: pd.DataFrame) -> pd.DataFrame:
    """Differences between the groups of one fit, in percentage points."""
    shown = _texts(
        frame,
        {
            "a": ("Rate of", str),
            "b": ("Minus rate of", str),
            "difference": ("Points", points),
            "df": ("df", lambda v: number(v, 0)),
            "p": ("p", p_value),
            "p_holm": ("p, adjusted", p_value),
        },
    )
    shown.insert(3, "95 % interval", _intervals(frame, points))
    shown.loc[frame["p"].isna().to_numpy(), ["p", "p, adjusted"]] = "too few"
    return shown


def roots(frame: pd.DataFrame) -> pd.DataFrame:
    """Displacement of apices, labial positive."""
    millimetres = {
        "mean": "Mean (mm)",
        "sd": "SD (mm)",
        "most_labial": "Most labial",
        "most_lingual": "Most lingual",
        "largest_distance": "Longest way",
    }
    return _texts(
        frame,
        {
            "tooth": ("Tooth", str),
            "patients": ("Patients, torque measured", count),
            "without_torque": ("Not measured", count),
            **{column: (title, number) for column, title in millimetres.items()},
        },
    )
