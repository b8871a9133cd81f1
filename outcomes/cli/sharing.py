"""The commands that write records: a de-identified copy, and last year's cohort with this year's."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from outcomes.cli.app import MappingOption, NotationOption, app
from outcomes.cli.spoken import console_of, print_table, stop, wrong_use
from outcomes.errors import CohortError, InputError, OutputRefused

if TYPE_CHECKING:
    import pandas as pd

RecordsArgument = Annotated[
    Path,
    typer.Argument(
        exists=True,
        help="A workbook, a folder of .csv or .parquet files, or a movements .csv.",
    ),
]


@contextmanager
def _refusals() -> Iterator[None]:
    """What keeps a file from being written, said; and the command ended."""
    try:
        yield
    except CohortError as error:
        stop(
            error, "Nothing was written. Put right what says 'stop', or say it as the remedy does."
        )
    except (InputError, OutputRefused) as error:
        wrong_use(str(error))


@app.command()
def deidentify(
    cohort: RecordsArgument,
    out: Annotated[
        Path, typer.Option("--out", help="New .xlsx, .csv (movements alone) or folder to write.")
    ],
    key: Annotated[
        Path,
        typer.Option(
            "--key",
            help="Key of the pseudonyms, made if missing. It stays with you: the same key next "
            "year gives the same pseudonyms.",
        ),
    ],
    drop: Annotated[
        list[str] | None, typer.Option("--drop", help="A column to leave out; may be repeated.")
    ] = None,
    keep: Annotated[
        list[str] | None,
        typer.Option("--keep", help="A column to keep, if it can name nobody; may be repeated."),
    ] = None,
    mapping: MappingOption = None,
    notation: NotationOption = None,
) -> None:
    """Write a copy with pseudonyms and days in place of codes and dates, and a report beside it."""
    from outcomes.cohort import deidentify as made

    with _refusals():
        result = made.deidentify(
            cohort,
            out,
            key=key,
            drop=drop or (),
            keep=keep or (),
            mapping=mapping,
            notation=notation,
        )
    shown = console_of()
    print_table(shown, "What was done to each column", result.columns)
    print_table(shown, "Rows", result.counts, align=("read", "written", "left_out"))
    if len(result.small_groups):
        title = "Fewer than 5 patients: the easiest to recognise"
        print_table(shown, title, result.small_groups, align=("patients",))
    for sentence in (*result.notes, made.NO_GUARANTEE):
        shown.print(sentence, highlight=False, markup=False)
    typer.echo(f"Wrote {result.path}; the report, for you alone, is {result.report}")


@app.command("add")
def add(
    cohort: RecordsArgument,
    new: RecordsArgument,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="New .xlsx, .csv (movements alone) or folder to write."),
    ] = None,
    in_place: Annotated[
        bool,
        typer.Option(
            "--in-place", help="Write to COHORT; the earlier file is kept beside it, with the day."
        ),
    ] = False,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace", help="Where the files differ, take the new value; all are listed."
        ),
    ] = False,
    same: Annotated[
        list[str] | None,
        typer.Option("--same", metavar="OLD=NEW", help="Two codes of one patient."),
    ] = None,
    not_same: Annotated[
        list[str] | None,
        typer.Option("--not-same", metavar="OLD=NEW", help="Two codes alike of two patients."),
    ] = None,
    answers: Annotated[
        Path | None,
        typer.Option(
            "--answers",
            exists=True,
            dir_okay=False,
            help="A .csv with columns old, new and same (yes or no), in place of the two above.",
        ),
    ] = None,
    mapping: Annotated[
        Path | None,
        typer.Option(
            exists=True, dir_okay=False, help="How NEW is read: what `outcomes map` wrote."
        ),
    ] = None,
    notation: NotationOption = None,
) -> None:
    """Join this year's records to a cohort; contradictions are listed, nothing is lost."""
    from outcomes.cohort.add import add_records, read_answers

    with _refusals():
        known, apart = read_answers(answers) if answers else ({}, [])
        known |= dict(_pair(text) for text in same or ())
        apart += [_pair(text) for text in not_same or ()]
        result = add_records(
            cohort,
            new,
            out,
            replace=replace,
            same=known,
            not_same=apart,
            in_place=in_place,
            mapping=mapping,
            notation=notation,
        )
    _print_lists(
        {
            "Cells that were blank and are filled": result.filled,
            "Cells that differ"
            + (": the new ones were taken" if replace else ": the earlier stay"): (
                result.contradictions
            ),
            "Rows that cannot be used yet, carried along": result.excluded,
        }
    )
    for sentence in result.said:
        typer.echo(sentence)
    typer.echo(f"Wrote {result.path}. Now: outcomes check {result.path}")


def _print_lists(lists: "dict[str, pd.DataFrame]") -> None:
    for title, frame in lists.items():
        if len(frame):
            print_table(console_of(), title, frame)


def _pair(text: str) -> tuple[str, str]:
    old, mark, new = text.partition("=")
    if not (old.strip() and mark and new.strip()):
        raise InputError(f"{text}: write the code of the earlier file, =, and that of the new one.")
    return old.strip(), new.strip()
