"""How far the result depends on what is taken as stable."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from outcomes.measure.measured import REST
from outcomes.measure.motion import largest_change
from outcomes.measure.register import Fit
from outcomes.measure.scanned import ArchMeasured
from outcomes.measure.superimpose import Superimposition, on_all, on_teeth
from outcomes.measure.verdict import fits_somewhere


def other_references(found: ArchMeasured) -> list[dict[str, Any]]:
    """What becomes of the movements when the scans are laid on something else.

    Parameters
    ----------
    found
        An arch as measured.

    Returns
    -------
    list of dict
        stage; left_out, the tooth of the reference that is left out, or None; instead, the
        reference taken instead; largest_mm and largest_degree, the largest change of any movement
        of any tooth; note, why it could not be tried.
    """
    rows = []
    for stage, done in found.stages.items():
        laid = done.superimposition
        if laid is None:
            continue
        good = {t: f for t, f in done.fits.items() if fits_somewhere(f)}
        given = {t: m for (t, s), m in found.motions.items() if s == stage}
        for out, instead, other in _others(found, laid, good):
            row: dict[str, Any] = {"stage": stage, "left_out": out, "instead": instead}
            if other is None:
                rows.append(row | {"note": "too few teeth are left to lay it on"})
                continue
            change = laid.motion.inverse().then(other.motion)
            rows.append(row | largest_change(given, found.frames, change) | {"note": ""})
    return rows


def _others(
    found: ArchMeasured, laid: Superimposition, good: Mapping[int, Fit]
) -> Iterator[tuple[int | None, str, Superimposition | None]]:
    """Every other reference that is tried."""
    for out in laid.teeth if len(laid.teeth) < len(good) else ():
        rest = [t for t in laid.teeth if t != out]
        yield out, REST, on_teeth(good, found.patches, rest)
    every = on_all(good, found.patches)
    if every is None or set(every.teeth) != set(laid.teeth):
        yield None, "all teeth, those that kept their places", every
    molars = [t for t in good if t % 10 in (6, 7)]
    if len(molars) >= 2 and set(molars) != set(laid.teeth):
        yield None, "the molars", on_teeth(good, found.patches, molars)
