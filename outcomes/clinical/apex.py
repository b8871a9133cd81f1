"""The apex of a tooth: how far it lies from the crown, and where it goes with it.

If tooth and root are one rigid body, a point r from the reference point of the crown moves by
T + (R - I) r, with T the translation of the reference point and R the rotation.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.domain.teeth import CROWN_AND_ROOT
from outcomes.errors import CannotAnswer

__all__ = [
    "ANGLES",
    "TRANSLATIONS",
    "Reference",
    "apex_motion",
    "arms_to_apex",
    "tooth_lengths",
]

TRANSLATIONS = ("mesiodistal", "buccolingual", "vertical")
ANGLES = ("tip", "torque", "rotation")
Reference = Literal["crown centre", "incisal edge"]


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
    rows = [(t, *CROWN_AND_ROOT["upper" if t // 10 < 3 else "lower"][t % 10]) for t in teeth]
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


def arms_to_apex(
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
