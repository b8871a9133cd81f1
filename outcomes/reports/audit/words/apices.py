"""Where the roots at risk went, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.words.english import number_of
from outcomes.words.numbers import size

if TYPE_CHECKING:
    from outcomes.clinical.roots import ApexDisplacement


def roots(result: ApexDisplacement) -> list[str]:
    """The farthest apex by tooth and patient, what was assumed, and the caution; never without it."""
    lines = []
    table = result.table
    sure = table[table["apex_buccal"].notna() & table["torque_measured"].astype(bool)]
    if len(sure):
        farthest = sure.iloc[int(sure["apex_buccal"].abs().to_numpy().argmax())]
        way = "labially" if farthest["apex_buccal"] > 0 else "lingually"
        of = number_of(len(sure), "lower incisor")
        lines.append(
            f"Of {of} whose torque was measured, the apex that went farthest is "
            f"that of tooth {farthest['tooth']} of {farthest['patient']}: "
            f"{size(abs(farthest['apex_buccal']), 'mm')} {way}, computed from how the crown moved."
        )
    elif len(table):
        lines.append(
            f"Of {number_of(len(table), 'lower incisor')}, torque was measured in none, so how far "
            "an apex went is not known."
        )
    return [*lines, *result.notes, result.caution]
