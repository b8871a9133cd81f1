"""How tables are shown: headings in plain words, numbers as a reader wants them."""

from __future__ import annotations

import pandas as pd

from outcomes.rates.design import NOT_IDENTIFIED
from outcomes.reports.common.views import BLANK, COUNTS, INTERVAL, interval_heading, texts
from outcomes.reports.table import NOT_MEASURED
from outcomes.words.numbers import count, number, p_value, percent, points, size


def _one_decimal(share: float) -> str:
    return percent(share, 1)


def _or_dash(text: str) -> str:
    return text or BLANK


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
    return texts(
        frame,
        {
            "Movement": ("movement", str),
            group: ("group", str),
            **COUNTS,
            "Achieved": ("rate", percent),
            interval_heading(): (INTERVAL, percent),
            "Std. error": ("se", _one_decimal),
            "df": ("df", lambda v: number(v, 0 if v >= 30 else 1)),
        },
    )


def direction_rates(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates of a model by direction."""
    return rates(frame, "Direction")


def movement_rates(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates by movement, model and pooled side by side."""
    return texts(
        frame,
        {
            "Movement": ("movement", str),
            **COUNTS,
            "Achieved": ("rate", percent),
            interval_heading(): (INTERVAL, percent),
            "Pooled rate": ("pooled_rate", percent),
            "On target": ("within_tolerance", percent),
            "Other way": ("wrong_way", percent),
        },
    )


def targets(frame: pd.DataFrame) -> pd.DataFrame:
    """Where movements ended, by movement and kind of tooth."""
    return texts(
        frame,
        {
            "Movement": ("movement", str),
            "Teeth": ("tooth_class", str),
            **COUNTS,
            "Planned, mean": ("planned_mean", number),
            "Achieved, mean": ("achieved_mean", number),
            "Missed by, mean": ("mean_absolute_error", number),
            "On target": ("within_tolerance", percent),
            "Too far": ("overshot", percent),
            "Other way": ("wrong_way", percent),
        },
    )


def differences(frame: pd.DataFrame) -> pd.DataFrame:
    """Differences between rates, in percentage points; "too few" where nothing was tested."""
    shown = texts(
        frame,
        {
            "Movement": ("movement", str),
            "Factor": ("factor", str),
            "Level": ("level", str),
            "Against": ("reference", str),
            **COUNTS,
            "Patients, other side": ("reference_patients", count),
            "With both": ("patients_with_both", count),
            "Points": ("difference", points),
            interval_heading(): (INTERVAL, points),
            "p": ("p", p_value),
            "p, adjusted": ("p_holm", p_value),
            "Adjusted for": ("adjusted_for", _or_dash),
            "Not adjusted for": ("not_adjusted_for", _or_dash),
            "The same comparison as": ("tied_with", _or_dash),
        },
    )
    shown.loc[frame["too_few"].to_numpy(bool), ["Points", "p"]] = "too few"
    return shown


def missing(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates if movements without a rescan had achieved less than expected."""
    return texts(
        frame,
        {
            "Movement": ("movement", str),
            "Teeth": ("group", str),
            "Patients measured": ("patients", count),
            "Patients missing": ("missing_patients", count),
            "of them never measured": ("never_patients", count),
            "Movements missing": ("missing_movements", count),
            "Share of the plan": ("missing_share", percent),
            "If they achieved, of the expected": ("achieved_share", percent),
            "Rate": ("rate", percent),
            interval_heading(): (INTERVAL, percent),
            "Change, points": ("change", points),
            "Note": ("note", _or_dash),
        },
    )


def robust(frame: pd.DataFrame) -> pd.DataFrame:
    """Rates beside their robust second readings."""
    return texts(
        frame,
        {
            "Movement": ("movement", str),
            "Teeth": ("group", str),
            **COUNTS,
            "Achieved": ("rate", percent),
            interval_heading(): (INTERVAL, percent),
            "Flagged": ("flagged", count),
            "Without them": ("without_flagged", percent),
            "M-estimate": ("m_estimate", percent),
            "Weigh little": ("weigh_little", count),
            "Differs": ("differs", lambda v: "yes" if v else "no"),
        },
    )


def unplanned(frame: pd.DataFrame) -> pd.DataFrame:
    """Movements where the plan was zero, with their units."""
    shown = texts(
        frame,
        {
            "Movement": ("movement", str),
            "Teeth": ("tooth_class", str),
            **COUNTS,
            "Not measured": ("not_measured", count),
            "Mean": ("mean", size),
            interval_heading(): (INTERVAL, size),
            "Largest": ("largest", size),
            "Beyond tolerance": ("beyond_tolerance", percent),
        },
    )
    unseen = (frame["movements"] == 0).to_numpy()
    shown.loc[unseen, ["Mean", "Largest"]] = NOT_MEASURED
    return shown


def measurement(frame: pd.DataFrame) -> pd.DataFrame:
    """Measurement error, with its units."""
    limits = frame.assign(low=frame["loa_low"], high=frame["loa_high"])
    return texts(
        limits,
        {
            "Movement": ("movement", str),
            "Pairs": ("pairs", count),
            "Dahlberg": ("dahlberg", size),
            "Bias": ("bias", size),
            "Limits of agreement": (INTERVAL, size),
            "ICC(A,1)": ("icc_a1", number),
            "Smallest detectable change": ("smallest_detectable_change", size),
            "Smallest detectable difference": ("smallest_detectable_difference", size),
        },
    )


def models(frame: pd.DataFrame) -> pd.DataFrame:
    """Size, spread and fit of each model."""
    shown = texts(
        frame,
        {
            "Movement": ("movement", str),
            "Patients": ("patients", count),
            "Teeth": ("teeth", count),
            "Rows": ("movements", count),
            "SD of rate, patients": ("sd_patient", _one_decimal),
            "SD of rate, teeth": ("sd_tooth", _one_decimal),
            "Residual SD": ("sd_residual", size),
            "Log-likelihood": ("log_likelihood", number),
        },
    )
    # without a residual the two cannot be told apart; with one, teeth were no level of the model
    unknown = frame["sd_residual"].isna().to_numpy()
    shown.loc[unknown, ["SD of rate, teeth", "Residual SD"]] = NOT_IDENTIFIED
    return shown


def ledger(frame: pd.DataFrame) -> pd.DataFrame:
    """The ledger, one line a reason."""
    return texts(
        frame,
        {
            "Table": ("table", str),
            "Step": ("step", str),
            "Reason": ("reason", str),
            "Rows": ("rows", count),
            "Patients": ("patients", count),
        },
    )


def problems(frame: pd.DataFrame) -> pd.DataFrame:
    """Problems with their remedies, what stops the analysis first."""
    return frame.rename(columns=str.capitalize)


def contrasts(frame: pd.DataFrame) -> pd.DataFrame:
    """Differences between the groups of one fit, in percentage points."""
    shown = texts(
        frame,
        {
            "Rate of": ("a", str),
            "Minus rate of": ("b", str),
            "Points": ("difference", points),
            interval_heading(): (INTERVAL, points),
            "df": ("df", lambda v: number(v, 0)),
            "p": ("p", p_value),
            "p, adjusted": ("p_holm", p_value),
        },
    )
    shown.loc[frame["p"].isna().to_numpy(), ["p", "p, adjusted"]] = "too few"
    return shown


def roots(frame: pd.DataFrame) -> pd.DataFrame:
    """Displacement of apices, labial positive."""
    return texts(
        frame,
        {
            "Tooth": ("tooth", str),
            "Patients, torque measured": ("patients", count),
            "Not measured": ("without_torque", count),
            "Mean (mm)": ("mean", number),
            "SD (mm)": ("sd", number),
            "Most labial": ("most_labial", number),
            "Most lingual": ("most_lingual", number),
            "Longest way": ("largest_distance", number),
        },
    )
