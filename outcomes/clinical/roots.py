"""Where the apex goes when the crown moves, for teeth whose roots are at risk.

A scan shows the crown before and after; its apex is taken to move with it as one rigid body. The
root itself, and the bone around it, are not seen: lengths are handbook means.

Axes of a tooth: mesial, buccal (labial), and along its long axis towards the crown, so that
extrusion is positive in either arch; signs as in the data model.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from outcomes.clinical.apex import ANGLES, TRANSLATIONS, Reference, apex_motion, arms_to_apex
from outcomes.domain.teeth import LOWER_INCISORS
from outcomes.errors import CannotAnswer, require_columns
from outcomes.words.shown import as_html, as_text

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["CAUTION", "ApexDisplacement", "apex_displacement"]

CAUTION = (
    "Computed from crowns and from handbook root lengths: neither the root nor the bone was seen. "
    "A root can be shorter, longer or bent, and the plate of bone thin or missing. Check the "
    "periodontium and radiographs of each tooth; the treating clinician decides."
)

SHOWN = 5
"""Teeth that a note names."""


@dataclass(frozen=True)
class ApexDisplacement:
    """How far apices went. See ``apex_displacement``.

    Attributes
    ----------
    table
        One row for each patient and tooth that moved.
    summary
        tooth, patients, then apex_buccal: mean, sd, most_labial, most_lingual; and the largest
        apex_distance. mm. Over the patients in whom torque of this tooth was measured in every
        course that counts; without_torque: patients in whom it was not.
    caution
        To be shown wherever these numbers are.
    notes
        Sentences on what was assumed.
    """

    table: pd.DataFrame
    summary: pd.DataFrame
    caution: str
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        body = self.summary if len(self.summary) else "no tooth"
        return as_text(_HEAD, body, *self.notes, self.caution)

    def _repr_html_(self) -> str:
        tables = [t for t in (self.summary, self.table) if len(t)]
        return f"{as_html(_HEAD, *tables, notes=self.notes)}<p>{self.caution}</p>"


_HEAD = "Displacement of the apex (mm, labial positive)"


def apex_displacement(
    cohort: Cohort | pd.DataFrame,
    teeth: Collection[int] = LOWER_INCISORS,
    *,
    of: Literal["achieved", "planned"] = "achieved",
    reference: Reference = "crown centre",
    lengths: Mapping[int, tuple[float, float]] | None = None,
) -> ApexDisplacement:
    """How far the apices of teeth at risk went, over all courses.

    Parameters
    ----------
    cohort
        A cohort, or a frame of movements: patient, tooth, movement and ``of``; course where there
        are several.
    teeth
        FDI numbers; by default the lower incisors.
    of
        "achieved", or "planned" for what a plan would do.
    reference
        The point of the crown whose translation was measured: its centre, or the incisal edge (tip
        of the cusp).
    lengths
        Tooth to (crown, root) in mm where they were measured; else the handbook's.

    Returns
    -------
    ApexDisplacement
        ``.table``: patient, tooth; courses: the last course that counts, the one before the first
        with a blank value (0 where that is the first: the apex is then missing); the six movements
        (mm, degrees; courses added up, missing where there is no row); recorded: which of them
        have rows; missing: what is blank, and torque without a row, in words; torque_measured: in
        every course that counts; arm: reference point to apex; apex_mesial, apex_buccal (labial positive), apex_vertical (extrusion positive) and
        apex_distance, mm, of the movements recorded. Where apex_to_plate was measured: plate_start;
        plate_expected = plate_start − apex_buccal and plate_measured, after the last course that
        counts; plate_last, the last measurement there is, and plate_last_course.

    Raises
    ------
    CannotAnswer
        If columns are missing, or a length is not known or makes no sense.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient": "P001", "tooth": 31, "movement": ["torque", "buccolingual"],
    ...     "achieved": [8.0, 0.5]})
    >>> apex_displacement(rows).table[["tooth", "arm", "apex_buccal", "apex_vertical"]].round(2)
       tooth   arm  apex_buccal  apex_vertical
    0     31  17.0        -1.87           0.17
    """
    if of not in ("achieved", "planned"):
        raise CannotAnswer(f"of={of!r}: give 'achieved' or 'planned'.")
    if reference not in ("crown centre", "incisal edge"):
        raise CannotAnswer(f"reference={reference!r}: give 'crown centre' or 'incisal edge'.")
    frame = cohort if isinstance(cohort, pd.DataFrame) else _every(cohort)
    require_columns(frame, ("patient", "tooth", "movement", of), "The movements")
    arms = arms_to_apex(teeth, lengths or {}, reference)
    known = frame["movement"].isin((*TRANSLATIONS, *ANGLES))
    rows = frame[frame["tooth"].isin(list(teeth)) & known]
    table = _moved(_tidy(rows, of), arms)
    measures = None if isinstance(cohort, pd.DataFrame) else cohort.measures
    table = _with_plate(table, measures, of)
    return ApexDisplacement(
        table=table,
        summary=_summary(table),
        caution=CAUTION,
        notes=_notes(table, of, reference),
    )


def _every(cohort: Cohort) -> pd.DataFrame:
    """Movements, measured or not."""
    if not len(cohort.unmeasured):
        return cohort.movements
    return pd.concat([cohort.movements, cohort.unmeasured], ignore_index=True)


def _tidy(rows: pd.DataFrame, of: str) -> pd.DataFrame:
    """patient, tooth, movement, value, course; a value goes before a blank of the same record."""
    tidy = pd.DataFrame(
        {
            "patient": rows["patient"].astype(str),
            "tooth": rows["tooth"].astype(int),
            "movement": rows["movement"].astype(str),
            "value": rows[of].astype(float),
            "course": (rows["course"] if "course" in rows.columns else 1),
        }
    )
    record = ["patient", "tooth", "movement", "course"]
    seen = tidy["value"].notna().groupby([tidy[name] for name in record]).transform("any")
    return tidy[tidy["value"].notna() | ~seen]


def _moved(tidy: pd.DataFrame, arms: Mapping[int, float]) -> pd.DataFrame:
    """One row for each patient and tooth: its movements added up, and where the apex went.

    Courses count up to the first with a blank value: beyond it the position is not known.
    """
    movements = [*TRANSLATIONS, *ANGLES]
    key = ["patient", "tooth"]
    blank = tidy["value"].isna()
    first_blank = tidy["course"].where(blank).groupby([tidy[k] for k in key]).transform("min")
    counts = tidy[first_blank.isna() | (tidy["course"] < first_blank)]
    teeth = pd.MultiIndex.from_frame(tidy[key].drop_duplicates().sort_values(key))
    sums = counts.groupby([*key, "movement"])["value"].sum().unstack("movement")
    sums = sums.reindex(index=teeth, columns=movements)
    given = sums.notna().to_numpy()
    known = given.any(axis=1)
    table = sums.rename_axis(columns=None).reset_index()
    last = counts.groupby(key)["course"].max().reindex(teeth).fillna(0).to_numpy(int)
    table.insert(2, "courses", last)
    table["recorded"] = [
        ", ".join(name for name, there in zip(movements, row, strict=True) if there)
        for row in given
    ]
    of_tooth = dict(list(tidy.groupby(key)))
    table["missing"] = [_missing(of_tooth[site]) for site in teeth]
    torque = counts[counts["movement"] == "torque"].groupby(key)["course"].nunique()
    courses = counts.groupby(key)["course"].nunique().reindex(teeth).fillna(0)
    table["torque_measured"] = (torque.reindex(teeth).fillna(-1) == courses).to_numpy(bool)
    table["arm"] = table["tooth"].map(arms).astype(float)
    # A movement that has no row is left out of the sum: the note and `missing` say so.
    moved = table[movements].fillna(0.0)
    apex = apex_motion(
        moved[list(TRANSLATIONS)].to_numpy(float),
        moved[list(ANGLES)].to_numpy(float),
        table["arm"].to_numpy(float),
    )
    apex[~known] = np.nan
    for axis, name in enumerate(("mesial", "buccal", "vertical")):
        table[f"apex_{name}"] = apex[:, axis]
    table["apex_distance"] = np.linalg.norm(apex, axis=1)
    return table


def _missing(rows: pd.DataFrame) -> str:
    """What of a tooth is blank, and in which courses torque has no row."""
    parts = []
    blank = rows[rows["value"].isna()].sort_values("course", kind="stable")
    for movement, courses in blank.groupby("movement", sort=False)["course"]:
        parts.append(f"{movement} not measured in {_courses(courses)}")
    torque = set(rows.loc[rows["movement"] == "torque", "course"])
    without = sorted(set(rows["course"]) - torque)
    if without:
        parts.append(f"no row for torque in {_courses(without)}")
    return "; ".join(parts)


def _courses(numbers: Iterable[int]) -> str:
    return f"course {' and '.join(str(int(k)) for k in numbers)}"


def _with_plate(table: pd.DataFrame, measures: pd.DataFrame | None, of: str) -> pd.DataFrame:
    """Radiographic distance to the labial plate, where it was measured."""
    found: dict[tuple[str, int, int], float] = {}
    if measures is not None and "tooth" in measures.columns:
        plate = measures[measures["measure"] == "apex_to_plate"].dropna(subset=["value", "tooth"])
        keys = zip(plate["patient"], plate["tooth"], plate["after_course"], strict=True)
        found = {
            (str(p), int(t), int(k)): float(v)
            for (p, t, k), v in zip(keys, plate["value"], strict=True)
        }
    sites = list(zip(table["patient"], table["tooth"], strict=True))
    later = [max((k for p, t, k in found if (p, t) == site), default=0) for site in sites]
    if of == "planned":
        later = [0] * len(sites)

    def distance(courses: Iterable[int]) -> np.ndarray:
        """After the course of each site; missing for course 0."""
        pairs = zip(sites, courses, strict=True)
        return np.array([found.get((*site, int(k)), np.nan) if k else np.nan for site, k in pairs])

    start = np.array([found.get((*site, 0), np.nan) for site in sites], dtype=float)
    return table.assign(
        plate_start=start,
        plate_expected=start - table["apex_buccal"],
        plate_measured=distance(table["courses"]) if of == "achieved" else np.nan,
        plate_last=distance(later).astype(float),
        plate_last_course=pd.array([k or None for k in later], "Int64"),
    )


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """By tooth, over the patients in whom torque was measured."""
    sure = table["torque_measured"] & table["apex_buccal"].notna()
    teeth = pd.Index(sorted(set(table["tooth"])), name="tooth")
    by_tooth = table[sure].groupby("tooth")
    patients = by_tooth.size().reindex(teeth, fill_value=0)
    whole = {
        "patients": patients,
        "without_torque": table.groupby("tooth").size().reindex(teeth) - patients,
        "mean": by_tooth["apex_buccal"].mean(),
        "sd": by_tooth["apex_buccal"].std(),
        "most_labial": by_tooth["apex_buccal"].max().clip(lower=0.0),
        "most_lingual": by_tooth["apex_buccal"].min().clip(upper=0.0),
        "largest_distance": by_tooth["apex_distance"].max(),
    }
    return pd.DataFrame({name: part.reindex(teeth) for name, part in whole.items()}).reset_index()


def _notes(table: pd.DataFrame, of: str, reference: str) -> tuple[str, ...]:
    if not len(table):
        return ("No movement of these teeth was recorded.",)
    notes = [
        f"From {of} movements, courses added up, about the {reference}; the long axis is taken as "
        "straight. A movement without a row was not measured and is not in the sum."
    ]
    silent = int((~table["torque_measured"]).sum())
    if silent:
        one = silent == 1
        notes.append(
            f"{silent} of {len(table)} {'tooth' if len(table) == 1 else 'teeth'} "
            f"{'has' if one else 'have'} no row for torque, which moves an apex most, in some course: "
            f"{'its' if one else 'their'} apex may have gone further, and {'it is' if one else 'they are'}"
            " in no mean."
        )
    blank = table[table["missing"].str.contains("not measured")]
    if len(blank):
        sites = _first([f"{row.patient} {row.tooth}: {row.missing}" for row in blank.itertuples()])
        notes.append(
            "Where a value is blank, the apex is followed to the course before, and not at all where "
            f"that is the first ({sites})."
        )
    if table["plate_expected"].lt(0).any():
        notes.append(
            "Where plate_expected is below zero, the apex would lie beyond the plate as it was: look "
            "at these teeth first."
        )
    apart = table["plate_last"].notna() & table["plate_measured"].isna()
    if apart.any():
        sites = _first(
            [
                f"{row.patient} {row.tooth}: {row.plate_last:g} mm after course {row.plate_last_course}"
                for row in table[apart].itertuples()
            ]
        )
        notes.append(
            "The last measured distance to the plate is of another time than the apex "
            f"({sites}): it is not compared with what was expected."
        )
    return tuple(notes)


def _first(sites: list[str]) -> str:
    """As many as a note names."""
    more = f", and {len(sites) - SHOWN} more" if len(sites) > SHOWN else ""
    return f"{', '.join(sites[:SHOWN])}{more}"
