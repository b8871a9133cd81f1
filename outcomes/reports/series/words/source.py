"""Short ways from a sentence to the cells of the tables of one series."""

from __future__ import annotations

from typing import Any

from outcomes.domain.names import movement_name
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Part, Sentence, counted, joined, phrase, say
from outcomes.reports.table import Ref
from outcomes.words.units import NBSP, unit_mark

RATE = f"{{Rate, %}}{NBSP}%"
"""In a template of a line of rates: the rate with its sign."""


class Source:
    """The tables of a series, and templates that quote them.

    A template may name ``{setting level}`` and other settings, ``{label rates}`` (how the text
    calls a table), ``{cite fit}`` (the number of a reference), ``{tolerance}`` (of the units at
    hand), ``{patients}`` (how many, with the noun), and what is added by `line`.
    """

    def __init__(self, series: Series, tables: Tables, cells: dict[str, Ref] | None = None) -> None:
        self.series, self.tables, self.cells = series, tables, cells or {}
        self.one = len(series.patients) == 1

    def __contains__(self, short: str) -> bool:
        return short in self.tables

    def __getitem__(self, name: str) -> Any:
        """What a template names."""
        if name in self.cells:
            return self.cells[name]
        match name.split(" ", 1):
            case ["setting", key]:
                return self.setting(key)
            case ["label", short]:
                return self.tables[short].label
            case ["cite", key]:
                return phrase("[{number}]", number=self.ref("references", key, "No."))
            case ["tolerance"]:
                return self.tolerance()
            case ["patients"]:
                return counted(self.value("patients", "patients"), "patient")
        raise KeyError(name)

    def line(self, short: str, key: str) -> Source:
        """The same, with templates that name the cells of a line by their columns.

        ``{interval}`` is that of the line whatever its level, ``{start}`` and ``{end}`` are those
        of a measure whether they are means or not.
        """
        cells = {name: self.ref(short, key, name) for name in self.tables[short].columns}
        for name, ref in list(cells.items()):
            if name.endswith("interval"):
                cells["interval"] = ref
            if name.startswith(("Start", "End")):
                cells[name.split(",")[0].lower()] = ref
        return Source(self.series, self.tables, cells)

    def ref(self, short: str, key: str, column: str) -> Ref:
        return self.tables[short].ref(key, column)

    def value(self, short: str, key: str) -> Ref:
        """A cell of a table of two columns."""
        return self.ref(short, key, self.tables[short].columns[1])

    def setting(self, key: str) -> Ref:
        return self.value("settings", key)

    def say(self, template: str, **parts: Part) -> Sentence:
        return say(template, self, **parts)

    def those(self, *sentences: str | tuple[bool, str]) -> list[Sentence]:
        """Sentences, of those with a condition the ones of which it holds."""
        pairs = [(True, given) if isinstance(given, str) else given for given in sentences]
        return [self.say(template) for holds, template in pairs if holds]

    def phrase(self, template: str, **parts: Part) -> Sentence:
        return phrase(template, self, **parts)

    def tolerance(self, units: set[str] | None = None) -> Sentence:
        """``0.5 mm or 2°``, of the units at hand."""
        used = units if units is not None else set(self.series.cohort.movements["unit"])
        sizes = [
            phrase("{size}{unit}", size=self.setting(f"tolerance {unit}"), unit=unit_mark(unit))
            for unit in self.series.tolerance
            if unit in used
        ]
        return joined(sizes, "or")

    def pooled(self) -> list[Sentence]:
        """``56 % of torque``: the pooled rate of each movement."""
        return [
            self.line("achievement", f"{movement} all").phrase(
                f"{{Pooled rate, %}}{NBSP}% of {movement_name(movement)}"
            )
            for movement in self.series.overall["movement"].astype(str)
        ]

    def p(self, short: str, key: str, column: str = "p") -> Sentence:
        """``= 0.031`` or ``< 0.001``."""
        cell = self.ref(short, key, column)
        return Sentence(cell.text if cell.text.startswith("<") else f"= {cell.text}", (cell,))
