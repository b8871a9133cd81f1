"""The codebook: what every table and column means, written from the schema.

``python -m outcomes.cohort.codebook`` writes ``shared/codebook.md`` anew after the schema changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from outcomes.cohort.books.pages import WORKBOOKS
from outcomes.cohort.cells import TROUBLE
from outcomes.cohort.delimited import TEXT_FILES
from outcomes.cohort.problems import EXAMPLE_ROW, NOT_MEASURED, TOTALS_ROW
from outcomes.cohort.sizes import LIMITS, ROWS
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.table_types import BY_MEASURE, BY_MOVEMENT, Column
from outcomes.domain.tables import EXAMPLE_PATIENT, TABLES
from outcomes.domain.teeth import NOTATION_NAMES, NOTATIONS, describe_notation
from outcomes.words.units import unit_in_full

_KINDS = {
    "identifier": "code",
    "tooth": "tooth number",
    "code": "one of the values listed",
    "number": "number",
    "integer": "whole number",
    "date": "date, as 2024-01-31",
    "text": "text",
}


def unit_words(column: Column) -> str:
    """Unit of a column in words, ``""`` where it has none.

    Examples
    --------
    >>> unit_words(TABLES["movements"].column("planned"))
    'mm or degrees, by movement'
    """
    if column.unit == BY_MOVEMENT:
        return "mm or degrees, by movement"
    if column.unit == BY_MEASURE:
        return "by measure"
    return unit_in_full(column.unit) or column.unit


def allowed_words(column: Column) -> str:
    """Values a column may hold, in words.

    Examples
    --------
    >>> allowed_words(TABLES["patients"].column("sex"))
    'female, male, other'
    >>> allowed_words(TABLES["patients"].column("age"))
    'from 0; 5 to 90 expected'
    """
    if column.codes:
        names = ", ".join(code.name for code in column.codes)
        return f"{names}; others are kept" if column.other_codes else names
    parts = [] if column.hard_low is None else [f"from {column.hard_low:g}"]
    if column.low is not None and column.high is not None:
        parts.append(f"{column.low:g} to {column.high:g} expected")
    elif column.high is not None:
        parts.append(f"up to {column.high:g} expected")
    return "; ".join(parts)


def codebook_rows(table: str) -> list[tuple[str, str, str, str, str, str]]:
    """Column, needed, kind, unit, values and meaning of each column of a table."""
    return [
        (
            column.name,
            "required"
            if column.required
            else f"optional ({column.default})"
            if column.default is not None
            else "optional",
            _KINDS[column.kind],
            unit_words(column),
            allowed_words(column),
            column.description,
        )
        for column in TABLES[table].columns
    ]


def codebook() -> str:
    """The codebook as Markdown.

    Examples
    --------
    >>> print(codebook().splitlines()[0])
    # Codebook
    """
    parts = [_HEAD, _teeth(), _signs()]
    parts += [_table(name) for name in TABLES]
    parts += [_reading(), _trouble()]
    return "\n".join(parts)


_HEAD = f"""# Codebook

Written from `outcomes/domain/tables.py` by `python -m outcomes.cohort.codebook`: change it there.

A cohort is up to five tables: one workbook (`.xlsx`, or one of the others below) with a sheet for
each, or a folder with a `.csv` or `.parquet` file for each, named as below. The movements table alone, with its five
required columns, is enough. Columns may stand in any order; any other column is kept under its own
name and can be used as a covariate. A row whose patient is `{EXAMPLE_PATIENT}` is ignored.
"""


def _rows(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---" for _ in head) + " |"]
    lines += ["| " + " | ".join(row).replace("  ", " ") + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _teeth() -> str:
    rows = [(f"`tooth ({NOTATION_NAMES[name]})`", describe_notation(name)) for name in NOTATIONS]
    return f"""## Teeth

Headed `tooth`, the column is read as the one notation all its numbers fit. Numbers that fit two
(all of them within 11-18, 21-28, 31, 32) are a problem to settle, never a guess: say the notation
in the heading, or when reading (`notation=`, `--notation`).

{_rows(("heading", "numbers"), rows)}"""


def _signs() -> str:
    rows = [
        (
            m.name,
            m.unit,
            m.positive,
            m.negative,
            f"{m.tolerance:g}",
            f"{m.smallest_plan:g}",
            f"{m.expected_size:g}",
        )
        for m in MOVEMENTS.values()
    ]
    head = ("movement", "unit", "positive", "negative", "tolerance", "smallest plan", "largest")
    return f"""## Movements, units, signs

