"""Tables of a calibration as a reader sees them."""

from __future__ import annotations

from functools import partial
from typing import Any

import pandas as pd

from outcomes.domain.names import group_in_full
from outcomes.reports.common.views import BLANK, SHARED, Column, interval_heading, texts
from outcomes.words.english import number_of
from outcomes.words.numbers import count, number, percent, points, size

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
