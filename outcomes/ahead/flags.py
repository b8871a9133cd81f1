"""What measures say of gum, bone and smile beside the movements that are planned."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.ahead.asks import empty
from outcomes.ahead.result import FLAGS
from outcomes.clinical.apex import ANGLES, TRANSLATIONS, apex_motion, arms_to_apex
from outcomes.domain.movements import MOVEMENTS
from outcomes.words.english import listed
from outcomes.words.numbers import size

__all__ = ["LIMITS_OF_MEASURES", "NOT_MEASURED", "flags_of", "missing_said", "row_cautions"]

LIMITS_OF_MEASURES: Mapping[str, float] = {
    "recession": 1.0,
    "keratinised_tissue": 2.0,
    "probing_depth": 4.0,
    "apex_to_plate": 1.0,
    "gingival_display": 3.0,
}
"""mm. Keratinised tissue below 2 mm: J Periodontol 1972;43(10):623–627 (from memory); the others,
from so much on (apex to plate: up to so much): common practice, no source."""

_NAMES = {
    "recession": "recession",
    "keratinised_tissue": "narrow keratinised tissue",
    "probing_depth": "deep pocket",
    "apex_to_plate": "thin bone",
    "gingival_display": "gummy smile",
}
_LOW = ("keratinised_tissue", "apex_to_plate")
NOT_MEASURED = "not measured"


def flags_of(
    measures: pd.DataFrame, patient: str, aims: pd.DataFrame, planned: pd.Series
) -> pd.DataFrame:
    """The table ``flags`` of `NextCourse`.

    Parameters
    ----------
    measures
        As in the cohort; of each measure of a tooth the latest that has a value counts.
    patient
        Whose they are.
    aims
        tooth, movement, aim, tooth_class, arch.
    planned
        The plan for each aim, signed, by the index of ``aims``; missing where there is none.

    Notes
    -----
    Thin bone is judged by what is left between the apex and the outer plate if the apex goes where
    the plan takes it, by handbook lengths of the root: neither root nor bone was seen.
    """
    latest = _latest(measures, patient)
    rows = []
    for tooth in sorted(set(aims["tooth"].astype(int))):
        of_tooth = aims[aims["tooth"] == tooth]
        for name in ("recession", "keratinised_tissue", "probing_depth", "apex_to_plate"):
            found = latest.get((name, tooth))
            if found is not None:
                rows += _flagged(name, tooth, found, of_tooth, planned)
        if _outwards(of_tooth).any():
            missing = [n for n in ("recession", "apex_to_plate") if (n, tooth) not in latest]
            rows += [_missing(n, tooth) for n in missing]
    if _shows_more(aims).any():
        found = latest.get(("gingival_display", 0))
        if found is None:
            rows.append(_missing("gingival_display", None))
        else:
            rows += _flagged("gingival_display", None, found, aims, planned)
    if not rows:
        return empty(FLAGS)
    table = pd.DataFrame(rows, columns=list(FLAGS))
    for name in ("tooth", "after_course"):
        table[name] = table[name].astype("Int64")
    return table


def row_cautions(flags: pd.DataFrame, aims: pd.DataFrame) -> dict[int, list[str]]:
    """By index of ``aims`` what the flags say of that row: the gravest stands first."""
    said: dict[int, list[str]] = {}
    for at, aim in aims.iterrows():
        here = pd.DataFrame([aim])
        for flag in flags[flags["flag"] != NOT_MEASURED].to_dict("records"):
            of_patient = pd.isna(flag["tooth"])
            if not of_patient and int(flag["tooth"]) != int(aim["tooth"]):
                continue
            concerns = _CONCERNS[str(flag["measure"])]
            if concerns(here).any():
                said.setdefault(int(str(at)), []).append(_sentence(flag, aim))
    return said


def _outwards(aims: pd.DataFrame) -> pd.Series:
    """Does the crown or the root go towards the outer plate and its gum?"""
    return (aims["movement"] == "torque") | (
        (aims["movement"] == "buccolingual") & (aims["aim"] > 0)
    )


def _root_outwards(aims: pd.DataFrame) -> pd.Series:
    torque = (aims["movement"] == "torque") & (aims["aim"] < 0)
    return torque | ((aims["movement"] == "buccolingual") & (aims["aim"] > 0))


def _shows_more(aims: pd.DataFrame) -> pd.Series:
    """Does an upper front tooth, and gum with it, come down?"""
    front = aims["tooth_class"].astype(str).isin(["incisor", "canine"]) & (aims["arch"] == "upper")
    return front & (aims["movement"] == "vertical") & (aims["aim"] > 0)


def _any(aims: pd.DataFrame) -> pd.Series:
    return pd.Series(True, index=aims.index)


_CONCERNS = {
    "recession": _outwards,
    "keratinised_tissue": _outwards,
    "probing_depth": _any,
    "apex_to_plate": _root_outwards,
    "gingival_display": _shows_more,
}


def _latest(measures: pd.DataFrame, patient: str) -> dict[tuple[str, int], Any]:
    """(measure, tooth or 0) -> its latest row with a value."""
    if not {"patient", "measure", "value"} <= set(measures.columns):
        return {}
    own = measures[measures["patient"].astype(str) == patient].dropna(subset=["value"])
    if "after_course" in own:
        own = own.sort_values("after_course", kind="stable")
    found = {}
    for row in own.to_dict("records"):
        tooth = row.get("tooth")
        found[str(row["measure"]), 0 if tooth is None or pd.isna(tooth) else int(tooth)] = row
    return found


def _flagged(
    name: str, tooth: int | None, row: Any, aims: pd.DataFrame, planned: pd.Series
) -> list[dict[str, Any]]:
    value, limit = float(row["value"]), LIMITS_OF_MEASURES[name]
    if not _CONCERNS[name](aims).any():
        return []
    why, judged = "", value
    if name == "apex_to_plate" and tooth is not None:
        travel = _apex_outwards(tooth, aims, planned)
        judged = value - max(travel, 0.0)
        if travel > 0.05:
            why = f"By handbook lengths the plan takes it {size(travel, 'mm')} nearer."
    flagged = (
        judged <= limit + _SLACK
        if name == "apex_to_plate"
        else (value < limit - _SLACK if name in _LOW else value >= limit - _SLACK)
    )
    if not flagged:
        return []
    course = row.get("after_course")
    when = (
        ""
        if course is None or pd.isna(course)
        else (" at the start" if int(course) == 0 else f" after course {int(course)}")
    )
    spoken = {
        "recession": "Recession of {}",
        "keratinised_tissue": "Only {} of keratinised tissue",
        "probing_depth": "Probing depth of {}",
        "apex_to_plate": "Apex {} from the outer plate",
        "gingival_display": "{} of gum shown on smiling",
    }[name]
    head = f"{spoken.format(size(value, 'mm'))}{when}."
    return [
        {
            "tooth": tooth,
            "flag": _NAMES[name],
            "measure": name,
            "value": value,
            "unit": "mm",
            "after_course": course,
            "limit": limit,
            "why": f"{head} {why}".strip(),
        }
    ]


_SLACK = 1e-9


def _missing(name: str, tooth: int | None) -> dict[str, Any]:
    words = {
        "recession": "Recession was not recorded",
        "apex_to_plate": "The distance from the apex to the outer plate was not recorded",
        "gingival_display": "How much gum shows on smiling was not recorded",
    }[name]
    end = "." if tooth is None else f" at {tooth}, whose crown or root goes outwards."
    return {
        "tooth": tooth,
        "flag": NOT_MEASURED,
        "measure": name,
        "limit": LIMITS_OF_MEASURES[name],
        "why": words + end,
    }


def _apex_outwards(tooth: int, aims: pd.DataFrame, planned: pd.Series) -> float:
    """How far the plans of one tooth take its apex towards the outer plate, mm."""
    plans = planned.reindex(aims.index).fillna(aims["aim"]).groupby(aims["movement"]).sum()
    motion, turn = (
        np.array([float(plans.get(name, 0.0)) for name in names])
        for names in (TRANSLATIONS, ANGLES)
    )
    if tooth // 10 > 4:
        return 0.0  # no handbook length of a deciduous root
    arm = arms_to_apex([tooth], {}, "crown centre")[tooth]
    return float(apex_motion(motion, turn, arm)[1])


def _sentence(flag: dict[Any, Any], aim: pd.Series) -> str:
    """The flag, and what it means for this movement."""
    name, movement = str(flag["measure"]), MOVEMENTS[str(aim["movement"])]
    way = movement.direction_in_full(aim["aim"], str(aim["tooth_class"]), str(aim["arch"]))
    then = {
        "recession": f"This movement ({way}) goes towards gum that is already lost: going too far "
        "costs more here, and a smaller risk of it can be set. Ask a periodontist first.",
        "keratinised_tissue": f"This movement ({way}) goes towards gum with little to spare: going "
        "too far costs more here, and a smaller risk of it can be set.",
        "probing_depth": "Settle the periodontal treatment before the tooth is moved.",
        "apex_to_plate": f"This movement ({way}) takes the root towards it: look at the radiograph, "
        "and stay short rather than go too far.",
        "gingival_display": f"This movement ({way}) shows more.",
    }[name]
    return f"{flag['why']} {then}"


def missing_said(flags: pd.DataFrame) -> str:
    """The measures that were not recorded where they matter, in one sentence; "" for none."""
    missing = flags[flags["flag"] == NOT_MEASURED]
    if missing.empty:
        return ""
    said = []
    for name, words in (("recession", "recession"), ("apex_to_plate", "bone in front of the apex")):
        teeth = [str(int(t)) for t in missing.loc[missing["measure"] == name, "tooth"]]
        if teeth:
            said.append(f"{words} at {listed(teeth)}")
    if (missing["measure"] == "gingival_display").any():
        said.append("gum shown on smiling")
    return f"Not recorded, and to be looked at before these plans are used: {'; '.join(said)}."
