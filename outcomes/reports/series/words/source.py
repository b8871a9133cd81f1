"""Short ways from a sentence to the cells of the tables of one series."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from outcomes.domain.names import movement_name
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.sentences import Part, Sentence, joined, phrase, say
from outcomes.reports.table import Ref
from outcomes.words.units import NBSP, unit_mark

if TYPE_CHECKING:
    from outcomes.reports.series.results import Series

__all__ = ["Source"]


class _By:
    """What a template reaches by name: ``{setting[level]}``."""

    def __init__(self, find: Callable[[str], Any]) -> None:
        self.find = find

    def __getitem__(self, name: str) -> Any:
        return self.find(name)


class Source:
    """The tables of a series, and templates that quote them.

    A template may name ``{setting[level]}`` and other settings, ``{label[rates]}`` (how the text
    calls a table) and ``{cite[fit]}`` (the number of a reference).
    """

    def __init__(self, series: Series, tables: Tables) -> None:
        self.series, self.tables = series, tables
        self.one = len(series.patients) == 1
        self._names = {
            "setting": _By(self.setting),
            "label": _By(lambda short: tables[short].label),
            "cite": _By(self._cite),
        }

    def __contains__(self, short: str) -> bool:
        return short in self.tables

    def ref(self, short: str, key: str, column: str) -> Ref:
        return self.tables[short].ref(key, column)

    def value(self, short: str, key: str) -> Ref:
        """A cell of a table of two columns."""
        return self.ref(short, key, self.tables[short].columns[1])

    def setting(self, key: str) -> Ref:
        return self.value("settings", key)

    def interval(self, short: str, key: str) -> Ref:
        """The interval of a line, whatever its level."""
        columns = self.tables[short].columns
        return self.ref(short, key, next(c for c in columns if c.endswith("interval")))

    def say(self, template: str, **parts: Part) -> Sentence:
        return say(template, self._names, **parts)

    def phrase(self, template: str, **parts: Part) -> Sentence:
        return phrase(template, self._names, **parts)

    def tolerance(self, units: set[str] | None = None) -> Sentence:
        """``0.5 mm or 2°``, of the units at hand."""
        used = units if units is not None else set(self.series.cohort.movements["unit"])
        sizes = [
            phrase("{size}{unit}", size=self.setting(f"tolerance {unit}"), unit=unit_mark(unit))
            for unit in self.series.tolerance
            if unit in used
        ]
        return joined(sizes, "or")

    def rate(self, movement: str) -> Sentence:
        """The rate of a movement by the model, with its sign."""
        return phrase(f"{{rate}}{NBSP}%", rate=self.ref("rates", f"{movement} all", "Rate, %"))

    def pooled(self) -> list[Sentence]:
        """``56 % of torque``: the pooled rate of each movement."""
        return [
            phrase(
                f"{{rate}}{NBSP}% of {movement_name(movement)}",
                rate=self.ref("achievement", f"{movement} all", "Pooled rate, %"),
            )
            for movement in self.series.overall["movement"].astype(str)
        ]

    def p(self, short: str, key: str, column: str = "p") -> Sentence:
        """``= 0.031`` or ``< 0.001``."""
        cell = self.ref(short, key, column)
        return Sentence(cell.text if cell.text.startswith("<") else f"= {cell.text}", (cell,))

    def _cite(self, name: str) -> Sentence:
        return phrase("[{number}]", number=self.ref("references", name, "No."))
