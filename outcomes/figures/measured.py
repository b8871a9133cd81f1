"""The figure of what was measured from scans or landmarks: outlines, arrows or residuals."""

from __future__ import annotations

from typing import Any

import numpy as np

from outcomes.errors import InputError
from outcomes.figures.arches import arch_outlines
from outcomes.figures.crown_arrows import arch_arrows
from outcomes.figures.crown_residuals import residual_map
from outcomes.measure.measured import Measured

KINDS = {"outlines": arch_outlines, "arrows": arch_arrows, "residuals": residual_map}


def measured_arches(measured: Measured, kind: str | None = None, **options: Any) -> np.ndarray:
    """Draw what was measured.

    Parameters
    ----------
    measured
        From `outcomes.measure_scans` or `outcomes.measure_landmarks`.
    kind
        ``"outlines"`` of the crowns in three stages, ``"arrows"`` of the movements, ``"residuals"``
        of the crowns. By default outlines, and arrows where landmarks were measured.
    **options
        ``patient``, ``course``, ``width`` and what else the function of that figure takes.

    Returns
    -------
    ndarray of Axes

    Raises
    ------
    InputError
        If there is no such kind, or it cannot be drawn.
    """
    if kind is None:
        crowns = any(part.detail is not None and part.detail.crowns for part in measured.arches)
        kind = "outlines" if crowns else "arrows"
    if kind not in KINDS:
        raise InputError(f"No figure {kind!r} of measured arches: choose {', '.join(KINDS)}.")
    return KINDS[kind](measured, **options)