{_rows(head, rows)}
Tolerance: clinically relevant difference (Angle Orthod 2017;87(6):809-815,
doi:10.2319/022717-147.1). Smallest plan: the least planned movement that enters a ratio of a single
row (common practice, no source). Largest: more is listed to be looked at, and kept (common
practice, no source).
"""


def _table(name: str) -> str:
    table = TABLES[name]
    head = ("column", "needed", "kind", "unit", "values", "meaning")
    parts = [f"## {name}\n", f"One row is {table.one_row}.\n", _rows(head, codebook_rows(name))]
    spellings = [
        (column.name, ", ".join(column.synonyms)) for column in table.columns if column.synonyms
    ]
    parts.append("Other headings read:\n")
    parts.append(_rows(("column", "also read as"), spellings))
    codes = [
        (column.name, code.name, code.meaning + (f" ({code.unit})" if code.unit else ""))
        for column in table.columns
        for code in column.codes
        if code.name != code.meaning
    ]
    if codes:
        parts.append("Values:\n")
        parts.append(_rows(("column", "value", "meaning"), codes))
    return "\n".join(parts)


def _reading() -> str:
    return f"""## How cells are read

- Workbooks: {", ".join(f"`{form}`" for form in WORKBOOKS)}; text: {", ".join(f"`{form}`" for form in TEXT_FILES)}, and
  `.parquet`. The content decides what a workbook is, not its ending.
- Text is UTF-8, UTF-16 (with or without its mark) or Windows-1252, Latin-1 among it; columns are
  separated by comma, semicolon, tab or |. A line break inside quotation marks is part of its cell.
- Numbers: decimal point or comma, thousands marks, a Unicode minus, spaces around, and the unit
  behind the number. A unit that contradicts the movement excludes the row. What can be read two
  ways (`1,234`) excludes it too. A number typed as text is a number.
- A date in a column of numbers, TRUE and FALSE, and errors (`#N/A`, `#DIV/0!`, also of the
  older formats) are no numbers: the row is excluded. A formula counts with its stored value, and is
  never calculated; without one, the row is excluded (`.xls` and `.xlsb` store 0 for a formula
  that was never calculated, which cannot be told from a result of 0).
- Hidden sheets with the name of a table, hidden rows and hidden columns are read like what is
  shown, and listed; other hidden sheets are not read, and listed.
- Of merged cells only the first has a value. The cells below are blank, each is told with the row
  it is merged with, and nothing is filled down unless a mapping says so.
- Headings may stand in two rows, cells merged across or down.
- A row that says total, mean, sum or the like (in seven languages) and names no record is set
  aside as "{TOTALS_ROW}", and listed; one that looks like a record is excluded.
- A blank `achieved` or `value` is not zero: the row goes to the ledger as "{NOT_MEASURED}".
  `na`, `n/a`, `-` and `missing` count as blank.
- `planned` = 0 is kept: a movement that was not planned, reported apart, never a rate.
- The headings are looked for in the first rows of a sheet, so a title may stand above them.
- Blank rows are no records. The row of the patient `{EXAMPLE_PATIENT}` is in the ledger as
  "{EXAMPLE_ROW}".
- Codes that differ in capitals, spaces or leading zeros only are listed, and count as two patients.
- A record that stands twice counts once. Records of one key that disagree are all excluded.
- Columns that look like names, birth dates or contact data are left out.
- What can be read and is probably something else stops, or is asked about: positions instead of
  changes, sizes without a sign, a column of directions or starts left over, later courses that go
  on counting, a patient written once for several rows, signs beside tooth numbers, running numbers
  for teeth. `outcomes map FILE` asks and keeps the answer.
- A cohort that loses more than a fifth of its rows to problems says so first.
- Headings and movements are read in English, as listed below. Words of six more languages (de, fr,
  es, pt, it, sv; `outcomes/domain/words_of_headings.py`, `words_of_movements.py`) are
  understood by `outcomes map`, never read without it.
- Severity: `stop` (nothing can be analysed), `exclude` (the row goes to the ledger), `check` (kept,
  listed). Reading never changes the file.
- A text that begins like a formula (`=`, `+`, `-`, `@`) is written to `.csv` with a mark (`'`) in
  front, which reading takes away; in a workbook it is stored as text. Numbers stay as they are.

## How much is read

More is refused, with what to set. A limit is set for a run by its environment variable, as in
`{ROWS.variable}=6000000`.

{_rows(("environment variable", "limit", "of one file"), [(f"`{m.variable}`", f"{m.default:,}", m.what) for m in LIMITS])}
Of a workbook only the tables are unpacked: no macro, no link to another file and no picture is
opened. Sizes that a file declares are checked before memory is set aside for them.
"""


def _trouble() -> str:
    rows = list(TROUBLE.values())
    return "## What cannot be read\n\n" + _rows(("problem", "remedy"), rows)


def write_codebook(path: str | Path | None = None) -> Path:
    """Write the codebook as Markdown.

    Parameters
    ----------
    path
        Where to; by default ``shared/codebook.md`` of the checkout.
    """
    target = Path(path) if path else Path(__file__).parents[2] / "shared" / "codebook.md"
    target.write_text(codebook(), encoding="utf-8", newline="\n")
    return target


if __name__ == "__main__":
    write_codebook()
