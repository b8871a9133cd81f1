"""Where the roots at risk went, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.report.tables import size
from outcomes.report.words.english import number_of

if TYPE_CHECKING:
    from outcomes.estimate.roots import ApexDisplacement


def roots(result: ApexDisplacement) -> list[str]:
    """The farthest apex by tooth and patient, what was assumed, and the caution; never without it."""
    lines = []
    if len(result.table):
        farthest = result.table.iloc[int(result.table["apex_buccal"].abs().to_numpy().argmax())]
        way = "labially" if farthest["apex_buccal"] > 0 else "lingually"
        lines.append(
            f"Of {number_of(len(result.table), 'lower incisor')}, the apex that went farthest is "
            f"that of tooth {farthest['tooth']} of {farthest['patient']}: "
            f"{size(abs(farthest['apex_buccal']), 'mm')} {way}, computed from how the crown moved."
        )
    return [*lines, *result.notes, result.caution]
