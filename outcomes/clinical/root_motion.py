"""Where apices went, from movements measured on scans: points in the start scan, and distances.

The crown's motion is measured, the root's is not: it is taken to be one rigid body with the crown,
as long as the handbook's mean, and straight along the tooth's occlusal axis.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.clinical.apex import ANGLES, TRANSLATIONS, apex_motion, arms_to_apex
from outcomes.clinical.roots import CAUTION
from outcomes.domain.teeth import LOWER_INCISORS
from outcomes.errors import CannotAnswer
from outcomes.measure.measured import Measured
from outcomes.words.english import listed
from outcomes.words.shown import as_html, as_text

__all__ = ["RootMotion", "root_motion"]

_KEY = ["patient", "course", "tooth"]
_POINTS = [f"apex_{when}_{x}" for when in ("start", "end") for x in "xyz"]
_HEAD = "Displacement of the apex, from scans (mm, labial positive)"


@dataclass(frozen=True)
class RootMotion:
    """Where apices went. See ``root_motion``.

    Attributes
    ----------
    table
        One row for each patient, course and tooth.
    caution
        To be shown wherever these numbers are.
    notes
        What was assumed, and which teeth are not in the table.
    """

    table: pd.DataFrame
    caution: str
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        body = self.table if len(self.table) else "no tooth"
        return as_text(_HEAD, body, *self.notes, self.caution)

    def _repr_html_(self) -> str:
        tables = [self.table] if len(self.table) else []
        return f"{as_html(_HEAD, *tables, notes=self.notes)}<p>{self.caution}</p>"


def root_motion(
    measured: Measured,
    teeth: Collection[int] = LOWER_INCISORS,
    *,
    of: Literal["achieved", "planned"] = "achieved",
    lengths: Mapping[int, tuple[float, float]] | None = None,
) -> RootMotion:
    """How far apices went with the crowns that were measured.

    Parameters
    ----------
    measured
        From scans or landmarks.
    teeth
        FDI numbers of permanent teeth; by default the lower incisors.
    of
        "achieved", or "planned" for what the plan would do.
    lengths
        Tooth to (crown, root) in mm where they were measured; else the handbook's.

    Returns
    -------
    RootMotion
        ``.table``: patient, course, tooth; arm (crown centre to apex, mm); apex_mesial, apex_buccal
        (labial positive), apex_vertical (extrusion positive), apex_distance, mm; apex_start and
        apex_end x, y, z: where the apex is taken to lie in the start scan, before and after.
        Teeth that were not measured have no row and are named in ``.notes``.

    Raises
    ------
    CannotAnswer
        If ``of`` is neither, or a length is not known or makes no sense.
    """
    if of not in ("achieved", "planned"):
        raise CannotAnswer(f"of={of!r}: give 'achieved' or 'planned'.")
    arms = arms_to_apex(teeth, lengths or {}, "crown centre")
    rows = measured.movements[measured.movements["tooth"].isin(list(teeth))]
    wide = rows.pivot(index=_KEY, columns="movement", values=of).reindex(
        columns=[*TRANSLATIONS, *ANGLES]
    )
    whole = wide.dropna().reset_index().rename_axis(columns=None)
    table = whole.merge(measured.frames, on=_KEY, how="inner", validate="one_to_one")
    table["arm"] = table["tooth"].map(arms).astype(float)
    arm = table["arm"].to_numpy(float)
    apex = apex_motion(
        table[list(TRANSLATIONS)].to_numpy(float), table[list(ANGLES)].to_numpy(float), arm
    )

    def vectors(name: str) -> np.ndarray:
        return table[[f"{name}_{x}" for x in "xyz"]].to_numpy(float)

    start = vectors("centre") - arm[:, None] * vectors("occlusal")
    axes = np.stack([vectors(n) for n in ("mesial", "buccal", "occlusal")], axis=1)
    end = start + np.einsum("ij,ijk->ik", apex, axes)
    columns = {
        f"apex_{name}": apex[:, i] for i, name in enumerate(("mesial", "buccal", "vertical"))
    }
    columns["apex_distance"] = np.linalg.norm(apex, axis=1)
    points = dict(zip(_POINTS, np.concatenate([start, end], axis=1).T, strict=True))
    return RootMotion(
        pd.concat([table[[*_KEY, "arm"]], pd.DataFrame(columns | points)], axis=1),
        CAUTION,
        _notes(measured, table, teeth, of),
    )


def _notes(
    measured: Measured, table: pd.DataFrame, teeth: Collection[int], of: str
) -> tuple[str, ...]:
    notes = [
        f"From {of} movements of the crown's centre; the root is taken to move with the crown, and "
        "to lie along the tooth's occlusal axis, which is at right angles to the occlusal plane "
        "where no point of its neck was given: an inclined tooth's apex lies elsewhere."
    ]
    known = set(map(tuple, table[_KEY].to_numpy().tolist()))
    quality = measured.quality[measured.quality["tooth"].isin(list(teeth))]
    asked = quality.loc[quality["stage"] == of, _KEY].drop_duplicates()
    lost = [
        f"{p} {t} (course {c})"
        for p, c, t in asked.itertuples(index=False)
        if (p, c, t) not in known
    ]
    if lost:
        notes.append(f"Not measured, so that nothing is known of the apex: {listed(lost)}.")
    return tuple(notes)
