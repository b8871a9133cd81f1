"""Where the apex goes when the crown moves, for teeth whose roots are at risk.

A scan shows the crown before and after. If tooth and root are one rigid body, a point r from the
reference point of the crown moves by T + (R - I) r, with T the translation of the reference point
and R the rotation. The root itself, and the bone around it, are not seen: lengths are handbook
means.

Axes of a tooth: mesial, buccal (labial), and along its long axis towards the crown, so that
extrusion is positive in either arch; signs as in the data model.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = [
    "CAUTION",
    "LOWER_INCISORS",
    "ApexDisplacement",
    "apex_displacement",
    "apex_motion",
    "tooth_lengths",
]

LOWER_INCISORS = (31, 32, 41, 42)

CAUTION = (
    "Computed from crowns and from handbook root lengths: neither the root nor the bone was seen. "
    "A root can be shorter, longer or bent, and the plate of bone thin or missing. Check the "
    "periodontium and radiographs of each tooth; the treating clinician decides."
)

# Crown and root length, mm, by arch and position from the midline: means in Wheeler's Dental
# Anatomy, Physiology and Occlusion (from memory). Of molars with several roots, the longest.
HANDBOOK = {
    "upper": {
        1: (10.5, 13.0),
        2: (9.0, 13.0),
        3: (10.0, 17.0),
        4: (8.5, 14.0),
        5: (8.5, 14.0),
        6: (7.5, 13.0),
        7: (7.0, 12.0),
        8: (6.5, 11.0),
    },
    "lower": {
        1: (9.0, 12.5),
        2: (9.5, 14.0),
        3: (11.0, 16.0),
        4: (8.5, 14.0),
        5: (8.0, 14.5),
        6: (7.5, 14.0),
        7: (7.0, 13.0),
        8: (7.0, 11.0),
    },
}

TRANSLATIONS = ("mesiodistal", "buccolingual", "vertical")
ANGLES = ("tip", "torque", "rotation")
COLUMNS = (
    "patient",
    "tooth",
    "courses",
    *TRANSLATIONS,
    *ANGLES,
    "recorded",
    "missing",
    "torque_measured",
    "arm",
    "apex_mesial",
    "apex_buccal",
    "apex_vertical",
    "apex_distance",
    "plate_start",
    "plate_expected",
    "plate_measured",
    "plate_last",
    "plate_last_course",
)
Reference = Literal["crown centre", "incisal edge"]
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
        body = self.summary.to_string(index=False, float_format="{:.2f}".format)
        head = "Displacement of the apex (mm, labial positive)"
        return "\n".join(
            [head, body if len(self.summary) else "no tooth", *self.notes, self.caution]
        )

    def _repr_html_(self) -> str:
        tables = [t for t in (self.summary, self.table) if len(t)]
        body = "".join(
            t.to_html(index=False, float_format="{:.2f}".format, border=0) for t in tables
        )
        notes = "".join(f"<li>{note}</li>" for note in self.notes)
        return (
            f"<p>Displacement of the apex (mm, labial positive)</p>{body}<ul>{notes}</ul>"
            f"<p>{self.caution}</p>"
        )


def tooth_lengths(teeth: Collection[int] | None = None) -> pd.DataFrame:
    """Crown and root lengths of permanent teeth.

    Parameters
    ----------
    teeth
        FDI numbers 11–48; by default all 32.

    Returns
    -------
    DataFrame
        tooth, crown, root: mm, means in Wheeler's Dental Anatomy (from memory); of molars with
        several roots, the longest.

    Raises
    ------
    CannotAnswer
        For a tooth that is no permanent tooth.

    Examples
    --------
    >>> tooth_lengths([41, 21])
       tooth  crown  root
    0     41    9.0  12.5
    1     21   10.5  13.0
    """
    if teeth is None:
        teeth = [10 * quadrant + n for quadrant in (1, 2, 3, 4) for n in range(1, 9)]
    wrong = [t for t in teeth if t // 10 not in (1, 2, 3, 4) or t % 10 not in range(1, 9)]
    if wrong:
        raise CannotAnswer(
            f"No root length is known for {', '.join(map(str, wrong))}: give permanent teeth, FDI "
            "11 to 48, or lengths of your own."
        )
    rows = [(t, *HANDBOOK["upper" if t // 10 < 3 else "lower"][t % 10]) for t in teeth]
    return pd.DataFrame(rows, columns=["tooth", "crown", "root"])


def apex_motion(translation: np.ndarray, angles: np.ndarray, arm: np.ndarray | float) -> np.ndarray:
    """Displacement of the apex from the rigid motion of the crown: T + (R − I) r.

    Parameters
    ----------
    translation
        Mesial, buccal and extrusive movement of the reference point, mm, shape (..., 3).
    angles
        Tip, torque and rotation, degrees, shape (..., 3): mesial crown tip, buccal crown torque,
        mesial surface turning buccally.
    arm
        From the reference point down the long axis to the apex, mm, shape (...).

    Returns
    -------
    ndarray
        Mesial, buccal and extrusive movement of the apex, mm, shape (..., 3).

    Notes
    -----
    The three angles are taken as one rotation vector, so that their order does not matter. In axes
    (mesial, buccal, extrusive) torque turns the long axis towards buccal, which is a negative turn
    about the mesial axis.

    Examples
    --------
    Ten degrees of buccal crown torque about the incisal edge of a lower central incisor, 9.0 + 12.5
    mm long, take the apex 2 · 21.5 · sin 5° = 3.75 mm, lingually:

    >>> moved = apex_motion(np.zeros(3), np.array([0.0, 10.0, 0.0]), 21.5)
    >>> moved.round(2), float(np.linalg.norm(moved).round(2))
    (array([ 0.  , -3.73,  0.33]), 3.75)
    """
    from scipy.spatial.transform import Rotation

    angles = np.asarray(angles, dtype=float)
    tip, torque, rotation = np.moveaxis(angles, -1, 0)
    vectors = np.stack([-torque, tip, rotation], axis=-1).reshape(-1, 3)
    turned = Rotation.from_rotvec(vectors, degrees=True)
    root = np.zeros_like(vectors)
    root[:, 2] = -np.broadcast_to(np.asarray(arm, dtype=float), angles.shape[:-1]).ravel()
    return np.asarray(translation, dtype=float) + (turned.apply(root) - root).reshape(angles.shape)


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
    absent = [c for c in ("patient", "tooth", "movement", of) if c not in frame.columns]
    if absent:
        raise CannotAnswer(
            f"No column {', '.join(absent)}. The movements have: "
            f"{', '.join(map(str, frame.columns))}."
        )
    arms = _arms(teeth, lengths or {}, reference)
    known = frame["movement"].isin((*TRANSLATIONS, *ANGLES))
    rows = frame[frame["tooth"].isin(list(teeth)) & known]
    table = _moved(_tidy(rows, of), arms)
    measures = None if isinstance(cohort, pd.DataFrame) else cohort.measures
    table = _with_plate(table, measures, of)
    return ApexDisplacement(
        table=table[list(COLUMNS)],
        summary=_summary(table),
        caution=CAUTION,
        notes=_notes(table, of, reference),
    )


def _every(cohort: Cohort) -> pd.DataFrame:
    """Movements, measured or not."""
    if not len(cohort.unmeasured):
        return cohort.movements
    return pd.concat([cohort.movements, cohort.unmeasured], ignore_index=True)


def _arms(
    teeth: Collection[int], lengths: Mapping[int, tuple[float, float]], reference: Reference
) -> dict[int, float]:
    """Tooth to the distance from the reference point to the apex."""
    handbook = tooth_lengths([t for t in teeth if t not in lengths])
    known = {int(t): (c, r) for t, c, r in handbook.itertuples(index=False)} | dict(lengths)
    bad = [t for t, (crown, root) in known.items() if not (crown > 0 and root > 0)]
    if bad:
        raise CannotAnswer(
            f"Length of {', '.join(map(str, bad))}: give crown and root in mm, above 0."
        )
    share = 0.5 if reference == "crown centre" else 1.0
    return {t: share * crown + root for t, (crown, root) in known.items()}


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
    table["recorded"] = [
        ", ".join(name for name, there in zip(movements, row, strict=True) if there)
        for row in given
    ]
    table["courses"] = counts.groupby(key)["course"].max().reindex(teeth).fillna(0).to_numpy(int)
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
    nan = float("nan")
    sites = list(zip(table["patient"], table["tooth"], table["courses"], strict=True))
    start = np.array([found.get((p, t, 0), nan) for p, t, _ in sites], dtype=float)
    end = np.array([found.get((p, t, int(k)), nan) for p, t, k in sites], dtype=float)
    end[table["courses"].to_numpy(int) == 0] = nan
    later = [
        max((k for a, b, k in found if (a, b) == (p, t) and k), default=0) for p, t, _ in sites
    ]
    last = [
        found.get((p, t, k), nan) if k else nan for (p, t, _), k in zip(sites, later, strict=True)
    ]
    achieved = of == "achieved"
    return table.assign(
        plate_start=start,
        plate_expected=start - table["apex_buccal"],
        plate_measured=end if achieved else nan,
        plate_last=np.array(last, dtype=float) if achieved else nan,
        plate_last_course=pd.array(
            [k or None for k in later] if achieved else [None] * len(later), "Int64"
        ),
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
        sites = [
            f"{patient} {tooth}: {missing}"
            for patient, tooth, missing in blank[["patient", "tooth", "missing"]].itertuples(
                index=False
            )
        ]
        more = f", and {len(sites) - SHOWN} more" if len(sites) > SHOWN else ""
        notes.append(
            "Where a value is blank, the apex is followed to the course before, and not at all where "
            f"that is the first ({', '.join(sites[:SHOWN])}{more})."
        )
    if table["plate_expected"].lt(0).any():
        notes.append(
            "Where plate_expected is below zero, the apex would lie beyond the plate as it was: look "
            "at these teeth first."
        )
    apart = table["plate_last"].notna() & table["plate_measured"].isna()
    if apart.any():
        sites = [
            f"{row.patient} {row.tooth}: {row.plate_last:g} mm after course {row.plate_last_course}"
            for row in table[apart].itertuples()
        ]
        more = f", and {len(sites) - SHOWN} more" if len(sites) > SHOWN else ""
        notes.append(
            "The last measured distance to the plate is of another time than the apex "
            f"({', '.join(sites[:SHOWN])}{more}): it is not compared with what was expected."
        )
    return tuple(notes)
