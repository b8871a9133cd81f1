"""The cohort: its tables, what is wrong with them, and where every row read has gone."""

from __future__ import annotations

import html
from collections.abc import Collection
from dataclasses import dataclass, field

import pandas as pd

from outcomes.cohort.mapping.file import mapping_hash
from outcomes.cohort.mapping.spec import Mapping
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import TABLES
from outcomes.errors import InputError
from outcomes.words.english import counted


@dataclass(frozen=True, eq=False, repr=False)
class Cohort:
    """Planned and achieved movements of a group of patients, checked.

    Attributes
    ----------
    movements
        One row for each movement kept: patient, tooth (FDI), movement, planned, achieved, course,
        aim, the optional columns given, the user's own; then tooth_class, arch, side, direction,
        unit ("mm" or "degree"), tooth_site and row (as the spreadsheet shows it).
    patients, courses, measures, repeats
        The other tables; without rows where the input has none.
    problems
        table, row, column, value, problem, remedy, severity ("stop", "exclude", "check").
    ledger
        table, step ("read", "excluded", "analysed"), reason, rows, patients. In each table the
        rows read are the rows excluded plus the rows analysed.
    excluded
        The rows excluded, as read, with table, row and reason.
    source
        Name of the file or folder, without its path.
    sha256
        Hash of what was read.
    invented
        Whether the records are invented, as the demo's are.
    unmeasured
        The movements set aside because they are not measured yet, with the columns of
        ``movements``; in no rate, but they tell which courses a patient has.
    blank_aims
        Spreadsheet rows of movements without a written aim, whose ``aim`` is their plan.
    mapping
        How the records were read, where they stood in a layout of their own.
    notation
        How the teeth were numbered in what was read, as "fdi"; "" where that is not known.
    """

    movements: pd.DataFrame
    patients: pd.DataFrame
    courses: pd.DataFrame
    measures: pd.DataFrame
    repeats: pd.DataFrame
    problems: pd.DataFrame
    ledger: pd.DataFrame
    excluded: pd.DataFrame
    source: str
    sha256: str
    invented: bool = False
    unmeasured: pd.DataFrame = field(default_factory=pd.DataFrame)
    blank_aims: Collection[int] = frozenset()
    mapping: Mapping | None = None
    notation: str = ""

    @property
    def treated(self) -> list[str]:
        """Everybody with a movement, measured or not, or a measure: the "of n" beside counts."""
        tables = (self.movements, self.unmeasured, self.measures)
        return list(dict.fromkeys(str(p) for t in tables if "patient" in t for p in t["patient"]))

    def frame(self, movement: str | None = None, *, unmeasured: bool = False) -> pd.DataFrame:
        """Movements joined with their patients and courses, for modelling.

        Parameters
        ----------
        movement
            Keep this movement only.
        unmeasured
            Add the movements without a result yet; their ``achieved`` is missing.

        Returns
        -------
        pandas.DataFrame
            One row for each movement. A column of patients or courses whose name is taken is
            called ``patients_<name>`` or ``courses_<name>``.

        Raises
        ------
        InputError
            If there is no such movement.

        Examples
        --------
        >>> from outcomes.cohort.read import from_frames
        >>> rows = pd.DataFrame({"patient": ["P1"], "tooth": [43], "movement": ["rotation"],
        ...                      "planned": [12.0], "achieved": [8.5]})
        >>> patients = pd.DataFrame({"patient": ["P1"], "age": [27]})
        >>> from_frames(rows, patients).frame("rotation")[["tooth", "unit", "age"]]
           tooth    unit   age
        0     43  degree  27.0
        """
        joined = self.movements
        if unmeasured and len(self.unmeasured):
            joined = pd.concat([joined, self.unmeasured], ignore_index=True)
        if movement is not None:
            if movement not in MOVEMENTS:
                raise InputError(f"{movement!r} is no movement: use one of {', '.join(MOVEMENTS)}.")
            joined = joined[joined["movement"] == movement].reset_index(drop=True)
        for name, on in (("patients", ["patient"]), ("courses", ["patient", "course"])):
            table = getattr(self, name).drop(columns="row", errors="ignore")
            if not set(on) <= set(table.columns) or table.empty:
                continue
            taken = (set(joined.columns) & set(table.columns)) - set(on)
            table = table.rename(columns={column: f"{name}_{column}" for column in taken})
            joined = joined.merge(table, on=on, how="left", validate="many_to_one")
        return joined

    def _summary(self) -> dict[str, str]:
        read = self.ledger.query("table == 'movements' and step == 'read'")["rows"].sum()
        patients = self.movements["patient"].nunique()
        summary = {
            "analysed": f"{counted(len(self.movements), 'movement')} of {counted(patients, 'patient')}"
            f"; {counted(int(read) - len(self.movements), 'row')} of {read:,} excluded"
        }
        if self.mapping is not None:
            summary["mapping"] = f"read by a mapping ({mapping_hash(self.mapping)[:12]})"
        tables = [
            f"{name} {len(getattr(self, name)):,}"
            for name in TABLES
            if name != "movements" and len(getattr(self, name))
        ]
        if tables:
            summary["other tables"] = ", ".join(tables)
        severities = self.problems["severity"].value_counts()
        summary["problems"] = (
            ", ".join(
                f"{severities[s]:,} {s}" for s in ("stop", "exclude", "check") if s in severities
            )
            or "none"
        )
        return summary

    def __repr__(self) -> str:
        mark = " (invented records)" if self.invented else ""
        lines = [f"  {name}: {text}" for name, text in self._summary().items()]
        return "\n".join([f"Cohort {self.source}{mark}", *lines])

    def _repr_html_(self) -> str:
        mark = " (invented records)" if self.invented else ""
        rows = "".join(
            f"<tr><th scope='row' style='text-align:left'>{html.escape(name)}</th>"
            f"<td style='text-align:left'>{html.escape(text)}</td></tr>"
            for name, text in self._summary().items()
        )
        return f"<table><caption>Cohort {html.escape(self.source)}{mark}</caption>{rows}</table>"
