"""With what a report was computed, and from what, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.paths import versions
from outcomes.reports.build.provenance import PACKAGES

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort


def computed_with(cohort: Cohort, packages: tuple[str, ...], *more: str) -> str:
    """Versions of Python, this package and others, then the input with its hash.

    ``more`` is said before the input, such as ``"seed 1"``.
    """
    found = versions(PACKAGES)
    names = ("outcomes", *packages)
    with_ = ", ".join([f"Python {found['python']}", *(f"{n} {found[n]}" for n in names), *more])
    return f"{with_}. Input {cohort.source}, SHA-256 {cohort.sha256}."
