"""How tables are shown: headings in plain words, numbers as a reader wants them."""

from __future__ import annotations

from functools import partial

import pandas as pd

from outcomes.rates.design import NOT_IDENTIFIED
from outcomes.reports.common.views import BLANK, SHARED, Column, interval_heading, texts
from outcomes.reports.table import NOT_MEASURED
from outcomes.words.numbers import count, number, p_value, percent, points, size


def _one_decimal(share: float) -> str:
    return percent(share, 1)


def _or_dash(text: str) -> str:
    return text or BLANK


_INTERVAL = interval_heading()

_COLUMNS: dict[str, Column] = SHARED | {
    "tooth_class": ("Teeth", str),
    "interval": (_INTERVAL, percent),
    "se": ("Std. error", _one_decimal),
    "df": ("df", lambda v: number(v, 0 if v >= 30 else 1)),
    "pooled_rate": ("Pooled rate", percent),
    "planned_mean": ("Planned, mean", number),
    "achieved_mean": ("Achieved, mean", number),
    "mean_absolute_error": ("Missed by, mean", number),
    "within_tolerance": ("On target", percent),
    "overshot": ("Too far", percent),
    "wrong_way": ("Other way", percent),
    "factor": ("Factor", str),
    "level": ("Level", str),
    "reference": ("Against", str),
    "reference_patients": ("Patients, other side", count),
    "patients_with_both": ("With both", count),
    "a": ("Rate of", str),
    "b": ("Minus rate of", str),
    "difference": ("Points", points),
    "p": ("p", p_value),
    "p_holm": ("p, adjusted", p_value),
    "adjusted_for": ("Adjusted for", _or_dash),
    "not_adjusted_for": ("Not adjusted for", _or_dash),
    "tied_with": ("The same comparison as", _or_dash),
    "missing_patients": ("Patients missing", count),
    "never_patients": ("of them never measured", count),
    "missing_movements": ("Movements missing", count),
    "missing_share": ("Share of the plan", percent),
    "achieved_share": ("If they achieved, of the expected", percent),
    "change": ("Change, points", points),
    "note": ("Note", _or_dash),
    "flagged": ("Flagged", count),
    "without_flagged": ("Without them", percent),
    "m_estimate": ("M-estimate", percent),
    "weigh_little": ("Weigh little", count),
    "differs": ("Differs", lambda v: "yes" if v else "no"),
    "not_measured": ("Not measured", count),
    "mean": ("Mean", size),
    "largest": ("Largest", size),
    "beyond_tolerance": ("Beyond tolerance", percent),
    "pairs": ("Pairs", count),
    "dahlberg": ("Dahlberg", size),
    "bias": ("Bias", size),
    "icc_a1": ("ICC(A,1)", number),
    "smallest_detectable_change": ("Smallest detectable change", size),
    "smallest_detectable_difference": ("Smallest detectable difference", size),
    "teeth": ("Teeth", count),
    "sd_patient": ("SD of rate, patients", _one_decimal),
    "sd_tooth": ("SD of rate, teeth", _one_decimal),
    "sd_residual": ("Residual SD", size),
    "log_likelihood": ("Log-likelihood", number),
    "table": ("Table", str),
    "step": ("Step", str),
    "reason": ("Reason", str),
    "rows": ("Rows", count),
    "tooth": ("Tooth", str),
    "without_torque": ("Not measured", count),
    "sd": ("SD (mm)", number),
    "most_labial": ("Most labial", number),
    "most_lingual": ("Most lingual", number),
    "largest_distance": ("Longest way", number),
}

_texts = partial(texts, columns=_COLUMNS)


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
    return _texts(frame, "movement group patients movements rate interval se df", group=group)


def direction_rates(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates of a model by direction."""
    return rates(frame, "Direction")


def movement_rates(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates by movement, model and pooled side by side."""
    names = "movement patients movements rate interval pooled_rate within_tolerance wrong_way"
    return _texts(frame, names)


def targets(frame: pd.DataFrame) -> pd.DataFrame:
    """Where movements ended, by movement and kind of tooth."""
    return _texts(
        frame,
        "movement tooth_class patients movements planned_mean achieved_mean mean_absolute_error "
        "within_tolerance overshot wrong_way",
    )


def differences(frame: pd.DataFrame) -> pd.DataFrame:
    """Differences between rates, in percentage points; "too few" where nothing was tested."""
    shown = _texts(
        frame,
        "movement factor level reference patients movements reference_patients patients_with_both "
        "difference interval p p_holm adjusted_for not_adjusted_for tied_with",
        interval=(_INTERVAL, points),
    )
    shown.loc[frame["too_few"].to_numpy(bool), ["Points", "p"]] = "too few"
    return shown


def missing(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates if movements without a rescan had achieved less than expected."""
    return _texts(
        frame,
        "movement group patients missing_patients never_patients missing_movements missing_share "
        "achieved_share rate interval change note",
        patients="Patients measured",
        rate="Rate",
    )


def robust(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates beside their robust second readings."""
    return _texts(
        frame,
        "movement group patients movements rate interval flagged without_flagged m_estimate "
        "weigh_little differs",
    )


def unplanned(frame: pd.DataFrame) -> pd.DataFrame:
    """Movements where the plan was zero, with their units."""
    shown = _texts(
        frame,
        "movement tooth_class patients movements not_measured mean interval largest "
        "beyond_tolerance",
        interval=(_INTERVAL, size),
    )
    unseen = (frame["movements"] == 0).to_numpy()
    shown.loc[unseen, ["Mean", "Largest"]] = NOT_MEASURED
    return shown


def measurement(frame: pd.DataFrame) -> pd.DataFrame:
    """Measurement error, with its units."""
    return _texts(
        frame.assign(low=frame["loa_low"], high=frame["loa_high"]),
        "movement pairs dahlberg bias interval icc_a1 smallest_detectable_change "
        "smallest_detectable_difference",
        interval=("Limits of agreement", size),
    )


def models(frame: pd.DataFrame) -> pd.DataFrame:
    """Size, spread and fit of each model."""
    names = "movement patients teeth movements sd_patient sd_tooth sd_residual log_likelihood"
    shown = _texts(frame, names, movements="Rows")
    # without a residual the two cannot be told apart; with one, teeth were no level of the model
    unknown = frame["sd_residual"].isna().to_numpy()
    shown.loc[unknown, ["SD of rate, teeth", "Residual SD"]] = NOT_IDENTIFIED
    return shown


def ledger(frame: pd.DataFrame) -> pd.DataFrame:
    """The ledger, one line a reason."""
    return _texts(frame, "table step reason rows patients")


def problems(frame: pd.DataFrame) -> pd.DataFrame:
    """Problems with their remedies, what stops the analysis first."""
    return frame.rename(columns=str.capitalize)


def contrasts(frame: pd.DataFrame) -> pd.DataFrame:
    """Differences between the groups of one fit, in percentage points."""
    shown = _texts(
        frame,
        "a b difference interval df p p_holm",
        interval=(_INTERVAL, points),
        df=("df", lambda v: number(v, 0)),
    )
    shown.loc[frame["p"].isna().to_numpy(), ["p", "p, adjusted"]] = "too few"
    return shown


def roots(frame: pd.DataFrame) -> pd.DataFrame:
    """Displacement of apices, labial positive."""
    return _texts(
        frame,
        "tooth patients without_torque mean sd most_labial most_lingual largest_distance",
        patients="Patients, torque measured",
        mean=("Mean (mm)", number),
    )
