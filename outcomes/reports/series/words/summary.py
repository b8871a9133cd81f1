"""The findings of a case series in a few sentences, for a poster or the box at the top."""

from __future__ import annotations

import pandas as pd

from outcomes.domain.names import movement_name
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Sentence, joined
from outcomes.reports.series.sharing import enough, of_enough
from outcomes.reports.series.tables import lines_of
from outcomes.reports.series.words.measures import short_change, short_worse, shows_change, worsened
from outcomes.reports.series.words.source import RATE, Source


def summary(series: Series, tables: Tables, most: int = 4) -> list[Sentence]:
    """The findings in a few sentences, for a poster or the box at the top."""
    s = Source(series, tables)
    found = _changes(s, most) if "before_after" in tables else []
    return [*found, *_achieved(s)][: max(most, len(found) + 1)]


def _changes(s: Source, most: int) -> list[Sentence]:
    """Changes towards a target that were shown, as many as there is room for, and all for the worse."""
    n = len(s.series.patients)
    every = [pair for pair in lines_of(s.series) if enough(int(pair[0]["patients"]), n)]
    worse = [short_worse(s, line, group) for line, group in every if worsened(line)]
    judged = {str(line["measure"]) for line, _ in every if line["with_target"]}
    better = [
        (line, group)
        for line, group in every
        if line["with_target"]
        and shows_change(line)
        and not worsened(line)
        # The same finding as overbite, against a target of its own.
        and not (line["measure"] == "open_bite" and "overbite" in judged)
    ]
    room = max(1, most - 1 - len(worse))
    return [short_change(s, line, group) for line, group in better[:room]] + worse


def _achieved(s: Source) -> list[Sentence]:
    """The highest and the lowest rate of enough patients; pooled rates where there is no model."""
    rates = of_enough(s.series.fits.rates, s.series) if "rates" in s else pd.DataFrame()
    if not len(rates):
        if "achievement" not in s:
            return []
        return [s.say("Achieved, summed over teeth: {parts}.", parts=joined(s.pooled()))]
    rates = rates.sort_values("rate")
    ends = rates["movement"].astype(str).iloc[[-1] if len(rates) == 1 else [-1, 0]]
    parts = [
        s.line("rates", f"{movement} all").say(
            f"{RATE} ({{interval}}) of {movement_name(movement)}"
        )
        for movement in ends
    ]
    words = "Achieved: {parts}" if len(ends) == 1 else "Achieved of the plan: from {parts}"
    return [s.say(f"{words}, with {{setting level}} intervals.", parts=joined(parts, "down to"))]
