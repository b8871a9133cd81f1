"""What is learnt of a cohort once, and asked for each of its patients."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from outcomes.ahead.alternatives import Levels, levels_of
from outcomes.ahead.holds import Learnt, learn_side_movement
from outcomes.ahead.intervals import Evidence
from outcomes.ahead.records import Records, records_of
from outcomes.cohort.records import Cohort
from outcomes.errors import InputError
from outcomes.predictive.expect import Expectation, expect_all

__all__ = ["Past"]


class Past:
    """The records, the expectations, and what else is learnt when it is first asked for."""

    def __init__(
        self,
        cohort: Cohort | pd.DataFrame,
        expectations: Mapping[str, Any] | None,
        fewest: int,
        seed: int,
    ) -> None:
        self.records: Records = records_of(cohort)
        self.expectations: Mapping[str, Any] = _checked(expectations, cohort, seed)
        self._fewest, self._seed = fewest, seed
        self._levels: dict[str, list[Levels]] = {}
        self._still: dict[str, Learnt] = {}
        self.of_intervals: dict[tuple[str, str], Evidence] = {}

    def levels(self, movements: Sequence[str]) -> dict[str, list[Levels]]:
        """By movement what is told of attachments and auxiliaries."""
        for movement in movements:
            if movement not in self._levels:
                self._levels[movement] = levels_of(self.records.measured, movement)
        return {movement: self._levels[movement] for movement in movements}

    def side_movements(self, movements: set[str]) -> dict[str, Learnt]:
        """By movement what is told of teeth that no plan moves."""
        for movement in sorted(movements - set(self._still)):
            learnt = learn_side_movement(self.records, movement, self._fewest, self._seed)
            self._still[movement] = learnt
        return {movement: self._still[movement] for movement in movements}


def _checked(
    expectations: Mapping[str, Any] | None, cohort: Cohort | pd.DataFrame, seed: int
) -> Mapping[str, Any]:
    if expectations is None:
        return expect_all(cohort, seed=seed)
    if isinstance(expectations, Expectation):
        return {expectations.movement: expectations}
    if not isinstance(expectations, Mapping):
        raise InputError(
            f"expectations is of type {type(expectations).__name__}: give what expect_all returns, "
            "by movement."
        )
    return expectations
