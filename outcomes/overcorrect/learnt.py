"""What a plan is asked to be made from: past cases, or what was learnt of them, as sources."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from outcomes.cohort.records import Cohort
from outcomes.errors import CannotAnswer, InputError, require_columns
from outcomes.overcorrect.expected import ExpectedSource
from outcomes.overcorrect.outlook import FitSource
from outcomes.overcorrect.rules import Rules
from outcomes.overcorrect.sources import Expects, Source
from outcomes.predictive.expect import expect_all
from outcomes.rates.result import RateFit

__all__ = ["sources_of"]


def sources_of(past: Any, towards: tuple[str, ...], rules: Rules) -> dict[str, Source]:
    """The source of each movement, from what `prescribe` is given.

    Raises
    ------
    CannotAnswer
        If there is no movement at all, or a fit does not say its movement.
    InputError
        If it is neither past cases nor fits nor expectations.
    """
    if isinstance(past, (Cohort, pd.DataFrame)):
        if isinstance(past, pd.DataFrame):
            require_columns(past, ("patient", "tooth", "movement", "planned", "achieved"))
        past = expect_all(past)
    if isinstance(past, Mapping):
        if not past:
            raise CannotAnswer(
                "There is no movement whose rates are known: two patients with "
                "planned and measured movements are the fewest."
            )
        return {str(name): _source(one, towards, rules) for name, one in past.items()}
    if isinstance(past, RateFit) and past.movement is None:
        raise CannotAnswer(
            "The fit does not say which movement it is of: give fit_rate a frame with the column "
            "movement, or movement=."
        )
    source = _source(past, towards, rules)
    return {str(past.movement): source}


def _source(one: Any, towards: tuple[str, ...], rules: Rules) -> Source:
    if isinstance(one, RateFit):
        return FitSource.of(one, towards, rules)
    if isinstance(one, Expects):
        return ExpectedSource.of(one, rules)
    raise InputError(
        f"A plan is made from past cases, not from {_what(one)}: give a cohort, what expect_all or "
        "fit_rates make of one, or one fit or expectation."
    )


def _what(thing: Any) -> str:
    return "nothing" if thing is None else f"a {type(thing).__name__}"
