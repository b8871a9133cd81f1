"""Commands for records: an empty workbook, a mapping, a check."""

from pathlib import Path
from typing import Annotated

import typer

from outcomes.cli.app import DONE, STOPPED, CohortArgument, MappingOption, NotationOption, app
from outcomes.cli.spoken import (
    console_of,
    print_problems,
    print_table,
    say_demo,
    stop,
    voice,
    wrong_use,
)
from outcomes.errors import CohortError, OutcomesError


@app.command()
def template(
    file: Annotated[Path, typer.Argument(help="Workbook to write, such as practice.xlsx.")],
) -> None:
    """Write an empty workbook to fill in, with a codebook and an example row."""
    from outcomes.cohort.template import write_template

    if file.suffix.lower() != ".xlsx":
        wrong_use(f"{file.name}: the empty workbook is an Excel file; give a name ending in .xlsx.")
    if file.exists():
        wrong_use(f"{file} exists already and is left alone: give another name.")
    if not file.absolute().parent.is_dir():
        wrong_use(f"There is no folder {file.absolute().parent}: make it first.")
    write_template(file)
    typer.echo(f"Wrote {file}. Fill it in, then: outcomes check {file}")


@app.command("map")
def map_records(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", exists=True, help="A workbook, a text file, or a folder of such files."
        ),
    ],
    out: Annotated[
        Path | None, typer.Option("--out", help="File to write; beside FILE when not given.")
    ] = None,
    answer: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY=VALUE", help="Answer a question beforehand, by its key."),
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Ask nothing: write only if nothing is doubtful.")
    ] = False,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace an earlier mapping.")
    ] = False,
) -> None:
    """Say once how records in a layout of your own are read; the file itself is never changed."""
    from outcomes.cohort.dialogue import answers_of, confirmed, own_place
    from outcomes.cohort.mapping.file import write_mapping
    from outcomes.cohort.mapping.opened import mapping_beside
    from outcomes.cohort.proposal import propose_mapping

    target = out or mapping_beside(file)
    if target.exists() and not overwrite:
        wrong_use(f"{target} exists already: give --overwrite to replace it, or another --out.")
    if not target.absolute().parent.is_dir():
        wrong_use(f"There is no folder {target.absolute().parent}: make it first.")
    try:
        proposal = propose_mapping(file, answers_of(list(answer or [])))
        mapping = confirmed(proposal, voice(), accept=accept)
    except ValueError as error:
        if isinstance(error, OutcomesError):
            wrong_use(str(error))
        wrong_use(f"--answer {error}: write it as KEY=VALUE.")
    except OutcomesError as error:
        wrong_use(str(error))
    if mapping is None:
        raise typer.Exit(STOPPED)
    write_mapping(mapping, target, overwrite=overwrite)
    where = f"{own_place(file)} --mapping {own_place(target)}"
    typer.echo(f"Wrote {target}. Use it with every command: outcomes check {where}")


@app.command()
def check(
    cohort: CohortArgument = None,
    mapping: MappingOption = None,
    notation: NotationOption = None,
) -> None:
    """Read a cohort; list every problem with its remedy, and account for every row."""
    from outcomes.cohort.read import read_cohort
    from outcomes.reports.audit import words
    from outcomes.reports.build.run import demo_path

    if mapping is not None and cohort is None:
        wrong_use("--mapping needs the input it was made for.")
    say_demo(cohort)
    console = console_of()
    try:
        found = read_cohort(cohort or demo_path(), mapping=mapping, notation=notation, strict=False)
    except CohortError as error:
        stop(error)
    except OutcomesError as error:
        wrong_use(str(error))
    print_problems(console, found.problems)
    print_table(
        console, "What became of each row", words.ledger_words(found), align=("rows", "patients")
    )
    for sentence in words.checked(found):
        console.print(sentence, highlight=False, markup=False)
    raise typer.Exit(STOPPED if (found.problems["severity"] == "stop").any() else DONE)
